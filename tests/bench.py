"""Measures the builder; run by `make bench`, not part of `make test`. Exit code 1 when a figure misses its limit.

    make bench                            everything: some twelve minutes on two cores
    make bench ARGS=scale                 one part: scale or calculators
    make bench ARGS="scale --sizes 30,300"

scale        at 30, 300, 1,000 and 3,000 invented cards: `cards check`, a full build, memory, size, search, `cards serve`
calculators  the time from an edit to the redrawn result in Chromium, for each calculator of this repository

Each figure is the median of three runs in one sitting. The baseline is plain MkDocs with the same theme, its default
navigation and its default search, on the Markdown that the builder gives the engine; it is run up to 1,000 cards, for its
site grows with their square. Limits hold for the wall clock; CPU seconds stand beside it, and on a machine that is busy
with something else the two part, which is said at the end.
"""

from __future__ import annotations

import argparse
import gzip
import importlib
import json
import os
import platform
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

import synthetic  # noqa: E402

SIZES = (30, 300, 1000, 3000)
RUNS = 3
BASELINE_UP_TO = 1000
BUSY = 1.3  # wall over CPU of work that waits for nothing
# What must be reached, and what is aimed at; a size of 0 is every size.
LIMITS = {
    "share": {1000: (0.10, 0.05)},
    "build": {1000: (0.6, 0.3)},  # of plain MkDocs
    "growth": {3000: (1.15, 1.0)},  # of three times the build of 1,000
    "memory": {3000: (400.0, 250.0)},  # MB
    "edit": {300: (1.0, 0.3), 3000: (3.0, 0.3)},  # s
    "search": {1000: (0.3, 0.2), 3000: (1.0, 0.2)},  # s
    "check": {1000: (2.5, 1.5)},  # s
    "weight": {3000: (1.05, 1.0)},  # of the weight at 30 cards
}
EDITS = 300
FRAME = 1000 / 60  # ms

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]


# --- running and printing ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ran:
    """A finished process: wall and CPU seconds, peak resident memory in MB, what it printed."""

    wall: float
    cpu: float
    megabytes: float
    out: str


class Misses(list):
    """What was asked for and not reached. waited: how often the wall clock ran ahead of the CPU."""

    def __init__(self) -> None:
        self.waited: list[float] = []

    def watch(self, *ran: Ran) -> None:
        self.waited += [r.wall / r.cpu for r in ran]

    def must(self, what: str, value: float, limit: float, unit: str) -> str:
        if not value < limit:
            self.append(f"{what}: {value:.3g} {unit}, limit {limit:.3g} {unit}")
        return "ok" if value < limit else "MISSED"


def run(*command: str | Path, cwd: Path | None = None) -> Ran:
    """Runs a command to its end and measures it. Exits with its words when it fails."""
    with tempfile.TemporaryFile("w+") as out:
        start = time.perf_counter()
        process = subprocess.Popen([str(c) for c in command], cwd=cwd, stdout=out, stderr=subprocess.STDOUT,
                                   env={**os.environ, "NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(ROOT)})
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        words = out.read()
    if process.returncode:
        sys.exit(f"{' '.join(map(str, command))} ended with {process.returncode}:\n{words}")
    kilobytes = used.ru_maxrss / (1024 if sys.platform == "darwin" else 1)
    return Ran(wall, used.ru_utime + used.ru_stime, kilobytes / 1024, words)


def table(title: str, head: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    cells = [list(head), *([f"{c:.3f}" if isinstance(c, float) else str(c) for c in row] for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    print(f"\n{title}\n")
    for n, row in enumerate(cells):
        print("  " + "  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths))).rstrip())
        if n == 0:
            print("  " + "  ".join("-" * w for w in widths))
    sys.stdout.flush()


def note(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


# --- a whole site build ------------------------------------------------------------------------------------------


def site_build(root: Path, out: Path) -> dict[str, float]:
    """In a process of its own: what `cards build` does, with the seconds spent by the builder itself and by each of its stages."""
    from builder import cli, site

    spent: dict[str, float] = {}

    def timed(module: str, function: str, name: str) -> None:
        found = importlib.import_module(module)
        do = getattr(found, function)

        def wrapper(*args: Any, **kwargs: Any) -> Any:
            start = time.perf_counter()
            try:
                return do(*args, **kwargs)
            finally:
                spent[name] = spent.get(name, 0.0) + time.perf_counter() - start
        setattr(found, function, wrapper)

    for name, module, function in (("read", "builder.read", "read"), ("validate", "builder.validate", "validate"), ("rules", "builder.rules", "check"),
                                   ("link", "builder.link", "link"), ("calculate", "builder.calculate", "prepare"), ("references", "builder.references", "in_style"),
                                   ("build", "builder.compose", "build"), ("plan", "builder.compose", "plan")):
        timed(module, function, name)
    built = cli._checked(root)
    from mkdocs.commands import build
    from mkdocs.config import load_config

    config = load_config(config_file=str(root / "mkdocs.yml"), site_dir=str(out), strict=True)
    hook = site.hook_of(config)
    rendered = hook._rendered

    def watched(plan: list[Any]) -> Any:
        for i, planned in enumerate(plan):
            plan[i] = type("Watched", (), {"path": planned.path, "pieces": planned.pieces, "make": staticmethod(lambda p=planned: of(p))})()
        start = time.perf_counter()
        try:
            return rendered(plan)
        finally:
            spent["render"] = time.perf_counter() - start

    def of(planned: Any) -> Any:
        name = {"technique": "card pages", "source": "source pages"}.get(planned.kind) or ("search" if "search" in planned.path else "other pages")
        start = time.perf_counter()
        try:
            return planned.make()
        finally:
            spent[name] = spent.get(name, 0.0) + time.perf_counter() - start

    hook._rendered = watched
    hook._session.built = built
    del built
    config.plugins.on_startup(command="build", dirty=False)
    start = time.perf_counter()
    build.build(config)
    spent["engine"] = time.perf_counter() - start - spent["plan"] - spent["render"]
    spent["own"] = spent["build"] + spent["plan"] + spent["render"]
    return spent


def plain_site(root: Path, plain: Path) -> None:
    """In a process of its own: the pages the builder would give the engine, as files for plain MkDocs."""
    from builder import compose

    for page in compose.pages(compose.build(root)):
        if page.path.endswith(".md"):
            path = plain / "docs" / page.path
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(page.text, encoding="utf-8")


def configuration(folder: Path, hooked: bool) -> Path:
    """This repository's mkdocs.yml for another folder; or that of plain MkDocs, which knows the theme and the Markdown and nothing else."""
    config = yaml.safe_load((ROOT / "mkdocs.yml").read_text(encoding="utf-8"))
    if hooked:
        config["theme"]["custom_dir"] = str(ROOT / config["theme"]["custom_dir"])
        config["watch"] = []
        config["hooks"] = [str(ROOT / h) for h in config["hooks"]]
    else:
        config = {"site_name": "Invented unit", "docs_dir": "docs", "use_directory_urls": False, "theme": {"name": config["theme"]["name"], "font": False},
                  "markdown_extensions": config["markdown_extensions"]}
    path = folder / "mkdocs.yml"
    path.write_text(yaml.safe_dump(config, sort_keys=False, allow_unicode=True), encoding="utf-8")
    return path


# --- what a reader's browser has to do -----------------------------------------------------------------------------


class _Loads(HTMLParser):
    """The scripts, styles and pictures that a page asks for by itself."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.files: set[Path] = set()
        self._folder = page.parent
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        target = given.get("src") if tag in ("script", "img") else given.get("href") if tag == "link" and "stylesheet" in (given.get("rel") or "") else None
        if target and "://" not in target:
            self.files.add((self._folder / target.split("?")[0]).resolve())


def page_weight(site: Path) -> float:
    """kB that a card's page takes over the wire, compressed, with all it loads: the median of 30 cards."""
    zipped = lambda f: len(gzip.compress(f.read_bytes(), 6))  # noqa: E731
    pages = sorted((site / "techniques").glob("card-*.html"))[:30]
    shared = {f: zipped(f) for page in pages for f in _Loads(page).files}
    return statistics.median(zipped(page) + sum(shared[f] for f in _Loads(page).files) for page in pages) / 1000


_FIRST_RESULT = """async (word) => {
  const field = document.querySelector('[role=combobox], input[type=search]');
  const result = () => document.querySelector('[data-search-result]');
  const start = performance.now();
  field.focus();
  field.value = word;
  field.dispatchEvent(new Event('input', {bubbles: true}));
  while (!result()) {
    if (performance.now() - start > 20000) throw new Error('no result');
    await new Promise((done) => requestAnimationFrame(done));
  }
  return performance.now() - start;
}"""


def first_result(browser: Any, site: Path, word: str) -> float:
    """Seconds from the first letters to the first result, on a page just opened from disk, its index not yet loaded."""
    context = browser.new_context()
    page = context.new_page()
    page.goto((site / "techniques/card-0001.html").as_uri())
    page.wait_for_load_state("load")
    taken = page.evaluate(_FIRST_RESULT, word)
    context.close()
    return taken / 1000


@contextmanager
def serving(root: Path) -> Iterator[tuple[str, float]]:
    """The address of a running `cards serve`, and the seconds until it answered."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    start = time.perf_counter()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen([sys.executable, "-m", "builder", "--root", str(root), "serve", "--address", f"127.0.0.1:{port}"], stdout=out, stderr=out,
                                   env={**os.environ, "NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(ROOT)}, cwd=root)
        try:
            while True:
                try:
                    urllib.request.urlopen(f"http://127.0.0.1:{port}/index.html", timeout=60).close()
                    break
                except OSError:
                    if process.poll() is not None:
                        out.seek(0)
                        sys.exit(f"cards serve ended:\n{out.read().decode()}")
                    time.sleep(0.1)
            yield f"http://127.0.0.1:{port}/", time.perf_counter() - start
        finally:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()


def edits(browser: Any, root: Path) -> tuple[list[float], float]:
    """Seconds from saving a card to its new words in the browser that shows it, edit by edit; and those until the server answered."""
    file, taken = root / "cards/techniques/card-0001.yaml", []
    text = file.read_text(encoding="utf-8")
    with serving(root) as (address, ready):
        page = browser.new_page()
        page.goto(f"{address}techniques/card-0001.html")
        for n in range(RUNS):
            time.sleep(max(2.0, ready / 4))  # the background has had its time, as between two edits of a person
            start = time.perf_counter()
            file.write_text(text.replace("summary: ", f"summary: Edit{n} ", 1).replace("summary: Edit%d >-\n  " % n, "summary: >-\n  Edit%d " % n, 1), encoding="utf-8")
            page.locator(".summary", has_text=f"Edit{n}").wait_for(timeout=60_000)
            taken.append(time.perf_counter() - start)
        page.close()
    file.write_text(text, encoding="utf-8")
    return taken, ready


# --- the table -----------------------------------------------------------------------------------------------------


def part_scale(scratch: Path, misses: Misses, sizes: Iterable[int] = SIZES) -> None:
    found: dict[int, dict[str, Any]] = {}
    with chromium() as browser:
        for cards in sizes:
            found[cards] = measure(scratch / str(cards), cards, misses, browser)
            shutil.rmtree(scratch / str(cards))
    shown(found, misses)


def measure(root: Path, cards: int, misses: Misses, browser: Any) -> dict[str, Any]:
    """Everything at one size. Own and baseline are built one after the other, so that both meet the same machine."""
    synthetic.write(root, cards)
    configuration(root, True)
    plain, out = root / "plain", root / "site"
    run(sys.executable, __file__, "--in-process", "plain", root, plain)
    baseline = configuration(plain, False)
    checks, builds, plains, profiles = [], [], [], []
    for n in range(RUNS):
        note(f"{cards:,} cards, run {n + 1} of {RUNS} ...")
        checks.append(run(sys.executable, "-m", "builder", "--root", root, "check"))
        builds.append(run(sys.executable, "-m", "builder", "--root", root, "build", "--out", out))
        if n == 0 or cards <= BASELINE_UP_TO:
            profiles.append(json.loads(run(sys.executable, __file__, "--in-process", "build", root, root / "profiled", cwd=root).out.splitlines()[-1]))
        if cards <= BASELINE_UP_TO:
            plains.append(run(sys.executable, "-m", "mkdocs", "build", "--quiet", "--config-file", baseline, "--site-dir", root / "plain-site"))
            shutil.rmtree(root / "plain-site")
    misses.watch(*checks, *builds, *plains)
    if not all("No problems." in c.out for c in checks):
        sys.exit(f"The invented cards are meant to be clean, but the check says:\n{checks[0].out}")
    middle = lambda ran, of: statistics.median(of(r) for r in ran)  # noqa: E731
    index = [out / "assets/data/search.js", out / "assets/data/search-words.js"]
    files = [f for f in out.rglob("*") if f.is_file()]
    word = yaml.safe_load((root / "cards/techniques/card-0002.yaml").read_text(encoding="utf-8"))["title"].split()[0]
    note(f"{cards:,} cards, in the browser ...")
    edited, ready = edits(browser, root)
    return {
        "pages": sum(f.suffix == ".html" for f in files), "site": sum(f.stat().st_size for f in files) / 1e6,
        "check": middle(checks, lambda r: r.wall), "check memory": max(r.megabytes for r in checks),
        "build": middle(builds, lambda r: r.wall), "build CPU": middle(builds, lambda r: r.cpu), "memory": max(r.megabytes for r in builds),
        "plain": middle(plains, lambda r: r.wall) if plains else None, "plain memory": max((r.megabytes for r in plains), default=None),
        "own": middle(profiles, lambda p: p["own"]), "profile": {k: middle(profiles, lambda p, k=k: p.get(k, 0.0)) for k in profiles[0]},
        "index": sum(f.stat().st_size for f in index) / 1000, "index zipped": sum(len(gzip.compress(f.read_bytes(), 6)) for f in index) / 1000,
        "search": statistics.median(first_result(browser, out, word) for _ in range(RUNS)), "weight": page_weight(out),
        "edit": statistics.median(edited), "ready": ready,
    }


def shown(found: dict[int, dict[str, Any]], misses: Misses) -> None:
    """Prints the table, the profile, and every figure with its limit."""
    sizes = list(found)
    cell = lambda x, form="{:.2f}": "–" if x is None else form.format(x)  # noqa: E731
    rows = [
        ("pages", *(found[n]["pages"] for n in sizes)),
        ("cards check, s", *(cell(found[n]["check"]) for n in sizes)),
        ("cards check, peak memory, MB", *(cell(found[n]["check memory"], "{:.0f}") for n in sizes)),
        ("full build (cards build), s", *(cell(found[n]["build"]) for n in sizes)),
        ("plain MkDocs, s", *(cell(found[n]["plain"]) for n in sizes)),
        ("full build over plain MkDocs", *(cell(found[n]["plain"] and found[n]["build"] / found[n]["plain"]) for n in sizes)),
        ("builder's own part, s", *(cell(found[n]["own"]) for n in sizes)),
        ("builder's own part over plain MkDocs", *(cell(found[n]["plain"] and 100 * found[n]["own"] / found[n]["plain"], "{:.1f}%") for n in sizes)),
        ("builder's own part over our own full build", *(cell(100 * found[n]["own"] / found[n]["build"], "{:.0f}%") for n in sizes)),
        ("full build, peak memory, MB", *(cell(found[n]["memory"], "{:.0f}") for n in sizes)),
        ("plain MkDocs, peak memory, MB", *(cell(found[n]["plain memory"], "{:.0f}") for n in sizes)),
        ("size of the site, MB", *(cell(found[n]["site"], "{:.1f}") for n in sizes)),
        ("search index, kB (compressed)", *(f"{found[n]['index']:.0f} ({found[n]['index zipped']:.0f})" for n in sizes)),
        ("first search result, from disk, s", *(cell(found[n]["search"]) for n in sizes)),
        ("edit to the page in the browser, s", *(cell(found[n]["edit"]) for n in sizes)),
        ("cards serve answers after, s", *(cell(found[n]["ready"]) for n in sizes)),
        ("weight of a card's page and all it loads, compressed, kB", *(cell(found[n]["weight"], "{:.1f}") for n in sizes)),
    ]
    table(f"Medians of {RUNS} runs; {machine()}", ("cards", *(f"{n:,}" for n in sizes)), rows)
    stages = ("read", "validate", "rules", "link", "calculate", "plan", "references", "render", "card pages", "source pages", "search", "other pages", "engine")
    table("Profile, in s, once past 1,000 cards ('plan' holds 'references'; 'render' holds the pages below it; the engine converts, fills the templates and writes)",
          ("cards", *(f"{n:,}" for n in sizes)), [(s, *(cell(found[n]["profile"].get(s, 0.0)) for n in sizes)) for s in stages])
    rows = []
    for what, name, value, unit in (
        ("share", "builder's own part over plain MkDocs", lambda n: found[n]["plain"] and found[n]["own"] / found[n]["plain"], ""),
        ("build", "full build over plain MkDocs", lambda n: found[n]["plain"] and found[n]["build"] / found[n]["plain"], ""),
        ("growth", "full build over three times that of 1,000", lambda n: 1000 in found and found[n]["build"] / (3 * found[1000]["build"]), ""),
        ("memory", "peak memory of a full build", lambda n: found[n]["memory"], "MB"),
        ("edit", "edit to page", lambda n: found[n]["edit"], "s"),
        ("search", "first search result", lambda n: found[n]["search"], "s"),
        ("check", "cards check", lambda n: found[n]["check"], "s"),
        ("weight", "page weight over that of the fewest cards", lambda n: found[n]["weight"] / found[min(found)]["weight"], ""),
    ):
        for size, (must, aim) in LIMITS[what].items():
            if size in found and (figure := value(size)):
                said = misses.must(f"{name}, {size:,} cards", figure, must, unit)
                rows.append((f"{name}, {size:,} cards", f"{figure:.3g} {unit}".strip(), f"{must:g}", f"{aim:g}", "aim met" if figure <= aim else said))
    table("Limits", ("figure", "measured", "must", "aim", ""), rows)


def machine() -> str:
    """What it was measured on, in words that name no one's machine."""
    model = next((line.partition(":")[2].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if line.startswith("model name")), platform.machine()) \
        if Path("/proc/cpuinfo").exists() else platform.machine()
    return f"{os.cpu_count()} cores ({model}), Python {platform.python_version()}, {platform.system()}"


@contextmanager
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not path:
        sys.exit("There is no Chromium: name one with make bench CHROMIUM=/path/to/chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


# --- calculators -------------------------------------------------------------------------------------------------

# One edit: the form's own event, then the frame that draws it. The first callback of the frame starts its clock before
# the page's own drawing callback runs, the last one stops it after a forced layout.
_EDITS = """async (edits) => {
  const form = document.querySelector('form[data-calculator]');
  const definition = window.calculators[form.dataset.calculator];
  const names = Object.keys(definition.inputs);
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const outputs = () => Array.from(form.ownerDocument.querySelectorAll('output[data-value]'), (o) => o.dataset.value).join();
  const drawing = () => Array.from(document.querySelectorAll('[data-drawing] svg'), (s) => s.outerHTML).join();
  const next = (spec, n) => {
    if (spec.kind === 'choice') { const keys = Object.keys(spec.choices); return keys[n % keys.length]; }
    if (spec.kind === 'date') return new Date(Date.UTC(2026, 0, 1 + (n * 7) % 400)).toISOString().slice(0, 10);
    const share = ((n * 61) % 97) / 96;
    return String(Math.round((spec.low + (spec.high - spec.low) * share) * 10) / 10);
  };
  const taken = [];
  let changedResults = 0, changedDrawings = 0, drawings = document.querySelectorAll('[data-drawing] svg').length;
  await frame(); await frame();
  for (let n = 0; n < edits; n += 1) {
    const name = names[n % names.length];
    const field = form.elements.namedItem(name);
    const was = outputs(), drawn = drawing();
    field.value = next(definition.inputs[name], n);
    let began, ended;
    const inFrame = new Promise((done) => {
      requestAnimationFrame(() => { began = performance.now(); });
      const t0 = performance.now();
      field.dispatchEvent(new Event('input', {bubbles: true}));
      const t1 = performance.now();
      requestAnimationFrame(() => { document.body.getBoundingClientRect(); ended = performance.now(); done(t1 - t0); });
    });
    const update = await inFrame;
    taken.push(update + (ended - began));
    if (outputs() !== was) changedResults += 1;
    if (drawing() !== drawn) changedDrawings += 1;
  }
  return {taken, changedResults, changedDrawings, drawings};
}"""


def part_calculators(scratch: Path, misses: Misses) -> None:
    site = scratch / "site"
    note("building this repository's own site ...")
    run(sys.executable, "-m", "builder", "--root", ROOT, "build", "--out", site)
    rows = []
    with chromium() as browser:
        for page_file in sorted((site / "calculators").glob("*.html")):
            if page_file.name == "index.html":
                continue
            note(f"{EDITS} edits of {page_file.stem} ...")
            page = browser.new_page()
            page.goto(page_file.as_uri())
            page.wait_for_selector("output[data-value]", state="attached")
            result = page.evaluate(_EDITS, EDITS)
            page.close()
            if result["changedResults"] < EDITS // 4 or (result["drawings"] and result["changedDrawings"] < EDITS // 4):
                sys.exit(f"{page_file.stem}: the edits did not move the page ({result['changedResults']} new results, "
                         f"{result['changedDrawings']} new drawings of {EDITS}), so nothing was measured.")
            times = sorted(result["taken"])
            late = times[int(0.95 * len(times))]
            rows.append((page_file.stem, result["drawings"], statistics.median(times), late, times[-1], FRAME,
                         misses.must(f"{page_file.stem}, 95th percentile", late, FRAME, "ms")))
    table(f"Calculators in Chromium: edit to redrawn and laid out, {EDITS} edits each, in ms",
          ("calculator", "drawings", "median", "95th percentile", "slowest", "limit", ""), rows)


# --- the command -------------------------------------------------------------------------------------------------

PARTS = {"scale": part_scale, "calculators": part_calculators}


def main() -> int:
    if sys.argv[1:2] == ["--in-process"]:
        what, *paths = sys.argv[2:]
        if what == "build":
            print(json.dumps(site_build(*map(Path, paths))))
        else:
            plain_site(*map(Path, paths))
        return 0
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("part", nargs="*", metavar="part", help=f"{', '.join(PARTS)} (default: all)")
    asked.add_argument("--sizes", default=",".join(map(str, SIZES)), help="numbers of cards, for the part scale")
    given = asked.parse_args()
    parts = given.part or list(PARTS)
    if unknown := [p for p in parts if p not in PARTS]:
        asked.error(f"there is no part {unknown[0]!r}; there are {', '.join(PARTS)}")
    sizes = [int(n) for n in given.sizes.split(",")]
    misses = Misses()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="bench-") as scratch:
        for part in parts:
            PARTS[part](Path(scratch), misses, *([sizes] if part == "scale" else []))
    print(f"\nTook {time.perf_counter() - start:.0f} s.")
    for miss in misses:
        print(f"MISSED  {miss}")
    if misses.waited and (times := statistics.median(misses.waited)) > BUSY:
        print(f"The machine was busy with something else: processes took {times:.1f} times their CPU time. Measure again when it is idle.")
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
