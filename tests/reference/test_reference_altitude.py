"""Height, pressure and growth against the ICAO standard atmosphere of the package `ambiance`, an integration of the
hydrostatic equation, and printed figures.

The calculator uses the formula as a university copy of the 1976 model prints it; its two rounded numbers move it by less
than one part in ten thousand from the model proper, which is what is asserted here.
"""

from __future__ import annotations

import math
import random
from datetime import date

import pytest
from ambiance import Atmosphere
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from builder import calculate
from builder.calculate import Result
from builder.units import Units
from support import built

TODAY = date(2026, 7, 1)
MMHG = 133.322387415  # Pa in a conventional millimetre of mercury (13.5951 g/cm3 x 9.80665 m/s2)
FOOT = 0.3048
EARTH = 6356766  # m, the radius the standard atmosphere takes for geopotential height


def run(**given: float | str) -> Result:
    result = calculate.run(built().ready["altitude"], {n: str(v) for n, v in given.items()}, TODAY)
    assert not result.refusals, result.refusals
    return result


def icao(geopotential: float) -> float:
    """Pa at a geopotential height in m; the package takes a geometric one."""
    return float(Atmosphere(EARTH * geopotential / (EARTH - geopotential)).pressure[0])


HEIGHTS = [0, 1, 250, 790, 1000, 1828.8, 2438.4, 3000, 5500, 5999, 6000] + [round(r.uniform(0, 6000), 2) for r in [random.Random(11)] for _ in range(30)]


@pytest.mark.parametrize("height", HEIGHTS)
def test_pressure_against_the_icao_atmosphere(height: float) -> None:
    v = run(height=height).values
    assert v["air_pressure"] * MMHG == pytest.approx(icao(height), rel=1e-4)
    assert v["air_hpa"] * 100 == pytest.approx(v["air_pressure"] * MMHG, rel=1e-9)


@pytest.mark.parametrize("height", ["-1", "6000.1", "20000 ft", "1e308", "nan", "", "high", "2438 cm"])
def test_no_height_outside_the_range_is_answered(height: str) -> None:
    result = calculate.run(built().ready["altitude"], {"height": height}, TODAY)
    assert [r.name for r in result.refusals] == ["height"] and not result.values


@pytest.mark.parametrize("height", [500, 2438.4, 4000])
def test_read_as_surveyed_height_the_difference_is_far_below_the_weather(height: float) -> None:
    assert run(height=height).values["air_pressure"] * MMHG == pytest.approx(float(Atmosphere(height).pressure[0]), rel=4e-4)


def test_pressure_against_the_hydrostatic_equation() -> None:
    """dP/dh = -g P M / (R T), with T falling 6.5 K a kilometre from 288.15 K: integrated, no formula."""
    g, molar, gas, t0, lapse = 9.80665, 0.0289644, 8.31432, 288.15, 0.0065
    heights = [1000, 2438.4, 3000, 4500, 6000]
    solved = solve_ivp(lambda h, p: -g * p * molar / (gas * (t0 - lapse * h)), (0, 6000), [101325], t_eval=heights, rtol=1e-10, atol=1e-6)
    for height, pressure in zip(heights, solved.y[0], strict=True):
        assert run(height=height).values["air_pressure"] * MMHG == pytest.approx(pressure, rel=1e-4)


# us-std-atm-1976, table as reprinted (secondary): ft, psi, half a unit of the last place. Pa converted from psi.
PRINTED = [(0, 14.696, 0.0005), (5000, 12.23, 0.005), (6000, 11.778, 0.0015), (7000, 11.341, 0.0015), (8000, 10.914, 0.002), (10000, 10.108, 0.0025)]


@pytest.mark.parametrize(("feet", "psi", "within"), PRINTED)
def test_printed_table(feet: float, psi: float, within: float) -> None:
    """The reprint is off the model by up to two units of its last place (checked here on the model itself)."""
    pascal = 6894.757293168
    assert icao(feet * FOOT) / pascal == pytest.approx(psi, abs=within)
    assert run(height=f"{feet} ft").values["air_pressure"] * MMHG / pascal == pytest.approx(psi, abs=within)


def test_printed_cabin_pressure() -> None:
    """muhm-2007, p 18 (full text): 565 mmHg at 8,000 ft."""
    assert round(run(height="8000 ft").values["air_pressure"]) in (564, 565)
    assert run(height="8000 ft").values["air_pressure"] == pytest.approx(565, abs=0.6)


def test_measured_cabin_pressure_is_near_fifteen_hundred_metres() -> None:
    """kelly-2007 (abstract): mean 846 hPa on long-haul flights. The evidence reads it as near 1,500 m."""
    height = brentq(lambda h: run(height=h).values["air_hpa"] - 846, 0, 5000)
    assert height == pytest.approx(1500, abs=30)


def grown(ground: float, height: float, iop: float, vapour: float) -> float:
    """Times its volume: the dry gas, in moles, kept; vapour and eye pressure kept; the balance of pressures found by a root finder."""
    moles = (icao(ground) / MMHG + iop - vapour) * 1.0  # pressure x volume of the dry gas, volume 1
    return brentq(lambda v: moles / v + vapour - (icao(height) / MMHG + iop), 0.05, 50, xtol=1e-13)


@pytest.mark.parametrize(("ground", "height", "iop"), [(0, 2438.4, 15), (0, 1000, 15), (790, 2438.4, 20), (0, 6000, 60), (0, 6000, 5), (5500, 0, 10), (2000, 2000, 15), (1500, 3000, 40)])
def test_growth_by_balance_of_pressures(ground: float, height: float, iop: float) -> None:
    v = run(ground=ground, height=height, iop=iop, bubble=1.5).values
    assert v["with_vapour"] == pytest.approx(grown(ground, height, iop, 47), rel=3e-4)
    assert v["without_vapour"] == pytest.approx(grown(ground, height, 0, 0), rel=3e-4)
    assert v["extra"] == pytest.approx(1.5 * (grown(ground, height, iop, 47) - 1), abs=2e-3)
    assert v["sealed_rise"] == pytest.approx((icao(ground) - icao(height)) / MMHG, abs=0.06)


def test_worked_growth_in_the_cabin() -> None:
    """Derived from muhm-2007: 760/565 = 1.345; (760 + 15 - 47)/(565 + 15 - 47) = 1.366; 0.6 mL (lincoff-1989b) gains 0.207 mL dry."""
    v = run(height="8000 ft", iop=15, bubble=0.6).values
    assert v["without_vapour"] == pytest.approx(760 / 565, abs=0.002)
    assert v["with_vapour"] == pytest.approx(728 / 533, abs=0.002)
    assert 0.6 * (v["without_vapour"] - 1) == pytest.approx(0.207, abs=0.001)


def test_vapour_and_eye_pressure_pull_opposite_ways() -> None:
    """The page says vapour makes the bubble grow a little more. Below 47 mmHg of eye pressure it does; at 47 the two cancel."""
    for iop in (5, 15, 30, 46):
        v = run(iop=iop).values
        assert v["with_vapour"] > v["without_vapour"]
    level = run(iop=47).values
    assert level["with_vapour"] == pytest.approx(level["without_vapour"], rel=1e-12)


def test_the_ceiling_lies_above_every_published_peak() -> None:
    """kokame-1994: 16 to 49 mmHg at 3,000 ft; foulsham-2021: 14 to 42 at 2,600 ft; noble-2014: 13 to 32 at 8,000 ft, no buckle (abstracts)."""
    for before, peak, feet in ((16, 49, 3000), (14, 42, 2600), (13, 32, 8000)):
        assert peak - before < run(height=f"{feet} ft").values["sealed_rise"]


def test_foulsham_agrees_with_itself() -> None:
    """foulsham-2021 (abstract): 14 mmHg, 10.8 mmHg a thousand feet, 2,600 ft, peak 42."""
    rise = built().linked.library.quantity("fluid-air-exchange/altitude-rise").amount
    assert rise.unit == "mmHg/1000 ft" and 14 + 2.6 * rise.value == pytest.approx(42, abs=0.5)
    assert rise.value * Units().factor("mmHg/1000 ft", "mmHg/100 m") == pytest.approx(3.54, abs=0.01)


def test_never_a_permission() -> None:
    """Whatever is put in, the answer says stop, and no verdict is milder than stop."""
    rng = random.Random(1976)
    ready = built().ready["altitude"]
    corners = [{n: end for n, end in zip(ready.inputs, ends, strict=True)} for ends in
               ((x.low for x in ready.inputs.values()), (x.high for x in ready.inputs.values()))]
    for _ in range(500):
        corners.append({n: rng.uniform(x.low, x.high) for n, x in ready.inputs.items()})
    corners += [{"height": 0}, {"height": 0, "ground": 5500, "bubble": 0.01}, {"height": 100, "ground": 100}]
    for given in corners:
        verdicts = run(**given).verdicts
        assert verdicts and {v.level for v in verdicts} == {"stop"}
        assert "Do not fly" in verdicts[0].say
    assert all(math.isfinite(x) for x in run(height=6000, ground=0, iop=5).values.values())
