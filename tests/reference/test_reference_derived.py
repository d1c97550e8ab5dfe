"""Figures that a card works out from others. They must follow when one of those changes; this is what tells."""

from __future__ import annotations

from datetime import date

import pytest

from builder import calculate
from builder.model import Amount
from builder.units import Units, number
from support import built

TODAY = date(2026, 7, 1)
UNITS = Units()
STALE = "Work the card's figure out again: what it is derived from has changed."


def quantity(reference: str) -> Amount:
    found = built().linked.library.quantity(reference)
    assert found, f"There is no quantity {reference}."
    return found.amount


def perfusion(**given: float | str) -> dict[str, float]:
    result = calculate.run(built().ready["perfusion-pressure"], {n: str(v) for n, v in given.items()}, TODAY)
    assert not result.refusals, result.refusals
    return dict(result.values)


def shown(value: float, amount: Amount) -> None:
    """The card's figure is the value rounded to as many places as the card gives."""
    places = len(number(amount.value).partition(".")[2])
    assert number(value, places) == number(amount.value), f"The calculator gives {value:.4g}, the card says {amount.value:g}. {STALE}"


def test_perfusion_left_at_the_raised_pressure() -> None:
    raised, said = quantity("haemostasis/raised-pressure"), quantity("haemostasis/perfusion-at-raised")
    assert raised.unit == said.unit == "mmHg"
    shown(perfusion(systolic=120, diastolic=80, iop=raised.value)["perfusion"], said)


def test_infusion_pressure_that_meets_the_limit() -> None:
    shown(perfusion(systolic=120, diastolic=80)["iop_at_limit"], quantity("haemostasis/pressure-at-limit"))


def test_arm_mean_at_which_the_raised_pressure_leaves_nothing() -> None:
    raised, said = quantity("haemostasis/raised-pressure").value, quantity("haemostasis/empty-mean")
    found = perfusion(systolic=120, diastolic=80, iop=raised)
    shown(raised / (found["at_eye"] / found["mean"]), said)
    # And through the calculator itself: a cuff whose mean is the card's figure leaves nothing that shows.
    left = perfusion(systolic=said.value + 20, diastolic=said.value - 10, iop=raised)
    assert left["mean"] == pytest.approx(said.value)
    assert abs(left["perfusion"]) < 0.05, STALE


def test_supine_factor() -> None:
    found = perfusion(systolic=120, diastolic=80, posture="supine")
    shown(found["at_eye"] / found["mean"], quantity("haemostasis/supine-factor"))


def test_the_calculator_starts_from_the_cards_own_numbers() -> None:
    ready = built().ready["perfusion-pressure"]
    assert ready.inputs["iop"].start == quantity("haemostasis/raised-pressure").value
    assert ready.constants["limit"].value == quantity("haemostasis/perfusion-limit").value
    window = built().ready["injection-window"].constants
    operating = quantity("pre-operative-agents/operating-window")
    assert (window["opens_on"].value, window["closes_on"].value) == (operating.low, operating.high)


def test_rule_of_three_on_none_in_82() -> None:
    """lemley-han-2007 (abstract) prints none in 82; the upper limit, three over the number, is derived."""
    said = quantity("port-placement/child-harm-upper")
    assert said.unit == "%"
    shown(3 / 82 * 100, said)


def test_weeks_printed_and_days_shown_are_one() -> None:
    """tan-2021 (abstract) prints 1 to 6 weeks; the days are derived."""
    said = quantity("pre-operative-agents/crunch-onset-review")
    assert (said.low, said.high) == (UNITS.factor("week", said.unit), 6 * UNITS.factor("week", said.unit))
