"""What lets the built site be installed and read without a network: the service worker and the web app manifest. Pure.

What the worker does stands in site_overrides/sw.js; what it keeps is listed here.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping

WORKER = "sw.js"
MANIFEST = "manifest.webmanifest"
# Parts of the theme that nothing on the site asks for, lists for search engines, and what is the host's.
_NO_USE = re.compile(r"assets/javascripts/(?:lunr|workers)/|.*\.map\Z|sitemap\.xml|hosting/|(?:\.htaccess|web\.config|checksums\.txt)\Z")
# Kept when first opened: there are many, and a fellow before theatre needs few of them.
_WHEN_OPENED = re.compile(r"(?:sources|ledgers)/(?!index\.html\Z)|(?:fields|changes)\.html\Z|data/")
# A page for an address that is none is nobody's to keep; the worker never keeps itself.
_NOT_KEPT = ("404.html", WORKER)


def of_use(path: str) -> bool:
    """Can anything on the site ask for this file of it?"""
    return not _NO_USE.match(path)


def shared_out(paths: Iterable[str]) -> tuple[list[str], list[str]]:
    """(kept on the first visit, kept when first opened), each in order of name. paths: below the site's root."""
    kept = sorted(p for p in paths if of_use(p) and p not in _NOT_KEPT)
    return [p for p in kept if not _WHEN_OPENED.match(p)], [p for p in kept if _WHEN_OPENED.match(p)]


def worker(script: str, files: Mapping[str, str], made: str, content: str) -> str:
    """The text of sw.js: what this copy of the site is, then the script that keeps it.

    files: path below the site's root -> its digest as subresource integrity writes it (sha256-...).
    made: the day of the build. content: digest of what the pages say, which every page carries too.
    """
    first, rest = shared_out(files)
    every = json.dumps([script, made, sorted(files.items())], ensure_ascii=False)
    copy = {"version": hashlib.sha256(every.encode()).hexdigest()[:16], "content": content, "made": made,
            "first": {p: files[p] for p in first}, "rest": rest}
    return f"const COPY = {json.dumps(copy, indent=0, separators=(',', ':'))};\n{script}"


def manifest(name: str, description: str, icon: str, stylesheet: str) -> str:
    """The text of the web app manifest (W3C). icon: path of an SVG below the site's root.

    stylesheet: the text whose tokens --sheet and --ground colour the site; raises ValueError if it lacks one.
    """
    return json.dumps({
        "name": name, "short_name": "Cards", "description": description, "lang": "en-GB", "dir": "ltr",
        # Relative to this file, so that the site may lie in any folder of a host.
        "start_url": "index.html", "scope": "./", "display": "standalone",
        "theme_color": _token(stylesheet, "sheet"), "background_color": _token(stylesheet, "ground"),
        "icons": [{"src": icon, "sizes": "any", "type": "image/svg+xml", "purpose": "any"}],
    }, ensure_ascii=False, indent=2) + "\n"


def _token(stylesheet: str, name: str) -> str:
    """The first colour of this name: that of the light palette."""
    found = re.search(rf"--{name}:\s*(#[0-9a-fA-F]{{3,8}})\b", stylesheet)
    if not found:
        raise ValueError(f"The style has no colour --{name}.")
    return found.group(1)
