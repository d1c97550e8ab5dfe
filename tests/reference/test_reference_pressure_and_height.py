"""Pressure units and bottle height against the printed factors, in exact fractions and by Pint.

nist-sp811, appendix B.8 (secondary) prints 133.3224 Pa for a conventional mmHg and 9.80665 Pa for a conventional
millimetre of water; its full mmHg is 133.322387415 Pa. Results worked from them are derived.
"""

from __future__ import annotations

import random
from fractions import Fraction

import pint
import pytest

from support import asking, built

ID = "pressure-and-height"
MMHG = Fraction("133.322387415")  # Pa
WATER = Fraction("98.0665")  # Pa for a centimetre
INCH = Fraction("2.54")  # cm, exact by definition


run, compute = asking(ID)


# (evidence id, inputs, output, value, half a unit of its last place, source, how it was confirmed, printed or derived)
WORKED = [
    ("mmhg-to-cmh2o", {"pressure": 1}, "as_cmh2o", 1.35951, 0.5e-5, "nist-sp811", "secondary", "derived"),
    ("bottle-height-60", {"pressure": 60}, "height_needed", 81.6, 0.05, "nist-sp811", "secondary", "derived"),
    ("bottle-height-40cm", {"height": 40}, "at_eye", 29.4, 0.05, "nist-sp811", "secondary", "derived"),
    ("drip-chamber-mmhg, least", {"height": "4 inch"}, "at_eye", 7.5, 0.05, "danis-thompson-1990", "abstract", "derived"),
    ("drip-chamber-mmhg, most", {"height": "7 inch"}, "at_eye", 13.1, 0.05, "danis-thompson-1990", "abstract", "derived"),
    ("hydrostatic-20cm", {"heart_to_eye": 20}, "blood_column", 15.6, 0.05, "nist-sp811", "memory", "derived"),
    ("hydrostatic-column-blood", {"heart_to_eye": 1}, "blood_column", 0.78, 0.005, "nist-sp811", "memory", "derived"),
]


@pytest.mark.parametrize(("what", "given", "output", "expected", "within", "source", "checked", "result"), WORKED, ids=[w[0] for w in WORKED])
def test_worked_figures(what: str, given: dict, output: str, expected: float, within: float, source: str, checked: str, result: str) -> None:
    assert abs(compute(**given)[output] - expected) <= within, f"{what}: {result} from {source} ({checked})"


def test_one_mmhg_in_pascal_is_the_printed_factor() -> None:
    """nist-sp811 prints 133.3224 for mmHg and 9.80665 for mmH2O; this is the one direct check of a printed number."""
    assert compute(pressure=1)["as_kpa"] * 1000 == pytest.approx(133.3224, abs=0.5e-4)
    assert compute(height="1 mm")["at_eye_kpa"] * 1000 == pytest.approx(9.80665, abs=0.5e-5)


def test_one_atmosphere_is_760_mmhg_and_101325_pascal() -> None:
    """The standard atmosphere, 101325 Pa exactly (CODATA); 760 mmHg differs from it by less than 1 in 7 million (nist-sp811)."""
    assert compute(pressure=760)["as_kpa"] == pytest.approx(101.325, rel=1 / 7e6)


def test_the_density_of_mercury_gives_the_same_factor() -> None:
    """Another route: a conventional mmHg is a millimetre of mercury of 13.5951 g/cm³ (the definition), water being 1 g/cm³."""
    assert compute(pressure=10)["height_needed"] == pytest.approx(13.5951, rel=1e-8)


def test_thousands_of_random_readings_agree_with_exact_fractions() -> None:
    r = random.Random(31)
    levels = {"note": 0, "caution": 0, "stop": 0}
    raised = built().linked.library.quantity("haemostasis/raised-pressure").amount
    assert raised.unit == "mmHg"
    for _ in range(2000):
        pressure, height, heart = round(r.uniform(0, 760), 2), round(r.uniform(0, 150), 2), round(r.uniform(0, 80), 2)
        result = run(pressure=pressure, height=height, heart_to_eye=heart)
        assert not result.refusals, result.refusals
        p, h, b = Fraction(str(pressure)), Fraction(str(height)), Fraction(str(heart))
        expected = {
            "as_mmhg": p, "as_kpa": p * MMHG / 1000, "as_cmh2o": p * MMHG / WATER, "height_needed": p * MMHG / WATER,
            "at_eye": h * WATER / MMHG, "at_eye_kpa": h * WATER / 1000, "at_eye_cmh2o": h, "blood_column": b * Fraction("1.06") * WATER / MMHG,
        }
        for name, wanted in expected.items():
            assert result.values[name] == pytest.approx(float(wanted), rel=1e-12, abs=1e-12), f"{name} at {pressure}, {height}, {heart}"
        for name, lost in (("chamber_best", 4 * INCH), ("chamber_worst", 7 * INCH)):
            assert (name in result.withheld) == (h <= lost), f"{name} at a height of {height}"
            if h > lost:
                assert result.values[name] == pytest.approx(float((h - lost) * WATER / MMHG), rel=1e-11), f"{name} at a height of {height}"
        wanted_levels = ["stop" if h <= 7 * INCH else "note"] + ["caution"] * (max(p, expected["at_eye"]) > Fraction(str(raised.value)))
        assert [v.level for v in result.verdicts] == wanted_levels, f"{pressure} mmHg, {height} cm"
        for level in wanted_levels:
            levels[level] += 1
    assert min(levels.values()) > 100, f"Every verdict must be met often: {levels}"


def test_pint_agrees() -> None:
    """Pint's own tables, asked directly and not through the builder's."""
    units = pint.UnitRegistry(cache_folder=None)
    found = compute(pressure=37, height=63)
    for name, unit in (("as_kpa", "kilopascal"), ("as_cmh2o", "cmH2O")):
        assert found[name] == pytest.approx((37 * units.mmHg).to(unit).magnitude, rel=1e-12)
    column = 63 * units.cm * 1 * units.g / units.cm**3 * units.standard_gravity
    assert found["at_eye"] == pytest.approx(column.to("mmHg").magnitude, rel=1e-12)


def test_the_same_pressure_typed_in_any_unit() -> None:
    plain = compute(pressure=60)
    for text in (f"{float(60 * MMHG / 1000):.10f} kPa", f"{float(60 * MMHG / WATER):.10f} cmH2O"):
        other = compute(pressure=text)
        for name in ("as_mmhg", "as_kpa", "as_cmh2o", "height_needed"):
            assert other[name] == pytest.approx(plain[name], rel=1e-9), f"{name} of {text}"


@pytest.mark.parametrize(("given", "name"), [
    ({"pressure": -0.1}, "pressure"), ({"pressure": 760.1}, "pressure"), ({"pressure": "102 kPa"}, "pressure"), ({"height": -1}, "height"), ({"height": 150.1}, "height"),
    ({"height": "60 inch"}, "height"), ({"height": "60 mmHg"}, "height"), ({"heart_to_eye": 81}, "heart_to_eye"), ({"heart_to_eye": -1}, "heart_to_eye"), ({"pressure": "nan"}, "pressure"),
    ({"pressure": "1e308"}, "pressure"), ({"pressure": ""}, "pressure"),
])
def test_what_cannot_be_a_reading_is_refused(given: dict[str, float | str], name: str) -> None:
    result = run(**given)
    assert [r.name for r in result.refusals] == [name] and not result.values and result.refusals[0].message
