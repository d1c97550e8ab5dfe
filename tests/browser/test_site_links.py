"""The built HTML, file by file, without a browser: every link resolves, and nothing in it would break a strict policy."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

LINKING = {"href", "src", "action", "poster", "data", "formaction", "cite", "background"}
THEME_SCRIPTS = 5  # the most inline scripts the theme puts on a page; a policy lists their hashes


class _Page(HTMLParser):
    """What one HTML file links to, what can be linked to in it, and what a strict policy would refuse."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.links: list[tuple[str, str, str]] = []
        self.ids: list[str] = []
        self.names: set[str] = set()
        self.handlers: list[str] = []
        self.styles: list[str] = []
        self.inline_scripts = 0
        self.count: Counter[str] = Counter()
        self.title = ""
        self._in = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count[tag] += 1
        given = {k: v or "" for k, v in attrs}
        if "caution-line" in given.get("class", "").split():
            self.count[".caution-line"] += 1
        for key, value in given.items():
            if key in LINKING or key == "xlink:href":
                self.links.append((tag, key, value))
            elif key == "srcset":
                self.links += [(tag, key, part.split()[0]) for part in value.split(",") if part.strip()]
            elif key.startswith("on"):
                self.handlers.append(f"<{tag} {key}>")
            elif key == "style":
                self.styles.append(f"<{tag} style={value!r}>")
        if "id" in given:
            self.ids.append(given["id"])
        if "name" in given and tag == "a":
            self.names.add(given["name"])
        if tag == "style":
            self.styles.append("<style>")
        if tag == "script" and "src" not in given and given.get("type", "") in ("", "text/javascript", "module"):
            self.inline_scripts += 1
        if tag == "base":
            self.links.append((tag, "base", given.get("href", "")))
        self._in = tag

    def handle_data(self, data: str) -> None:
        if self._in == "title" and self.count["svg"] == 0:
            self.title += data

    def handle_endtag(self, tag: str) -> None:
        self._in = ""


@pytest.fixture(scope="module")
def pages(site: Path) -> dict[Path, _Page]:
    return {f: _Page(f.read_text(encoding="utf-8")) for f in sorted(site.rglob("*.html"))}


def _at(site: Path, page: Path) -> str:
    return page.relative_to(site).as_posix()


def _told(faults: list[str]) -> str:
    return f"{len(faults)} faults:\n" + "\n".join(faults[:20])


def test_every_link_leads_to_a_file_of_the_site_and_every_fragment_to_a_place_in_it(site: Path, pages) -> None:
    faults = []
    for page, read in pages.items():
        for tag, key, value in read.links:
            parts = urlsplit(value)
            if parts.scheme or parts.netloc:
                continue  # told by the test below
            path = unquote(parts.path)
            target = page if not path else (site / path.lstrip("/") if path.startswith("/") else page.parent / path)
            target = target.resolve()
            if not target.is_relative_to(site.resolve()) or not target.is_file():
                faults.append(f"{_at(site, page)}: <{tag} {key}={value!r}> leads to no file")
            elif target.name == "brief.html" and parts.fragment.startswith("case="):
                # Not a place but a state: the pathway whose brief is wanted.
                if not (site / "assets" / "data" / f"brief-{parts.fragment.removeprefix('case=')}.js").is_file():
                    faults.append(f"{_at(site, page)}: <{tag} {key}={value!r}>: no such case")
            elif parts.fragment and target.suffix == ".html":
                there = pages[site / target.relative_to(site.resolve())]
                if unquote(parts.fragment) not in there.names and unquote(parts.fragment) not in there.ids:
                    faults.append(f"{_at(site, page)}: <{tag} {key}={value!r}>: no such place on that page")
    assert not faults, _told(faults)


def test_links_are_relative_and_stay_in_the_site(site: Path, pages) -> None:
    faults = []
    for page, read in pages.items():
        for tag, key, value in read.links:
            parts = urlsplit(value.strip())
            # Only the page for a missing address is shown at any depth, so only it counts from the root.
            rooted = value.startswith("/") and page.name != "404.html"
            # The way to a source itself is a link that a reader may follow; nothing is fetched from it.
            if page.parent.name == "sources" and (tag, key, parts.scheme) == ("a", "href", "https"):
                continue
            if parts.scheme or parts.netloc or rooted or key == "base" or value.startswith("\\"):
                faults.append(f"{_at(site, page)}: <{tag} {key}={value!r}>")
    assert not faults, _told(faults)


def test_stylesheets_ask_for_nothing_outside_the_site(site: Path) -> None:
    faults = []
    for sheet in sorted(site.rglob("*.css")):
        text = re.sub(r"/\*.*?\*/", "", sheet.read_text(encoding="utf-8"), flags=re.S)
        for address in re.findall(r"""url\(\s*["']?([^"')]+)""", text) + re.findall(r"""@import\s+["']([^"']+)""", text):
            parts = urlsplit(address)
            if parts.scheme == "data":
                continue
            if parts.scheme or parts.netloc or address.startswith("/") or not (sheet.parent / unquote(parts.path)).is_file():
                faults.append(f"{_at(site, sheet)}: {address[:80]}")
    assert not faults, _told(faults)


def test_no_page_has_an_event_handler_or_a_style_attribute_or_a_script_of_its_own(site: Path, pages) -> None:
    faults = []
    for page, read in pages.items():
        faults += [f"{_at(site, page)}: {x}" for x in read.handlers + read.styles]
        if read.inline_scripts > THEME_SCRIPTS:
            faults.append(f"{_at(site, page)}: {read.inline_scripts} inline scripts, {THEME_SCRIPTS} at most")
    assert not faults, _told(faults)


def test_inline_scripts_are_the_themes_alone(site: Path, pages) -> None:
    """The theme's few scripts are the same on every page but for the way back to the root."""
    found: Counter[str] = Counter()
    for page in pages:
        text = page.read_text(encoding="utf-8")
        for script in re.findall(r"<script>(.*?)</script>", text, flags=re.S):
            found[re.sub(r'new URL\("[./]*",location\)', "", script)] += 1
    assert 1 <= len(found) <= THEME_SCRIPTS, f"{len(found)} different inline scripts: {[s[:60] for s in found]}"


def test_every_page_has_one_heading_one_title_and_one_caution(site: Path, pages) -> None:
    faults = []
    for page, read in pages.items():
        for what in ("h1", ".caution-line"):
            if read.count[what] != 1:
                faults.append(f"{_at(site, page)}: {read.count[what]} of {what}")
        if not read.title.strip():
            faults.append(f"{_at(site, page)}: no title")
    assert not faults, _told(faults)


def test_no_id_stands_twice_on_a_page(site: Path, pages) -> None:
    faults = [f"{_at(site, page)}: {id}" for page, read in pages.items() for id, n in Counter(read.ids).items() if n > 1]
    assert not faults, _told(faults)


def test_every_page_can_be_reached_from_the_home_page(site: Path, pages) -> None:
    home = site / "index.html"
    reached, to_read = {home}, [home]
    while to_read:
        page = to_read.pop()
        for tag, _, value in pages[page].links:
            path = unquote(urlsplit(value).path)
            target = Path((page.parent / path).resolve()) if tag == "a" and path.endswith(".html") and not path.startswith("/") else None
            if target and (mine := site / target.relative_to(site.resolve())) in pages and mine not in reached:
                reached.add(mine)
                to_read.append(mine)
    lost = [_at(site, p) for p in pages if p not in reached and p.name != "404.html"]
    assert not lost, "No way leads to: " + ", ".join(lost[:20])


def test_every_card_has_its_page_and_no_card_is_published_raw(site: Path) -> None:
    from support import CARDS, calculator_ids

    wanted = {f"{kind}/{f.stem}.html" for kind in ("techniques", "pathways", "sources") for f in (CARDS / kind).glob("*.yaml")}
    wanted |= {f"calculators/{id}.html" for id in calculator_ids()}
    missing = sorted(w for w in wanted if not (site / w).is_file())
    assert not missing, f"Cards without a page: {missing[:10]}"
    assert not list(site.rglob("*.yaml")), "The cards themselves must not be in the site."
