"""Every kind of page in a real browser: it loads, says who it is for, fits the screen, and passes axe."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import expect

from support import Browsing, calculator_ids, page_kinds, settle

pytestmark = pytest.mark.browser

KINDS = page_kinds()
ON_A_HOST = {**KINDS, "not found": "404.html"}  # on disk no one is ever sent to this page


def _is_whole(page) -> None:
    expect(page.locator("h1")).to_have_count(1)
    assert page.locator("h1").inner_text().strip(), "The heading is empty."
    assert page.title().strip(), "The page has no title."
    assert page.evaluate("document.documentElement.lang") == "en"
    caution = page.locator(".caution-line")
    expect(caution).to_have_count(1)
    expect(caution).to_be_visible()
    expect(caution).to_contain_text("responsible surgeon")


def _caution_is_printed(page) -> None:
    page.emulate_media(media="print")
    caution = page.locator(".caution-line")
    expect(caution).to_be_visible()
    box = caution.bounding_box()
    assert box and box["height"] > 8 and box["width"] > 100, f"The caution line has no room on paper: {box}"
    colours = caution.evaluate("n => [getComputedStyle(n).color, getComputedStyle(n).opacity]")
    assert colours[0] != "rgb(255, 255, 255)" and colours[1] == "1", f"The caution line cannot be read on paper: {colours}"


@pytest.mark.parametrize("kind", ON_A_HOST)
def test_page_over_http_has_heading_title_and_caution_fits_a_phone_and_prints(kind: str, http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, ON_A_HOST[kind])
    settle(page)
    _is_whole(page)
    _fits(page)
    _caution_is_printed(page)


@pytest.mark.parametrize("kind", KINDS)
def test_page_from_disk_has_heading_title_and_caution_on_screen_and_paper(kind: str, file_base, browsing: Browsing) -> None:
    page = browsing.open(file_base, KINDS[kind])
    settle(page)
    _is_whole(page)
    _caution_is_printed(page)


@pytest.mark.parametrize("address", ["no-such-page.html", "techniques/no-such-card.html", "a/b/c/"])
def test_missing_address_gets_the_sites_own_page_with_a_way_home(address: str, http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, address, missing=True)
    _is_whole(page)
    expect(page.locator("h1")).to_have_text(re.compile("not found", re.I))
    page.get_by_role("link", name="the first page").click()
    page.wait_for_url(re.compile(re.escape(http_base.root) + r"(index\.html)?$"))


def test_without_scripts_the_page_still_cautions_and_says_what_is_missing(base, browsing: Browsing) -> None:
    page = browsing.open(base, KINDS[f"calculator {calculator_ids()[0]}"], java_script_enabled=False)
    expect(page.locator(".caution-line")).to_be_visible()
    expect(page.locator(".no-script")).to_be_visible()
    expect(page.locator(".examples").first).to_contain_text(re.compile(r"\d"))
    expect(page.locator("output[data-value]")).to_have_count(0)


def test_home_leads_to_every_technique_calculator_and_case_by_click(base, browsing: Browsing) -> None:
    page = browsing.open(base, KINDS["home"])
    for kind in ("technique", "pathway", f"calculator {calculator_ids()[0]}"):
        page.goto(base.root + KINDS["home"])
        page.locator(f"main a[href='{KINDS[kind]}']:visible").first.click()
        page.wait_for_url(base.root + KINDS[kind] + "**")
        expect(page.locator("h1")).to_have_count(1)


@pytest.mark.parametrize("trouble", ["request", "console", "exception", "missing file"])
def test_the_watch_itself_notices(trouble: str, http_base, windows) -> None:
    browsing = Browsing(windows)
    page = browsing.open(http_base, KINDS["home"])
    assert not browsing.complaints
    page.evaluate({
        "request": "() => new Promise(done => { const i = new Image(); i.onerror = done; i.src = 'http://127.0.0.2:9/x.png'; })",
        "console": "() => console.error('noticed')",
        "exception": "() => new Promise(done => setTimeout(() => { setTimeout(done, 50); throw new Error('noticed'); }, 0))",
        "missing file": "() => fetch('no-such-file.json')",
    }[trouble])
    settle(page)
    browsing.close()
    complaints = browsing.complaints
    wanted = {"request": "outside the site", "console": "noticed", "exception": "noticed", "missing file": "status 404"}[trouble]
    assert any(wanted in c for c in complaints), f"Not noticed: {trouble}; noticed: {complaints}"


# --- it fits the screen ------------------------------------------------------------------------------------------

# Elements that reach past the screen's edge, unless something above them scrolls on its own or hides them on purpose.
OVERFLOW = """() => {
  const wide = document.documentElement.clientWidth;
  const contained = node => {
    for (let up = node.parentElement; up && up !== document.body; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (/auto|scroll|hidden|clip/.test(style.overflowX) && up.getBoundingClientRect().right <= wide + 1) return true;
      if (style.position === 'fixed') return true;
    }
    return getComputedStyle(node).position === 'fixed';
  };
  const found = [...document.querySelectorAll('body *')].filter(node => {
    const box = node.getBoundingClientRect();
    return box.width > 0 && box.height > 0 && box.right > wide + 1 && node.checkVisibility() && !contained(node);
  });
  return {
    scrolls: document.scrollingElement.scrollWidth - wide,
    past: found.slice(0, 5).map(n => n.tagName.toLowerCase() + '.' + n.getAttribute('class') + ' to ' +
      Math.round(n.getBoundingClientRect().right) + ': ' + n.textContent.trim().slice(0, 40)),
  };
}"""


def _fits(page) -> None:
    for width in (390, 320):
        page.set_viewport_size({"width": width, "height": 844})
        settle(page)
        found = page.evaluate(OVERFLOW)
        assert found["scrolls"] <= 0 and not found["past"], f"At {width} px the page is {found['scrolls']} px too wide; past the edge: {found['past']}"


# --- everyone can use it -----------------------------------------------------------------------------------------


COLOUR_RULES = ["color-contrast", "link-in-text-block"]  # the only ones that a palette can change


def _serious(page, rules: list[str] | None = None) -> list[str]:
    if not page.evaluate("() => Boolean(window.axe)"):
        page.evaluate(AXE_SCRIPT)
    # The size of targets is of WCAG 2.2 and has to be asked for.
    options = {"resultTypes": ["violations"], "preload": False} | ({"runOnly": rules} if rules else {"rules": {"target-size": {"enabled": True}}})
    violations = page.evaluate("options => axe.run(document, options).then(r => r.violations)", options)
    return [f"{v['id']} ({v['impact']}), {v['help']}: " + " | ".join(str(n["target"]) + " " + (n["failureSummary"] or "").split("\n")[-1].strip() for n in v["nodes"][:3])
            for v in violations if v["impact"] in ("serious", "critical")]


def _wear(page, scheme: str) -> None:
    """The palette follows the system until the reader chooses one."""
    if scheme == "low light":  # only ever chosen, never the system's
        page.evaluate("() => { document.body.dataset.mdColorScheme = 'low-light'; }")
    else:
        page.emulate_media(color_scheme=scheme)
        page.wait_for_function("wanted => document.body.dataset.mdColorScheme === wanted", arg={"light": "default", "dark": "slate"}[scheme])
    settle(page)
    page.evaluate("() => Promise.all(document.getAnimations().filter(a => a instanceof CSSTransition).map(a => a.finished.catch(() => 0)))")  # colours that still change would be measured half-way


@pytest.mark.parametrize("kind", ON_A_HOST)
def test_axe_finds_nothing_serious_in_any_palette_on_desk_or_phone(kind: str, http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, ON_A_HOST[kind])
    found = []
    # The calculators are one kind of page: the first is seen in every way, the others on a phone in light and at a desk in the other palettes.
    seldom = kind.startswith("calculator ") and kind != f"calculator {calculator_ids()[0]}"
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 844})
        for scheme in ("light", "dark", "low light"):
            if seldom and (scheme == "light") != (width == 390):
                continue
            _wear(page, scheme)
            found += [f"{width} px, {scheme}: {x}" for x in _serious(page, COLOUR_RULES if scheme != "light" else None)]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("id", calculator_ids())
def test_axe_finds_nothing_serious_in_a_calculator_that_refuses_its_input(id: str, scheme: str, http_base, browsing: Browsing, calculators) -> None:
    page = browsing.open(http_base, f"calculators/{id}.html", width=390, scheme=scheme)
    settle(page)
    name, x = next(iter(calculators[id].inputs.items()))
    if x.declared.kind == "choice":
        page.goto(page.url + f"?{name}=unheard-of")
    else:
        page.locator(f"[name='{name}']").fill("")
    expect(page.locator(f"#error-{name}")).to_be_visible()
    settle(page)
    found = _serious(page)
    assert not found, "\n".join(found)


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_search_results(scheme: str, width: int, http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, KINDS["home"], scheme=scheme, width=width)
    page.keyboard.press("/")
    found = []
    for words in ("laser", "qqqzzzxx"):
        page.locator("#find-field").fill(words)
        expect(page.locator("[data-search-result]").first if words == "laser" else page.locator(".find-none")).to_be_visible()
        page.keyboard.press("ArrowDown")
        settle(page)
        found += _serious(page)
    page.keyboard.press("Escape")
    if width == 390:
        page.get_by_role("button", name="Menu").click()
        found += _serious(page)
    assert not found, "\n".join(found)


def test_palette_switch_changes_the_colours_and_is_remembered(base, browsing: Browsing) -> None:
    page = browsing.open(base, KINDS["home"], fresh=True)
    shade = "() => getComputedStyle(document.querySelector('.caution-line')).color"
    first = page.evaluate(shade)
    for _ in range(3):
        page.locator("label.md-header__button[for^='__palette']:visible").click()
        if page.evaluate("document.body.dataset.mdColorScheme") == "slate":
            break
    assert page.evaluate("document.body.dataset.mdColorScheme") == "slate", "No press of the palette button gives dark colours."
    settle(page)
    assert page.evaluate(shade) != first, "Dark and light give the caution line one colour."
    page.goto(base.root + KINDS["glossary"])
    assert page.evaluate("document.body.dataset.mdColorScheme") == "slate", "The choice is forgotten on the next page."


# --- the source behind a claim ------------------------------------------------------------------------------------


def test_a_mark_opens_its_source_beneath_the_claim_by_key_and_by_tap(base, browsing: Browsing) -> None:
    page = browsing.open(base, KINDS["technique"], width=390)
    links = page.locator('.evidence .basis a[href^="#source-"]')
    first, second = links.nth(0), links.nth(1)
    note = page.locator(".cited")
    first.focus()
    page.keyboard.press("Enter")
    expect(note).to_have_count(1)
    reference = page.locator(f"#source-{first.inner_text()}").inner_text().split(".")[0]
    assert reference and reference in note.inner_text() and page.url.endswith(".html")
    expect(first).to_have_attribute("aria-expanded", "true")
    second.click()  # one at a time
    expect(note).to_have_count(1)
    expect(first).not_to_have_attribute("aria-expanded", "true")
    page.keyboard.press("Escape")
    expect(note).to_have_count(0)
    expect(second).to_be_focused()


def test_without_a_script_a_mark_leads_to_the_list_of_sources(http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, KINDS["technique"], java_script_enabled=False)
    page.locator('.evidence .basis a[href^="#source-"]').first.click()
    assert re.search(r"#source-\d+$", page.url)
