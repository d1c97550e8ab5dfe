"""Tries the builder on hostile input for a given time and says how many inputs it tried: `make fuzz`, `make fuzz TIME=600`.

Each target of tests/fuzzing.py is tried in two ways at once: by Hypothesis, which makes cases from what a card is, and by
Atheris (libFuzzer), which keeps what reaches new branches of builder/ and goes on from there. Neither repeats an earlier run:
Hypothesis starts from another seed, and what Atheris kept stays in .fuzz/corpus. What fails is made as small as it goes and
written to .fuzz/found; `python tests/fuzz.py --replay FILE` runs it again.

Exit code 0: nothing failed. 1: something did. 2: could not run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import random
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent
FUZZ = PROJECT / ".fuzz"
NAMES = ("reader", "sentence", "formula", "answers", "card")
WEIGHT = {"card": 2}  # a whole card takes longer


class Run:
    """One target under one maker of cases: counts, times, and keeps the slowest."""

    def __init__(self, name: str) -> None:
        import fuzzing

        self.name, self.target, self.fuzzing = name, fuzzing.TARGETS[name], fuzzing
        self.tried, self.slowest, self.failing = 0, 0.0, b""

    def __call__(self, raw: bytes) -> None:
        self.tried += 1
        start = time.process_time()
        try:
            with self.fuzzing.in_time():
                self.target.check(raw)
        except BaseException:
            self.failing = raw
            raise
        if (took := time.process_time() - start) > self.slowest:
            self.slowest = took
            self.note()

    def note(self, **more: object) -> None:
        (FUZZ / f"{self.name}-{os.environ['FUZZ_KIND']}.json").write_text(json.dumps({"tried": self.tried, "slowest": self.slowest, **more}))


def properties(name: str, seconds: float) -> None:
    """The cases of Hypothesis, batch after batch with a new seed."""
    from hypothesis import HealthCheck, Phase, given, seed, settings

    run, end = Run(name), time.monotonic() + seconds
    how = settings(max_examples=500, deadline=None, database=None, phases=[Phase.generate, Phase.shrink], suppress_health_check=list(HealthCheck))
    chance = random.SystemRandom()

    def one(raw: bytes) -> None:
        if time.monotonic() < end or run.failing:
            run(raw)

    while time.monotonic() < end:
        try:
            seed(chance.getrandbits(64))(how(given(run.target.cases)(one)))()
        except Exception as error:  # noqa: BLE001
            kept(name, run.failing, error)
            run.note(failed=True)
            sys.exit(1)
    differ, asked = disagreements(run.fuzzing)
    run.note(agreed=asked)
    if differ:
        kept(name, differ[0][0].encode(), AssertionError("; ".join(f"{s}: {p!r} in Python, {j!r} in JavaScript" for s, p, j in differ[:3])))
        run.note(failed=True, agreed=asked)
        sys.exit(1)


def guided(name: str, seconds: float) -> None:
    """The cases of libFuzzer, guided by which branches of builder/ they reach. Does not return."""
    import atheris

    with atheris.instrument_imports(include=["builder"], enable_loader_override=False):
        run = Run(name)
    corpus, words = FUZZ / "corpus" / name, FUZZ / "words.dict"
    corpus.mkdir(parents=True, exist_ok=True)
    for raw in run.target.seeds():
        (corpus / hashlib.sha1(raw).hexdigest()).write_bytes(raw)
    escaped = ("".join(chr(b) if 32 <= b < 127 and b not in b'"\\' else f"\\x{b:02x}" for b in w.encode("utf-8", "ignore")) for w in run.fuzzing.dictionary())
    words.write_text("".join(f'"{w}"\n' for w in escaped))

    atheris.Setup([sys.argv[0], f"-max_total_time={max(1, int(seconds))}", f"-dict={words}", f"-max_len={run.target.longest}", "-timeout=60", "-rss_limit_mb=3000",
                   "-print_final_stats=1", "-verbosity=1", f"-artifact_prefix={FUZZ / 'found' / name}-", str(corpus)], run)
    atheris.Fuzz()


def disagreements(fuzzing) -> tuple[list[tuple[str, object, object]], int]:
    """(formula, Python's value, JavaScript's) where V8 disagrees, and how many formulas were asked. V8 comes with the tests' browser driver."""
    if not fuzzing.ACCEPTED:
        return [], 0
    from playwright._impl._driver import compute_driver_executable

    from builder.formula import PRELUDE
    from builder.render.calculator import _LIST_DAY

    node = compute_driver_executable()[0]
    lines = ",\n".join(f"function (v) {{ return {script}; }}" for _, script, _ in fuzzing.ACCEPTED)
    script = (f"{PRELUDE}\n{_LIST_DAY}\nconst v = {json.dumps(fuzzing.VALUES)};\nconst found = [{lines}].map(f => {{ try {{ const x = f(v); return Number.isNaN(x) ? null : "
              "Number.isFinite(x) || typeof x === 'boolean' ? x : null; } catch (none) { return null; } });\nprocess.stdout.write(JSON.stringify(found));")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "formulas.js")
        file.write_text(script, encoding="utf-8")
        found = json.loads(subprocess.run([node, file], check=True, capture_output=True, text=True, timeout=60).stdout)
    return [(source, here, there) for (source, _, here), there in zip(fuzzing.ACCEPTED, found, strict=True) if not fuzzing.agree(here, there, 1e-8)], len(found)


def kept(name: str, raw: bytes, error: BaseException) -> None:
    """Writes a failing input where it can be found and says so."""
    file = FUZZ / "found" / f"{name}-{hashlib.sha1(raw).hexdigest()[:12]}"
    file.write_bytes(raw)
    print(f"FAILED {name}: {type(error).__name__}: {str(error)[:400]}\n    {raw[:300]!r}\n    kept in {file.relative_to(PROJECT)}", file=sys.stderr)


def smaller(name: str, raw: bytes, seconds: float = 20) -> tuple[bytes, BaseException | None]:
    """The failing input without whatever it can do without, and its error."""
    run, end = Run(name), time.monotonic() + seconds

    def error(candidate: bytes) -> BaseException | None:
        try:
            run(candidate)
        except Exception as found:  # noqa: BLE001
            return found
        return None

    first = error(raw)
    if first is None:
        return raw, None
    size = len(raw) // 2
    while size and time.monotonic() < end:
        at = 0
        while at < len(raw) and time.monotonic() < end:
            shorter = raw[:at] + raw[at + size :]
            if type(error(shorter)) is type(first):
                raw = shorter
            else:
                at += size
        size //= 2
    return raw, first


def replay(file: Path) -> None:
    """Runs one kept input again; its error is shown as it comes."""
    os.environ.setdefault("FUZZ_KIND", "replay")
    Run(file.name.split("-")[0])(file.read_bytes())
    print(f"{file.name} passes.")


def everything(seconds: float, names: list[str]) -> int:
    """Both kinds on every target, side by side; prints the table. Returns the exit code."""
    for folder in ("corpus", "found"):
        (FUZZ / folder).mkdir(parents=True, exist_ok=True)
    before = set((FUZZ / "found").iterdir())
    share = seconds / sum(WEIGHT.get(n, 1) for n in names)
    began, total, failed = time.monotonic(), 0, []
    print(f"{'target':10}{'cases from':12}{'inputs':>10}{'seconds':>9}{'a second':>10}{'slowest':>10}   reached")
    for name in names:
        length, started = share * WEIGHT.get(name, 1), time.monotonic()
        running = {kind: subprocess.Popen([sys.executable, __file__, "--worker", kind, "--only", name, "--time", str(length)], cwd=PROJECT, text=True, errors="replace",
                                          env={**os.environ, "FUZZ_KIND": kind, "PYTHONPATH": str(PROJECT), "PYTHONWARNINGS": "ignore"}, stdout=subprocess.DEVNULL,
                                          stderr=subprocess.PIPE) for kind in ("hypothesis", "atheris")}
        for kind, process in running.items():
            said = process.communicate()[1]
            took = time.monotonic() - started
            state = FUZZ / f"{name}-{kind}.json"
            noted = json.loads(state.read_text()) if state.exists() else {"tried": 0, "slowest": math.nan}
            state.unlink(missing_ok=True)
            if kind == "atheris":
                units = re.search(r"stat::number_of_executed_units:\s*(\d+)", said)
                edges = re.findall(r"\bcov: (\d+) ft: (\d+) corp: (\d+)", said)
                noted["tried"] = int(units[1]) if units else noted["tried"]
                reached = f"{edges[-1][0]} branches of builder/ (at first {edges[0][0]}), {edges[-1][2]} inputs kept" if edges else ""
            else:
                reached = f"{noted['agreed']:,} formulas the same in JavaScript" if noted.get("agreed") and not noted.get("failed") else ""
            total += noted["tried"]
            print(f"{name:10}{kind:12}{noted['tried']:>10,}{took:>9.1f}{noted['tried'] / took:>10,.0f}{noted['slowest']:>9.2f}s   {reached}", flush=True)
            if process.returncode:
                failed.append(f"{name} ({kind})")
                if not set((FUZZ / "found").iterdir()) - before:
                    print(said[-3000:], file=sys.stderr)  # it did not even start
                    return 2
                print("\n".join(line for line in said.split("\n") if not line.startswith(("#", "INFO", "stat::")))[-3000:], file=sys.stderr)
    for file in sorted(set((FUZZ / "found").iterdir()) - before):
        os.environ["FUZZ_KIND"] = "smaller"
        name = file.name.split("-")[0]
        raw, error = smaller(name, file.read_bytes())
        if error:
            file.unlink()
            kept(name, raw, error)
    for scrap in FUZZ.glob("*-smaller.json"):
        scrap.unlink()
    print(f"{total:,} inputs in {time.monotonic() - began:.0f} s, {'no fault found' if not failed else 'faults: ' + ', '.join(failed)}.")
    return 1 if failed else 0


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--time", type=float, default=120, help="seconds in all (default: 120)")
    ask.add_argument("--only", choices=NAMES, action="append", help="this target alone; may be given more than once")
    ask.add_argument("--replay", type=Path, help="run a kept input again")
    ask.add_argument("--worker", choices=("hypothesis", "atheris"), help=argparse.SUPPRESS)
    told = ask.parse_args()
    if told.replay:
        replay(told.replay)
        return 0
    if told.worker:
        {"hypothesis": properties, "atheris": guided}[told.worker](told.only[0], told.time)
        return 0
    return everything(told.time, told.only or list(NAMES))


if __name__ == "__main__":
    sys.exit(main())
