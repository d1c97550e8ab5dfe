"""The volume formulas against the figures of their papers, and against the same polynomials evaluated by NumPy from
coefficients typed here from the evidence, not read from the card."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from scipy.integrate import quad

from builder import calculate
from builder.calculate import Result
from support import built

TODAY = date(2026, 7, 1)

# santana-abo (abstract): mL from mm, 20 to 32 mm. cordeiro-2021 (congress abstract): mL, pseudophakic, 21 to 26 mm.
CUBIC = np.polynomial.Polynomial([-5.08822667262079, 0.685961117595624, -0.0251149264015827, 0.000589052857847605])
LINEAR = np.polynomial.Polynomial([-11.84, 0.71])
# zhou-2020 (abstract): mm³ from mm; emmetropic 23.1 +/- 0.8 mm, pathological myopia 28.3 +/- 2.2 mm.
EMMETROPIC = np.polynomial.Polynomial([-6331.14, 458.35])
MYOPIC = np.polynomial.Polynomial([-6977.12, 546.27])


def run(**given: float | str) -> Result:
    result = calculate.run(built().ready["vitreous-volume"], {n: str(v) for n, v in given.items()}, TODAY)
    assert not result.refusals, result.refusals
    return result


@pytest.mark.parametrize("length", [float(x) for x in np.linspace(20, 32, 49)])
def test_cubic(length: float) -> None:
    v = run(axial_length=length).values
    assert v["cubic"] == pytest.approx(CUBIC(length), rel=1e-10)
    radius = v["sphere"] / 2
    assert quad(lambda z: math.pi * (radius**2 - z**2), -radius, radius)[0] / 1000 == pytest.approx(v["cubic"], rel=1e-9)


# Worked here from the published equation, rounded to two places (evidence: ex-volume-cubic).
@pytest.mark.parametrize(("length", "volume"), [(20, 3.3), (22, 4.12), (23.5, 4.81), (24, 5.05), (26, 6.12), (28, 7.36), (30, 8.79)])
def test_cubic_worked(length: float, volume: float) -> None:
    assert run(axial_length=length).values["cubic"] == pytest.approx(volume, abs=0.0051)


def test_cubic_stays_inside_the_sample_it_was_fitted_to() -> None:
    """santana-abo prints 3.1 to 11.3 mL for the eyes measured."""
    sample = built().linked.library.quantity("fluid-air-exchange/cavity-volume").amount
    for length in np.linspace(20, 32, 25):
        assert sample.low <= run(axial_length=float(length)).values["cubic"] <= sample.high


def test_cubic_rises_with_length() -> None:
    assert all(CUBIC.deriv()(x) > 0 for x in np.linspace(20, 32, 200))


def test_straight_line_at_the_printed_mean() -> None:
    """cordeiro-2021 prints a mean of 4.96 mL at a mean of 23.78 mm; its rounded coefficients give 5.04."""
    v = run(axial_length=23.78, lens="pseudophakic").values
    assert v["linear"] == pytest.approx(LINEAR(23.78), rel=1e-12) == pytest.approx(5.04, abs=0.005)
    # A slope printed to two places moves the result by up to 0.005 x 23.78 = 0.12 mL: the printed mean lies within that.
    assert abs(v["linear"] - 4.96) < 0.005 * 23.78


def test_the_two_surgical_formulas_agree_within_half_a_millilitre() -> None:
    for length in np.linspace(22, 26, 17):
        v = run(axial_length=float(length), lens="pseudophakic").values
        assert abs(v["linear"] - v["cubic"]) < 0.51


def test_imaging_at_the_mean_lengths() -> None:
    """Worked here from zhou-2020: 4.26 mL at 23.1 mm, 8.48 mL at 28.3 mm."""
    a, b = run(axial_length=23.1, eye="emmetropic").values, run(axial_length=28.3, eye="myopic").values
    assert a["imaging_emmetropic"] == pytest.approx(EMMETROPIC(23.1) / 1000, rel=1e-12) == pytest.approx(4.26, abs=0.005)
    assert b["imaging_myopic"] == pytest.approx(MYOPIC(28.3) / 1000, rel=1e-12) == pytest.approx(8.48, abs=0.005)


def test_what_the_notes_say_of_the_disagreement() -> None:
    """feng-2011: 5.41 mL emmetropic, 6.90 mL at 28.68 mm; mri-emmetrope-31: 5.48 mL at 23.67 mm (abstracts)."""
    a = run(axial_length=23.67, eye="emmetropic").values
    assert 5.48 > 1.2 * a["imaging_emmetropic"] and 5.41 > a["cubic"] and 5.48 > a["cubic"]
    b = run(axial_length=28.68, eye="myopic").values
    assert 6.90 < min(b["cubic"], b["imaging_myopic"])


@pytest.mark.parametrize(("given", "shown"), [
    ({"axial_length": 23.5}, {"cubic"}),
    ({"axial_length": 20.99, "lens": "pseudophakic"}, {"cubic"}),
    ({"axial_length": 21, "lens": "pseudophakic"}, {"cubic", "linear"}),
    ({"axial_length": 26, "lens": "pseudophakic"}, {"cubic", "linear"}),
    ({"axial_length": 26.01, "lens": "pseudophakic"}, {"cubic"}),
    ({"axial_length": 24, "lens": "aphakic"}, {"cubic"}),
    ({"axial_length": 21.51, "eye": "emmetropic"}, {"cubic", "imaging_emmetropic"}),
    ({"axial_length": 24.71, "eye": "emmetropic"}, {"cubic"}),
    ({"axial_length": 23.89, "eye": "myopic"}, {"cubic"}),
    ({"axial_length": 23.91, "eye": "myopic"}, {"cubic", "imaging_myopic"}),
    ({"axial_length": 32, "eye": "myopic", "lens": "pseudophakic"}, {"cubic", "imaging_myopic"}),
])
def test_each_formula_only_in_the_eyes_it_was_made_for(given: dict, shown: set[str]) -> None:
    result = run(**given)
    assert {"cubic", "linear", "imaging_emmetropic", "imaging_myopic"} - set(result.withheld) == shown
    assert result.verdicts, "Whatever applies, the page says how far to trust it."


@pytest.mark.parametrize("length", ["19.9", "32.1", "0", "-23", "235", "nan", "1e308", "", "long"])
def test_no_length_beyond_the_formulas_is_answered(length: str) -> None:
    result = calculate.run(built().ready["vitreous-volume"], {"axial_length": length}, TODAY)
    assert result.refusals and not result.values
