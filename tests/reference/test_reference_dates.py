"""The injection window against two calendars that are not ours: the standard library's and python-dateutil's."""

from __future__ import annotations

import calendar
import random
from datetime import date, datetime, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import DAILY, rrule

from builder import calculate
from builder.calculate import EPOCH, FIRST_YEAR, LAST_YEAR, as_date
from support import built

TODAY = date(2026, 7, 1)
FIRST, LAST = date(1900, 1, 1), date(2200, 12, 31)
# Days on which a home-made calendar goes wrong: 1900, 2100 and 2200 are no leap years, 2000 and 2024 are.
CORNERS = [date(y, m, d) for y in (1900, 1999, 2000, 2023, 2024, 2026, 2027, 2028, 2099, 2100, 2104, 2199) for m, d in
           ((1, 1), (2, 19), (2, 24), (2, 27), (2, 28), (3, 1), (4, 30), (6, 30), (10, 25), (12, 21), (12, 22), (12, 31))] + [
    date(y, 2, 29) for y in range(1904, 2200, 4) if calendar.isleap(y)]


@pytest.fixture(scope="module")
def window() -> tuple[int, int]:
    """The department's window in days after the injection, from its card."""
    amount = built().linked.library.quantity("pre-operative-agents/operating-window").amount
    assert amount.unit == "day", "This check counts in days; convert the card's window first."
    return int(amount.low), int(amount.high)


def dates(count: int, seed: int) -> list[date]:
    r = random.Random(seed)
    return CORNERS + [FIRST + timedelta(days=r.randint(0, (LAST - FIRST).days - 400)) for _ in range(count)]


def compute(injected: date, theatre: date) -> dict[str, float | str]:
    result = calculate.run(built().ready["injection-window"], {"injected": injected.isoformat(), "theatre": theatre.isoformat()}, TODAY)
    assert not result.refusals, result.refusals
    return {n: as_date(result.values[n]) if n in ("opens", "closes") else result.values[n] for n in ("opens", "closes", "interval", "days_left")}


def test_the_card_holds_the_common_practice_window(window: tuple[int, int]) -> None:
    """Day 4 to day 10 is common practice: a fact of the trade, with no published source."""
    assert window == (4, 10)


def test_thousands_of_windows_agree_with_the_standard_library(window: tuple[int, int]) -> None:
    low, high = window
    r = random.Random(1)
    for injected in dates(3000, 2):
        theatre = injected + timedelta(days=r.randint(-30, 400))
        theatre = max(theatre, FIRST)
        assert compute(injected, theatre) == {
            "opens": (injected + timedelta(days=low)).isoformat(), "closes": (injected + timedelta(days=high)).isoformat(),
            "interval": (theatre - injected).days, "days_left": (injected + timedelta(days=high) - theatre).days,
        }, f"injected on {injected}, theatre on {theatre}"


def test_thousands_of_windows_agree_with_dateutil(window: tuple[int, int]) -> None:
    low, high = window
    for injected in dates(2000, 3):
        days = [x.date() for x in rrule(DAILY, dtstart=datetime.combine(injected, datetime.min.time()), count=high + 1)]
        assert days[-1] == injected + relativedelta(days=high)
        # Day 0 is the day of the injection.
        found = compute(injected, days[low])
        assert (found["opens"], found["closes"]) == (days[low].isoformat(), days[high].isoformat()), f"injected on {injected}"
        assert (found["interval"], found["days_left"]) == (low, high - low)


@pytest.mark.parametrize(("injected", "opens", "closes"), [
    # Read off a printed calendar by hand.
    ("2024-02-25", "2024-02-29", "2024-03-06"), ("2023-02-25", "2023-03-01", "2023-03-07"), ("2026-12-24", "2026-12-28", "2027-01-03"),
    ("2100-02-25", "2100-03-01", "2100-03-07"), ("2000-02-25", "2000-02-29", "2000-03-06"), ("2026-10-23", "2026-10-27", "2026-11-02"),
])
def test_windows_across_leap_days_year_ends_and_clock_changes(injected: str, opens: str, closes: str) -> None:
    found = compute(date.fromisoformat(injected), date.fromisoformat(injected))
    assert (found["opens"], found["closes"]) == (opens, closes)


def test_every_verdict_falls_on_its_days(window: tuple[int, int]) -> None:
    low, high = window
    for injected in (date(2026, 2, 26), date(2028, 2, 24), date(2026, 12, 28)):
        for day in range(-5, 60):
            given = {"injected": injected.isoformat(), "theatre": (injected + timedelta(days=day)).isoformat()}
            held = calculate.run(built().ready["injection-window"], given, TODAY).verdicts
            assert len(held) == 1, f"Day {day} must have one verdict, not {len(held)}."
            wanted = "stop" if day < 0 or day > high else "caution" if day < low else "note"
            assert held[0].level == wanted, f"day {day}"


def test_dates_left_out_start_from_today() -> None:
    for today in (date(2028, 2, 26), date(2026, 12, 30)):
        result = calculate.run(built().ready["injection-window"], {}, today)
        assert as_date(result.values["injected"]) == today.isoformat()
        assert as_date(result.values["theatre"]) == (today + relativedelta(days=5)).isoformat()


def test_days_are_counted_from_the_first_of_january_1970() -> None:
    assert EPOCH == date(1970, 1, 1)
    for day in dates(1000, 4):
        assert as_date((day - date(1970, 1, 1)).days) == day.isoformat()
    assert as_date(0.99) == "1970-01-01" and as_date(-0.01) == "1969-12-31", "A part of a day counts down to that day."


@pytest.mark.parametrize("text", ["2026-02-29", "2100-02-29", "2026-13-01", "2026-00-10", "2026-04-31", "26-04-01", "2026-4-1", "20260401", "2026-W14-3", "2026-04-01T00:00", "1899-12-31", "2201-01-01", "today", "", "٢٠٢٦-٠٤-٠١"])
def test_what_is_no_date_of_the_calendar_is_refused(text: str) -> None:
    result = calculate.run(built().ready["injection-window"], {"injected": text}, TODAY)
    assert [r.name for r in result.refusals] == ["injected"] and not result.values
    assert f"{FIRST_YEAR} and {LAST_YEAR}" in result.refusals[0].message
