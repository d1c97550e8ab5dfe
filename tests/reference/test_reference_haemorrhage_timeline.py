"""Dates of the haemorrhage timeline against dateutil, and the shares left against a count day by day.

Every date here is derived: an interval from the source named, added to a day. The intervals themselves are the sources'.
"""

from __future__ import annotations

import random
from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta

from builder import calculate
from support import built

TODAY = date(2026, 7, 1)
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def run(bled: date, looked: date, operated: date | None = None, site: str = "premacular") -> calculate.Result:
    given = {"bled": bled.isoformat(), "looked": looked.isoformat(), "site": site, "operation": "planned" if operated else "none",
             "operated": (operated or looked).isoformat()}
    return calculate.run(built().ready["haemorrhage-timeline"], given, TODAY)


def compute(*given: object, **more: str) -> dict[str, object]:
    """Results by name: dates as dates, numbers as numbers, those withheld left out."""
    result = run(*given, **more)
    assert not result.refusals, result.refusals
    outputs = built().ready["haemorrhage-timeline"].declared.outputs
    return {n: date.fromisoformat(calculate.as_date(result.values[n])) if o.kind == "date" else result.values[n]
            for n, o in outputs.items() if n not in result.withheld}


def days(r: random.Random, first: date = date(2024, 1, 1)) -> date:
    return first + timedelta(days=r.randrange(2000))


# (result, interval, source, how it was confirmed)
FROM_THE_BLEED = [
    ("act_by", relativedelta(weeks=4), "ohanley-1985", "abstract"),
    ("laser_from", relativedelta(days=2), "eryigit-2009", "abstract"),
    ("laser_to", relativedelta(days=10), "eryigit-2009", "abstract"),
    ("khaki_first_day", relativedelta(weeks=1), "campbell-1976", "memory"),
    ("khaki_from", relativedelta(weeks=2), "epstein-hemolytic", "full text"),
    ("khaki_to", relativedelta(weeks=4), "epstein-hemolytic", "full text"),
    ("ghost_from", relativedelta(weeks=2), "campbell-1981", "abstract"),
    ("ghost_to", relativedelta(weeks=13), "campbell-1981", "abstract"),
]
FROM_THE_OPERATION = [
    ("check_day", relativedelta(days=1), "common practice", ""),
    ("settled_day", relativedelta(hours=72), "chen-pp-1997", "abstract"),
    ("fortnight_day", relativedelta(weeks=2), "brennan-2017", "abstract"),
    ("early_day", relativedelta(weeks=4), "dervenis-2023", "abstract"),
]
# Months are mean months here and calendar months in dateutil: never more than two days apart.
MONTHS = [("clears_from", 3, "rennie-2001"), ("clears_to", 6, "rennie-2001"), ("guidance_day", 3, "nice-ng242")]


@pytest.mark.parametrize("seed", range(40))
def test_dates_against_dateutil(seed: int) -> None:
    r = random.Random(seed)
    bled = days(r)
    looked, operated = bled + timedelta(days=r.randrange(200)), bled + timedelta(days=r.randrange(60))
    found = compute(bled, looked, operated)
    for name, interval, source, checked in FROM_THE_BLEED:
        assert found[name] == bled + interval, f"{name}: {source} ({checked})"
    for name, interval, source, checked in FROM_THE_OPERATION:
        assert found[name] == operated + interval, f"{name}: {source} ({checked})"
    for name, months, source in MONTHS:
        assert abs((found[name] - (bled + relativedelta(months=months))).days) <= 2, f"{name}: {source}"
    assert found["age"] == (looked - bled).days and found["age_weeks"] == pytest.approx((looked - bled).days / 7)
    assert found["days_left"] == (found["act_by"] - looked).days


@pytest.mark.parametrize("bled", [date(2028, 2, 1), date(2028, 2, 29), date(2027, 12, 31), date(2026, 10, 25), date(2100, 2, 28)])
def test_turns_of_month_year_leap_day_and_clock(bled: date) -> None:
    found = compute(bled, bled, bled)
    for name, interval, *_ in (*FROM_THE_BLEED, *FROM_THE_OPERATION):
        assert found[name] == bled + interval, name


def test_the_next_list_is_a_list_day_of_the_department_and_the_first() -> None:
    wanted = {DAYS.index(d) for d in built().linked.library.department.list_days}
    for i in range(14):
        looked = date(2026, 3, 2) + timedelta(days=i)
        expected = next(looked + timedelta(days=n) for n in range(7) if (looked + timedelta(days=n)).weekday() in wanted)
        assert compute(date(2026, 3, 1), looked)["next_list"] == expected


def test_the_gel_day_by_day() -> None:
    """spraul-1997 (abstract): about 1% a day. Both readings counted one day at a time; that nothing is left on day 100 is derived."""
    bled, even, share = date(2026, 3, 2), 100.0, 100.0
    for n in range(0, 140):
        found = compute(bled, bled + timedelta(days=n), site="gel")
        assert found["left_even"] == pytest.approx(even, abs=1e-9)
        assert found["left_share"] == pytest.approx(share, rel=1e-9)
        assert found["left_share"] >= found["left_even"]
        even, share = max(even - 1, 0.0), share * 0.99
    assert compute(bled, bled, site="gel")["clears_from"] == bled + timedelta(days=100)


def test_the_cavity_after_vitrectomy() -> None:
    """yang-2007-c3f8 (abstract): means of 13.2 and 11.3 days in the two arms. A day counts from its beginning, so part of a day is left off."""
    bled = date(2026, 4, 6)
    found = compute(bled, bled, date(2026, 3, 2), site="cavity")
    assert (found["clears_from"], found["clears_to"]) == (bled + timedelta(days=11), bled + timedelta(days=13))


WITHHELD = {
    "premacular": {"left_even", "left_share"},
    "gel": {"act_by", "days_left", "laser_from", "laser_to", "clears_to"},
    "cavity": {"act_by", "days_left", "laser_from", "laser_to", "left_even", "left_share", "guidance_day"},
}


@pytest.mark.parametrize("site", sorted(WITHHELD))
def test_what_is_not_known_of_a_place_is_withheld(site: str) -> None:
    after = {name for name, *_ in FROM_THE_OPERATION}
    bled, looked = date(2026, 3, 2), date(2026, 3, 30)
    assert set(run(bled, looked, bled, site=site).withheld) == WITHHELD[site]
    assert set(run(bled, looked, None, site=site).withheld) == WITHHELD[site] | after


def said(result: calculate.Result) -> str:
    return " | ".join(f"{v.level}: {v.say}" for v in result.verdicts)


@pytest.mark.parametrize(("age", "expected", "absent"), [
    (0, ["note: If it is dense", "note: Too early for ghost-cell"], ["stop", "Older than any"]),
    (10, ["note: If it is dense", "note: Too early for ghost-cell"], ["Older than any"]),
    (11, ["note: Older than any"], ["stop"]),
    (13, ["note: Too early for ghost-cell"], ["Ghost cells are possible"]),
    (14, ["caution: Ghost cells are possible"], ["Too early"]),
    (28, ["caution: Ghost cells are possible"], ["stop"]),
    (29, ["stop: Dense premacular", "caution: Ghost cells are possible"], ["If it is dense"]),
    (91, ["caution: Ghost cells are possible"], ["Past the latest"]),
    (92, ["note: Past the latest", "stop: Dense premacular"], ["Ghost cells are possible"]),
])
def test_verdicts_by_age_in_front_of_the_macula(age: int, expected: list[str], absent: list[str]) -> None:
    bled = date(2026, 3, 2)  # a Monday; the ages that must not slip past a list fall on or before one
    words = said(run(bled, bled + timedelta(days=age)))
    assert all(e in words for e in expected) and not any(a in words for a in absent), words


def test_a_list_after_the_last_day_is_said() -> None:
    bled = date(2026, 3, 3)  # a Tuesday; its last day is a Tuesday too, the 31st
    lists = built().linked.library.department.list_days
    assert lists == ("monday", "thursday")
    assert "caution: The next list" in said(run(bled, date(2026, 3, 31)))
    assert "caution: The next list" not in said(run(bled, date(2026, 3, 30)))
    # A list on the last day itself is in time.
    assert "caution: The next list" not in said(run(date(2026, 3, 2), date(2026, 3, 28)))


def test_guidance_for_blood_in_the_gel() -> None:
    bled = date(2026, 3, 2)
    day = compute(bled, bled, site="gel")["guidance_day"]
    assert "goes slowly" in said(run(bled, day - timedelta(days=1), site="gel"))
    # The limit falls within the day, so it is over on the next.
    assert "caution: If it has not cleared" in said(run(bled, day + timedelta(days=1), site="gel"))


@pytest.mark.parametrize(("bled", "operated", "words"), [
    (date(2026, 3, 30), date(2026, 3, 2), "An early post-operative bleed"), (date(2026, 3, 31), date(2026, 3, 2), "A late post-operative bleed"),
    (date(2026, 3, 1), date(2026, 3, 2), "Check the dates"),
])
def test_early_and_late_bleeds_after_vitrectomy(bled: date, operated: date, words: str) -> None:
    assert words in said(run(bled, bled, operated, site="cavity"))


def test_an_operation_before_the_bleed_asks_for_the_place() -> None:
    assert "choose that above" in said(run(date(2026, 3, 9), date(2026, 3, 9), date(2026, 3, 2)))


def test_a_visit_before_the_bleed_and_days_that_do_not_exist_are_refused() -> None:
    assert run(date(2026, 3, 2), date(2026, 3, 1)).refusals
    for bad in ("2026-02-29", "2026-13-01", "", "yesterday", "1e308"):
        result = calculate.run(built().ready["haemorrhage-timeline"], {"bled": bad, "looked": "2026-03-02", "operated": "2026-03-02"}, TODAY)
        assert [x.name for x in result.refusals] == ["bled"] and not result.values
