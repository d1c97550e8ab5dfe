"""The project must outlive its engine: the rendered pages, written out, make the same site under an engine that shares no
code with MkDocs, and the hook runs as it is under a fork of it.

What an engine says of its own success is not believed: pages and links are counted. If a test of what an engine cannot do
fails, it has learnt it: strike the point in DEVELOPERS.md, under *Another engine*.
"""

from __future__ import annotations

import os
import posixpath
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from unittest import mock
from urllib.parse import unquote, urlsplit

import pytest
import yaml
from click.testing import CliRunner, Result
from fixtures import PROJECT, project, units, write

from builder import compose, writeout
from builder.cli import main

OWN = PROJECT / "site_overrides"
VOID = frozenset("area base br col embed hr img input link meta source track wbr".split())
HEADING = re.compile("h[1-6]")


def cards(root: Path, *arguments: str) -> Result:
    with mock.patch.object(compose, "Units", units):
        result = CliRunner(env={"NO_MKDOCS_2_WARNING": "1"}).invoke(main, ["--root", str(root), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def engine(name: str, config: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """An engine's own build command. A proxy that leads nowhere stands before any host it might ask."""
    nowhere = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    return subprocess.run([sys.executable, "-m", name, "build", "--strict", "-f", str(config), *arguments], cwd=config.parent, capture_output=True,
                          text=True, timeout=60, env={**os.environ, **nowhere, "NO_MKDOCS_2_WARNING": "1"})


def zensical(folder: Path) -> subprocess.CompletedProcess[str]:
    return engine("zensical", folder / "mkdocs.yml")


# --- reading a site ---------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """What a reader gets of a page: the article's words, headings, links and anchors; every link; scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.headings: list[tuple[str, str | None, str]] = []  # level, anchor, words
        self.links: list[str] = []
        self.anchors: set[str] = set()
        self.every_link: list[str] = []
        self.every_anchor: set[str] = set()
        self.menu: list[str] = []
        self.parts: list[str] = []
        self._open: list[str] = []
        self._in_menu = False
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        has, inside = dict(attributes), "article" in self._open
        if id := has.get("id"):
            self.every_anchor.add(id)
            if inside and not id.startswith("__"):  # an anchor of the engine's own
                self.anchors.add(id)
        if tag == "a" and (link := has.get("href")):
            self.every_link.append(link)
            if inside:
                self.links.append(link)
            if self._in_menu and not link.startswith("#"):  # without the page's own contents
                self.menu.append(link)
        if tag == "nav":
            self._in_menu = has.get("id") == "site-menu"
        if tag == "script" and has.get("src"):
            self.parts.append(has["src"])
        if tag == "link" and has.get("rel") == "stylesheet":
            self.parts.append(has["href"])
        if inside and HEADING.fullmatch(tag):
            self.headings.append((tag, has.get("id"), ""))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        self._in_menu = self._in_menu and tag != "nav"
        while tag in self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "article" in self._open and not {"script", "style"} & {*self._open}:
            self.words += data.split()
            if any(map(HEADING.fullmatch, self._open)):
                level, id, words = self.headings[-1]
                self.headings[-1] = (level, id, words + data)


def pages(site: Path) -> dict[str, Page]:
    """Path below the site -> what it says."""
    return {f.relative_to(site).as_posix(): Page(f.read_text(encoding="utf-8")) for f in sorted(site.rglob("*.html"))}


def leads_to(path: str, link: str) -> tuple[str, str] | None:
    """(file, anchor) that a link on the page at `path` leads to, below the site; None if it leaves the site."""
    parts = urlsplit(link)
    if parts.scheme or parts.netloc:
        return None
    # From the root of the host on the page for a missing address, which may be asked for in any folder.
    folder = "" if parts.path.startswith("/") else posixpath.dirname(path)
    return posixpath.normpath(posixpath.join(folder, unquote(parts.path).lstrip("/"))) if parts.path else path, unquote(parts.fragment)


def dead_links(site: Path, found: dict[str, Page]) -> list[str]:
    dead = []
    for path, page in found.items():
        for link in page.every_link:
            file, anchor = leads_to(path, link) or ("index.html", "")
            anchor = "" if "=" in anchor else anchor  # the brief's is read by its script
            if not (site / file).is_file() or (anchor and file in found and anchor not in found[file].every_anchor):
                dead.append(f"{path}: {link}")
    return dead


def of_ours(path: str, page: Page, docs: Path) -> list[str]:
    """The scripts and styles that a page loads and that are not the theme's, in their order."""
    return [to[0] for part in page.parts if (to := leads_to(path, part)) and (docs / to[0]).is_file()]


def differences(one: dict[str, Page], other: dict[str, Page], docs: Path) -> list[str]:
    """What a reader of one site gets and a reader of the other does not."""
    found = [f"{path} is only in one" for path in sorted(one.keys() ^ other.keys())]
    for path in sorted(one.keys() & other.keys()):
        a, b = one[path], other[path]
        found += [f"{path}: {name} differ" for name in ("words", "headings", "links", "anchors") if getattr(a, name) != getattr(b, name)]
        if [leads_to(path, x) for x in a.menu] != [leads_to(path, x) for x in b.menu]:
            found.append(f"{path}: menus differ")
        if of_ours(path, a, docs) != of_ours(path, b, docs):
            found.append(f"{path}: scripts and styles differ")
    return found


# --- an engine that knows no hook -------------------------------------------------------------------------------------


def commit(root: Path) -> None:
    outside = {k: v for k, v in os.environ.items() if not k.startswith("GIT_")}
    for words in (["init", "-q"], ["add", "cards"], ["commit", "-q", "-m", "The first cards"]):
        subprocess.run(["git", "-c", "user.name=T", "-c", "user.email=t@example.org", *words], cwd=root, check=True, capture_output=True, timeout=30,
                       env={**outside, "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull})


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small library with a commit, so that no kind of page is missing: its site by MkDocs in `site`, its pages written out in
    `written`, and in `written/site` what the other engine makes of those."""
    root = project(tmp_path_factory.mktemp("engine") / "unit")
    commit(root)
    for arguments in (("build",), ("write-pages", str(root / "written"))):
        result = cards(root, *arguments)
        assert result.exit_code == 0, result.output
    built = zensical(root / "written")
    assert built.returncode == 0, built.stdout + built.stderr
    return root


def test_the_other_engine_makes_the_same_pages_with_the_same_words_and_links(made: Path) -> None:
    one, other = pages(made / "site"), pages(made / "written/site")
    assert differences(one, other, made / "written/docs") == []
    # Every card has its page; a list that is empty in both would also be the same.
    for file in (made / "cards").rglob("*/*.yaml"):
        page = other[file.relative_to(made / "cards").with_suffix(".html").as_posix()]
        assert len(page.words) > 50 and page.headings and page.links, file
    assert {"index.html", "brief.html", "glossary.html", "fields.html", "selftest.html", "changes.html", "ledgers/figures.html", "404.html"} <= set(other)
    assert len(other) == len(list((made / "written/docs").rglob("*.md"))) + 1  # and the page for an address that is none
    assert sum(len(p.links) for p in other.values()) > 300
    assert all(len(p.menu) == 7 for p in other.values())


def test_every_link_of_the_other_site_leads_to_a_page_and_a_place_in_it(made: Path) -> None:
    other = pages(made / "written/site")
    assert dead_links(made / "written/site", other) == []
    assert sum("#" in link for p in other.values() for link in p.every_link) > 100


def test_data_styles_and_scripts_come_through_to_the_byte(made: Path) -> None:
    docs, there = made / "written/docs", 0
    for file in docs.rglob("*"):
        if file.is_file() and file.suffix != ".md":
            path = file.relative_to(docs)
            there += 1
            assert (made / "written/site" / path).read_bytes() == file.read_bytes() == (made / "site" / path).read_bytes(), path
    assert there > 30
    # What is missing is the other theme's own, and what only the hook can make of a finished site.
    one, other = ({f.relative_to(site).as_posix() for f in site.rglob("*") if f.is_file()} for site in (made / "site", made / "written/site"))
    theme = re.compile(r"assets/javascripts/(bundle\.|lunr/|workers/).*|assets/stylesheets/(main|palette)\..*")
    missing = {x for x in one - other if not theme.fullmatch(x)}
    assert {"sw.js", "manifest.webmanifest", "sitemap.xml.gz"} <= missing
    assert missing <= {"sw.js", "manifest.webmanifest", "sitemap.xml.gz", "checksums.txt", ".htaccess", "web.config", "hosting/nginx.conf"}
    page = pages(made / "written/site")["calculators/window-and-pressure.html"]
    assert {"assets/calculators/window-and-pressure.js", "assets/javascripts/calculator.js", "assets/javascripts/storage.js",
            "assets/stylesheets/calculator.css", "assets/stylesheets/site.css", "assets/javascripts/search.js"} <= {*of_ours("calculators/x.html", page, docs)}


def test_the_caution_and_the_day_of_the_copy_stand_on_every_page(made: Path) -> None:
    for path, page in pages(made / "written/site").items():
        assert "For trained staff. Local policy" in " ".join(page.words), path
        text = (made / "written/site" / path).read_text(encoding="utf-8")
        assert re.search(r"This copy was made on \d{4}-\d\d-\d\d\.", text), path
        assert "data-installs" not in text, "There is no worker to install."


def test_the_comparison_sees_a_page_a_link_a_word_and_a_script_that_is_missing(made: Path, tmp_path: Path) -> None:
    one, docs = pages(made / "site"), made / "written/docs"
    site = shutil.copytree(made / "written/site", tmp_path / "site")
    (site / "glossary.html").unlink()
    card = site / "techniques/raised-infusion.html"
    text = card.read_text(encoding="utf-8")
    card.write_text(text.replace("The bleeding stops", "The bleeding ends").replace('id="steps"', 'id="step"').replace("assets/javascripts/marks.js", "assets/javascripts/mark.js"), encoding="utf-8")
    found = differences(one, pages(site), docs)
    assert "glossary.html is only in one" in found
    assert {x for x in found if x.startswith("techniques/raised-infusion.html")} == {
        f"techniques/raised-infusion.html: {x} differ" for x in ("words", "headings", "anchors", "scripts and styles")}
    dead = dead_links(site, pages(site))
    assert any("glossary.html" in x for x in dead) and "techniques/raised-infusion.html: #steps" in dead


def test_the_other_engine_runs_no_hook_and_calls_a_site_without_a_page_a_success(made: Path, tmp_path: Path) -> None:
    for name in ("cards", "builder", "site_overrides"):  # it follows no link out of the project
        shutil.copytree(made / name, tmp_path / name)
    own = (made / "mkdocs.yml").read_text(encoding="utf-8")
    (tmp_path / "mkdocs.yml").write_text(own, encoding="utf-8")
    built = zensical(tmp_path)
    # Only our template stops it, for want of what the hook sets.
    assert built.returncode != 0 and "copyright.html" in built.stderr
    (tmp_path / "mkdocs.yml").write_text(own.replace("\nextra:\n", "\nextra:\n  this_copy: {made: x, stale_after_days: 1, content: x, installs: false}\n"), encoding="utf-8")
    built = zensical(tmp_path)
    assert built.returncode == 0, built.stderr
    assert [p.name for p in (tmp_path / "site").rglob("*.html")] == ["404.html"]


def test_the_other_engine_passes_over_a_menu_entry_that_leads_nowhere(made: Path, tmp_path: Path) -> None:
    written = shutil.copytree(made / "written", tmp_path / "written", ignore=shutil.ignore_patterns("site", ".cache"))
    (written / "mkdocs.yml").write_text((written / "mkdocs.yml").read_text(encoding="utf-8").replace(": glossary.md", ": glosary.md"), encoding="utf-8")
    assert zensical(written).returncode == 0
    assert any("glosary" in x for x in dead_links(written / "site", pages(written / "site")))


# --- a fork of the same engine ----------------------------------------------------------------------------------------


def test_the_hook_runs_as_it_is_under_a_fork_of_mkdocs(made: Path, tmp_path: Path) -> None:
    built = engine("properdocs", made / "mkdocs.yml", "-d", str(tmp_path / "site"))
    assert built.returncode == 0, built.stdout + built.stderr
    assert pages(made / "site").keys() == pages(tmp_path / "site").keys()
    for path in pages(made / "site"):
        one, other = (re.sub(r'<meta name="generator"[^>]*>', "", (x / path).read_text(encoding="utf-8")) for x in (made / "site", tmp_path / "site"))
        assert one == other, path


# --- cards write-pages ------------------------------------------------------------------------------------------------


def config(folder: Path) -> dict:
    return yaml.safe_load((folder / "mkdocs.yml").read_text(encoding="utf-8"))


def test_the_configuration_is_the_projects_own_without_what_needs_the_hook(made: Path) -> None:
    own, written = config(made), config(made / "written")
    changed = {k for k in own.keys() | written.keys() if own.get(k) != written.get(k)}
    assert changed == {"site_name", "docs_dir", "hooks", "watch", "exclude_docs", "nav", "theme", "extra"}
    assert written["site_name"] == "Test unit" and not {"hooks", "watch", "exclude_docs"} & set(written)
    assert all((made / "written/docs" / path).is_file() for entry in written["nav"] for path in entry.values())
    assert {k: v for k, v in written["theme"].items() if own["theme"].get(k) != v} == {
        "custom_dir": "theme", "variant": "classic", "features": [f for f in own["theme"]["features"] if f != "content.action.edit"]}
    assert {k: v for k, v in written["extra"].items() if k != "this_copy"} == own["extra"]


def test_the_templates_ask_for_nothing_of_this_copy_that_is_not_written(made: Path) -> None:
    asked = {m for f in OWN.rglob("*.html") for m in re.findall(r"(?:this_|\b)copy\.(\w+)", f.read_text(encoding="utf-8"))}
    assert asked and asked <= set(config(made / "written")["extra"]["this_copy"])


def test_what_a_department_adds_to_its_configuration_stays() -> None:
    own = "site_name: Ours\nrepo_url: !ENV [REPO, none]\nhooks: [a.py]\ntheme: {name: x, custom_dir: mine}\nmarkdown_extensions:\n- a.b: {f: !!python/name:c.d ''}\n"
    made = writeout.configuration(own, "", [{"Home": "index.md"}], {"made": "2026-11-25"})
    assert made.startswith(writeout.MARK)
    assert "site_name: Ours" in made and "!ENV [REPO, none]" in made and "!!python/name:c.d" in made and "a.py" not in made
    assert "made: '2026-11-25'" in made
    assert writeout.custom_dir(own) == "mine" and writeout.custom_dir("theme: x") is None


@pytest.mark.parametrize("text", ["", "- a\n", "a: [b\n", "a: &x 1\n\tb: *y\n"])
def test_a_configuration_that_cannot_be_read_is_named(tmp_path: Path, text: str) -> None:
    root = project(tmp_path / "unit")
    (root / "mkdocs.yml").write_text(text, encoding="utf-8")
    result = cards(root, "write-pages", str(tmp_path / "out"))
    assert result.exit_code == 2 and result.stderr.startswith("Could not run: mkdocs.yml ") and not (tmp_path / "out").exists()


def test_pages_are_written_anew_into_a_folder_of_ours_and_what_else_is_there_stays(tmp_path: Path) -> None:
    root, out = project(tmp_path / "unit"), tmp_path / "deep" / "out"
    passing = write(root, "pages/passing.yaml", (root / "cards/pages/about-the-cards.yaml").read_bytes())
    assert cards(root, "write-pages", str(out)).output.startswith("Wrote 23 pages into ") and (out / "docs/pages/passing.md").is_file()
    (out / "site").mkdir()
    (out / "site/index.html").write_text("built", encoding="utf-8")
    (out / "docs/stray.md").write_text("x", encoding="utf-8")
    passing.unlink()
    assert cards(root, "write-pages", str(out)).output.startswith("Wrote 22 pages into ")
    assert not (out / "docs/stray.md").exists() and not (out / "docs/pages/passing.md").exists() and (out / "docs/index.md").is_file()
    assert (out / "site/index.html").read_text(encoding="utf-8") == "built"
    assert sorted(p.name for p in out.iterdir()) == ["docs", "mkdocs.yml", "site", "theme"] and [p.name for p in out.parent.iterdir()] == ["out"]
    assert not (out / "docs/sw.js").exists() and (out / "theme/main.html").is_file() and (out / "theme/.icons/eye-ports.svg").is_file()


def test_no_folder_is_written_over_that_holds_anything_else(tmp_path: Path) -> None:
    root, other = project(tmp_path / "unit"), tmp_path / "other"
    other.mkdir()
    (other / "mkdocs.yml").write_text("site_name: mine\n", encoding="utf-8")
    for place in (other, root, root / "cards", root / "cards/new", tmp_path, root / "mkdocs.yml"):
        result = cards(root, "write-pages", str(place))
        assert result.exit_code == 2 and result.stderr, place
    assert [p.name for p in other.iterdir()] == ["mkdocs.yml"] and not (root / "cards/new").exists()


def test_broken_cards_write_nothing(tmp_path: Path) -> None:
    root = project(tmp_path / "unit")
    write(root, "techniques/raised-infusion.yaml", "title: x\n")
    result = cards(root, "write-pages", str(tmp_path / "out"))
    assert result.exit_code == 1 and "raised-infusion.yaml" in result.stdout and not (tmp_path / "out").exists()
