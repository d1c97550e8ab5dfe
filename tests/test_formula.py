"""One formula line read four ways: the number in Python, the number in the browser, the equation, the unit check."""

from __future__ import annotations

import json
import math
import random
import re
import warnings
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest
from fixtures import PROJECT, build, lay, write
from hypothesis import given, settings
from hypothesis import strategies as st

from builder import calculate
from builder.formula import (
    DEEPEST, FUNCTIONS, LIST_DAYS, LONGEST, PRELUDE, Convert, Expr, FormulaError, Key, Name, Num, Op, Type, bisect, check, converted, evaluate, javascript,
    mathml, names, parse, substitute,
)
from builder.render import calculator as page_script
from builder.units import Units

UNITS = Units()


def number(unit: str) -> Type:
    return Type("number", UNITS.dimension(unit))


TYPES = {
    "a": number("ratio"), "b": number("ratio"), "c": number("ratio"), "share": number("%"), "p": number("mmHg"), "q": number("kPa"),
    "h": number("cmH2O"), "x": number("mm"), "y": number("cm"), "t": number("hour"), "d": number("day"), "turn": number("degree"),
    "hours": number("clock hour"), "burns": number("burn"), "eyes": number("eye"), "first": Type("date"), "second": Type("date"),
    "lens": Type("choice", keys=("phakic", "aphakic")),
}


def typed(source: str) -> tuple[Expr, Type]:
    return check(parse(source), TYPES, UNITS)


def value(source: str, unit: str = "", **values: float | str) -> float | bool:
    """The checked formula's value, in `unit` where one is named."""
    tree, found = typed(source)
    return evaluate(converted(tree, found, unit, UNITS) if unit else tree, values)


def refused(source: str) -> FormulaError:
    """The error with which a formula is refused, by its parsing or by its units."""
    with pytest.raises(FormulaError) as caught:
        typed(source)
    assert caught.value.message and caught.value.fix, f"The refusal of {source!r} must say what is wrong and how to put it right."
    return caught.value


# --- parsing -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("source", "expected"), [
    ("2 + 3 * 4", 14), ("(2 + 3) * 4", 20), ("2 * 3 ** 2", 18), ("(2 * 3) ** 2", 36), ("-2 ** 2", -4), ("(-2) ** 2", 4), ("2 ** -1", 0.5),
    ("2 ** 3 ** 2", 512), ("(2 ** 3) ** 2", 64), ("10 - 4 - 3", 3), ("10 - (4 - 3)", 9), ("24 / 4 / 3", 2), ("24 / (4 / 3)", 18),
    ("2 * 9 / 3", 6), ("- 3 + 5", 2), ("-(3 + 5)", -8), ("+7", 7), ("2 - -3", 5), ("1.5e2", 150), ("1_000", 1000), (" 1 + 1 ", 2),
    ("min(3, 1, 2)", 1), ("max(3, 1, 2)", 3), ("abs(-3)", 3), ("sqrt(9)", 3), ("exp(0)", 1), ("log(1)", 0), ("where(1 < 2, 5, 6)", 5),
    ("where(2 < 1, 5, 6)", 6), ("cos(0)", 1), ("asin(1) * 2 / pi", 1), ("acos(0) * 2 / pi", 1), ("sin(pi / 2)", 1),
    ("min(7)", 7), ("max(7)", 7), ("log10(1000)", 3), ("log10(0.01)", -2), ("tan(0)", 0), ("tan(pi / 4)", 1), ("atan(1) * 4 / pi", 1), ("atan(-1) * 4 / pi", -1), ("floor(2.9)", 2), ("floor(-2.1)", -3),
    ("floor(3)", 3), ("ceil(2.1)", 3), ("ceil(-2.9)", -2), ("ceil(3)", 3),
])
def test_arithmetic_follows_the_usual_order(source: str, expected: float) -> None:
    assert value(source) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(("source", "expected"), [
    ("1 < 2", True), ("2 <= 2", True), ("2 > 2", False), ("2 >= 3", False), ("2 == 2", True), ("2 != 2", False),
    ("1 < 2 < 3", True), ("1 < 3 < 2", False), ("3 > 2 >= 2 != 1", True), ("not 1 < 2", False), ("not (1 < 2 and 2 < 1)", True),
    ("1 < 2 or 2 < 1 and 2 < 1", True), ("(1 < 2 or 2 < 1) and 2 < 1", False), ("1 > 2 or 2 > 3 or 3 > 2", True), ("1 + 1 == 2", True),
])
def test_comparisons_chain_and_join_as_in_python(source: str, expected: bool) -> None:
    assert value(source) is expected


def test_a_tree_keeps_the_form_the_author_wrote() -> None:
    assert parse("a * (b + c)") == Op("*", (Name("a", 0), Op("+", (Name("b", 5), Name("c", 9)), 5)), 0)
    assert parse("1.50") == Num(1.5, "1.5")
    assert parse("a < b < c") == Op("and", (Op("<", (Name("a", 0), Name("b", 4)), 0), Op("<", (Name("b", 4), Name("c", 8)), 0)), 0)
    assert parse('lens == "phakic"') == Op("==", (Name("lens", 0), Key("phakic", 8)), 0)


def test_names_are_told_in_order_and_constants_left_out() -> None:
    assert [n.name for n in names(parse("b * pi + where(a < 1, sin(c), -b)"))] == ["b", "a", "c", "b"]


def test_substitution_goes_on_until_only_undefined_names_are_left() -> None:
    definitions = {"b": parse("a + 1"), "c": parse("b * 2")}
    assert evaluate(substitute(parse("c - 3"), definitions, "a"), {"a": 4.0}) == 7
    kept = substitute(parse("c - 3"), definitions, "b")
    assert {n.name for n in names(kept)} == {"b"}, "The name to keep must stay although it is defined."


def test_substitution_in_a_circle_is_refused() -> None:
    with pytest.raises(FormulaError, match="back to each other"):
        substitute(parse("a"), {"a": parse("b + 1"), "b": parse("a + 1")}, "z")


BANNED = {
    "attribute": "a.real", "method": "a.__class__()", "subscript": "a[0]", "slice": "a[0:1]", "call of another function": "open(a)",
    "call of an attribute": "a.b(1)", "call of a call": "min(1)(2)", "keyword argument": "min(a, default=1)", "starred argument": "min(*a)",
    "lambda": "lambda: 1", "string": "'a'", "joined string": "f'{a}'", "bytes": "b'a'", "walrus": "(z := 1)", "comprehension": "[a for a in b]",
    "generator": "min(a for a in b)", "set comprehension": "{a for a in b}", "conditional": "a if a < b else c", "list": "[1, 2]", "tuple": "(1, 2)",
    "set": "{1, 2}", "mapping": "{1: 2}", "floor division": "a // b", "remainder": "a % b", "matrix product": "a @ b", "shift": "a << 2",
    "bitwise and": "a & b", "inversion": "~a", "identity": "a is b", "membership": "a in b", "true": "True", "none": "None", "ellipsis": "...",
    "complex number": "1j", "await": "await a", "yield": "(yield)", "import": "__import__('os')", "statement": "a = 1", "two statements": "a; b",
    "comment only": "# a", "nothing": "", "a bare key": '"phakic"', "key in a sum": 'a + "phakic"', "key with a number": 'a == "phakic"',
    "choice as a number": "lens + 1", "keys in order": 'lens < "phakic"',
}


@pytest.mark.parametrize("source", BANNED.values(), ids=BANNED.keys())
def test_everything_outside_the_small_language_is_refused(source: str) -> None:
    refused(source)


def test_a_formula_that_is_too_long_is_refused() -> None:
    assert parse("1" + " " * (LONGEST - 3) + "+1")
    assert "longer" in refused("1" + " " * (LONGEST - 2) + "+1").message


@pytest.mark.parametrize("source", ["-" * (DEEPEST + 1) + "a", "+".join(["a"] * (DEEPEST + 2)), "abs(" * 61 + "a" + ")" * 61])
def test_a_formula_that_is_nested_too_deeply_is_refused(source: str) -> None:
    assert len(source) <= LONGEST
    assert "too deeply" in refused(source).message


def test_numbers_beyond_the_machine_are_refused() -> None:
    assert "too large" in refused("1e400").message
    assert "too large" in refused("9" * 399).message


def test_the_place_of_an_error_is_given() -> None:
    assert refused("a + (b * ").column >= 4
    assert refused("a + nearby").column == 4
    assert refused("a + b * open(1)").column == 8
    assert refused("a + p").column == 0


@pytest.mark.parametrize(("source", "near"), [("shaer", "share"), ("trun * 2", "turn"), ("sqt(2)", "sqrt"), ('lens == "phakick"', "phakic"), ("hour + 1", "hours")])
def test_an_unknown_name_is_told_with_the_nearest_known_one(source: str, near: str) -> None:
    assert f"Did you mean '{near}'?" in refused(source).message


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_with_too_few_or_too_many_values_is_refused(name: str) -> None:
    low, high = FUNCTIONS[name]
    for count in (low - 1, high + 1):
        assert f"not {count}" in refused(f"{name}({', '.join(['1'] * count)})").message


@given(st.text(max_size=40) | st.text(alphabet="abpx0123.+-*/()<>= ,'\"[]{}:&|^%~\n\t\\", max_size=60))
@settings(max_examples=300, deadline=None)
def test_whatever_is_written_is_a_formula_or_a_plain_refusal(source: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Python's own remarks on odd literals
        try:
            tree, found = typed(source)
        except FormulaError as error:
            assert error.message and error.fix and 0 <= error.column <= LONGEST
        else:
            assert found.kind in ("number", "date", "truth", "choice")
            javascript(tree)


# --- units -------------------------------------------------------------------------------------------------------


def test_units_are_carried_through_a_formula() -> None:
    for source, unit in {"p * a": "mmHg", "x * x": "mm²", "x * y * x": "mm³", "x / t * t": "mm", "sqrt(x * x)": "mm", "floor(x)": "mm", "ceil(x / y)": "ratio", "x ** 2": "mm²", "x ** -1": "1/cm",
                         "x ** 0.5 * x ** 0.5": "mm", "p / p": "ratio", "abs(x)": "mm", "-x": "mm", "min(x, y)": "cm", "where(a < 1, x, y)": "mm"}.items():
        found = typed(source)[1]
        assert found.kind == "number" and found.dimension.same(UNITS.dimension(unit)), f"{source} must have the dimension of {unit}."


def test_two_units_of_one_dimension_meet_by_a_conversion_that_is_put_in() -> None:
    tree, found = typed("p + q")
    assert tree == Op("+", (Name("p", 0), Convert(pytest.approx(7.500615758), Name("q", 4))), 0)
    assert evaluate(tree, {"p": 10.0, "q": 1.0}) == pytest.approx(17.500615758)
    assert found.dimension.same(UNITS.dimension("mmHg"))
    assert typed("p + p")[0] == parse("p + p"), "Nothing may be put in where the units are the same."


@pytest.mark.parametrize(("source", "unit", "values", "expected"), [
    ("x + y", "mm", {"x": 1, "y": 2}, 21), ("x + y", "cm", {"x": 1, "y": 2}, 2.1), ("y - x", "cm", {"x": 5, "y": 2}, 1.5), ("max(x, y)", "mm", {"x": 15, "y": 1}, 15),
    ("where(x < y, y, x)", "mm", {"x": 9, "y": 1}, 10), ("x / y", "ratio", {"x": 5, "y": 1}, 0.5), ("x / y", "%", {"x": 5, "y": 1}, 50),
    ("1 + x / y", "ratio", {"x": 5, "y": 1}, 1.5), ("x / y + 1", "ratio", {"x": 5, "y": 1}, 1.5), ("(x / y) ** 2", "ratio", {"x": 5, "y": 1}, 0.25),
    ("exp(x / y)", "ratio", {"x": 10, "y": 1}, math.e), ("share * p", "mmHg", {"share": 50, "p": 60}, 30), ("share + a", "%", {"share": 50, "a": 0.25}, 75),
    ("share ** 2", "ratio", {"share": 50}, 0.25), ("sqrt(x * y)", "mm", {"x": 4, "y": 1.6}, 8), ("t + d", "day", {"t": 12, "d": 1}, 1.5),
])
def test_results_are_right_in_the_unit_they_are_declared_in(source: str, unit: str, values: dict[str, float], expected: float) -> None:
    assert value(source, unit, **values) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("source", "expected"), [("x < y", True), ("y < x", False), ("x == y", False), ("x < y < 100 * x", True), ("x < y and not p > q", True)])
def test_comparisons_convert_too(source: str, expected: bool) -> None:
    assert value(source, x=5.0, y=1.0, p=7.0, q=1.0) is expected


@pytest.mark.parametrize("source", [
    "x + p", "x - t", "x + 1", "1 + x", "x < p", "x == 1", "min(x, t)", "max(1, x)", "where(a < 1, x, p)", "burns + eyes", "burns + 1", "turn + x", "x < y < 3",
    "x ** y", "x ** a", "a ** x", "2 ** x", "exp(x)", "log(p)", "sin(x)", "acos(x)", "a + (a < 1)", "-(a < 1)", "a * (a < 1)", "not a", "a and b", "a < 1 or b",
    "where(a, 1, 2)", "where(a < 1, 1, b < 2)", "min(a, a < 1)", "abs(first)", "first * 2", "sqrt(first)",
    "log10(x)", "tan(p)", "atan(x)", "list_day(d)", "list_day(first - second)", "list_day(a < 1)", "floor(first)", "ceil(a < 1)", "list_day(first) + 1",
])
def test_what_does_not_add_up_is_refused(source: str) -> None:
    assert refused(source).rule == "dimension"


def test_a_refusal_names_both_dimensions_in_words() -> None:
    assert "a length" in refused("x + p").message and "a pressure" in refused("x + p").message


def test_a_result_of_another_dimension_than_declared_is_refused() -> None:
    for source, unit in (("x * x", "mm"), ("x", "mmHg"), ("x / y", "mm"), ("first", "day"), ("a < 1", "ratio"), ("burns", "eye")):
        tree, found = typed(source)
        with pytest.raises(FormulaError) as caught:
            converted(tree, found, unit, UNITS)
        assert caught.value.rule == "dimension" and unit in caught.value.message


def test_a_written_nought_has_any_unit() -> None:
    for source in ("p > 0", "0 < p", "0 < p < 0", "max(p, 0)", "max(0, p)", "where(a < 1, 0, x)", "x + 0", "first - second > 0", "0.0 == x"):
        typed(source)
    assert typed("max(0, p)")[1].dimension.same(UNITS.dimension("mmHg"))
    assert value("max(0, q)", "mmHg", q=1.0) == pytest.approx(7.500615758)
    refused("p > 1")
    refused("p > 1 - 1")


def test_powers_of_a_unit_need_a_written_number() -> None:
    assert value("y ** 2", "mm²", y=2.0) == pytest.approx(400, rel=1e-12)
    assert value("(x * x) ** (1 / 2)", "mm", x=3.0) == pytest.approx(3)
    assert value("x ** -2 * x ** 3", "mm", x=3.0) == pytest.approx(3)
    assert value("a ** b", "ratio", a=2.0, b=0.5) == pytest.approx(math.sqrt(2))
    for source in ("x ** a", "x ** (1 + 1)", "x ** share", "a ** x"):
        refused(source)


def test_angles_go_in_and_come_out_in_any_unit_of_angle() -> None:
    assert value("sin(turn)", turn=30.0) == pytest.approx(0.5)
    assert value("sin(hours)", hours=1.0) == pytest.approx(0.5)
    assert value("cos(turn + hours)", turn=30.0, hours=1.0) == pytest.approx(0.5)
    assert value("asin(0.5)", "degree") == pytest.approx(30)
    assert value("acos(0.5)", "clock hour") == pytest.approx(2)
    assert value("tan(turn)", turn=45.0) == pytest.approx(1)
    assert value("tan(hours)", hours=2.0) == pytest.approx(math.sqrt(3))
    assert value("atan(1)", "degree") == pytest.approx(45)
    assert value("atan(sqrt(3))", "clock hour") == pytest.approx(2)
    assert value("hours", "degree", hours=3.0) == pytest.approx(90)
    assert value("turn", "clock hour", turn=45.0) == pytest.approx(1.5)


def test_dates_take_times_and_give_times() -> None:
    assert typed("first + d")[1].kind == "date" and typed("d + first")[1].kind == "date" and typed("first - d")[1].kind == "date"
    assert typed("first - second")[1].dimension.same(UNITS.dimension("day"))
    assert value("first + t", first=10.0, t=36.0) == pytest.approx(11.5)
    assert value("t + first", first=10.0, t=36.0) == pytest.approx(11.5)
    assert value("first - second", "hour", first=12.0, second=10.0) == 48
    assert value("first + (second - first) / 2", first=10.0, second=20.0) == 15
    assert value("min(first, second)", first=12.0, second=10.0) == 10
    assert value("first < second <= first + d", first=1.0, second=3.0, d=2.0) is True
    for source in ("first + second", "d - first", "first + p", "first + 1", "first < d", "where(a < 1, first, d)", "max(first, 0)", "first == 0", "-first"):
        assert refused(source).rule == "dimension"


def test_a_whole_part_is_taken_in_the_unit_as_it_stands() -> None:
    assert value("floor(share)", "%", share=25.7) == 25
    assert value("floor(1 * x / y + 0)", x=25.0, y=1.0) == 25, "Before two units meet, the quotient is still one of millimetres by centimetres."
    assert value("floor(0.0001 + x / y)", x=25.0, y=1.0) == 2
    assert value("ceil(x)", "cm", x=12.2) == pytest.approx(1.3)


LISTS = (1, 4)  # Monday and Thursday


def next_list(days: float, lists: tuple[int, ...] = LISTS) -> float:
    """The same by the calendar: day by day until a list day comes. Sunday is 0."""
    day = date(1970, 1, 1) + timedelta(days=math.floor(days))
    while day.isoweekday() % 7 not in lists:
        day += timedelta(days=1)
    return float((day - date(1970, 1, 1)).days)


@pytest.mark.parametrize("lists", [LISTS, (0,), (6,), (3,), (0, 6), (0, 1, 2, 3, 4, 5, 6)])
def test_a_list_day_is_the_first_on_or_after_a_date(lists: tuple[int, ...]) -> None:
    # From 1899 on, so that days before 1970 (negative numbers) are met too; parts of a day count to their day.
    for days in [*range(-25_900, -25_880), *range(-8, 9), *(x / 4 for x in range(80_000, 80_060)), 84_000]:
        assert value("list_day(first)", first=days, **{LIST_DAYS: lists}) == next_list(days, lists), f"day {days}, lists on {lists}"
    assert value("list_day(list_day(first))", first=7.0, **{LIST_DAYS: lists}) == next_list(7, lists), "A list day is its own first list day."


def test_without_list_days_there_is_no_list_day() -> None:
    assert math.isnan(value("list_day(first)", first=20_000.0, **{LIST_DAYS: ()}))
    assert typed("list_day(first) + d")[1].kind == "date"


def test_whole_days_given_in_hours_do_not_slip_to_the_day_before() -> None:
    """A date is shown by its whole days, so a hair below the day would be shown as the day before."""
    slipped = [n for n in range(1, 400) if not value("first - t", first=20000.0, t=24.0 * n) == 20000 - n or not value("first + t", first=20000.0, t=24.0 * n) == 20000 + n]
    assert not slipped, f"24 h times {slipped[:5]} is not a whole number of days."


def test_choices_are_compared_by_their_keys() -> None:
    assert value('where(lens == "aphakic", 1, 2)', lens="aphakic") == 1
    assert value('where("aphakic" != lens, 1, 2)', lens="aphakic") == 2
    assert value('not lens == "phakic" and a > 0', lens="aphakic", a=1.0) is True
    assert refused('lens == "glass"').rule == "unknown-name"
    assert refused('glass == "phakic"').rule == "unknown-name"


@pytest.mark.parametrize("source", ["x ** 200 + y ** 200", "x ** -200 + y ** -200", "x ** 1e300 + y ** 1e300", "x ** 400", "sqrt(x ** 400 * y ** 400)"])
def test_units_raised_beyond_the_machine_are_a_result_or_a_refusal_but_no_traceback(source: str) -> None:
    try:
        tree, found = typed(source)
        converted(tree, found, "mm", UNITS)
    except FormulaError as error:
        assert error.message and error.fix


@pytest.mark.parametrize("source", ["min(a < 1, b < 2)", "max(a < 1, b < 2)", "(a < 1) < (b < 2)", "lens < lens", "min(lens, lens)"])
def test_only_numbers_and_dates_have_an_order(source: str) -> None:
    """Python's smallest truth is a truth, the browser's is a number; and an order of truths means nothing to a reader."""
    refused(source)


# --- random formulas, against Python's own arithmetic and in the browser -------------------------------------------

FACTORS = {"a": 1.0, "b": 1.0, "c": 1.0, "share": 0.01, "p": 133.322387415, "q": 1000.0, "h": 98.0665, "d": 1.0, "t": 1 / 24, "first": 1.0, "second": 1.0}
DATES = ("first", "second")
_ORACLE = {"min": min, "max": max, "abs": abs, "sqrt": math.sqrt, "exp": math.exp, "log": math.log, "sin": math.sin, "cos": math.cos,
           "asin": math.asin, "acos": math.acos, "tan": math.tan, "atan": math.atan, "log10": math.log10, "floor": lambda x: float(math.floor(x)),
           "ceil": lambda x: float(math.ceil(x)), "list_day": next_list, "pi": math.pi, "where": lambda test, yes, no: yes if test else no}
TRANSCENDENTAL = {"exp", "log", "log10", "sin", "cos", "tan", "asin", "acos", "atan"}


class Random:
    """Random formulas of the language, pressures, bare numbers, dates and times mixed so that every dimension adds up."""

    def __init__(self, seed: int) -> None:
        self.r = random.Random(seed)

    def bare(self, depth: int) -> str:
        r = self.r
        if depth <= 0:
            return r.choice(["a", "b", "c", "share", "pi", str(r.randint(0, 20)), repr(round(r.uniform(0, 9), 3))])
        x, y = lambda: self.bare(depth - 1), lambda: self.bare(depth - 1)
        match r.randrange(19):
            case 0 | 1:
                return f"({x()}) {r.choice('+-*/')} ({y()})"
            case 2:
                return f"{self.loose(depth)} {r.choice('+-*/')} {self.loose(depth)} {r.choice('+-*/')} {self.loose(depth)}"
            case 3:
                return f"-{self.tight(depth)} {r.choice('+-*/')} {self.tight(depth)}"
            case 4:
                return f"{self.tight(depth)} ** {r.choice(['2', '3', '-1', '0.5', '(1 / 3)', '2 ** 0.5'])}"
            case 5:
                return f"-{self.tight(depth)} ** 2"
            case 6:
                return f"{r.choice(['abs', 'sqrt', 'exp', 'log', 'sin', 'cos', 'asin', 'acos', 'tan', 'atan', 'log10'])}({x()})"
            case 7:
                return f"{r.choice(['min', 'max'])}({x()}, {y()}, {x()})"
            case 8:
                return f"where({self.truth(depth - 1)}, {x()}, {y()})"
            case 9 | 10:
                return f"(({self.pressure(depth - 1)}) / ({self.pressure(depth - 1)}))"
            case 11:
                return f"{self.tight(depth)} - ({x()} - {self.tight(depth)})"
            case 12:
                return f"{self.tight(depth)} / ({x()} / {self.tight(depth)})"
            case 13:
                return f"({x()}) ** 2 ** 0.5"
            case 14:
                # The bare number first makes a percentage one, so that its whole part is that of the number, not of the per cent.
                return f"{r.choice(['floor', 'ceil'])}(0.25 + {self.tight(depth)})"
            case 17:
                return f"{r.choice(['asin', 'acos'])}(atan({x()}) / 2)"
            case 15:
                return f"(({self.date(depth - 1)} - ({self.date(depth - 1)})) / d)"
            case 16:
                return f"where({self.date(depth - 1)} {r.choice(['<', '>='])} {self.date(depth - 1)}, {x()}, {y()})"
        return f"({x()}) * -{self.tight(depth)}"

    def tight(self, depth: int) -> str:
        return f"({self.bare(depth - 1)})"

    def loose(self, depth: int) -> str:
        """A part without brackets round it: the order of the operators decides."""
        return self.bare(0) if self.r.random() < 0.6 else self.bare(depth - 1)

    def pressure(self, depth: int) -> str:
        r = self.r
        if depth <= 0:
            return r.choice("pqh")
        x, y = lambda: self.pressure(depth - 1), lambda: self.pressure(depth - 1)
        match r.randrange(7):
            case 0 | 1:
                return f"{x()} {r.choice('+-')} ({y()})"
            case 2:
                return f"({x()}) * {self.tight(depth)}"
            case 3:
                return f"{r.choice(['min', 'max'])}({x()}, {r.choice(['0', 'p', 'h'])}, {y()})"
            case 4:
                return f"where({self.truth(depth - 1)}, {x()}, {y()})"
            case 5:
                return f"sqrt(({x()}) * ({y()}))"
        return f"-({x()}) / {self.tight(depth)}"

    def date(self, depth: int) -> str:
        r = self.r
        if depth <= 0:
            return r.choice(DATES)
        x, y = lambda: self.date(depth - 1), lambda: self.date(depth - 1)
        match r.randrange(7):
            case 0 | 1:
                return f"list_day({x()})"
            case 2:
                return f"{x()} {r.choice('+-')} {r.choice('dt')}"
            case 3:
                return f"{r.choice(['min', 'max'])}({x()}, {y()})"
            case 4:
                return f"where({self.truth(depth - 1)}, {x()}, {y()})"
            case 5:
                return f"{x()} + ({x()} - ({y()})) / 2"
        return f"list_day({x()} + d)"

    def truth(self, depth: int) -> str:
        r = self.r
        one = lambda: f"{self.bare(depth - 1)} {r.choice(['<', '<=', '>', '>=', '!='])} {self.bare(depth - 1)}"  # noqa: E731
        match r.randrange(5):
            case 0:
                return one()
            case 1:
                return f"{self.pressure(depth - 1)} {r.choice('<>')} {self.pressure(depth - 1)}"
            case 2:
                return f"{one()} {r.choice(['and', 'or'])} not {one()}"
            case 3:
                return f"not ({one()} or {one()}) and {one()}"
        return f"{self.bare(0)} < {self.bare(depth - 1)} <= {self.bare(0)}"

    def values(self) -> dict[str, float]:
        return {n: self.r.randint(-25_000, 84_000) if n in DATES else round(self.r.uniform(0.5, 30), 4) for n in FACTORS}


def subtrees(tree: Expr) -> Iterator[Expr]:
    yield tree
    for arg in tree.args if isinstance(tree, Op) else (tree.arg,) if isinstance(tree, Convert) else ():
        yield from subtrees(arg)


def well_behaved(tree: Expr, values: dict[str, float]) -> float | None:
    """The size of the largest value met on the way; None where a rounding error could grow or turn a comparison round."""
    size = 1.0
    for part in subtrees(tree):
        found = evaluate(part, {**values, LIST_DAYS: LISTS})
        if isinstance(found, bool):
            if isinstance(part, Op) and part.op in ("<", "<=", ">", ">=", "==", "!="):
                left, right = (evaluate(a, {**values, LIST_DAYS: LISTS}) for a in part.args)
                if abs(left - right) < 1e-6:
                    return None
            continue
        if not math.isfinite(found) or abs(found) > 1e6 or 0 < abs(found) < 1e-6:
            return None
        if isinstance(part, Op) and part.op in ("asin", "acos") and abs(evaluate(part.args[0], {**values, LIST_DAYS: LISTS})) > 0.999:
            return None
        if isinstance(part, Op) and part.op == "tan" and abs(found) > 100:
            return None
        if isinstance(part, Op) and part.op in ("floor", "ceil", "list_day"):
            inner = evaluate(part.args[0], {**values, LIST_DAYS: LISTS})
            # A whole day is whole both ways; anything a hair from it may fall to either side.
            if abs(inner - round(inner)) < 1e-6 and not (part.op == "list_day" and inner == round(inner)):
                return None
        size = max(size, abs(found))
    return size


def random_formulas(count: int, seed: int) -> list[tuple[str, Expr, Type, dict[str, float], float]]:
    """(source, checked tree, type, values, size): formulas of both kinds, each met with values it can answer."""
    made, maker = [], Random(seed)
    while len(made) < count:
        depth = maker.r.randint(1, 4)
        kind = maker.r.random()
        source = maker.pressure(depth) if kind < 0.25 else maker.date(depth) if kind < 0.4 else maker.bare(depth)
        if len(source) > LONGEST:
            continue
        tree, found = typed(source)
        values = maker.values()
        size = well_behaved(tree, values)
        if size is not None:
            made.append((source, tree, found, values, size))
    return made


FORMULAS = random_formulas(600, 7)


def test_the_random_formulas_use_the_whole_language() -> None:
    used = {part.op for _, tree, _, _, _ in FORMULAS for part in subtrees(tree) if isinstance(part, Op)}
    wanted = set(FUNCTIONS) | {"+", "-", "*", "/", "**", "neg", "and", "or", "not", "<", "<=", ">", ">=", "!="}
    assert wanted <= used, f"Never drawn: {wanted - used}; widen the generator."
    assert sum(isinstance(part, Convert) for _, tree, _, _, _ in FORMULAS for part in subtrees(tree)) > 200


def test_random_formulas_agree_with_pythons_own_arithmetic_in_base_units() -> None:
    """The independent way: Python's own reading of the source, every pressure in pascal, every share a bare number."""
    for source, tree, found, values, size in FORMULAS:
        base = {n: v * FACTORS[n] for n, v in values.items()}
        values = {**values, LIST_DAYS: LISTS}
        expected = eval(source, {"__builtins__": {}}, {**_ORACLE, **base})
        factor = 1 if found.kind == "date" else found.dimension.factor_to(UNITS.plain() if found.dimension.bare else UNITS.dimension("Pa"))
        got = evaluate(tree, values) * factor
        assert got == pytest.approx(expected, rel=1e-9, abs=1e-9 * size * abs(factor)), f"{source} with {values}"


@pytest.mark.browser
def test_random_formulas_give_the_same_number_in_the_browser(browser) -> None:
    page = browser.new_page()
    try:
        found = page.evaluate(f"() => {{ {PRELUDE} {page_script._LIST_DAY} const values = {json.dumps([{**v, LIST_DAYS: LISTS} for _, _, _, v, _ in FORMULAS])};\n"
                              f"return [{', '.join(f'function (v) {{ return {javascript(t)}; }}' for _, t, _, _, _ in FORMULAS)}].map((f, i) => f(values[i])); }}")
    finally:
        page.close()
    assert len(found) == len(FORMULAS)
    for (source, tree, _, values, size), there in zip(FORMULAS, found, strict=True):
        here = evaluate(tree, {**values, LIST_DAYS: LISTS})
        loose = any(isinstance(part, Op) and part.op in TRANSCENDENTAL for part in subtrees(tree))
        within = (1e-9 if loose else 1e-12) * size
        assert isinstance(there, (int, float)) and abs(there - here) <= within, f"{source} with {values}: {here} in Python, {there} in the browser."


NO_ANSWER = [
    ("1 / a", {"a": 0.0}), ("-1 / a", {"a": 0.0}), ("a / a", {"a": 0.0}), ("sqrt(a)", {"a": -1.0}), ("log(a)", {"a": 0.0}), ("log(a)", {"a": -1.0}),
    ("log10(a)", {"a": 0.0}), ("log10(a)", {"a": -1.0}), ("floor(exp(a))", {"a": 1000.0}), ("ceil(1 / a)", {"a": 0.0}), ("list_day(first)", {"first": 20_000, LIST_DAYS: ()}),
    ("exp(a)", {"a": 1000.0}), ("asin(a)", {"a": 2.0}), ("acos(a)", {"a": -2.0}), ("a ** 0.5", {"a": -1.0}), ("a ** -1", {"a": 0.0}), ("a ** 999", {"a": 10.0}),
    # The part without an answer must not be lost in a choice between two others.
    ("min(10, 1 / a)", {"a": 0.0}), ("max(1, sqrt(a))", {"a": -1.0}), ("min(5, exp(a))", {"a": 1000.0}), ("where(1 / a > 1, 2, 3)", {"a": 0.0}),
    ("where(log(a) < 0, 1, 2)", {"a": 0.0}), ("where(not sqrt(a) < 3, 1, 2)", {"a": -1.0}), ("exp(-1 / a)", {"a": 0.0}),
    # Neither is an overflow less an overflow, wherever it stands.
    ("min(1, a * 1e308 - a * 1e308)", {"a": 10.0}), ("max(a * 1e308 - a * 1e308, 1)", {"a": 10.0}),
    # But a part that is not asked for does not count.
    ("where(a > 0, 1 / a, 7)", {"a": 0.0}), ("where(a > 0 and 1 / a > 1, 1, 2)", {"a": 0.0}), ("where(a == 0 or 1 / a > 1, 1, 2)", {"a": 0.0}),
]


@pytest.mark.browser
def test_where_python_has_no_answer_the_browser_has_none(browser) -> None:
    """Otherwise the page would show a number for inputs that `cards compute` refuses."""
    trees = [typed(source)[0] for source, _ in NO_ANSWER]
    page = browser.new_page()
    try:
        found = page.evaluate(f"() => {{ {PRELUDE} {page_script._LIST_DAY} const values = {json.dumps([v for _, v in NO_ANSWER])};\n"
                              f"return [{', '.join(f'function (v) {{ return {javascript(t)}; }}' for t in trees)}].map((f, i) => {{"
                              " try { const x = f(values[i]); return Number.isFinite(x) ? x : null; } catch (refused) { return null; } }); }")
    finally:
        page.close()
    here = [x if math.isfinite(x) else None for x in (evaluate(t, v) for t, (_, v) in zip(trees, NO_ANSWER, strict=True))]
    differ = [f"{s} with {v}: {h} in Python, {t} in the browser" for (s, v), h, t in zip(NO_ANSWER, here, found, strict=True) if h != t]
    assert not differ, "Python and the browser must refuse the same values:\n" + "\n".join(differ)


# Every way a condition can decide: by number, choice, date and list day, on another result, without an answer, joined and turned round.
CONDITIONS = """\
title: Conditions
question: What is shown?
summary: Only the parts that may be withheld or refused, for the tests.
stage: laser
used_by: [raised-infusion]
inputs:
  iop: {label: Pressure, unit: mmHg, low: 0, high: 100, start: 50, why_range: Beyond it lies no sense.}
  x: {label: Number, unit: ratio, low: -3, high: 3, start: 1, why_range: Beyond it lies no sense.}
  on: {label: Day, kind: date, start: today}
  eye: {label: Eye, choices: {right: {label: Right}, left: {label: Left}}}
constants:
  limit: {label: Limit, value: 6, unit: kPa, basis: common practice}
  gap: {label: Gap, value: 1, unit: day, basis: common practice}
refuse_when:
  - {when: log(x) > 1, say: The logarithm is too high.}
  - {when: 'list_day(on) == on and eye == "left" and iop > limit', say: Not on a list day.}
outputs:
  by_number: {label: By number, unit: mmHg, formula: limit - iop, only_when: {holds: iop <= limit, otherwise: Above the limit.}, basis: common practice}
  on_it: {label: On it, unit: ratio, formula: by_number / limit, basis: common practice}
  on_that: {label: On that, unit: ratio, formula: on_it * 2, only_when: {holds: 'eye == "right"', otherwise: Right eyes only.}, basis: common practice}
  tested_on_it: {label: Tested on it, unit: ratio, formula: x, only_when: {holds: by_number > limit / 2, otherwise: Not low enough.}, basis: common practice}
  turned: {label: Turned round, unit: ratio, formula: x, only_when: {holds: not by_number > limit / 2, otherwise: Too low.}, basis: common practice}
  no_answer: {label: No answer, unit: ratio, formula: x, only_when: {holds: log(x) < 1, otherwise: There is no logarithm.}, basis: common practice}
  turned_no_answer: {label: No answer turned round, unit: ratio, formula: x, only_when: {holds: not sqrt(x) > 1, otherwise: There is no root.}, basis: common practice}
  guarded: {label: Guarded, unit: ratio, formula: log10(x), only_when: {holds: x > 0, otherwise: Not above nought.}, basis: common practice}
  by_list: {label: By list, kind: date, formula: on + gap, only_when: {holds: list_day(on) <= on + gap, otherwise: No list by then.}, basis: common practice}
  found: {label: Found, unit: mmHg, solve: {for: iop, in: by_number, equals: x * gap / gap * limit, between: ["0", "100"]}, only_when: {holds: abs(x) < 1, otherwise: Not to be had.}, basis: common practice}
  halved: {label: Halved, unit: mmHg, formula: iop / 2, only_when: {holds: not iop > limit, otherwise: Not above the limit.}, basis: common practice}
  quartered: {label: Quartered, unit: mmHg, formula: halved / 2, only_when: {holds: 'eye == "right"', otherwise: Right eyes only.}, basis: common practice}
  back: {label: Back, unit: kPa, solve: {for: iop, in: quartered, equals: x * limit / 4, between: ["0", "200"]}, only_when: {holds: x >= 0, otherwise: Not below nought.}, basis: common practice}
  on_back: {label: On back, unit: ratio, formula: back / limit, basis: common practice}
verdicts:
  - {when: by_number > limit / 2, level: note, say: "Low, at [](value:iop).", basis: common practice}
  - {when: log(x) > 0 or on_it < 1, level: note, say: Either., basis: common practice}
  - {when: list_day(on) > on, level: note, say: Not a list day., basis: common practice}
not_for: [{text: It is for the tests only., basis: common practice}]
examples:
  - {given: {on: "2026-01-01"}, expect: {by_number: withheld}, within: 0, result: derived, basis: common practice}
review: {owner: consultant, every_months: 12}
"""


def test_a_result_rests_on_every_condition_of_what_it_uses(tmp_path: Path) -> None:
    write(lay(tmp_path), "calculators/conditions.yaml", CONDITIONS)
    made = build(tmp_path)
    assert not made.problems
    ready = made.ready["conditions"]

    def withheld(**given: str) -> dict[str, str]:
        result = calculate.run(ready, given, date(2028, 3, 7))  # a Tuesday; lists are on Mondays and Thursdays
        assert not result.refusals, result.refusals
        assert {n for n, v in result.values.items() if isinstance(v, float) and math.isnan(v)} == set(result.withheld)
        return dict(result.withheld)

    # 6 kPa is 45.0 mmHg.
    assert withheld(iop="20", x="0.5") == {"turned": "Too low.", "by_list": "No list by then."}
    above = {"halved": "Not above the limit.", "quartered": "Not above the limit.", "by_number": "Above the limit.", "on_it": "Above the limit.", "on_that": "Above the limit.", "tested_on_it": "Above the limit.", "turned": "Above the limit."}
    assert withheld(iop="50", x="0.5", on="2028-03-08") == above, "The nearest cause is told, the first one on the way."
    left = {"quartered": "Right eyes only.", "back": "Right eyes only.", "on_back": "Right eyes only."}
    assert withheld(iop="40", x="0.5", eye="left", on="2028-03-08") == {"on_that": "Right eyes only.", "tested_on_it": "Not low enough."} | left
    assert withheld(iop="20", x="-2", on="2028-03-08") == {
        "turned": "Too low.", "no_answer": "There is no logarithm.", "turned_no_answer": "There is no root.", "guarded": "Not above nought.", "found": "Not to be had.",
        "back": "Not below nought.", "on_back": "Not below nought."}


def test_an_inverse_holds_only_where_the_formula_it_inverts_does(tmp_path: Path) -> None:
    """Asked of the value found, not of the one given: iop / 4 = x * 6 kPa / 4 is met at x * 6 kPa, and halved holds up to 6 kPa."""
    write(lay(tmp_path), "calculators/conditions.yaml", CONDITIONS)
    ready = build(tmp_path).ready["conditions"]

    def back(**given: str) -> tuple[float, float, str, str]:
        result = calculate.run(ready, {"on": "2028-03-08"} | given, date(2028, 3, 7))
        assert not result.refusals, result.refusals
        return result.values["back"], result.values["on_back"], result.withheld.get("back", ""), result.withheld.get("on_back", "")

    for iop in ("20", "50"):  # on both sides of the limit, 45.0 mmHg
        assert back(iop=iop, x="0.5")[:2] == pytest.approx((3, 0.5), rel=1e-12)
        assert back(iop=iop, x="0.99")[:2] == pytest.approx((5.94, 0.99), rel=1e-12)
        for x in ("1.01", "2.5"):
            found = back(iop=iop, x=x)
            assert found[2:] == ("Not above the limit.", "Not above the limit.") and math.isnan(found[0]) and math.isnan(found[1])
    assert back(x="0.5", eye="left")[2:] == ("Right eyes only.", "Right eyes only."), "What lies on the way withholds it too."
    assert calculate.run(ready, {"x": "-0.5"}, date(2028, 3, 7)).withheld["found"] == "Above the limit."


@pytest.mark.browser
def test_conditions_decide_the_same_in_python_and_in_the_browser(browser, tmp_path: Path) -> None:
    write(lay(tmp_path), "calculators/conditions.yaml", CONDITIONS)
    # The list days are asked for in no result here, only in a verdict and a refusal.
    write(tmp_path, "calculators/list-days-elsewhere.yaml", re.sub(r"  by_list: .*\n", "", CONDITIONS))
    made = build(tmp_path)
    assert not made.problems
    r = random.Random(5)
    compared: dict[str, set[object]] = {"withheld": set(), "refused": set(), "verdicts": set()}
    page = browser.new_page()
    try:
        page.add_script_tag(content=(PROJECT / "site_overrides/assets/javascripts/calculator.js").read_text(encoding="utf-8"))
        for id, ready in made.ready.items():
            page.add_script_tag(content=page_script.script(ready))
            cases = [{n: (date(2026, 1, 1) + timedelta(days=r.randrange(900))).isoformat() if x.declared.kind == "date" else r.choice(list(x.choices)) if x.choices
                      else f"{r.choice([x.low, x.high, x.start, r.uniform(x.low, x.high), r.uniform(x.low, x.high)]):.6g}" for n, x in ready.inputs.items()} for _ in range(400)]
            found = page.evaluate("([id, cases]) => cases.map(raw => window.calculatorRuntime.compute(id, raw))", [id, cases])
            for case, there in zip(cases, found, strict=True):
                here = calculate.run(ready, case, date(2026, 1, 1))
                if here.refusals:
                    assert there["values"] is None and there["errors"], f"{id} with {case}: refused in Python, answered in the browser."
                    if here.refusals[0].name in ready.inputs:
                        assert set(there["errors"]) == {x.name for x in here.refusals}, f"{id} with {case}"
                    compared["refused"].add(here.refusals[0].message)
                    continue
                assert there["errors"] == {}, f"{id} with {case}: answered in Python, refused in the browser: {there['errors']}"
                assert there["withheld"] == dict(here.withheld), f"{id} with {case}"
                assert there["verdicts"] == [any(v is held for held in here.verdicts) for v in ready.declared.verdicts], f"{id} with {case}"
                for name in ready.declared.outputs:
                    if name not in here.withheld:
                        assert there["values"][name] == pytest.approx(here.values[name], rel=1e-12, abs=1e-12), f"{id} with {case}: {name}"
                compared["withheld"] |= set(here.withheld.items())
                compared["verdicts"] |= {v.say for v in here.verdicts}
    finally:
        page.close()
    conditions = made.ready["conditions"].declared
    assert {(n, o.only_when.otherwise) for n, o in conditions.outputs.items() if o.only_when} <= compared["withheld"], "Every condition must fail at least once."
    assert {("found", "Above the limit."), ("back", "Not above the limit."), ("on_back", "Not above the limit."), ("on_back", "Right eyes only.")} <= compared["withheld"]
    assert {x.say for x in conditions.refuse_when} <= compared["refused"]
    assert {v.say for v in conditions.verdicts} <= compared["verdicts"]


def test_evaluation_never_raises() -> None:
    odd = [0.0, -0.0, 1.0, -1.0, 1e308, -1e308, 5e-324, math.inf, -math.inf, math.nan, 1e16, -7.5]
    r = random.Random(11)
    for source, tree, _, _, _ in FORMULAS:
        for _ in range(6):
            values = {**{n: r.choice(odd) for n in FACTORS}, LIST_DAYS: r.choice([LISTS, ()])}
            assert isinstance(evaluate(tree, values), (float, int)), f"{source} with {values}"


@pytest.mark.parametrize("source", [s for s, _ in NO_ANSWER[:17]])
def test_arithmetic_without_an_answer_is_not_a_number(source: str) -> None:
    values = next(v for s, v in NO_ANSWER if s == source)
    assert not math.isfinite(evaluate(typed(source)[0], values))


# --- inverse by bisection ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("source", "goal", "low", "high", "expected"), [
    ("a ** 3", 8, 0, 10, 2), ("100 - a", 30, -300, 300, 70), ("a ** 2", 2, 0, 2, math.sqrt(2)), ("exp(a)", 5, -5, 5, math.log(5)), ("-a ** 3", 8, -10, 10, -2),
    ("a", 0, 0, 5, 0), ("a", 5, 0, 5, 5), ("a", 2.5, 0, 5, 2.5), ("sin(a)", 0.5, 0, 1.5, math.asin(0.5)),
])
def test_bisection_finds_the_value_that_gives_the_goal(source: str, goal: float, low: float, high: float, expected: float) -> None:
    assert bisect(parse(source), "a", goal, low, high, {}) == pytest.approx(expected, rel=1e-15, abs=1e-15)


@pytest.mark.parametrize(("source", "goal", "low", "high"), [("a ** 2", -1, -5, 5), ("a", 9, 0, 5), ("log(a)", 0, -5, -1), ("a ** 2", 1, -5, 5)])
def test_bisection_without_a_change_of_sign_has_no_answer(source: str, goal: float, low: float, high: float) -> None:
    assert math.isnan(bisect(parse(source), "a", goal, low, high, {}))


def test_bisection_uses_the_other_values_and_leaves_them_alone() -> None:
    values = {"a": 99.0, "b": 3.0}
    assert bisect(parse("a * b"), "a", 12, 0, 10, values) == 4
    assert values == {"a": 99.0, "b": 3.0}


@given(st.floats(-50, 50), st.floats(0.01, 9), st.floats(-20, 20))
@settings(max_examples=100, deadline=None)
def test_bisection_undoes_the_formula(root: float, slope: float, shift: float) -> None:
    tree = parse("b * a + a ** 3 / 100 + c")
    values = {"b": slope, "c": shift}
    goal = evaluate(tree, {**values, "a": root})
    assert bisect(tree, "a", goal, -60, 60, values) == pytest.approx(root, abs=1e-9)


@pytest.mark.browser
def test_bisection_gives_the_same_digits_in_the_browser(browser) -> None:
    r = random.Random(3)
    cases = [(r.uniform(-2, 5), r.uniform(0.1, 3), r.uniform(-20, 20), r.uniform(-9, 0), r.uniform(0, 9)) for _ in range(200)]
    tree = parse("b * a * a * a + c * a")
    script = (f"(cases) => {{ {page_script._BISECT} return cases.map(function (k) {{ const v = {{b: k[1], c: k[0]}};"
              f" return String(bisect(function (x) {{ v.a = x; return {javascript(tree)} - k[2]; }}, k[3], k[4])); }}); }}")
    page = browser.new_page()
    try:
        found = [math.nan if x == "NaN" else float(x) for x in page.evaluate(script, cases)]
    finally:
        page.close()
    here = [bisect(tree, "a", goal, low, high, {"b": b, "c": c}) for c, b, goal, low, high in cases]
    assert [h for h in here if not math.isnan(h)], "No case has an answer; widen the ends."
    assert any(map(math.isnan, here)), "Every case has an answer; the refusal is not compared."
    assert list(map(repr, here)) == list(map(repr, found))


# --- the equation ------------------------------------------------------------------------------------------------


def equation(source: str) -> ElementTree.Element:
    """The MathML of a formula, read as XML; fails if it is not well formed."""
    tree, _ = typed(source)
    made = mathml(tree, lambda n: f"<mi>{n}</mi>", lambda name, key: f"<mtext>{key}</mtext>")
    return ElementTree.fromstring(re.sub(r"&nbsp;", "\u00a0", f"<math>{made}</math>"))


def shown(source: str) -> str:
    """What a reader sees, as a line: a fraction and a power as a/b and a^b with their parts in braces, brackets only where they are drawn."""
    return _line(equation(source))


def _line(e: ElementTree.Element) -> str:
    parts = [_line(x) for x in e]
    match e.tag:
        case "mfrac":
            return f"{{{parts[0]}}}/{{{parts[1]}}}"
        case "msup":
            return f"{parts[0]}^{{{parts[1]}}}"
        case "msqrt":
            return f"√{{{''.join(parts)}}}"
    return "".join(parts) if parts else (e.text or "").replace("\u00a0", " ")


@pytest.mark.parametrize(("source", "line"), [
    ("a - (b - c)", "a−(b−c)"), ("a - b - c", "a−b−c"), ("a - (b + c)", "a−(b+c)"), ("(a + b) * c", "(a+b)×c"), ("a * (b + c)", "a×(b+c)"), ("a * b + c", "a×b+c"),
    ("-(a + b)", "−(a+b)"), ("-a + b", "−a+b"), ("(a + b) ** 2", "(a+b)^{2}"), ("(-a) ** 2", "(−a)^{2}"), ("-a ** 2", "−a^{2}"), ("(a * b) ** 2", "(a×b)^{2}"),
    ("(a ** b) ** c", "(a^{b})^{c}"), ("a ** b ** c", "a^{b^{c}}"), ("a ** (b + c)", "a^{b+c}"), ("a / (b + c)", "{a}/{b+c}"), ("(a + b) / c", "{a+b}/{c}"),
    ("a / b / c", "{{a}/{b}}/{c}"), ("a / b * c", "{a}/{b}×c"), ("a * (b / c)", "a×{b}/{c}"), ("sqrt(a + b)", "√{a+b}"), ("abs(a - b)", "|a−b|"), ("min(a, b)", "min(a,b)"),
    ("log(a)", "ln(a)"), ("log10(a)", "log₁₀(a)"), ("asin(a)", "arcsin(a)"), ("tan(a)", "tan(a)"), ("atan(a)", "arctan(a)"), ("floor(a + b)", "whole part of(a+b)"),
    ("ceil(a) * b", "next whole number from(a)×b"), ("list_day(first + d)", "first list day from(first+d)"), ("list_day(first + t)", "first list day from(first+t×0.04166666667)"), ("2 * pi", "2×π"), ("a < b and b < c", "a<b and b<c"), ("(a < b or b < c) and c < 1", "(a<b or b<c) and c<1"),
    ("not (a < b and b < c)", "not (a<b and b<c)"), ("a <= b", "a≤b"), ("a != b", "a≠b"), ("x * (y + x)", "x×(y+x×0.1)"), ("p - (q - h)", "p−(q−h×0.0980665)×7.500615758"),
    ("2 * x * (y / x) ** 2", "2×x×({y}/{x}×10)^{2}"), ('where(lens == "phakic", a, b)', "{aif lens=phakicbotherwise"),
])
def test_the_equation_shows_brackets_where_they_are_needed_and_nowhere_else(source: str, line: str) -> None:
    assert shown(source) == line


@pytest.mark.parametrize("source", ["(a / b) ** c", "(a / b) ** 2", "where(a < 1, a, b) ** 2"])
def test_what_is_raised_as_a_whole_stands_in_brackets(source: str) -> None:
    """A power beside a bare fraction or a list of cases reads as a power of its last line only."""
    assert re.match(r"\(.*\)\^\{", shown(source)), f"{source} is shown as {shown(source)}"


_BACK = {"log₁₀": "log10", "arctan": "atan", "whole part of": "floor", "next whole number from": "ceil", "first list day from": "list_day", "−": "-", "×": "*", "≤": "<=", "≥": ">=", "≠": "!=", "=": "==", "ln": "log", "arcsin": "asin", "arccos": "acos", "π": "pi"}


def _read_back(e: ElementTree.Element) -> str:
    """An equation as a reader understands it, written as Python: the order of operations is the reader's own."""
    inner = list(e)
    if e.tag == "mrow" and inner and inner[0].tag == "mo" and inner[0].text == "|":
        return f"abs({''.join(map(_read_back, inner[1:-1]))})"
    if e.tag == "mrow" and inner and inner[0].tag == "mo" and inner[0].text == "{":
        (yes, test), (no, _) = (list(row) for row in inner[1])
        return f"where({''.join(map(_read_back, list(test)[1:]))}, {_read_back(yes)}, {_read_back(no)})"
    match e.tag:
        case "mfrac":
            return f"(({_read_back(inner[0])})/({_read_back(inner[1])}))"
        case "msup":
            return f"{_read_back(inner[0])}**({_read_back(inner[1])})"
        case "msqrt":
            return f"sqrt({''.join(map(_read_back, inner))})"
        case "mi" | "mo" | "mn" | "mtext":
            text = (e.text or "").replace("\u00a0", " ")
            return _BACK.get(text, text)
    return "".join(map(_read_back, inner))


def test_random_equations_read_back_as_the_formulas_they_come_from() -> None:
    for source, tree, _, values, size in FORMULAS:
        written = _read_back(equation(source))
        values = {**values, LIST_DAYS: LISTS}
        got = eval(written, {"__builtins__": {}}, {**_ORACLE, **values})
        # The equation shows a conversion with ten digits.
        assert got == pytest.approx(evaluate(tree, values), rel=1e-6, abs=1e-6 * size), f"{source} is shown as {written}"


def test_words_from_a_card_cannot_break_the_equation() -> None:
    from markupsafe import escape

    tree, _ = typed('where(lens == "phakic" and a < 1, a, 2)')
    made = mathml(tree, lambda n: f"<mtext>{escape('a < b & <c>')}</mtext>", lambda name, key: f"<mtext>{escape(key)}</mtext>")
    assert "".join(ElementTree.fromstring(f"<math>{made}</math>").itertext()).count("a < b & <c>") == 3
