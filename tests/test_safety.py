"""The hazard log: every hazard has a control, every control the tests that prove it, and SAFETY.md says the same."""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from fixtures import PROJECT, RENEW

LOG = PROJECT / "tests" / "hazards.yaml"
PAGE = PROJECT / "SAFETY.md"
HAZARDS: list[dict[str, Any]] = yaml.safe_load(LOG.read_text(encoding="utf-8"))

SEVERITY = ("minor", "significant", "considerable", "major", "catastrophic")
LIKELIHOOD = ("very low", "low", "medium", "high", "very high")
KEYS = {"id", "hazard", "wrong", "harm", "cause", "controls", "remains", "proposed"}
FEWEST = 40
# Controls that are the department's: each is a gap in what the product proves, so there are few.
MOST_BY_DEPARTMENT = 4


def controls() -> Iterator[tuple[str, dict[str, Any]]]:
    for h in HAZARDS:
        for c in h["controls"]:
            yield h["id"], c


NAMED = sorted({t for _, c in controls() for t in c.get("tests", ())})


@functools.cache
def collected(file: str) -> dict[str, ast.FunctionDef]:
    """The tests that pytest finds in a file, by name: functions on its first level whose names begin with test."""
    tree = ast.parse((PROJECT / file).read_text(encoding="utf-8"))
    return {n.name: n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")}


def is_case(file: str, function: ast.FunctionDef, case: str) -> bool:
    """Whether a parametrised test has a case of this name: written in its file, or the name of a file that it runs through."""
    if not any(isinstance(d, ast.Call) and isinstance(d.func, ast.Attribute) and d.func.attr == "parametrize" for d in function.decorator_list):
        return False
    source = (PROJECT / file).read_text(encoding="utf-8")
    return f'"{case}"' in source or "INVALID" in source and (PROJECT / "tests/cards/invalid" / f"{case}.yaml").is_file()


def test_every_hazard_is_whole_and_has_a_number_of_its_own() -> None:
    assert len(HAZARDS) >= FEWEST
    ids = [h["id"] for h in HAZARDS]
    assert ids == sorted(set(ids)) and all(re.fullmatch(r"H\d\d", id) for id in ids), "A number is used once, in order."
    assert len({h["hazard"] for h in HAZARDS}) == len(ids)
    for h in HAZARDS:
        assert set(h) == KEYS, h["id"]
        for key in KEYS - {"id", "hazard", "controls", "proposed"}:
            assert h[key].strip().endswith("."), (h["id"], key)
        for when in ("initial", "residual"):
            severity, likelihood = h["proposed"][when]
            assert severity in SEVERITY and likelihood in LIKELIHOOD, (h["id"], when)
        worse = [SEVERITY.index(h["proposed"][w][0]) + LIKELIHOOD.index(h["proposed"][w][1]) for w in ("initial", "residual")]
        assert worse[0] >= worse[1], f"{h['id']}: the controls make it worse."


def test_every_hazard_has_a_control_and_a_test_that_is_here() -> None:
    for h in HAZARDS:
        assert h["controls"]
        tests = [t for c in h["controls"] for t in c.get("tests", ())]
        assert any((PROJECT / t.split("::")[0]).is_file() for t in tests), h["id"]
    for id, c in controls():
        assert set(c) in ({"control", "tests"}, {"control", "by"}) and c["control"].endswith("."), (id, c)
        assert c.get("tests") or c.get("by") == "department", (id, c)
    assert sum("by" in c for _, c in controls()) <= MOST_BY_DEPARTMENT


@pytest.mark.parametrize("node", NAMED)
def test_every_test_of_the_log_is_one_that_runs(node: str) -> None:
    m = re.fullmatch(r"(tests/[a-z_/]+\.py)::(test_\w+)(?:\[(.+)\])?", node)
    assert m, node
    file, name, case = m.groups()
    assert name in collected(file), f"{file} has no {name}."
    skipped = [ast.unparse(d) for d in collected(file)[name].decorator_list if "skip" in ast.unparse(d) or "xfail" in ast.unparse(d)]
    assert not skipped, f"{node} does not run."
    assert case is None or is_case(file, collected(file)[name], case), f"{node} has no such case."


def test_the_look_at_the_tests_sees_what_is_not_there() -> None:
    name = "test_a_failing_card_is_told_in_these_words"
    assert is_case("tests/test_rules.py", collected("tests/test_rules.py")[name], "unknown-unit")
    assert not is_case("tests/test_rules.py", collected("tests/test_rules.py")[name], "unknown-nonsense")
    assert "test_nothing_of_the_kind" not in collected("tests/test_rules.py")


# --- SAFETY.md --------------------------------------------------------------------------------------------------------

_BEGIN, _END = "<!-- hazards: made from tests/hazards.yaml by tests/test_safety.py -->\n", "<!-- /hazards -->"


def _rating(pair: list[str]) -> str:
    return f"{pair[0]}, {pair[1]}"


def as_markdown() -> str:
    """The log as SAFETY.md prints it: a short table, then a section a hazard."""
    lines = ["| id | hazard | before, proposed (severity, likelihood) | after, proposed | confirmed by, on |", "|---|---|---|---|---|"]
    lines += [f"| [{h['id']}](#{h['id'].lower()}) | {h['hazard']} | {_rating(h['proposed']['initial'])} | {_rating(h['proposed']['residual'])} | |" for h in HAZARDS]
    for h in HAZARDS:
        lines += ["", f'### <a id="{h["id"].lower()}"></a>{h["id"]} {h["hazard"]}', "", f"- **What could go wrong:** {h['wrong']} **Harm:** {h['harm']} **Cause:** {h['cause']}"]
        for c in h["controls"]:
            if "by" in c:
                lines.append(f"- **Control of the department (no test):** {c['control']}")
            else:
                lines += [f"- **Control:** {c['control']}", *(f"  - `{t}`" for t in c["tests"])]
        lines.append(f"- **What remains, and what the department must do:** {h['remains']}")
    return "\n".join(lines) + "\n"


def _page() -> tuple[str, str, str]:
    text = PAGE.read_text(encoding="utf-8")
    before, _, rest = text.partition(_BEGIN)
    table, _, after = rest.partition(_END)
    return before, table, after


def test_the_page_says_what_the_log_says() -> None:
    before, table, after = _page()
    if RENEW:
        PAGE.write_text(before + _BEGIN + as_markdown() + _END + after, encoding="utf-8")
        table = as_markdown()
    assert table == as_markdown(), "Write it anew with RENEW=1, and read the difference."


def test_the_page_is_a_starting_point_that_names_who_decides() -> None:
    before, _, after = _page()
    words = " ".join((before + after).split())
    assert "clinical safety officer" in words and "not an approval" in words
    for word in (*SEVERITY, *LIKELIHOOD):
        assert f"**{word}**" in words, f"The method does not say what '{word}' means."
    assert f"{len(HAZARDS)} hazards" in words and f"{sum('tests' in c for _, c in controls())} controls proved by {len(NAMED)} tests" in words, (len(HAZARDS), sum("tests" in c for _, c in controls()), len(NAMED))


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md"])
def test_readers_are_led_to_it(file: str) -> None:
    assert "SAFETY.md" in (PROJECT / file).read_text(encoding="utf-8")


def test_paths_in_the_page_exist() -> None:
    before, _, after = _page()
    for path in re.findall(r"`((?:tests|cards|builder|schema)/[\w./-]*)`", before + after):
        assert (Path(PROJECT) / path).exists(), path
