"""Whatever a file, a sentence or a formula holds, the builder tells of problems and never breaks or hangs.

Hypothesis makes the cases; they are the same ones on every run.
"""

from __future__ import annotations

import random
import re
import time
import warnings
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from unittest import mock

import pytest
from fixtures import PROJECT, VALID, technique, units
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from builder import calculate, compose, link, rules, validate
from builder.formula import LIST_DAYS, FormulaError, Type, check, converted, evaluate, javascript, mathml, parse
from builder.model import Document
from builder.problems import Problem, in_order
from builder.read import FOLDERS, SINGLE
from builder.read import parse as parse_yaml
from builder.render import pages
from builder.text import faults, plain, to_html

@pytest.fixture(scope="module", autouse=True)
def _templates_are_compiled_once() -> Iterator[None]:
    """Otherwise every case would compile them anew, which takes most of its time."""
    with mock.patch.object(pages, "_environment", cache(pages._environment)):
        yield


REFERENCES = compose.Kept()  # the processor sets each source once

LONGEST = 2.0  # seconds a case may take


def cases(number: int) -> settings:
    return settings(max_examples=number, derandomize=True, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@cache
def schemas() -> validate.Schemas:
    return validate.Schemas(compose.load_schemas(PROJECT))


def _kind(file: Path) -> str:
    return FOLDERS.get(file.parent.name) or SINGLE[file.name]


@cache
def valid() -> tuple[tuple[str, str, str, bytes], ...]:
    """(path, kind, id, bytes) of the valid library."""
    return tuple((f"cards/{f.relative_to(VALID).as_posix()}", _kind(f), f.stem, f.read_bytes()) for f in sorted(VALID.rglob("*.yaml")))


@cache
def _sound(name: str) -> Document:
    return next(parse_yaml(raw, n, kind, id) for n, kind, id, raw in valid() if n == name)


def whole_check(name: str, kind: str, id: str, raw: bytes) -> list[Problem]:
    """The whole check of the valid library with one file's bytes changed; it is rendered when it is clean."""
    start = time.process_time()
    parsed = parse_yaml(raw, name, kind, id)
    documents = [_sound(n) for n, *_ in valid() if n != name]
    problems: list[Problem] = []
    unsound = set()
    if isinstance(parsed, Problem):
        problems.append(parsed)
        unsound.add((kind, id))
    else:
        documents.append(parsed)
    library, found = validate.validate(documents, schemas(), unsound)
    problems += found
    problems += rules.check(library, units())
    linked, found = link.link(library)
    problems += found
    ready, found = calculate.prepare(library, units())
    problems += found
    if not problems:
        list(compose.pages(compose.Built(linked, ready, [], units()), REFERENCES))
    assert time.process_time() - start < LONGEST, "Too slow for one file."
    for p in in_order(problems):
        assert p.line >= 1 and p.column >= 1 and p.message and p.fix
        assert raw.count(b"\n") + raw.count(b"\r") + 2 >= p.line or p.file != name
    return problems


CARDS = [v for v in valid() if v[1] != "source"]


@cases(60)
@given(st.binary(max_size=400), st.sampled_from(CARDS))
def test_random_bytes_are_told_as_problems(raw: bytes, card: tuple[str, str, str, bytes]) -> None:
    name, kind, id, _ = card
    assert whole_check(name, kind, id, raw), "Random bytes are no card."


YAML_BITS = ["&a ", "*a", "!!str ", "!x ", "? ", ": ", "- ", "[", "]", "{", "}", "'", '"', "|\n", ">\n", "#", "%", "@", "`", "\t", "\n", "\r", "\x00",
             "\u2028", "\ufeff", "\U0001f441", "~", "null", "true", "1e999", "0x1F", "12:30:45", "---\n", "...\n", "<<: ", "<b>", "](card:x)", "[](quantity:wait)",
             "[](quantity:injection-first/window.low)", "[](term:tamponade)", "[](value:iop)", "[](page:about-the-cards)", "withheld", "list_day(opens)", "holds: iop > limit", "{low: mean, high: iop, label: x}", "common practice", "5 mmHg", "basis:", "\\0", "iop ** 99", "1.0", "-1", ""]


@st.composite
def mutated(draw: st.DrawFn) -> tuple[str, str, str, bytes]:
    """A sound card with some of its bytes, lines or words changed as an editor's slips change them."""
    name, kind, id, raw = draw(st.sampled_from(CARDS))
    text = raw.decode()
    for _ in range(draw(st.integers(1, 4))):
        lines = text.split("\n")
        i = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["insert", "cut", "line out", "line twice", "indent", "swap", "value", "byte"])):
            case "insert":
                at = draw(st.integers(0, len(text)))
                text = text[:at] + draw(st.sampled_from(YAML_BITS)) + text[at:]
            case "cut":
                at = draw(st.integers(0, len(text)))
                text = text[:at] + text[at + draw(st.integers(1, 40)):]
            case "line out":
                text = "\n".join(lines[:i] + lines[i + 1:])
            case "line twice":
                text = "\n".join(lines[: i + 1] + lines[i:])
            case "indent":
                lines[i] = " " * draw(st.integers(0, 8)) + lines[i].lstrip() if draw(st.booleans()) else "\t" + lines[i]
                text = "\n".join(lines)
            case "swap":
                j = draw(st.integers(0, len(lines) - 1))
                lines[i], lines[j] = lines[j], lines[i]
                text = "\n".join(lines)
            case "value":
                lines[i] = re.sub(r":( .*)?$", lambda _: ": " + draw(st.sampled_from(YAML_BITS)), lines[i], count=1)
                text = "\n".join(lines)
            case "byte":
                at = draw(st.integers(0, max(0, len(text) - 1)))
                return name, kind, id, text[:at].encode() + bytes([draw(st.integers(0, 255))]) + text[at + 1 :].encode()
    return name, kind, id, text.encode()


@cases(250)
@given(mutated())
def test_a_card_with_slips_is_told_of_and_breaks_nothing(card: tuple[str, str, str, bytes]) -> None:
    whole_check(*card)


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

    everywhere = [(name, path) for name, *_ in valid() for path in places(_sound(name).data, ())]
    for name, path in chance.sample(everywhere, 300):
        document = _sound(name)
        data = with_value(document.data, path, chance.choice(odd))
        changed = Document(name, document.kind, document.id, data, document.marks)
        others = [_sound(n) for n, *_ in valid() if n != name]
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
    library, problems = validate.validate([*(_sound(n) for n, *_ in valid()), parsed], schemas())
    problems += rules.check(library, units())
    problems += link.link(library)[1]
    assert problems
    assert time.process_time() - start < 4 * LONGEST


# --- sentences ------------------------------------------------------------------------------------------------------

_PIECES = ["<", ">", "&", "&lt;", "*", "**", "[", "](", ")", "](card:a)", "[](term:b)", "javascript:", "\\", "`", "\n", "\n\n", "\x00", "\x000\x00", "<script>",
           "<b onclick=1>", "word", " ", "µ", "-", "1.", "5 mm", "\u2028", "'", '"']
sentences = st.lists(st.sampled_from(_PIECES) | st.text(max_size=6), max_size=20).map("".join)
TAGS = re.compile(r"</?(?:em|strong)>|<a href=\"#[A-Za-z0-9_./-]*\">|</a>")


@cases(600)
@given(sentences)
def test_no_sentence_brings_markup_of_its_own(text: str) -> None:
    # The reader refuses control characters, so no sentence holds one.
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "", text)
    made = to_html(text, lambda x: f'<a href="#{x.target}"></a>')
    assert "<" not in TAGS.sub("", made)
    assert made.count("<em>") == made.count("</em>")
    assert made.count("<strong>") == made.count("</strong>")
    plain(text)
    for fault in faults(text):
        assert 0 <= fault.start <= len(text)
        assert fault.message and fault.fix


@cases(300)
@given(sentences)
def test_a_sentence_without_faults_shows_every_word_as_written(text: str) -> None:
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", "", text)
    if not list(faults(text)):
        shown = re.sub(r"<[^>]*>", "", to_html(text, lambda x: x.words))
        for entity, character in (("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&")):
            shown = shown.replace(entity, character)
        # Stars may have become emphasis; nothing else may be lost.
        assert "".join(shown.split()).replace("*", "") == "".join(plain(text).split()).replace("*", "")


# --- formulas -------------------------------------------------------------------------------------------------------

_TOKENS = ["iop", "wait", "on", "eye", "hours", "pi", "x", "0", "1", "2.5", "1e9", "1e-9", "1e400", "0.5", "1_000", "0x10", "1j", "+", "-", "*", "/", "**", "%", "//", "(", ")",
           ",", "<", "<=", "==", "!=", " and ", " or ", "or ", " not ", " if ", " else ", " in ", " is ", "lambda x: x", "min(", "max(", "abs(", "sqrt(", "exp(", "log(", "sin(",
           "asin(", "acos(", "tan(", "atan(", "log10(", "floor(", "ceil(", "list_day(", "list_day(on)", "where(", "True", "None", "...", "'right'", '"left"', "'\\d'", "f'{x}'", "b'x'", "[1]", "{}", ".real", "__import__('os')", ":=", "@", "~", "é", " ", "\n", "#"]
formulas = st.lists(st.sampled_from(_TOKENS), min_size=1, max_size=14).map("".join) | st.text(max_size=30)


@cache
def _types() -> dict[str, Type]:
    number = lambda unit: Type("number", units().dimension(unit))  # noqa: E731
    return {"iop": number("mmHg"), "wait": number("day"), "hours": number("clock hour"), "x": number("ratio"), "on": Type("date"),
            "eye": Type("choice", keys=("right", "left"))}


@cases(1500)
@given(formulas)
def test_any_text_is_a_formula_or_a_formula_error(source: str) -> None:
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            tree, found = check(parse(source), _types(), units())
    except FormulaError as error:
        assert not said, "Python's own remarks on a formula are nothing for a surgeon's terminal."
        assert error.message and error.fix and 0 <= error.column <= len(source.encode()) + 1
        return
    value = evaluate(tree, {"iop": 20.0, "wait": 3.0, "hours": 2.0, "x": 0.5, "on": 20000, "eye": "right", LIST_DAYS: (1, 4)})
    assert isinstance(value, (bool, int, float, str))
    assert javascript(tree) and mathml(tree, lambda n: f"<mi>{n}</mi>", lambda n, k: f"<mi>{k}</mi>")
    assert not re.search(r"\b(?:inf|nan|eval|Function|constructor)\b", javascript(tree))
    if found.kind == "number":
        for unit in ("mmHg", "kPa", "ratio", "day"):
            try:
                converted(tree, found, unit, units())
            except FormulaError as error:
                assert error.rule == "dimension"


_names = st.sampled_from(["iop", "kilo", "x", "hours", "2", "0.5", "100"])
_well_formed = st.recursive(_names, lambda inner: st.one_of(
    st.tuples(inner, st.sampled_from(["+", "-", "*", "/", "**"]), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
    st.tuples(st.sampled_from(["sqrt", "exp", "abs", "log", "sin"]), inner).map(lambda t: f"{t[0]}({t[1]})"),
    st.tuples(inner, st.sampled_from(["**2", "**-3", "**0.5", "**300", "**1e9"])).map("".join)), max_leaves=8)


@cases(600)
@given(_well_formed)
def test_powers_and_conversions_never_break_the_check(source: str) -> None:
    types = {**_types(), "kilo": Type("number", units().dimension("kPa"))}
    try:
        tree, found = check(parse(source), types, units())
        converted(tree, found, "mmHg", units())
    except FormulaError:
        return
    evaluate(tree, {"iop": 20.0, "kilo": 1.0, "x": 0.5, "hours": 2.0})
