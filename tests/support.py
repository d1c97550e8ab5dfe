"""What several test files need: where things lie, the cards as built, the browser's name, the pages of the site."""

from __future__ import annotations

import functools
import http.server
import os
import re
import shutil
import threading
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from urllib.parse import unquote, urlsplit

import yaml

from builder import calculate, compose
from builder.model import Technique
from builder.text import plain

ROOT = Path(__file__).resolve().parent.parent
CARDS = ROOT / "cards"

# As in every use of Chromium here: no window, nothing fetched in the background.
CHROMIUM_FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
                  "--disable-component-update", "--disable-sync"]


def chromium() -> str:
    """The browser to drive: the one named by CHROMIUM, else the first of the usual names on PATH."""
    named = os.environ.get("CHROMIUM")
    found = named or next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
    assert found, "No Chromium: install one, or name it with CHROMIUM=/path/to/chromium."
    return found


@functools.cache
def built() -> compose.Built:
    """The project's own cards, checked and linked, once for all tests."""
    made = compose.build(ROOT)
    assert not made.problems, "Run `cards check` and repair the cards first: " + "; ".join(p.message for p in made.problems[:3])
    return made


def reading_age(t: Technique) -> float:
    """The age in years at which a card's sentences can be read: Coleman and Liau's index (1975) plus five.

    The index counts letters and sentences, not syllables, so that a machine measures it the same way twice. Its
    coefficients are from memory.
    """
    texts = [t.summary, *(c.text for group in (t.when, t.not_when, t.equipment, t.cautions, t.evidence) for c in group)]
    texts += [x for s in t.steps for x in (s.do, s.why, s.endpoint)]
    texts += [x for d in t.decisions for x in (d.condition, d.then, d.why) if x]
    texts += [x for p in t.pitfalls for x in (p.sign, p.respond)]
    texts = [plain(x) for x in texts]
    words = sum(len(x.split()) for x in texts)
    letters = sum(c.isalnum() for x in texts for c in x)
    sentences = sum(max(1, len(re.findall(r"[.!?:;](?=\s|$)", x))) for x in texts)
    return 0.0588 * 100 * letters / words - 0.296 * 100 * sentences / words - 15.8 + 5


def calculator_ids() -> list[str]:
    """The calculators that have a page; read from the files, so that tests can be listed without a build."""
    off = yaml.safe_load((CARDS / "department.yaml").read_text(encoding="utf-8")).get("calculators_off") or []
    return sorted(f.stem for f in (CARDS / "calculators").glob("*.yaml") if f.stem not in off)


def page_kinds() -> dict[str, str]:
    """One page of each kind, and every calculator: name -> path in the site. The fullest card stands for its kind."""

    def fullest(kind: str) -> str:
        return max((CARDS / kind).glob("*.yaml"), key=lambda f: f.stat().st_size).stem

    cited = "".join(f.read_text(encoding="utf-8") for f in (CARDS / "techniques").glob("*.yaml"))
    source = max(sorted(f.stem for f in (CARDS / "sources").glob("*.yaml")), key=lambda s: cited.count(f"source: {s},"))
    return {
        "home": "index.html",
        "techniques": "techniques/index.html",
        "technique": f"techniques/{fullest('techniques')}.html",
        "cases": "pathways/index.html",
        "pathway": f"pathways/{fullest('pathways')}.html",
        "brief": "brief.html",
        "calculators": "calculators/index.html",
        **{f"calculator {id}": f"calculators/{id}.html" for id in calculator_ids()},
        "sources": "sources/index.html",
        "source": f"sources/{source}.html",
        "glossary": "glossary.html",
        "self-test": "selftest.html",
    }


# --- a web host ---------------------------------------------------------------------------------------------------


class _Host(http.server.SimpleHTTPRequestHandler):
    """Serves a folder as a plain web host does: quiet, and with the site's own page for a missing address."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *args: object) -> None:
        pass

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        page = Path(self.directory) / "404.html"
        if code != 404 or not page.exists():
            super().send_error(code, message, explain)
            return
        body = page.read_bytes()
        self.send_response(404)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)


@contextmanager
def served(folder: Path):
    """The folder on a free port of this machine; gives the address, ending in a slash."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Host, directory=str(folder)))
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


@dataclass(frozen=True)
class Base:
    """Where the site is opened from. kind: http or file; root: its address, ending in a slash."""

    kind: str
    root: str

    def own(self, url: str) -> bool:
        """Is this address part of the site (or made in the page itself)?"""
        parts = urlsplit(url)
        if parts.scheme in ("data", "blob", "about"):
            return True
        home = urlsplit(self.root)
        if parts.scheme != home.scheme or parts.netloc != home.netloc:
            return False
        return os.path.normpath(unquote(parts.path)).startswith(unquote(home.path).rstrip("/") + "/") or unquote(parts.path) == unquote(home.path)


@contextmanager
def both_ways(folder: Path):
    """A built site opened from a web host and from disk: {"http": Base, "file": Base}."""
    with served(folder) as address:
        yield {"http": Base("http", address), "file": Base("file", folder.as_uri() + "/")}


# --- watching pages -----------------------------------------------------------------------------------------------


@dataclass
class Watch:
    """Notes everything a page does that no page of the site may do."""

    base: Base
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)  # addresses that are asked for because they do not exist

    def follow(self, context) -> None:
        context.on("request", self._request)
        context.on("requestfailed", self._failed)
        context.on("response", self._response)
        context.on("console", self._console)
        context.on("weberror", lambda e: self.complaints.append(f"error in the page: {e.error}"))

    def _request(self, request) -> None:
        self.requests.append(request.url)
        if not self.base.own(request.url):
            self.complaints.append(f"request outside the site: {request.url}")

    def _failed(self, request) -> None:
        # A request is aborted when the reader leaves before it has ended; that is no fault of the page.
        if request.failure != "net::ERR_ABORTED":
            self.complaints.append(f"request failed: {request.url} ({request.failure})")

    def _response(self, response) -> None:
        if response.status >= 400 and response.url not in self.missing:
            self.complaints.append(f"status {response.status}: {response.url}")

    def _console(self, message) -> None:
        if message.type in ("error", "assert") and message.location.get("url") not in self.missing:
            self.complaints.append(f"console {message.type}: {message.text} at {message.location.get('url')}")


def sides(page) -> int:
    """On how many sides the page prints, at the size its own style asks for."""
    page.emulate_media(media="print")
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))


class Windows:
    """Browser windows kept open for the whole session, one a way of opening: a fresh one for each page is slow."""

    def __init__(self, browser) -> None:
        self.browser = browser
        self._open: dict[tuple, tuple] = {}

    def get(self, base: Base, fresh: bool, options: dict) -> tuple:
        """(page, watch) of a window with these options; fresh: one that has never been used."""
        key = (base, *sorted((k, str(v)) for k, v in options.items()))
        if fresh or key not in self._open:
            # Each window would install the whole site anew; test_browser_offline.py opens its own.
            context = self.browser.new_context(**{"service_workers": "block", **options})
            context.set_default_timeout(10_000)
            watch = Watch(base)
            watch.follow(context)
            made = (context.new_page(), watch)
            if fresh:
                return made
            self._open[key] = made
        return self._open[key]


class Browsing:
    """Opens pages of the site for one test, all of them watched."""

    def __init__(self, windows: Windows) -> None:
        self._windows = windows
        self._used: list[tuple] = []
        self._fresh: list = []

    def open(self, base: Base, path: str, *, fresh: bool = False, missing: bool = False, width: int = 1280, height: int = 900, scheme: str = "light", before: Callable | None = None, **options):
        """A loaded page. path may carry a query. fresh: in a window that remembers nothing, kept to this test.
        missing: the address is meant not to exist. before: called with the page before it loads."""
        page, watch = self._windows.get(base, fresh, options)
        if fresh:
            self._fresh.append(page.context)
        self._used.append((page, watch, len(watch.complaints), len(watch.requests)))
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(media="screen", color_scheme=scheme)
        if before:
            before(page)
        watch.missing = {base.root + path} if missing else set()
        page.goto(base.root + path, wait_until="load")
        return page

    def close(self) -> None:
        """Leaves every page, so that what it still does counts against this test and not against the next."""
        for page, watch, _, _ in self._used:
            page.goto("about:blank")
        for context in self._fresh:
            context.close()
        self._fresh.clear()

    @property
    def complaints(self) -> list[str]:
        return list(dict.fromkeys(c for _, watch, before, _ in self._used for c in watch.complaints[before:]))

    @property
    def requests(self) -> list[str]:
        """Everything the last opened page has asked for."""
        _, watch, _, before = self._used[-1]
        return watch.requests[before:]


def settle(page) -> None:
    """Waits until what the page asked to draw is drawn."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 0))))")


# --- calculators, by Python ---------------------------------------------------------------------------------------


def by_python(ready: calculate.Ready, texts: dict[str, str], today: date) -> dict:
    """What builder.calculate makes of texts as a reader types them (NAME and NAME_unit).

    {outputs: name -> number, ISO date or None where withheld, withheld: name -> sentence, verdicts: indexes of those
    that hold, refusals: name -> message}.
    """
    given = {n: f"{t} {texts[n + '_unit']}" if n + "_unit" in texts else t for n, t in texts.items() if not n.endswith("_unit")}
    result = calculate.run(ready, given, today)
    outputs = {}
    for name, o in ready.declared.outputs.items() if not result.refusals else ():
        value = result.values[name]
        outputs[name] = None if name in result.withheld else calculate.as_date(value) if o.kind == "date" else value
    verdicts = [i for i, v in enumerate(ready.declared.verdicts) if any(v is held for held in result.verdicts)]
    return {"outputs": outputs, "withheld": dict(result.withheld), "verdicts": verdicts, "refusals": {r.name: r.message for r in result.refusals}}


def iso(days_since_1970: int) -> str:
    return (date(1970, 1, 1) + timedelta(days=days_since_1970)).isoformat()


def asking(id: str, today: date = date(2026, 7, 1)) -> tuple[Callable[..., calculate.Result], Callable[..., dict[str, float]]]:
    """(run, compute) of a calculator: its inputs by name, as numbers or as typed. compute gives the values, and fails if an input is refused."""

    def run(**given: float | str) -> calculate.Result:
        return calculate.run(built().ready[id], {n: str(v) for n, v in given.items()}, today)

    def compute(**given: float | str) -> dict[str, float]:
        result = run(**given)
        assert not result.refusals, result.refusals
        return dict(result.values)

    return run, compute


# --- search -------------------------------------------------------------------------------------------------------


def queries() -> list[dict]:
    """The phrases of tests/queries.yaml, each with `type` and `find`, a list of pages."""
    groups = yaml.safe_load((ROOT / "tests" / "queries.yaml").read_text(encoding="utf-8"))
    return [{**q, "type": str(q["type"]), "find": [q["find"]] if isinstance(q["find"], str) else q["find"]} for found in groups.values() for q in found]


def answers(query: dict, path: str) -> bool:
    """Is this result a page that the phrase asks for? A page named without an anchor is met at any place of it."""
    return any(path == wanted or ("#" not in wanted and path.partition("#")[0] == wanted) for wanted in query["find"])
