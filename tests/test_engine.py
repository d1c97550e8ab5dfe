"""The project must outlive its engine: the rendered pages, written out, make the same site under an engine that shares no
code with MkDocs, and the hook runs unchanged under a fork of it.

What an engine says of its own success is not believed: pages and links are counted.
"""

from __future__ import annotations

import os
import posixpath
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
import yaml
from click.testing import CliRunner, Result
from fixtures import PROJECT, project, write

from builder import writeout
from builder.cli import main

GUIDE = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
OWN = PROJECT / "site_overrides"
VOID = frozenset("area base br col embed hr img input link meta source track wbr".split())


def cards(root: Path, *arguments: str) -> Result:
    result = CliRunner(env={"NO_MKDOCS_2_WARNING": "1"}).invoke(main, ["--root", str(root), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def engine(name: str, config: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """An engine's own build command. A proxy that leads nowhere stands before any host it might ask."""
    nowhere = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    return subprocess.run([sys.executable, "-m", name, "build", "--strict", "-f", str(config), *arguments], cwd=config.parent, capture_output=True,
                          text=True, timeout=60, env={**os.environ, **nowhere, "NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(PROJECT)})


# --- reading a page ---------------------------------------------------------------------------------------------------


@dataclass
class Page(HTMLParser):
    """What a reader gets of a page: the article's words, headings, links; the anchors; the scripts and styles asked for."""

    words: list[str] = field(default_factory=list)
    headings: list[tuple[str, str | None, str]] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    all_links: list[str] = field(default_factory=list)
    anchors: set[str] = field(default_factory=set)
    parts: list[str] = field(default_factory=list)
    stack: list[str] = field(default_factory=list)
    unended: int = 0

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        has = dict(attributes)
        if has.get("id"):
            self.anchors.add(has["id"])
        if tag == "a" and has.get("href"):
            self.all_links.append(has["href"])
            if "article" in self.stack:
                self.links.append(has["href"])
        if tag == "script" and has.get("src") or tag == "link" and has.get("rel") == "stylesheet":
            self.parts.append(has.get("src") or has["href"])
        if "article" in self.stack and re.fullmatch("h[1-6]", tag):
            self.headings.append((tag, has.get("id"), ""))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while tag in self.stack and self.stack.pop() != tag:
            self.unended += 1

    def handle_data(self, data: str) -> None:
        if "article" not in self.stack or {"script", "style"} & {*self.stack}:
            return
        self.words += data.split()
        if re.fullmatch("h[1-6]", next((t for t in reversed(self.stack) if re.fullmatch("h[1-6]", t)), "")):
            tag, id, text = self.headings[-1]
            self.headings[-1] = (tag, id, text + data)


def pages(site: Path) -> dict[str, Page]:
    """Path below the site -> what it says."""
    found = {}
    for file in sorted(site.rglob("*.html")):
        found[file.relative_to(site).as_posix()] = page = Page()
        page.feed(file.read_text(encoding="utf-8"))
        page.close()
    return found


def internal(path: str, link: str) -> tuple[str, str] | None:
    """(page, anchor) that a link on the page at `path` leads to; None if it leaves the site."""
    parts = urlsplit(link)
    if parts.scheme or parts.netloc:
        return None
    place = parts.path.removeprefix("/") if parts.path.startswith("/") else posixpath.join(posixpath.dirname(path), unquote(parts.path)) if parts.path else path
    return posixpath.normpath(place), unquote(parts.fragment)


def dead_links(site: Path, found: dict[str, Page]) -> list[str]:
    dead = []
    for path, page in found.items():
        for link in page.all_links:
            to = internal(path, link)
            if to and not ((site / to[0]).is_file() and (not to[1] or to[0] not in found or to[1] in found[to[0]].anchors)):
                dead.append(f"{path}: {link}")
    return dead


def own_parts(path: str, page: Page, source: Path) -> list[str]:
    """The scripts and styles on a page that are files of ours, and not of the engine's theme."""
    return [to[0] for part in page.parts if (to := internal(path, part)) and (source / to[0]).is_file()]


def differences(one: dict[str, Page], other: dict[str, Page], source: Path) -> list[str]:
    """What a reader of one site gets and a reader of the other does not."""
    found = [f"only in one: {path}" for path in sorted(one.keys() ^ other.keys())]
    for path in sorted(one.keys() & other.keys()):
        a, b = one[path], other[path]
        for name in ("words", "headings", "links"):
            if getattr(a, name) != getattr(b, name):
                found.append(f"{path}: {name} differ, {len(getattr(a, name))} and {len(getattr(b, name))}")
        if a.anchors & set("".join(x for _, x, _ in a.headings if x)) - b.anchors:
            found.append(f"{path}: anchors")
        if own_parts(path, a, source) != own_parts(path, b, source):
            found.append(f"{path}: scripts and styles differ, {own_parts(path, a, source)} and {own_parts(path, b, source)}")
    return found
