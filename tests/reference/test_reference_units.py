"""The units against Pint asked directly, against printed conversion factors, and against the exact relations of the SI.

How each outside value was confirmed stands beside it: `secondary` is a figure seen only as restated by another text,
`memory` one that was recalled; `exact` is true by definition.
"""

from __future__ import annotations

import itertools
import math

import pint
import pytest

from builder.formula import Type, check, converted, evaluate, parse
from builder.units import TABLE, Units

UNITS = Units()

# The same units in Pint's words, written down independently of the builder's own table.
IN_PINT = {
    "mmHg": "millimeter_Hg", "kPa": "kPa", "hPa": "millibar", "Pa": "newton / meter**2", "cmH2O": "centimeter_H2O", "Pa/mm": "kPa/m", "mmHg/year": "millimeter_Hg/julian_year", "nm": "nm", "µm": "micron", "mm": "mm", "cm": "cm", "m": "m", "ft": "international_foot", "inch": "25.4 mm",
    "µm²": "micron**2", "mm²": "mm**2", "cm²": "cm**2", "mm³": "mm**3", "µL": "uL", "mL": "cm**3", "L": "decimeter**3", "ng": "ng", "µg": "ug", "mg": "mg", "g": "g", "kg": "kg",
    "ng/mL": "ng/mL", "µg/mL": "ug/mL", "mg/mL": "mg/mL", "mg/kg": "mg/kg", "mmol/L": "mmol/L", "mmol/mol": "mmol/mol", "g/mol": "g/mol", "g/cm³": "g/cm**3", "ns": "ns", "µs": "us", "ms": "ms",
    "s": "s", "min": "minute", "hour": "hr", "day": "day", "week": "week", "month": "month", "year": "julian_year", "Hz": "1/s", "kHz": "1/ms", "MHz": "1/us", "mL/min": "mL/minute",
    "mmHg/min": "millimeter_Hg/minute", "mmHg/100 m": "millimeter_Hg/hectometer", "mmHg/1000 ft": "millimeter_Hg/(304.8 m)", "Pa·s": "pascal*s", "mPa·s": "centipoise", "W": "J/s", "mW": "mW", "J": "newton*meter", "mJ": "mJ", "J/cm²": "J/cm**2", "W/cm²": "W/cm**2",
    "W/m²": "W/m**2", "1/cm": "1/cm", "dioptre": "1/m", "degree": "degree", "clock hour": "turn/12", "mm/degree": "mm/degree", "mm/mm": "dimensionless", "%": "0.01", "ratio": "dimensionless",
    "1/µL": "1/mm**3", "mmHg^(1/3)/µL": "millimeter_Hg**(1/3)/mm**3", "mg/dL": "mg/(0.1 liter)", "% w/v": "g/(0.1 liter)", "%/day": "0.01/day",
    # A logMAR is a logarithm of a ratio, so it has no dimension: that of the bare number it is worked out from and put back into.
    "logMAR": "dimensionless",
}
# Counted things and measures of the retina, which no general table of units knows.
OUR_OWN = {"IU", "IU/mL", "mOsm/L", "mOsm/kg", "mOsm/mmol", "cut/min", "disc diameter", "disc area", "burn width", "°C", "burn", "line", "letter", "point", "eye", "patient", "dB"}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry(cache_folder=None)


def test_every_unit_is_checked_here_or_is_our_own() -> None:
    assert set(IN_PINT) | OUR_OWN == set(TABLE), "Add a new unit to IN_PINT, or to OUR_OWN if Pint has none."


def test_every_conversion_is_what_pint_says(registry: pint.UnitRegistry) -> None:
    one = {name: 1.0 * registry(words) for name, words in IN_PINT.items()}
    pairs = 0
    for a, b in itertools.permutations(IN_PINT, 2):
        same = one[a].dimensionality == one[b].dimensionality
        assert UNITS.same_dimension(a, b) == same, f"{a} and {b}"
        if same:
            pairs += 1
            assert UNITS.factor(a, b) == pytest.approx(float((one[a] / one[b]).to_base_units().magnitude), rel=1e-14), f"{a} to {b}"
    assert pairs > 150


def test_our_own_units_convert_only_among_themselves() -> None:
    for a, b in itertools.combinations(OUR_OWN, 2):
        allowed = {a, b} <= {"IU"}
        assert UNITS.same_dimension(a, b) == allowed, f"{a} and {b}"
    for a, b in itertools.product(OUR_OWN, IN_PINT):
        assert not UNITS.same_dimension(a, b), f"{a} and {b}"


# (unit, in this unit, printed factor, half a unit of its last printed place, where it is printed, how confirmed)
PRINTED = [
    ("mmHg", "Pa", 1.333224e2, 0.5e-4, "NIST SP 811, appendix B.8, millimetre of mercury, conventional", "secondary"),
    ("cmH2O", "Pa", 9.80665e1, 0.5e-4, "NIST SP 811, appendix B.8: ten times the millimetre of water, conventional, 9.80665", "secondary"),
    ("mmHg", "Pa", 133.322387415, 1e-9, "the full conventional value, 13 595.1 kg/m³ at 9.80665 m/s²", "secondary"),
    ("mmHg", "cmH2O", 1.3595, 0.5e-4, "the quotient of the two factors of NIST SP 811; not printed there itself", "secondary"),
    ("degree", "ratio", 1.745329e-2, 0.5e-8, "NIST SP 811, appendix B.8, degree", "memory"),
    ("ft", "m", 3.048e-1, 1e-16, "NIST SP 811, appendix B.8, foot; exact", "memory"),
    ("day", "s", 8.64e4, 1e-9, "NIST SP 811, appendix B.8, day; exact", "memory"),
    ("kPa", "mmHg", 7.50062, 0.5e-5, "the reciprocal of the printed 1.333224 E+02, worked here", "secondary"),
]


@pytest.mark.parametrize(("unit", "other", "factor", "within", "where", "checked"), PRINTED, ids=[f"{p[0]} in {p[1]}, {p[5]}" for p in PRINTED])
def test_printed_conversion_factors(unit: str, other: str, factor: float, within: float, where: str, checked: str) -> None:
    assert abs(UNITS.factor(unit, other) - factor) <= within, f"{where} ({checked})"


def test_what_is_counted_is_never_taken_for_a_logarithm() -> None:
    """Letters and lines of a chart stay things of their own: a score in letters is converted by a formula, never by a unit."""
    for counted in ("letter", "line", "point", "dB"):
        assert not UNITS.same_dimension("logMAR", counted)


def test_a_millimetre_of_mercury_is_not_a_torr() -> None:
    """The two differ by about one part in seven million; a torr is 101 325 / 760 Pa by definition."""
    apart = UNITS.factor("mmHg", "Pa") / (101325 / 760) - 1
    assert 1 / 8e6 < apart < 1 / 6e6


# True by definition of the SI and of the units accepted with it.
EXACT = [
    ("L", "mm³", 1e6), ("mL", "mm³", 1e3), ("µL", "mm³", 1), ("min", "s", 60), ("hour", "s", 3600), ("day", "hour", 24), ("week", "day", 7), ("kPa", "Pa", 1e3), ("cm", "mm", 10), ("mm", "µm", 1e3),
    ("µm", "nm", 1e3), ("kg", "g", 1e3), ("mg", "µg", 1e3), ("µg", "ng", 1e3), ("g/cm³", "mg/mL", 1e3), ("W", "mW", 1e3), ("J", "mJ", 1e3), ("W/cm²", "W/m²", 1e4), ("J/cm²", "J/cm²", 1),
    ("Pa·s", "mPa·s", 1e3), ("MHz", "kHz", 1e3), ("cm²", "mm²", 100), ("mm²", "µm²", 1e6), ("1/cm", "dioptre", 100), ("%", "ratio", 0.01), ("clock hour", "degree", 30),
    # One gram in 100 millilitres is one per cent w/v by definition.
    ("% w/v", "mg/mL", 10), ("mg/dL", "µg/mL", 10), ("% w/v", "mg/dL", 1000), ("logMAR", "ratio", 1),
    # A mean month and year of the Julian calendar, as UCUM defines mo and a (recalled): spans, not dates of a calendar.
    ("year", "day", 365.25), ("month", "day", 30.4375), ("year", "month", 12),
]


@pytest.mark.parametrize(("unit", "other", "factor"), EXACT, ids=[f"{a} in {b}" for a, b, _ in EXACT])
def test_exact_relations_of_the_si(unit: str, other: str, factor: float) -> None:
    assert UNITS.factor(unit, other) == factor


def test_an_angle_in_radians_is_a_bare_number() -> None:
    assert UNITS.factor("degree", "ratio") == pytest.approx(math.pi / 180, rel=1e-15)
    assert UNITS.factor("clock hour", "ratio") == pytest.approx(math.pi / 6, rel=1e-15)


def test_energy_is_power_times_time_and_dose_is_concentration_times_volume() -> None:
    """Through a formula, where the conversion is put in: 200 mW for 20 ms is 4 mJ, 25 mg/mL in 50 µL is 1.25 mg."""
    for source, units, unit, values, expected in [
        ("power * time", {"power": "mW", "time": "ms"}, "mJ", {"power": 200.0, "time": 20.0}, 4.0),
        ("strength * volume", {"strength": "mg/mL", "volume": "µL"}, "mg", {"strength": 25.0, "volume": 50.0}, 1.25),
        ("power / area", {"power": "mW", "area": "mm²"}, "W/cm²", {"power": 200.0, "area": 0.2}, 100.0),
        ("speed * time", {"speed": "mL/min", "time": "s"}, "µL", {"speed": 10.0, "time": 6.0}, 1000.0),
        # One in a thousand w/v is 1 mg in each millilitre; 0.1% w/v is the same strength.
        ("strength * volume", {"strength": "% w/v", "volume": "mL"}, "mg", {"strength": 0.1, "volume": 1.0}, 1.0),
        ("amount / volume", {"amount": "mg", "volume": "mL"}, "% w/v", {"amount": 500.0, "volume": 1.0}, 50.0),
        ("particles * amount", {"particles": "mOsm/mmol", "amount": "mmol/L"}, "mOsm/L", {"particles": 1.0, "amount": 277.5}, 277.5),
        ("rate * time", {"rate": "%/day", "time": "week"}, "%", {"rate": 1.0, "time": 1.0}, 7.0),
        ("number * volume", {"number": "1/µL", "volume": "mL"}, "ratio", {"number": 2.0, "volume": 1.0}, 2000.0),
        ("pressure ** (1 / 3) / volume", {"pressure": "mmHg", "volume": "µL"}, "mmHg^(1/3)/µL", {"pressure": 27.0, "volume": 10.0}, 0.3),
        ("(slope * volume) ** 3", {"slope": "mmHg^(1/3)/µL", "volume": "mL"}, "mmHg", {"slope": 0.003, "volume": 1.0}, 27.0),
        ("10 ** -sharpness", {"sharpness": "logMAR"}, "ratio", {"sharpness": 1.0}, 0.1),
        ("log10(angle)", {"angle": "ratio"}, "logMAR", {"angle": 10.0}, 1.0),
    ]:
        tree, found = check(parse(source), {n: Type("number", UNITS.dimension(u)) for n, u in units.items()}, UNITS)
        assert evaluate(converted(tree, found, unit, UNITS), values) == pytest.approx(expected, rel=1e-14), source
