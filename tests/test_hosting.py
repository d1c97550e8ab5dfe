"""The security policy and the settings for three servers, as text; what is shared out to whom; and the guide for the host."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
import time
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from fixtures import project

from builder import bundle, hosting, offline
from builder.when import dated
from hosts import READERS, told
from support import ROOT

GUIDE = (ROOT / "HOSTING.md").read_text(encoding="utf-8")
HOSTS_OWN = {hosting.APACHE, hosting.IIS, hosting.NGINX, hosting.CHECKSUMS}


def paths(site: Path) -> list[str]:
    return sorted(f.relative_to(site).as_posix() for f in site.rglob("*") if f.is_file())


def page(*scripts: str) -> bytes:
    return "".join(f"<script>{s}</script>" for s in scripts).encode()


# --- the policy -------------------------------------------------------------------------------------------------------


def directives(site: Path) -> dict[str, list[str]]:
    text = told(site)[hosting.NGINX].answer("index.html")["Content-Security-Policy"]
    return {name: rest for name, *rest in (part.split() for part in text.split(";"))}


def test_the_policy_is_strict(site: Path) -> None:
    said = directives(site)
    assert said["default-src"] == said["base-uri"] == said["form-action"] == said["frame-ancestors"] == ["'none'"]
    assert said["style-src"] == said["connect-src"] == said["manifest-src"] == said["worker-src"] == ["'self'"]
    assert said["img-src"] == ["'self'", "data:"]
    assert all(s == "'self'" or re.fullmatch(r"'sha256-[\w+/]{43}='", s) for s in said["script-src"])
    assert not re.search(r"unsafe|\*|https?:|blob:", str(said))


def test_the_policy_names_the_inline_scripts_of_all_pages_and_nothing_else(site: Path) -> None:
    """Counted here in another way than in the builder: by a parser of HTML."""
    from html.parser import HTMLParser

    class Inline(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.found: set[str] = set()
            self.inside = False

        def handle_starttag(self, tag: str, attrs: list) -> None:
            self.inside = tag == "script" and "src" not in dict(attrs) and "json" not in (dict(attrs).get("type") or "")

        def handle_data(self, data: str) -> None:
            if self.inside:
                self.found.add("'sha256-" + base64.b64encode(hashlib.sha256(data.encode()).digest()).decode() + "'")

        def handle_endtag(self, tag: str) -> None:
            self.inside = False

    read = Inline()
    for file in site.rglob("*.html"):
        read.feed(file.read_text(encoding="utf-8"))
    assert {*directives(site)["script-src"]} - {"'self'"} == read.found
    assert len(read.found) <= 5, "More than the theme's two and one for each depth of folder."


def test_the_number_of_digests_stays_as_it_is_while_the_library_grows() -> None:
    def library(cards: int) -> list[tuple[str, bytes]]:
        way = '__md_scope=new URL("{}",location)'
        return [("404.html", page("palette", way.format("/"))), ("index.html", page("palette", way.format("."))),
                *((f"techniques/card-{n}.html", page("palette", way.format("..")) + b'<script type="application/ld+json">{"n": %d}</script>' % n) for n in range(cards))]

    few, many = (hosting.inline_scripts(library(n)) for n in (2, 2000))
    assert few == many and len(many) == 4
    assert hosting.policy(few) == hosting.policy(many)


def test_a_thousand_pages_take_little_time(site: Path) -> None:
    texts = [f.read_bytes() for f in sorted((site / "techniques").glob("*.html"))]
    pages = [("404.html", (site / "404.html").read_bytes()), *((f"techniques/{n}.html", texts[n % len(texts)]) for n in range(1000))]
    spent = []
    for _ in range(3):
        start = time.process_time()
        hosting.policy(hosting.inline_scripts(pages))
        spent.append(time.process_time() - start)
    assert min(spent) < 0.3


@pytest.mark.parametrize("script", ["<script>steal()</script>", "<SCRIPT\n>steal()</SCRIPT >", "<script type=module>steal()</script>", "<script data-src=x>steal()</script>",
                                    "<script type='importmap'>steal()</script>", '<script>__md_scope=new URL("javascript:steal()",location)</script>'])
def test_a_script_that_is_not_the_theme_s_stops_the_build(script: str) -> None:
    """Or the policy itself would let run what a card has smuggled into its page."""
    theme = page("palette", '__md_scope=new URL("/",location)')
    with pytest.raises(ValueError, match="techniques/x.html holds an inline script that is not the theme's"):
        hosting.inline_scripts([("404.html", theme), ("techniques/x.html", theme + script.encode())])


def test_what_is_data_or_has_a_place_of_its_own_needs_no_digest() -> None:
    there = b'<script src="a.js"></script><script id="x" type="application/json">{"a": 1}</script><script type="application/ld+json">{}</script>'
    assert hosting.inline_scripts([("404.html", b""), ("x.html", there)]) == []
    assert "'sha256-" not in hosting.policy([])


def test_a_digest_is_of_the_text_as_the_browser_reads_it() -> None:
    assert hosting.policy([b"a\r\nb"]) == hosting.policy([b"a\nb"])
    assert "'sha256-" + base64.b64encode(hashlib.sha256("é()".encode()).digest()).decode() + "'" in hosting.policy(["é()".encode()])


def test_a_script_that_a_card_has_smuggled_in_stops_the_whole_build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No card can; so a page is spoilt here after it is drawn, as a fault in a template would."""
    from mkdocs.exceptions import Abort

    from builder import compose
    from builder import site as hook

    project(tmp_path / "unit")
    drawn = compose.plan

    def spoilt(planned: Any) -> Any:
        return replace(planned, make=lambda: replace(page := planned.make(), text=page.text + "\n\n<script>steal()</script>\n"))

    monkeypatch.setattr(compose, "plan", lambda *a, **k: [spoilt(p) if p.path == "techniques/raised-infusion.md" else p for p in drawn(*a, **k)])
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")
    with pytest.raises(Abort, match="techniques/raised-infusion.html holds an inline script"):
        hook.build_site(tmp_path / "unit", tmp_path / "site", tmp_path / "unit/mkdocs.yml")
    assert [p.name for p in tmp_path.iterdir()] == ["unit"]


# --- three servers ----------------------------------------------------------------------------------------------------


def test_the_three_servers_are_told_the_same_about_every_file(site: Path) -> None:
    said = told(site)
    assert set(said) == {hosting.NGINX, hosting.APACHE, hosting.IIS}
    for path in paths(site):
        if path not in (hosting.APACHE, hosting.IIS):  # their own servers keep these to themselves
            nginx, apache, iis = (said[server].answer(path) for server in READERS)
            assert nginx == apache == iis, path
            assert {*nginx} == {"Content-Type", "Cache-Control", "Content-Security-Policy", *hosting.HEADERS}
    assert not any(s.listing for s in said.values())
    assert {s.index for s in said.values()} == {"index.html"}
    assert [said[server].not_found for server in READERS] == ["/404.html", "/404.html", "404.html"]
    assert said[hosting.NGINX].compressed == said[hosting.APACHE].compressed


def test_every_file_has_the_type_that_its_use_needs(site: Path) -> None:
    answer = told(site)[hosting.NGINX].answer
    wanted = {"index.html": "text/html; charset=utf-8", "sw.js": "text/javascript; charset=utf-8", "manifest.webmanifest": "application/manifest+json",
              "assets/stylesheets/site.css": "text/css; charset=utf-8", "data/changes.atom": "application/atom+xml", "data/sources.bib": "text/x-bibtex; charset=utf-8",
              "data/cards.json": "application/json", "data/sources.csl.json": "application/vnd.citationstyles.csl+json", "reviews.ics": "text/calendar; charset=utf-8",
              "assets/images/favicon.svg": "image/svg+xml"}
    assert {path: answer(path)["Content-Type"] for path in wanted} == wanted
    unknown = [p for p in paths(site) if p not in HOSTS_OWN and answer(p)["Content-Type"] == "application/octet-stream"]
    assert not unknown, "Say in hosting.TYPES what these are."


def test_a_new_copy_counts_at_once_and_only_a_name_with_a_digest_lasts(site: Path) -> None:
    answer = told(site)[hosting.APACHE].answer
    lasting = [p for p in paths(site) if answer(p)["Cache-Control"] == hosting.LASTS]
    assert lasting and all(re.search(r"\.[0-9a-f]{8}\.min\.(js|css)$", p) for p in lasting)
    assert not {"sw.js", "index.html", "manifest.webmanifest", "assets/javascripts/calculator.js"} & set(lasting)
    assert {answer(p)["Cache-Control"] for p in paths(site) if p not in lasting} == {"no-cache"}


def test_a_site_in_a_folder_of_its_host_is_told_so() -> None:
    for address, page in (("", "/404.html"), ("https://h.example", "/404.html"), ("https://h.example/", "/404.html"), ("HTTPS://h.example:8443/cards", "/cards/404.html"),
                          ("/a/cards/", "/a/cards/404.html")):
        texts = hosting.configuration(["index.html"], [], address)
        assert f"error_page 404 {page};" in texts[hosting.NGINX] and f"ErrorDocument 404 {page}\n" in texts[hosting.APACHE]


def test_no_setting_can_be_broken_out_of() -> None:
    """The only words in them that are not ours are the path of the site's address, and in web.config those of some files."""
    for path in ("/a b/", "/a;/", '/a"/', "/a\n/", "/{a}/", "/$a/", "/#a"):
        with pytest.raises(ValueError, match="site_url"):
            hosting.configuration(["index.html"], [], "https://h.example" + path)
    texts = hosting.configuration(['data/a"b&<.csl.json', "assets/x.0123abcd.min.js"], [b"</script>\"';"])
    root = ElementTree.fromstring(texts[hosting.IIS])
    assert [e.get("path") for e in root.findall("location")] == ['data/a"b&<.csl.json', "assets/x.0123abcd.min.js"]
    assert max(len(line) for line in texts[hosting.NGINX].splitlines()) < 4096, "nginx reads no longer word."


def test_apache_says_at_once_that_it_cannot_send_the_headers(site: Path) -> None:
    text = (site / hosting.APACHE).read_text(encoding="utf-8")
    assert not re.search(r"IfModule mod_headers", text), "A page without its policy would be served in silence."


# --- who gets these files ---------------------------------------------------------------------------------------------


def test_the_settings_are_the_host_s_alone(site: Path, tmp_path: Path) -> None:
    there = paths(site)
    assert HOSTS_OWN <= set(there)
    first, rest = offline.shared_out(there)
    assert not HOSTS_OWN & {*first, *rest}
    bundle.write(site, tmp_path / "a.zip", dated({"SOURCE_DATE_EPOCH": "1795167014"}, None))
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        names = {n.removeprefix("technique-cards/") for n in archive.namelist()}
        assert HOSTS_OWN & names == {hosting.CHECKSUMS}
        archive.extractall(tmp_path)
    for folder in (site, tmp_path / "technique-cards"):
        done = subprocess.run(["sha256sum", "--quiet", "--strict", "-c", hosting.CHECKSUMS], cwd=folder, capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
        listed = {line[66:] for line in (folder / hosting.CHECKSUMS).read_text(encoding="utf-8").splitlines()}
        assert listed == {*paths(folder)} - {hosting.CHECKSUMS}
    changed = tmp_path / "technique-cards/index.html"
    changed.write_bytes(changed.read_bytes().replace(b"e", b"f", 1))
    assert subprocess.run(["sha256sum", "--quiet", "-c", hosting.CHECKSUMS], cwd=changed.parent, capture_output=True, timeout=60).returncode == 1


def test_no_page_carries_the_policy_itself(site: Path) -> None:
    """From file:// 'self' means nothing in some browsers: a policy there would take the scripts from the page."""
    for file in site.rglob("*.html"):
        assert b"http-equiv" not in file.read_bytes().lower(), file


# --- the guide --------------------------------------------------------------------------------------------------------


def test_the_guide_names_what_there_is(site: Path) -> None:
    made = {p for p in paths(site)} | {f.name for f in site.rglob("*")} | {"cards.zip", "START-HERE.txt"}
    named = set(re.findall(r"`((?:[\w-]+/)*\.?[\w-]+\.(?:html|js|txt|conf|config|zip|webmanifest)|\.htaccess)`", GUIDE))
    assert named and not {n for n in named if n not in made}
    assert HOSTS_OWN <= named
    for link in re.findall(r"\]\(([\w./-]+)\)", GUIDE):
        assert (ROOT / link).exists(), link


def test_the_guide_calls_commands_and_targets_that_exist() -> None:
    from builder.cli import main

    for command, rest in re.findall(r"(?<![\w/])cards (build|check|due|serve)\b([^`\n]*)", GUIDE):
        options = {o for p in main.commands[command].params for o in p.opts}
        assert {w for w in re.findall(r"--[\w-]+", rest)} <= options, command + rest
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    assert set(re.findall(r"`make ([a-z]+)", GUIDE)) <= targets


def test_the_guide_shows_every_header_and_how_to_see_it() -> None:
    for name in ("Content-Security-Policy", *hosting.HEADERS, "Cache-Control"):
        assert name in GUIDE, name
    for wanted in ("nginx", "Apache", "IIS", "file share", "https", "sha256sum -c checksums.txt", "mod_headers", "AllowOverride", "stale_after_days"):
        assert wanted in GUIDE, wanted


def test_the_readme_and_the_developers_guide_lead_to_it() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        assert "HOSTING.md" in (ROOT / name).read_text(encoding="utf-8"), name
