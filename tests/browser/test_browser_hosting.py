"""The site under the written security policy, in a real browser: nothing of it is refused, and what is not of it is.

The host sends the headers that the site's own settings for nginx name; test_hosting.py shows that the other two say the same.
"""

from __future__ import annotations

import functools
import shutil
from pathlib import Path

import pytest
import yaml

from builder import hosting
from hosts import hosted, told
from support import CARDS, Base, Watch, page_kinds, settle

pytestmark = pytest.mark.browser

# A violation is an error in the console only if the policy is enforced; this hears of it in any case.
LISTEN = "document.addEventListener('securitypolicyviolation', e => console.error('REFUSED ' + e.effectiveDirective + ' ' + e.blockedURI + ' ' + e.sample))"


@pytest.fixture(scope="module")
def strict(site: Path):
    """The session's site from a host that sends the headers of its nginx settings."""
    with hosted(site, told(site)[hosting.NGINX].answer) as address:
        yield Base("http", address)


@pytest.fixture(scope="module")
def window(browser, strict: Base):
    """(page, watch): one window for every page; complaints are those of all of them."""
    context = browser.new_context(service_workers="block", viewport={"width": 1280, "height": 900})
    context.add_init_script(LISTEN)
    context.set_default_timeout(5000)
    watch = Watch(strict)
    watch.follow(context)
    yield context.new_page(), watch
    context.close()


@functools.cache
def drawings() -> dict[str, str]:
    """A calculator for each kind of drawing, and one with a curve: what is drawn -> its page."""
    found = {}
    for file in sorted((CARDS / "calculators").glob("*.yaml")):
        card = yaml.load(file.read_text(encoding="utf-8"), yaml.CSafeLoader)
        for what in (card.get("diagram"), "plot" if card.get("plot") else None):
            if what:
                found.setdefault(what, f"calculators/{file.stem}.html")
    return found


def test_nothing_of_any_page_is_refused(window, strict: Base, site: Path) -> None:
    page, watch = window
    kinds = {k: p for k, p in page_kinds().items() if not k.startswith("calculator ")} | {
        "ledgers": "ledgers/index.html", "figures": "ledgers/figures.html", "fields": "fields.html", "changes": "changes.html",
        "a page": min(f"pages/{f.name}" for f in (site / "pages").glob("*.html")), **drawings()}
    assert len(drawings()) >= 6 and all((site / path).is_file() for path in kinds.values() if path != "changes.html")
    for path in dict.fromkeys(kinds.values()):
        if not (site / path).is_file():
            continue  # what changed is told only of cards with a history
        answer = page.goto(strict.root + path, wait_until="load")
        assert answer.headers["content-security-policy"].startswith("default-src 'none'")
        assert page.evaluate("typeof __md_get") == "function", f"{path}: the theme's own script did not run."
        if path in drawings().values():
            field = page.locator("form.calculator :is(input, select):visible").first
            field.press("ArrowUp")
            field.press("Enter")  # would send the form, if it were sent
            settle(page)
            assert page.locator("main .drawing svg").count(), f"{path} draws nothing."
    assert watch.complaints == []


def test_nothing_is_refused_while_the_site_is_used(window, strict: Base) -> None:
    page, watch = window
    # Every palette in turn, on paper as well.
    page.goto(strict.root + page_kinds()["technique"], wait_until="load")
    seen = []
    for _ in range(4):
        seen.append(page.evaluate("document.body.dataset.mdColorScheme"))
        page.locator("label.md-header__button[for^=__palette]:visible").first.click()
        settle(page)
    assert {"default", "slate", "low-light"} <= set(seen)
    page.emulate_media(media="print")
    page.pdf()
    page.emulate_media(media="screen")
    # A search, by its own field and scripts.
    page.keyboard.press("/")
    page.keyboard.type("port distance")
    page.wait_for_selector("[data-search-result]")
    # A brief is filled, shown and printed.
    page.goto(strict.root + "brief.html#case=" + next(f.stem for f in sorted((CARDS / "pathways").glob("*.yaml"))), wait_until="load")
    page.wait_for_selector(".brief-form:not([hidden])")
    page.locator(".brief-form input:visible").first.press("ArrowUp")
    settle(page)
    page.emulate_media(media="print")
    page.pdf()
    page.emulate_media(media="screen")
    # A question of the self-test is answered.
    page.goto(strict.root + "selftest.html", wait_until="load")
    page.locator("main button:visible, main a[href*='#']:visible").first.click()
    settle(page)
    # An address that is none.
    watch.missing = {strict.root + "techniques/none.html"}
    answer = page.goto(strict.root + "techniques/none.html", wait_until="load")
    assert answer.status == 404 and answer.headers["content-security-policy"]
    assert "Page not found" in page.title()
    assert watch.complaints == []


def test_the_site_still_installs_itself(browser, strict: Base) -> None:
    context = browser.new_context(service_workers="allow")
    watch = Watch(strict)
    watch.follow(context)
    page = context.new_page()
    page.goto(strict.root, wait_until="load")
    kept = page.evaluate("""async () => {
        await navigator.serviceWorker.ready;
        const [name] = await caches.keys();
        return (await (await caches.open(name)).keys()).length;
    }""")
    context.close()
    assert kept > 50 and watch.complaints == []


# What is put in -> what shows in the page that it had its effect, if that can be shown without another host.
INJECTED = {
    "a script in the page": ("<script>window.ran = 1</script>", "window.ran"),
    "a handler of an event": ("<img src='assets/images/favicon.svg' onload='window.handled = 1'>", "window.handled"),
    "an address that is a script": ("<a id='trap' href='javascript:void(window.followed = 1)'>x</a>", "window.followed"),
    "data as a script": ("<script src='data:text/javascript,window.loaded=1'></script>", "window.loaded"),
    "an element's own style": ("<p id='styled' style='position: fixed'>x</p>", "getComputedStyle(document.getElementById('styled')).position === 'fixed'"),
    "a style in the page": ("<style>main { opacity: 0.5 }</style>", "getComputedStyle(document.querySelector('main')).opacity === '0.5'"),
    "a frame": ("<iframe src='glossary.html'></iframe>", "document.querySelector('iframe').contentDocument?.title"),
    "another way to the root": ("<base href='http://127.0.0.2:1/'>", "document.baseURI.includes('127.0.0.2')"),
}
DIRECTIVES = ["base-uri", "frame-src", "script-src-attr", "script-src-elem", "script-src-elem", "script-src-elem", "style-src-attr", "style-src-elem"]


def test_what_is_put_into_a_page_does_not_run(browser, site: Path, tmp_path: Path) -> None:
    """The same page without the headers shows that each of these would have had its effect."""
    for name in ("glossary.html", "404.html", "assets"):
        (shutil.copytree if name == "assets" else shutil.copy)(site / name, tmp_path / name)
    page = (site / "index.html").read_text(encoding="utf-8")
    (tmp_path / "index.html").write_text(page.replace("</body>", "".join(put_in for put_in, _ in INJECTED.values()) + "</body>"), encoding="utf-8")
    answer = told(site)[hosting.IIS].answer
    for headers, refused, effect in ((answer, DIRECTIVES, False), (lambda path: {"Content-Type": answer(path)["Content-Type"]}, [], True)):
        with hosted(tmp_path, headers) as address:
            context = browser.new_context(service_workers="block")
            context.add_init_script("window.refused = []; document.addEventListener('securitypolicyviolation', e => window.refused.push(e.effectiveDirective))")
            opened = context.new_page()
            opened.goto(address, wait_until="load")
            opened.evaluate("document.getElementById('trap').click()")
            settle(opened)
            had = {what: bool(opened.evaluate(shows)) for what, (_, shows) in INJECTED.items()}
            said = sorted(opened.evaluate("window.refused"))
            context.close()
        assert had == dict.fromkeys(INJECTED, effect)
        assert said == refused
