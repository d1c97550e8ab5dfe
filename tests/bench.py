"""Measures the builder; run by `make bench`, not part of `make test`. Exit code 1 when a figure misses its limit.

    make bench                     everything, under six minutes on two cores
    make bench ARGS=check          one part: build, check or calculators; several may be named

build        the builder's own share of a whole site build, beside plain MkDocs on the very same pages
check        `cards check` of 1,000 cards as a whole process: time and memory, beside a plain YAML reader
calculators  the time from an edit to the redrawn result in Chromium, for each calculator of this repository

Each figure is the median of several runs in one sitting, but for the largest site. Limits hold for the wall clock; CPU
seconds stand beside it, and on a machine that is busy with something else the two part, which is said at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

import synthetic  # noqa: E402

SIZES = {6: 3, 300: 3, 1000: 1}  # cards: runs
SHARE_LIMIT = 0.25  # of plain MkDocs
GROWTH_LIMIT = 1.25  # cost of one more card between the larger two sizes, beside the smaller two: 1 is linear
BUSY = 1.3  # wall over CPU of work that waits for nothing
CHECK_CARDS, CHECK_RUNS = 1000, 3
CHECK_SECONDS, CHECK_MEGABYTES = 8.0, 500.0
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

_STAGES = (("read", "builder.read", "read"), ("validate", "builder.validate", "validate"), ("rules", "builder.rules", "check"),
           ("link", "builder.link", "link"), ("calculate", "builder.calculate", "prepare"), ("examples", "builder.calculate", "worked"),
           ("references", "builder.references", "in_style"), ("render", "builder.render", "render"))


def site_build(config_file: Path, out: Path) -> dict[str, Any]:
    """In a process of its own: one site build, with the seconds spent inside the builder's hook, in all and by stage.

    stages: seconds in each stage. hook: everything the hook does, loading the builder's modules included.
    """
    import importlib

    from mkdocs.commands import build
    from mkdocs.config import load_config

    spent: dict[str, float] = {}
    cpu: dict[str, float] = {}

    def timed(name: str, do: Callable[..., Any]) -> Callable[..., Any]:
        def wrapper(*args: Any, **kwargs: Any) -> Any:
            start, used = time.perf_counter(), time.process_time()
            try:
                return do(*args, **kwargs)
            finally:
                spent[name] = spent.get(name, 0.0) + time.perf_counter() - start
                cpu[name] = cpu.get(name, 0.0) + time.process_time() - used
        return wrapper

    def load() -> None:
        for module in ("builder.compose", "builder.problems", "builder.calculate", "builder.references", "builder.render"):
            importlib.import_module(module)

    config = load_config(config_file=str(config_file), site_dir=str(out), strict=True)
    hook = ROOT / "builder" / "site.py"
    hooked = False
    for events in config.plugins.events.values():
        for i, event in enumerate(events):
            if getattr(event, "__code__", None) and Path(event.__code__.co_filename) == hook:
                hooked = True
                events[i] = timed("hook", event)
    if hooked:
        timed("load", load)()
        for name, module, function in _STAGES:
            found = importlib.import_module(module)
            setattr(found, function, timed(name, getattr(found, function)))
    config.plugins.on_startup(command="build", dirty=False)
    build.build(config)
    return {"stages": {name: spent.get(name, 0.0) for name, _, _ in _STAGES}, "cpu": sum(cpu.get(name, 0.0) for name, _, _ in _STAGES),
            "load": spent.get("load", 0.0),
            "hook": spent.get("hook", 0.0) + spent.get("load", 0.0), "pages": sum(1 for _ in out.rglob("*.html"))}


def plain_site(root: Path, plain: Path) -> None:
    """In a process of its own: the pages the builder would give the engine, as files for plain MkDocs."""
    from builder import compose

    built = compose.build(root)
    for page in compose.pages(built):
        path = plain / "docs" / page.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page.text, encoding="utf-8")


def configuration(folder: Path, hooked: bool, name: str) -> Path:
    """This repository's mkdocs.yml for another folder, with the hook or without it."""
    config = yaml.safe_load((ROOT / "mkdocs.yml").read_text(encoding="utf-8"))
    config["theme"]["custom_dir"] = str(ROOT / config["theme"]["custom_dir"])
    config["watch"] = []
    if hooked:
        config["hooks"] = [str(ROOT / h) for h in config["hooks"]]
    else:
        del config["hooks"]
        config["docs_dir"], config["site_name"] = "docs", name
        config["nav"] = [{"Home": "index.md"}, {"Techniques": "techniques/index.md"}, {"Cases": "pathways/index.md"},
                         {"Calculators": "calculators/index.md"}, {"Sources": "sources/index.md"}, {"Glossary": "glossary.md"}]
        config.setdefault("extra", {})["problem_count"] = 0
    path = folder / "mkdocs.yml"
    path.write_text(yaml.safe_dump(config, sort_keys=False, allow_unicode=True), encoding="utf-8")
    return path


def part_build(scratch: Path, misses: Misses) -> None:
    rows, stage_rows, share = [], [], {}
    for cards, runs in SIZES.items():
        root, plain = scratch / f"build-{cards}", scratch / f"plain-{cards}"
        synthetic.write(root, cards)
        run(sys.executable, __file__, "--in-process", "plain", root, plain)
        own, other = configuration(root, True, ""), configuration(plain, False, "Invented unit")
        found = []
        for n in range(runs):
            note(f"site of {cards:,} cards, run {n + 1} of {runs} ...")
            # One after the other, so that both meet the same machine.
            with_hook, without = build_once(own, scratch / "out"), build_once(other, scratch / "out")
            if with_hook[1]["pages"] != without[1]["pages"]:
                sys.exit(f"The two sites differ: {with_hook[1]['pages']} pages with the builder, {without[1]['pages']} without.")
            found.append((with_hook, without))
            misses.watch(with_hook[0], without[0])
        middle = lambda of: statistics.median(map(of, found))  # noqa: E731
        own_share = lambda f: sum(f[0][1]["stages"].values())  # noqa: E731
        # CPU, for whether it is linear is a question about the work, and the largest size is run but once.
        share[cards] = middle(lambda f: f[0][1]["cpu"])
        ratio = middle(lambda f: own_share(f) / f[1][0].wall)
        said = misses.must(f"builder's share at {cards:,} cards", ratio * 100, SHARE_LIMIT * 100, "%")
        rows.append((f"{cards:,}", found[0][0][1]["pages"], middle(own_share), middle(lambda f: f[1][0].wall), f"{ratio:.1%}", said,
                     share[cards], middle(lambda f: f[1][0].cpu), f"{middle(lambda f: f[0][1]['cpu'] / f[1][0].cpu):.1%}",
                     middle(lambda f: f[0][1]["hook"]), middle(lambda f: f[0][0].wall)))
        stage_rows.append((f"{cards:,}", *(middle(lambda f, s=s: f[0][1]["stages"][s]) for s, _, _ in _STAGES), middle(lambda f: f[0][1]["load"])))
        shutil.rmtree(root)
        shutil.rmtree(plain)
    table(f"Site build, in s: the builder's stages beside plain MkDocs, a process of its own on the same pages (limit {SHARE_LIMIT:.0%})",
          ("cards", "pages", "builder", "plain MkDocs", "share", "", "builder CPU", "plain CPU", "CPU share", "whole hook", "whole build"), rows)
    table("Where the builder's time goes, in s ('load' is the import of its modules, outside the stages)",
          ("cards", *(s for s, _, _ in _STAGES), "load"), stage_rows)
    small, middle_size, large = SIZES
    first = (share[middle_size] - share[small]) / (middle_size - small)
    then = (share[large] - share[middle_size]) / (large - middle_size)
    growth = then / first
    table("Is it linear? The builder's cost of one more card, in ms of CPU", ("between", "ms a card", ""),
          [(f"{small} and {middle_size} cards", first * 1000, ""), (f"{middle_size} and {large:,} cards", then * 1000, ""),
           ("the one as a multiple of the other", growth, misses.must("growth of the cost a card", growth, GROWTH_LIMIT, "times"))])


def build_once(config: Path, out: Path) -> tuple[Ran, dict[str, Any]]:
    shutil.rmtree(out, ignore_errors=True)
    ran = run(sys.executable, __file__, "--in-process", "build", config, out, cwd=config.parent)
    return ran, json.loads(ran.out.splitlines()[-1])


# --- cards check -------------------------------------------------------------------------------------------------


def read_plainly(cards: Path) -> None:
    """In a process of its own, the baseline: PyYAML's pure Python loader on the same files, and nothing else."""
    for file in sorted(cards.rglob("*.yaml")):
        yaml.load(file.read_text(encoding="utf-8"), Loader=yaml.SafeLoader)


def part_check(scratch: Path, misses: Misses) -> None:
    root = scratch / "check"
    cards = synthetic.write(root, CHECK_CARDS)
    lines = statistics.mean(f.read_text(encoding="utf-8").count("\n") for f in (cards / "techniques").iterdir())
    found = []
    for n in range(CHECK_RUNS):
        note(f"cards check, run {n + 1} of {CHECK_RUNS} ...")
        found.append((run(sys.executable, "-m", "builder", "--root", root, "check"), run(sys.executable, __file__, "--in-process", "read", cards)))
        misses.watch(*found[-1])
    if not all("No problems." in mine.out for mine, _ in found):
        sys.exit(f"The synthetic cards are meant to be clean, but the check says:\n{found[0][0].out}")
    middle = lambda of: statistics.median(map(of, found))  # noqa: E731
    wall, memory = middle(lambda f: f[0].wall), max(f[0].megabytes for f in found)
    table(f"cards check, the whole process: {CHECK_CARDS:,} cards of {lines:.0f} lines, {sum(1 for _ in cards.rglob('*.yaml')):,} files in all",
          ("", "measured", "limit", ""),
          [("wall, s", wall, CHECK_SECONDS, misses.must("cards check", wall, CHECK_SECONDS, "s")),
           ("CPU, s", middle(lambda f: f[0].cpu), "", ""),
           ("peak memory, MB", memory, CHECK_MEGABYTES, misses.must("memory of cards check", memory, CHECK_MEGABYTES, "MB")),
           ("baseline: yaml.SafeLoader reads the same files, s", middle(lambda f: f[1].wall), "", ""),
           ("cards check as a multiple of the baseline", middle(lambda f: f[0].wall / f[1].wall), "", "")])
    shutil.rmtree(root)


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
    from playwright.sync_api import sync_playwright

    site = scratch / "site"
    note("building this repository's own site ...")
    run(sys.executable, "-m", "builder", "--root", ROOT, "build", "--out", site)
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not chromium:
        sys.exit("There is no Chromium: name one with make bench CHROMIUM=/path/to/chromium")
    rows = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        try:
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
        finally:
            browser.close()
    table(f"Calculators in Chromium: edit to redrawn and laid out, {EDITS} edits each, in ms",
          ("calculator", "drawings", "median", "95th percentile", "slowest", "limit", ""), rows)


# --- the command -------------------------------------------------------------------------------------------------

PARTS = {"check": part_check, "calculators": part_calculators, "build": part_build}


def main() -> int:
    if sys.argv[1:2] == ["--in-process"]:
        what, *paths = sys.argv[2:]
        if what == "build":
            print(json.dumps(site_build(*map(Path, paths))))
        elif what == "plain":
            plain_site(*map(Path, paths))
        else:
            read_plainly(*map(Path, paths))
        return 0
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("part", nargs="*", metavar="part", help=f"{', '.join(PARTS)} (default: all)")
    parts = asked.parse_args().part or list(PARTS)
    if unknown := [p for p in parts if p not in PARTS]:
        asked.error(f"there is no part {unknown[0]!r}; there are {', '.join(PARTS)}")
    misses = Misses()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="bench-") as scratch:
        for part in parts:
            PARTS[part](Path(scratch), misses)
    print(f"\nTook {time.perf_counter() - start:.0f} s.")
    for miss in misses:
        print(f"MISSED  {miss}")
    if misses.waited and (times := statistics.median(misses.waited)) > BUSY:
        print(f"The machine was busy with something else: processes took {times:.1f} times their CPU time. Measure again when it is idle.")
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
