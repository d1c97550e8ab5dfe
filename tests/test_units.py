"""The units a card may use: what may be written, how they convert, how a figure is shown, how one is found in a sentence."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builder.units import _OTHER_FORMS, TABLE, Dimension, Units, amount, amount_number, clock, in_prose, number, unit_shown

UNITS = Units()
NB = "\u00a0"
MINUS = "\u2212"


def test_every_unit_of_the_table_has_a_meaning_and_an_open_code_in_ascii() -> None:
    """What the codes mean is compared with UCUM in test_opendata.py, which also names the units that have none."""
    for name, unit in TABLE.items():
        assert Units.known(name)
        assert UNITS.dimension(name) is not None
        assert unit.ucum.isascii() and " " not in unit.ucum


@pytest.mark.parametrize("name", ["mmhg", "mm Hg", "MMHG", "Kpa", "", "unit", "eyes", "days", "ml", "None", "mm2", " mm", "mm ", "mmHg\n"])
def test_a_unit_is_known_only_exactly_as_it_is_written(name: str) -> None:
    assert not Units.known(name)


@pytest.mark.parametrize(("name", "meant"), [
    ("mm Hg", "mmHg"), ("mmhg", "mmHg"), ("MMHG", "mmHg"), ("cmh2o", "cmH2O"), ("um", "µm"), ("μm", "µm"), ("microns", "µm"), ("ml", "mL"), ("mcg", "µg"),
    ("sec", "s"), ("minutes", "min"), ("hrs", "hour"), ("Days", "day"), ("weeks", "week"), ("years", "year"), ("percent", "%"), ("°", "degree"), ("degrees", "degree"),
    ("dd", "disc diameter"), ("disc diameters", "disc diameter"), ("diopters", "dioptre"), ("o'clock", "clock hour"), ("clock hours", "clock hour"), ("mm2", "mm²"),
    ("kpa", "kPa"), ("burns", "burn"), ("cuts/min", "cut/min"), ("none", "ratio"), ("mmHgg", "mmHg"), ("disc diametre", "disc diameter"),
])
def test_an_unknown_unit_is_told_with_the_one_that_was_meant(name: str, meant: str) -> None:
    assert Units.suggestion(name) == meant


def test_a_word_like_no_unit_gets_no_suggestion() -> None:
    assert Units.suggestion("furlongs per fortnight") == ""
    assert Units.suggestion("") == ""


def test_every_form_that_is_understood_names_a_known_unit() -> None:
    assert set(_OTHER_FORMS.values()) <= set(TABLE)
    assert not set(_OTHER_FORMS) & set(TABLE), "A form that is a unit already needs no other."


def test_conversion_goes_there_and_back_for_every_pair_of_one_dimension() -> None:
    pairs = [(a, b) for a, b in itertools.permutations(TABLE, 2) if UNITS.same_dimension(a, b)]
    assert len(pairs) > 100
    for a, b in pairs:
        assert UNITS.factor(a, b) * UNITS.factor(b, a) == pytest.approx(1, rel=1e-14), f"{a} to {b}"
        assert UNITS.factor(a, b) > 0


def test_conversion_goes_by_any_third_unit() -> None:
    r = random.Random(5)
    names = list(TABLE)
    tried = 0
    for _ in range(40000):
        a, b, c = r.sample(names, 3)
        if UNITS.same_dimension(a, b) and UNITS.same_dimension(b, c):
            tried += 1
            assert UNITS.factor(a, b) * UNITS.factor(b, c) == pytest.approx(UNITS.factor(a, c), rel=1e-13), f"{a}, {b}, {c}"
    assert tried > 50


def test_decimal_factors_are_exact() -> None:
    for a, b, factor in [("mm", "µm", 1000), ("µm", "mm", 0.001), ("cm", "mm", 10), ("mm", "cm", 0.1), ("mL", "µL", 1000), ("µL", "mm³", 1), ("L", "mL", 1000), ("mg", "µg", 1000),
                         ("mg/mL", "µg/mL", 1000), ("W", "mW", 1000), ("J/cm²", "J/cm²", 1), ("kPa", "Pa", 1000), ("s", "ms", 1000), ("hour", "min", 60), ("day", "hour", 24),
                         ("week", "day", 7), ("clock hour", "degree", 30), ("%", "ratio", 0.01), ("ratio", "%", 100), ("kHz", "Hz", 1000), ("mmol/mol", "%", 0.1), ("mm²", "cm²", 0.01)]:
        assert UNITS.factor(a, b) == factor, f"1 {a} is {factor} {b}"


@pytest.mark.parametrize(("one", "other"), [
    ("mm", "mmHg"), ("mmHg", "mmHg/min"), ("mm", "mm²"), ("mL", "mL/min"), ("burn", "eye"), ("burn", "ratio"), ("letter", "line"), ("IU", "mg"), ("disc diameter", "mm"),
    ("disc diameter", "disc area"), ("burn width", "disc diameter"), ("mg", "mg/mL"), ("mg/mL", "mg/kg"), ("cut/min", "Hz"), ("mOsm/L", "mmol/L"), ("logMAR", "letter"),
    ("dB", "ratio"), ("°C", "degree"), ("W", "J"), ("J/cm²", "W/cm²"), ("day", "degree"),
])
def test_what_measures_different_things_does_not_convert(one: str, other: str) -> None:
    assert not UNITS.same_dimension(one, other)


@pytest.mark.parametrize(("one", "other"), [("mmHg", "cmH2O"), ("mmHg", "kPa"), ("clock hour", "degree"), ("%", "ratio"), ("dioptre", "1/cm"), ("mm/mm", "ratio"), ("µL", "mm³"), ("day", "min")])
def test_what_measures_the_same_thing_converts(one: str, other: str) -> None:
    assert UNITS.same_dimension(one, other)


def test_dimensions_multiply_divide_and_rise_like_numbers() -> None:
    mm, mmhg = UNITS.dimension("mm"), UNITS.dimension("mmHg")
    assert (mm * mm).same(UNITS.dimension("mm²")) and (mm**3).same(UNITS.dimension("µL")) and ((mm * mm) ** 0.5).same(mm)
    assert (mm / mm).bare and not mm.bare and UNITS.plain().bare and UNITS.dimension("degree").bare
    assert (mmhg / UNITS.dimension("min")).same(UNITS.dimension("mmHg/min"))
    assert (mm * mm).factor_to(UNITS.dimension("cm²")) == 0.01


def test_a_dimension_is_told_in_words() -> None:
    for name, words in {"mm": "a length", "mm²": "an area", "mL": "a volume", "min": "a time", "mmHg": "a pressure", "mg/mL": "a concentration", "mL/min": "a flow",
                        "Hz": "a rate", "ratio": "a bare number", "mJ": "an energy", "mW": "a power", "mg": "a mass"}.items():
        assert UNITS.dimension(name).words() == words
    for name in TABLE:
        said = UNITS.dimension(name).words()
        assert said and not set("[]*") & set(said) and "counted" not in said, f"{name} is told as {said!r}."
    assert isinstance(UNITS.dimension("mm") * UNITS.dimension("mmHg"), Dimension)


# --- how figures are shown ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "decimals", "shown"), [
    (60, None, "60"), (60.0, None, "60"), (0.885, None, "0.885"), (0.1 + 0.2, None, "0.3"), (9999, None, "9999"), (10000, None, "10,000"), (1234567.5, None, "1,234,567.5"),
    (-5, None, f"{MINUS}5"), (-0.0, None, "0"), (0, None, "0"), (1e-7, None, f"1e{MINUS}07"), (22.6154, 1, "22.6"), (22.65, 1, "22.7"), (-22.65, 1, f"{MINUS}22.7"),
    (2.5, 0, "3"), (-2.5, 0, f"{MINUS}3"), (-0.04, 1, "0.0"), (0.05, 1, "0.1"), (1.005, 2, "1.01"), (60, 1, "60.0"), (4, 0, "4"),
])
def test_numbers_are_shown_without_float_noise(value: float, decimals: int | None, shown: str) -> None:
    assert number(value, decimals) == shown


@given(st.floats(-1e9, 1e9, allow_nan=False), st.integers(0, 6))
@settings(max_examples=200, deadline=None)
def test_a_shown_number_reads_back_within_its_last_place(value: float, decimals: int) -> None:
    shown = number(value, decimals)
    assert "-" not in shown, "A minus is shown by its own sign."
    back = float(shown.replace(MINUS, "-").replace(",", ""))
    assert abs(back - value) <= 0.5000001 * 10**-decimals + abs(value) * 1e-14
    assert not (back == 0 and shown.startswith(MINUS)), "Nought has no sign."


@pytest.mark.parametrize(("hours", "shown"), [(10, "10:00"), (9.5, "9:30"), (12, "12:00"), (0, "12:00"), (13, "1:00"), (12.25, "12:15"), (-1, "11:00"), (24, "12:00"), (2.999999, "3:00"), (11.9999, "12:00"), (0.5, "12:30")])
def test_clock_positions_run_from_one_to_twelve(hours: float, shown: str) -> None:
    assert clock(hours) == shown


@given(st.floats(-1000, 1000, allow_nan=False))
def test_a_clock_position_is_always_one_of_the_dial(hours: float) -> None:
    hour, minute = map(int, clock(hours).split(":"))
    assert 1 <= hour <= 12 and 0 <= minute < 60
    assert math.isclose(math.cos((hour % 12 + minute / 60 - hours) * math.pi / 6), 1, abs_tol=1e-4)


@pytest.mark.parametrize(("arguments", "shown"), [
    (("mmHg", 60, None, None), f"60{NB}mmHg"), (("day", None, 4, 10), f"4–10{NB}days"), (("day", 1, None, None), f"1{NB}day"), (("day", 3, None, None), f"3{NB}days"),
    (("%", 30, None, None), "30%"), (("%", None, 10, 30), "10–30%"), (("°C", 37, None, None), "37°C"), (("ratio", 0.885, None, None), "0.885"), (("mm", 3.5, None, None), f"3.5{NB}mm"),
    (("mm", None, 1.4, None), f"at least 1.4{NB}mm"), (("min", None, None, 30), f"up to 30{NB}min"), (("dioptre", None, -4, 4), f"{MINUS}4 to 4{NB}dioptres"),
    (("dioptre", None, -6, -4), f"{MINUS}6 to {MINUS}4{NB}dioptres"), (("burn", 1500, None, None), f"1500{NB}burns"), (("clock hour", None, 2, 3), f"2–3{NB}clock hours"),
    (("cut/min", 20000, None, None), f"20,000{NB}cuts/min"), (("logMAR", 0, None, None), f"0{NB}logMAR"), (("disc diameter", 1, None, None), f"1{NB}disc diameter"),
])
def test_an_amount_reads_as_in_a_sentence(arguments: tuple, shown: str) -> None:
    assert amount(*arguments) == shown


def test_an_amount_without_its_unit() -> None:
    assert amount_number(60, None, None) == "60"
    assert amount_number(None, 4, 10) == "4–10"
    assert amount_number(None, None, None) == ""


def test_words_take_their_plural_and_symbols_do_not() -> None:
    assert unit_shown("day", 1) == "day" and unit_shown("day", 0.5) == "days" and unit_shown("day") == "days"
    assert unit_shown("mmHg", 60) == "mmHg" and unit_shown("min", 5) == "min" and unit_shown("ratio", 5) == ""


# --- a number with a unit in a sentence --------------------------------------------------------------------------


@pytest.mark.parametrize(("sentence", "found"), [
    ("Raise it to 60 mmHg.", "60 mmHg"), ("Raise it to 60mmHg.", "60mmHg"), ("about 60 mm Hg", "60 mm Hg"), ("Wait 3 days.", "3 days"), ("a 3-day wait", "3-day"), ("4-10 days", "4-10 days"),
    ("4–10 days", "4–10 days"), ("4 to 10 days", "4 to 10 days"), ("3 or 4 mm", "3 or 4 mm"), ("in 30% of eyes", "30%"), ("in 30 % of eyes", "30 %"), ("30 per cent", "30 per cent"),
    ("1,500 burns", "1,500 burns"), ("0.5 mm deep", "0.5 mm"), ("at 37 °C", "37 °C"), ("2 minutes", "2 minutes"), ("200 ms", "200 ms"), ("10 mL/min", "10 mL/min"), ("532 nm light", "532 nm"),
    ("1 disc diameter", "1 disc diameter"), ("2 clock hours", "2 clock hours"), ("30 degrees", "30 degrees"), ("5 µL", "5 µL"), ("60\u00a0mmHg", "60\u00a0mmHg"), ("(60 mmHg)", "60 mmHg"),
    ("6 weeks", "6 weeks"), ("5 mg", "5 mg"), ("2500 cuts/min", "2500 cuts/min"),
])
def test_a_number_with_a_unit_is_found_in_a_sentence(sentence: str, found: str) -> None:
    match = in_prose().search(sentence)
    assert match and match[1] == found


@pytest.mark.parametrize("sentence", [
    "15 of 18 patients", "360 degrees", "360-degree laser", "61 eyes", "an arm pressure of 120/80", "the 25-gauge set", "three days", "day 4", "type 2 diabetes", "9 points", "Table 40.1",
    "in 2014", "a 5th look", "20/40 vision", "T1 image", "5 minims", "3 monkeys", "10 min1", "in the 1970s", "odds ratio 0.10", "23 gauge", "the first 10", "B12 mmol",
])
def test_counts_trade_terms_and_words_are_left_alone(sentence: str) -> None:
    match = in_prose().search(sentence)
    assert match is None, f"{match[1]!r} is no number with a unit."
