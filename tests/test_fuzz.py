"""Whatever a file, a sentence or a formula holds, the builder tells of problems and never breaks or hangs.

Hypothesis makes the cases; they are the same ones on every run. `make fuzz` tries others, for as long as it is told
(tests/fuzz.py); what both try and what must hold is in tests/fuzzing.py.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator

import fuzzing
import pytest
from fixtures import technique, units
from fuzzing import CARDS, LONGEST, REFERENCES, TARGETS, cases, powers, schemas, sound, valid, whole_check
from hypothesis import given
from hypothesis import strategies as st

from builder import calculate, compose, link, rules, validate
from builder.formula import FormulaError, check, converted, evaluate, parse
from builder.model import Document
from builder.read import parse as parse_yaml


@cases(30)
@given(st.binary(max_size=400), st.sampled_from(CARDS))
def test_random_bytes_are_told_as_problems(raw: bytes, card: tuple[str, str, str, bytes]) -> None:
    name, kind, id, _ = card
    assert whole_check(name, kind, id, raw), "Random bytes are no card."


# How many cases of each target fit into a test run.
NUMBER = {"reader": 60, "card": 40, "sentence": 250, "formula": 300, "answers": 150}


@pytest.mark.parametrize("target", NUMBER)
def test_nothing_that_is_typed_breaks_the_builder(target: str) -> None:
    @cases(NUMBER[target])
    @given(TARGETS[target].cases)
    def tried(raw: bytes) -> None:
        TARGETS[target].check(raw)

    tried()


@pytest.mark.parametrize("target", TARGETS)
def test_what_libfuzzer_starts_from_is_sound_ground(target: str) -> None:
    """The seeds pass, and the oracle does look: see the tests of the oracles below."""
    assert set(NUMBER) == set(TARGETS)
    seeds = TARGETS[target].seeds()
    assert seeds and len(set(seeds)) == len(seeds)
    for raw in seeds if target != "card" else seeds[:6]:
        TARGETS[target].check(raw)


def test_a_value_of_a_card_may_be_anything() -> None:
    """One value after another of the valid library becomes text, a number, a list, nothing ...; no stage takes it for granted."""
    odd = [None, True, 0, -1, 1.0, 1e300, 10**39, "", " ", "x", "\n", "quantity:a/b", "quantity:injection-first/window", "today", [], [None], [[]], {}, {"a": 1},
           {"source": "x", "checked": "y"}, ["a", "a"], "[](value:x)", "[](quantity:x)", "source", "checked", "unit"]
    chance = random.Random(20260219)

    def places(data: object, path: tuple) -> list[tuple]:
        items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
        return [p for key, value in items for p in [(*path, key), *places(value, (*path, key))]]

    def with_value(data: object, path: tuple, value: object) -> object:
        if not path:
            return value
        copy = dict(data) if isinstance(data, dict) else list(data)
        copy[path[0]] = with_value(copy[path[0]], path[1:], value)
        return copy

    everywhere = [(name, path) for name, *_ in valid() for path in places(sound(name).data, ())]
    for name, path in chance.sample(everywhere, 60):
        document = sound(name)
        data = with_value(document.data, path, chance.choice(odd))
        changed = Document(name, document.kind, document.id, data, document.marks)
        others = [sound(n) for n, *_ in valid() if n != name]
        library, problems = validate.validate([*others, changed], schemas())
        problems += rules.check(library, units())
        linked, found = link.link(library)
        problems += found
        ready, found = calculate.prepare(library, units())
        problems += found
        if not problems:
            list(compose.pages(compose.Built(linked, ready, [], units()), REFERENCES))


@pytest.mark.parametrize("bulk", [
    "".join(f"k{i}: 1\n" for i in range(40_000)),
    "quantities:\n" + "".join(f"  k{i}: {{label: x}}\n" for i in range(4_000)),
    "next: [" + ", ".join(f"a{i}" for i in range(10_000)) + "]\n",
    "equipment:\n" + "  - {text: Not 3 mm., basis: common practice}\n" * 5_000,
    "equipment:\n" + ("  - {basis: common practice, text: '" + "[](card:a)" * 110 + "'}\n") * 20,
    "see_also: [" + "a" * 900_000 + "]\n",
], ids=["unknown keys", "missing keys", "unknown cards", "numbers", "links", "one long id"])
def test_a_large_file_of_faults_is_told_of_in_reasonable_time(bulk: str) -> None:
    """Time grows with the file, not with its square: these are the largest files the reader lets through, or a good part of one."""
    start = time.process_time()
    parsed = parse_yaml(technique(bulk).encode(), "cards/techniques/bulk.yaml", "technique", "bulk")
    library, problems = validate.validate([*(sound(n) for n, *_ in valid()), parsed], schemas())
    problems += rules.check(library, units())
    problems += link.link(library)[1]
    assert problems
    assert time.process_time() - start < 4 * LONGEST


@cases(300)
@given(powers)
def test_powers_and_conversions_never_break_the_check(source: str) -> None:
    try:
        tree, found = check(parse(source), fuzzing.types(), units())
        converted(tree, found, "mmHg", units())
    except FormulaError:
        return
    evaluate(tree, fuzzing.VALUES)


# --- the oracles themselves: one that sees nothing would pass everything --------------------------------------------


@pytest.mark.parametrize("html", [
    "<p>a</p><script>x()</script>", "<p onclick=x()>a</p>", '<a href="javascript:x()">a</a>', '<a href=" java&#10;script:x()">a</a>', '<a href="data:text/html,x">a</a>',
    '<a href="//elsewhere.example">a</a>', "<img src=x onerror=x()>", '<iframe src="a.html"></iframe>', "<style>p {}</style>", '<p style="color: red">a</p>', "<!-- a -->",
    "<svg><animate onbegin=x() /></svg>", '<form formaction="javascript:x()"></form>', "<b><SCRIPT SRC=x></SCRIPT></b>", "<object data=x></object>", '<base href="/">',
])
def test_the_look_at_a_page_finds_what_does_not_belong(html: str) -> None:
    assert fuzzing.markup_faults(html)
    page = fuzzing.pages.Page("techniques/a.md", f'---\ntitle: "a"\n---\n# A\n\n{html}\n')
    assert list(fuzzing.page_faults(page))


@pytest.mark.parametrize(("path", "text"), [
    ("../a.md", "# A"), ("/etc/a.md", "# A"), ("a/../b.md", "# A"), ("a.md", '---\ntitle: "</title><b>"\n---\n# A'), ("a.js", '// a\nvar a = "</script>";'),
    ("a.js", '// a\nvar a = "b\\"; `c`;'), ("a.js", '// a\nvar a = "b"c"#;'),
])
def test_the_look_at_a_file_finds_a_bad_name_and_loose_text(path: str, text: str) -> None:
    assert list(fuzzing.page_faults(fuzzing.pages.Page(path, text)))


def test_the_watch_sees_files_programs_and_code(tmp_path) -> None:
    for act in (lambda: open(tmp_path / "a", "w"), lambda: (tmp_path / "a").mkdir(), lambda: __import__("os").system("true"), lambda: exec("1"),
                lambda: __import__("socket").create_connection(("127.0.0.1", 9))):
        with pytest.raises(fuzzing.Forbidden), fuzzing.watched(code=True):
            act()
    assert not list(tmp_path.iterdir())
    (tmp_path / "a").write_text("The watch ends with its block.")


def test_the_clock_ends_what_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fuzzing, "LONGEST", 0.05)
    with pytest.raises(fuzzing.TooSlow), fuzzing.in_time():
        while True:
            pass
