"""The site without a network, in a real browser; and what each page says by the reader's own clock.

Two copies of the small valid library, made on different days, are served in turn by one host that can be stopped, made
slow or made to fail.
"""

from __future__ import annotations

import functools
import http.server
import json
import re
import shutil
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from fixtures import VALID, small_site
from playwright.sync_api import Page, expect

from builder import bundle
from support import Base, Browsing, Watch, settle

pytestmark = pytest.mark.browser

CARD = "techniques/raised-infusion.html"
CALCULATOR = "calculators/window-and-pressure.html"
CASE = "pathways/trapped-blood.html"
SOURCE = "sources/arevalo-2008.html"
OTHER_SOURCE = "sources/iso-9626-2016.html"
TITLE = re.search("^title: [\"']?(.{20})", (VALID / "sources/arevalo-2008.yaml").read_text(encoding="utf-8"), re.M)[1]  # of SOURCE
DUE = "2027-05-20"  # of CARD, as its file says: signed off on 2026-11-20, every 6 months


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """first: made on 20 November 2026. second: made on 24 November, its card another."""
    root = tmp_path_factory.mktemp("copies")
    card = (VALID / CARD.replace(".html", ".yaml")).read_text(encoding="utf-8")
    title = re.search("^title: (.*)$", card, re.M)[1]
    with pytest.MonkeyPatch.context() as patch:
        for name, day, changed in (("first", "2026-11-20", {}), ("second", "2026-11-24", {"techniques/raised-infusion.yaml": card.replace(title, "Another title")})):
            patch.setenv("SOURCE_DATE_EPOCH", str(int(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp())))
            small_site(root / f"{name}-cards", root / name, changed)
    return root


class _Handler(http.server.SimpleHTTPRequestHandler):
    # HTTP/1.0: a connection kept open would outlive a host that has stopped.
    def translate_path(self, path: str) -> str:
        self.directory = str(self.server.folder)
        return super().translate_path(path)

    def do_GET(self) -> None:
        self.server.asked.append((self.path, self.headers.get("Range")))
        time.sleep(self.server.wait)
        if self.server.fails:
            self.send_error(503)
        else:
            super().do_GET()

    def do_POST(self) -> None:
        self.send_response(204)
        self.end_headers()

    def log_message(self, *args: object) -> None:
        pass


class Host:
    """A web host on one port. folder: what it serves; wait: seconds before each answer; fails: answers 503."""

    def __init__(self, folder: Path) -> None:
        self.port = 0
        self.state = {"folder": folder, "wait": 0.0, "fails": False, "asked": []}
        self.start()

    def start(self) -> None:
        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", self.port), _Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_port
        self.set()
        threading.Thread(target=functools.partial(self.server.serve_forever, poll_interval=0.02), daemon=True).start()

    def set(self, **changed: object) -> None:
        self.state.update(changed)
        vars(self.server).update(self.state)

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    @property
    def base(self) -> Base:
        return Base("http", f"http://127.0.0.1:{self.port}/")


@pytest.fixture
def host(sites: Path):
    made = Host(sites / "first")
    yield made
    made.stop()


@pytest.fixture
def reader(browser, host: Host):
    """A window that has never been here; whatever it does, it may ask nothing of another host."""
    context = browser.new_context()
    context.set_default_timeout(15_000)
    watch = Watch(host.base)
    context.on("request", watch._request)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.host = host
    yield page
    context.close()
    assert not watch.complaints and not errors, [*watch.complaints, *errors]


def go(page: Page, path: str = "index.html", **options: object) -> None:
    page.goto(page.host.base.root + path, **options)


def until(page: Page, condition: str, argument: object) -> None:
    """Waits for what a promise answers; the driver's own wait takes the promise itself for a yes."""
    for _ in range(300):
        if page.evaluate(condition, argument):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"Not so after 15 seconds: {condition}")


def is_kept(page: Page, path: str) -> None:
    until(page, "async path => Boolean(await caches.match(new URL(path, location.origin)))", path)


def installed(page: Page, path: str = "index.html") -> dict:
    """Opens a page and waits until the copy is whole and in charge. Gives what sw.js says of it."""
    go(page, path)
    copy = copy_of(page.host.state["folder"])
    until(page, """async version => {
      const names = await caches.keys(), worker = navigator.serviceWorker.controller;
      return names.length === 1 && names[0].endsWith(version) && Boolean(worker) && worker.state === 'activated';
    }""", copy["version"])
    return copy


def copy_of(site: Path) -> dict:
    return json.loads(re.match(r"const COPY = (\{.*?\});\n/\*", (site / "sw.js").read_text(encoding="utf-8"), re.S)[1])


KEPT = """async () => {
  const found = {};
  for (const name of await caches.keys()) found[name] = (await (await caches.open(name)).keys()).map(r => new URL(r.url).pathname.slice(1)).sort();
  return found;
}"""


# --- without a network ------------------------------------------------------------------------------------------------


def test_after_one_visit_all_that_a_fellow_needs_works_without_a_network(reader: Page) -> None:
    copy = installed(reader)
    assert reader.evaluate(KEPT) == {f"cards:/:{copy['version']}": sorted(copy["first"])}
    expect(reader.locator(".clock-network")).to_be_empty()
    assert reader.evaluate("document.querySelector('link[rel=manifest]').href") == reader.host.base.root + "manifest.webmanifest"
    reader.host.stop()
    try:
        line = reader.locator(".clock-network")
        for path, words in (("", "Test unit"), (CARD, "Raised infusion"), (CASE, "Blood trapped"), ("glossary.html", "Glossary"), ("selftest.html", "Self-test")):
            go(reader, path)
            expect(reader.locator("h1")).to_contain_text(words)
            expect(line).to_have_text("No network: this is the copy of 2026-11-20.")
        assert reader.evaluate("getComputedStyle(document.querySelector('.md-main')).display") == "flex" or \
            reader.evaluate("document.styleSheets.length") >= 4, "The styles come from the copy too."

        # A calculator opened with its inputs in the address still computes.
        go(reader, CALCULATOR)
        reader.fill("[name=systolic]", "150")
        before = reader.locator("output[name=mean]").get_attribute("data-value")
        reader.fill("[name=systolic]", "180")
        expect(reader.locator("output[name=mean]")).not_to_have_attribute("data-value", before)
        go(reader, CALCULATOR + "?systolic=150")
        expect(reader.locator("output[name=mean]")).to_have_attribute("data-value", before)

        # Search and the brief fetch their data when they are used.
        reader.fill("#find-field", "raised infusion")
        expect(reader.locator("[data-search-result]").first).to_have_attribute("data-search-result", CARD)
        go(reader, "brief.html#case=trapped-blood")
        expect(reader.locator(".brief-sheet")).to_contain_text("Raised infusion")
    finally:
        reader.host.start()


def test_a_source_joins_the_copy_when_it_is_opened_and_another_is_said_to_be_missing(reader: Page) -> None:
    installed(reader)
    go(reader, SOURCE)
    is_kept(reader, SOURCE)
    reader.context.set_offline(True)
    go(reader, SOURCE)
    assert reader.title().startswith(TITLE)
    expect(reader.locator(".clock-network")).to_have_text("No network: this is the copy of 2026-11-20.")
    go(reader, OTHER_SOURCE)
    expect(reader.locator("h1")).to_have_text("Not in this copy")
    reader.get_by_role("link", name="To the first page").click()
    expect(reader.locator("h1")).to_contain_text("Test unit")
    reader.context.set_offline(False)
    expect(reader.locator(".clock-network")).to_have_text("No network: this is the copy of 2026-11-20.")  # true until it is loaded anew
    reader.reload()
    expect(reader.locator(".clock-network")).to_be_empty()


def test_a_new_copy_on_the_host_counts_at_once_and_takes_the_old_one_s_place(reader: Page, sites: Path) -> None:
    installed(reader, SOURCE)
    go(reader, SOURCE)
    is_kept(reader, SOURCE)
    reader.host.set(folder=sites / "second")
    other = reader.context.new_page()
    other.host = reader.host
    go(other, CARD)
    expect(other.locator("h1")).to_contain_text("Another title")  # before the new copy is installed
    copy = installed(other)
    assert other.evaluate(KEPT) == {f"cards:/:{copy['version']}": sorted([*copy["first"], SOURCE])}, "One copy; what was opened in the old one is in the new."
    line = reader.locator(".clock-network")
    expect(line).to_contain_text("A newer copy, made on 2026-11-24, is here.")  # on the page that was open all the time
    expect(other.locator(".clock-network")).to_be_empty()
    line.get_by_role("button", name="Load it").click()
    expect(reader.locator(".clock-lines")).to_have_attribute("data-made", "2026-11-24")
    expect(line).to_be_empty()
    reader.context.set_offline(True)
    go(reader, CARD)
    expect(reader.locator("h1")).to_contain_text("Another title")
    expect(line).to_have_text("No network: this is the copy of 2026-11-24.")


def test_a_slow_or_failing_host_gives_way_to_the_copy(reader: Page) -> None:
    installed(reader)
    reader.host.set(fails=True)
    go(reader, CARD)
    expect(reader.locator("h1")).to_contain_text("Raised infusion")
    expect(reader.locator(".clock-network")).to_have_text("No network: this is the copy of 2026-11-20.")
    reader.host.set(fails=False, wait=30)
    start, before = time.monotonic(), len(reader.host.state["asked"])
    go(reader, CALCULATOR, wait_until="load")
    assert time.monotonic() - start > 2, "The host has its chance."
    asked = [path for path, _ in reader.host.state["asked"]][before:]
    assert f"/{CALCULATOR}" in asked
    assert not [path for path in asked if path.endswith((".css", ".js")) and path != "/sw.js"], "With the page come its scripts and styles from the copy: no mixture, no second wait."
    expect(reader.locator("output[name=mean]")).to_have_attribute("data-value", re.compile("."))
    expect(reader.locator(".clock-network")).to_have_text("The network is slow: this is the copy of 2026-11-20.")


def test_a_copy_that_is_not_whole_is_not_installed(reader: Page, sites: Path, tmp_path: Path) -> None:
    shutil.copytree(sites / "first", tmp_path / "site")
    page = tmp_path / "site" / CARD
    page.write_text(page.read_text(encoding="utf-8").replace("Raised infusion", "Raised  infusion"), encoding="utf-8")
    reader.host.set(folder=tmp_path / "site")
    go(reader, "glossary.html")
    state = reader.evaluate("""async () => {
      const registration = await navigator.serviceWorker.register('sw.js');
      const worker = registration.installing || registration.waiting || registration.active;
      while (worker.state === 'installing') await new Promise(done => worker.addEventListener('statechange', done, {once: true}));
      return [worker.state, Boolean(registration.active)];
    }""")
    assert state == ["redundant", False]
    go(reader, CARD)  # read as before
    expect(reader.locator("h1")).to_contain_text("Raised  infusion", use_inner_text=False)


def test_other_requests_are_left_alone(reader: Page) -> None:
    installed(reader)
    asked = reader.host.state["asked"]
    ask = "options => fetch('glossary.html', {cache: 'no-store', ...options}).then(r => r.status, () => 'failed')"  # not from the browser's own cache
    assert reader.evaluate(ask, {"headers": {"Range": "bytes=0-9"}}) == 200
    assert ("/glossary.html", "bytes=0-9") in asked
    reader.host.stop()
    try:
        assert reader.evaluate(ask, {}) == 200
        assert reader.evaluate(ask, {"method": "POST"}) == "failed"
        assert reader.evaluate(ask, {"headers": {"Range": "bytes=0-9"}}) == "failed"
        assert reader.evaluate("fetch('no-such-page.html').then(r => r.status, () => 'failed')") == "failed"
    finally:
        reader.host.start()


def test_two_copies_on_one_host_do_not_take_each_other_s_place(reader: Page, sites: Path) -> None:
    reader.host.set(folder=sites)
    whole = """async path => {
      const registration = await navigator.serviceWorker.getRegistration(path);
      return Boolean(registration && registration.active && registration.active.state === 'activated');
    }"""
    for name in ("first", "second"):
        go(reader, f"{name}/index.html")
        until(reader, whole, f"/{name}/")
    assert set(reader.evaluate(KEPT)) == {f"cards:/{name}/:{copy_of(sites / name)['version']}" for name in ("first", "second")}
    reader.context.set_offline(True)
    for name, title in (("first", "Raised infusion"), ("second", "Another title")):
        go(reader, f"{name}/{CARD}")
        expect(reader.locator("h1")).to_contain_text(title)


# --- by the reader's own clock ----------------------------------------------------------------------------------------


@pytest.fixture
def copy_in_a_folder(sites: Path) -> Base:
    return Base("file", (sites / "first").as_uri() + "/")


def at(day: str, hour: str = "12:00:00", **options: object) -> dict:
    """Options of a window whose reader's clock stands at this day and hour in UTC."""
    return {"before": lambda page: page.clock.set_fixed_time(f"{day}T{hour}Z"), **options}


def lines(page: Page) -> list[str]:
    return page.locator(".clock-line").all_inner_texts()


STALE = "It was made on 2026-11-20; look for a newer one before you rely on it."
OVERDUE = "Overdue for review since 2027-05-20. Ask the card\u2019s keeper, the consultant vitreoretinal surgeon, before you rely on it."


@pytest.mark.parametrize(("options", "path", "told"), [
    (at("2026-11-20"), CARD, []),
    (at("2026-12-20"), CARD, []),
    (at("2026-12-21"), CARD, ["This copy is 31 days old. " + STALE]),
    (at(DUE), CARD, ["This copy is 181 days old. " + STALE]),
    (at("2027-05-21"), CARD, ["This copy is 182 days old. " + STALE, OVERDUE]),
    (at("2027-05-21"), "glossary.html", ["This copy is 182 days old. " + STALE]),
    (at("2026-11-19"), CARD, []),  # a day is not the same day everywhere
    (at("2026-11-18"), CARD, ["This device\u2019s clock says 2026-11-18. That is before this copy was made (2026-11-20), so what is out of date cannot be told."]),
    (at(DUE, "23:00:00", timezone_id="Pacific/Auckland"), "index.html", ["This copy is 182 days old. " + STALE]),
    (at("2027-05-21", "05:00:00", timezone_id="America/Los_Angeles"), CARD, ["This copy is 181 days old. " + STALE]),
])
def test_a_page_says_when_it_is_old_by_the_reader_s_own_day(browsing: Browsing, copy_in_a_folder: Base, options: dict, path: str, told: list[str]) -> None:
    page = browsing.open(copy_in_a_folder, path, **options)
    assert lines(page) == told
    expect(page.locator(".md-footer")).to_contain_text("This copy was made on 2026-11-20.")
    assert page.locator(".clock-network").count() == 0, "From a folder nothing is said of a network."
    assert page.locator("link[rel=manifest]").count() == 0


def test_an_overdue_card_warns_at_its_top_and_foot_and_moves_nothing(browsing: Browsing, host: Host) -> None:
    def before(page: Page) -> None:
        page.clock.set_fixed_time("2027-05-21T12:00:00Z")
        page.add_init_script("window.moved = 0; new PerformanceObserver(l => l.getEntries().forEach(e => { window.moved += e.value; })).observe({type: 'layout-shift', buffered: true});")

    for width in (390, 1280):
        page = browsing.open(host.base, CARD, fresh=True, before=before, width=width)
        banner = page.locator(".clock-overdue")
        assert banner.bounding_box()["y"] < page.locator("h1").bounding_box()["y"]
        expect(page.locator(".due[data-due]")).to_have_text("Overdue for review since 2027-05-20")
        settle(page)
        assert page.evaluate("moved") < 0.02
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.emulate_media(media="print")
        assert banner.is_visible(), "Paper warns too."


def test_the_first_page_lists_what_is_overdue_and_passes_the_accessibility_checks(browsing: Browsing, host: Host) -> None:
    page = browsing.open(host.base, "index.html", fresh=True, **at("2027-05-20"))
    assert not page.locator("[data-overdue]").is_visible()
    expect(page.locator("#review ~ details")).to_contain_text(["Not yet signed off 1 of 2 technique cards", "Signed off"])
    for scheme in ("light", "dark"):
        page = browsing.open(host.base, "index.html", fresh=True, **at("2027-05-21", scheme=scheme))
        overdue = page.locator("[data-overdue]")
        assert overdue.is_visible()
        assert overdue.get_by_role("heading").inner_text() == "Overdue for review"
        assert overdue.locator("li").all_inner_texts() == ["Raised infusion Overdue for review since 2027-05-20"]
        assert overdue.get_by_role("link").get_attribute("href") == CARD
        page.context.set_offline(True)
        page.evaluate("window.dispatchEvent(new Event('offline'))")
        expect(page.locator(".clock-network")).to_have_text("No network: this is the copy of 2026-11-20.")
        page.locator("details.folded").first.evaluate("d => { d.open = true; }")
        page.evaluate(AXE_SCRIPT)
        found = page.evaluate("axe.run().then(r => r.violations.filter(v => ['serious', 'critical'].includes(v.impact)).map(v => v.id + ': ' + v.nodes[0].html))")
        assert found == []
        page.context.set_offline(False)


def test_a_page_left_open_warns_when_its_day_has_come(browsing: Browsing, host: Host) -> None:
    page = browsing.open(host.base, CARD, fresh=True, **at(DUE))
    assert len(lines(page)) == 1
    page.clock.set_fixed_time("2027-05-21T12:00:00Z")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    assert lines(page)[1:] == [OVERDUE]


def test_the_bundle_unpacked_opens_from_a_folder_with_its_search(browsing: Browsing, sites: Path, tmp_path: Path) -> None:
    bundle.write(sites / "first", tmp_path / "cards.zip", datetime(2026, 11, 20, tzinfo=UTC))
    shutil.unpack_archive(tmp_path / "cards.zip", tmp_path)
    base = Base("file", (tmp_path / "technique-cards").as_uri() + "/")
    page = browsing.open(base, "index.html", fresh=True)
    page.fill("#find-field", "raised infusion")
    result = page.locator("[data-search-result]").first
    expect(result).to_have_attribute("data-search-result", CARD)
    result.click()
    expect(page.locator("h1")).to_contain_text("Raised infusion")
    page.goto(base.root + CALCULATOR)
    expect(page.locator("output[name=mean]")).to_have_attribute("data-value", re.compile("."))
