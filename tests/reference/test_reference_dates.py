"""The injection window against calendars that are not ours: the standard library's, python-dateutil's and, for the file, icalendar's."""

from __future__ import annotations

import calendar
import random
from datetime import date, datetime, timedelta

import icalendar
import pytest
from click.testing import CliRunner
from dateutil.relativedelta import relativedelta
from dateutil.rrule import DAILY, rrule

from builder import calculate
from builder.calculate import EPOCH, FIRST_YEAR, LAST_YEAR, as_date
from builder.cli import main
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
            # The first four say where the date falls; those after them name list days and published series.
            where = built().ready["injection-window"].declared.verdicts[:4]
            held = [v for v in held if any(v is w for w in where)]
            assert len(held) == 1, f"Day {day} must have one such verdict, not {len(held)}."
            wanted = "stop" if day < 0 or day > high else "caution" if day < low else "note"
            assert held[0].level == wanted, f"day {day}"


def test_what_is_published_is_told_at_its_own_days() -> None:
    """castillo-2017 (abstract): 1 to 3 days against 5 to 10; tan-2021 (abstract): a mean of 13 days to traction detachment."""
    injected = date(2026, 3, 2)
    for day in range(0, 40):
        given = {"injected": injected.isoformat(), "theatre": (injected + timedelta(days=day)).isoformat()}
        said = [v.say for v in calculate.run(built().ready["injection-window"], given, TODAY).verdicts if v.say.startswith("Published beside it")]
        assert len(said) == (0 if day in (0, 4) else 1), f"day {day}: {said}"
        if said:
            key = "worse vision" if day <= 3 else "better arm" if day <= 10 else "collagen rose" if day < 13 else "has been reached"
            assert key in said[0], f"day {day}"


# --- theatre lists ------------------------------------------------------------------------------------------------


def department_lists() -> list[int]:
    """The department's list days as dateutil counts them, Monday first."""
    names = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    return sorted(names.index(d) for d in built().linked.library.department.list_days)


def test_thousands_of_lists_agree_with_dateutil(window: tuple[int, int]) -> None:
    low, high = window
    days = department_lists()
    r = random.Random(5)
    seen = {"first": 0, "reserve": 0, "following": 0, "no following": 0}
    for injected in dates(1500, 6):
        theatre = max(injected + timedelta(days=r.randint(-5, 20)), FIRST)
        result = calculate.run(built().ready["injection-window"], {"injected": injected.isoformat(), "theatre": theatre.isoformat()}, TODAY)
        assert not result.refusals, result.refusals
        opens, closes = injected + timedelta(days=low), injected + timedelta(days=high)
        lists = [x.date() for x in rrule(DAILY, byweekday=days, dtstart=datetime.combine(opens, datetime.min.time()), until=datetime.combine(closes, datetime.min.time()))]
        later = [x for x in lists if x > theatre]
        for name, wanted in (("first_list", lists[0] if lists else None), ("reserve_list", lists[1] if len(lists) > 1 else None), ("following_list", later[0] if later else None)):
            if wanted is None:
                assert name in result.withheld, f"injected on {injected}, theatre on {theatre}: {name} must be withheld"
            else:
                assert as_date(result.values[name]) == wanted.isoformat(), f"injected on {injected}, theatre on {theatre}: {name}"
        off_list = theatre.weekday() not in days
        assert any("not one of the department's list days" in v.say for v in result.verdicts) == off_list, theatre
        seen["first"] += bool(lists)
        seen["reserve"] += len(lists) > 1
        seen["following"] += bool(later)
        seen["no following"] += not later
    assert min(seen["first"], seen["following"], seen["no following"]) > 100, seen


# --- drug left ----------------------------------------------------------------------------------------------------

# (agent, half-life in days, source); aqueous of human eyes that kept their vitreous.
HALF_LIVES = [("bevacizumab", 9.82, "meyer-2010 (abstract)"), ("ranibizumab", 7.19, "krohne-2012 (abstract)"), ("aflibercept", 11, "do-2020 (abstract)")]


@pytest.mark.parametrize(("agent", "half_life", "source"), HALF_LIVES)
def test_the_share_left_halves_with_every_half_life(agent: str, half_life: float, source: str) -> None:
    injected = date(2026, 3, 2)
    for day in range(0, 120):
        given = {"injected": injected.isoformat(), "theatre": (injected + timedelta(days=day)).isoformat(), "agent": agent}
        found = calculate.run(built().ready["injection-window"], given, TODAY).values
        assert found["half_life"] == pytest.approx(half_life, rel=1e-12), source
        assert found["share_left"] == pytest.approx(100 * 2 ** (-day / half_life), rel=1e-12), f"{agent}, day {day}"
        if agent == "bevacizumab":  # zhu-2008 (memory) and human-vitreous-bevacizumab-arvo (abstract)
            assert found["share_least"] == pytest.approx(100 * 2 ** (-day / 6.7), rel=1e-12)
            assert found["share_most"] == pytest.approx(100 * 2 ** (-day / 10), rel=1e-12)


@pytest.mark.parametrize("given", [{"agent": "other"}, {"vitreous": "removed"}, {"theatre": "2026-03-01"}])
def test_no_share_is_given_without_a_human_half_life_or_before_the_injection(given: dict[str, str]) -> None:
    result = calculate.run(built().ready["injection-window"], {"injected": "2026-03-02", "theatre": "2026-03-09"} | given, TODAY)
    assert not result.refusals
    assert {"share_left", "share_least", "share_most"} <= set(result.withheld)
    assert as_date(result.values["opens"]) == "2026-03-06", "The window itself stands."


# --- the calendar file --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("injected", ["2026-03-02", "2024-02-25", "2026-12-24", "2100-02-25"])
def test_the_calendar_file_holds_the_window(injected: str, window: tuple[int, int]) -> None:
    """RFC 5545, read back by the icalendar package: an all-day entry whose end is the day after the last day."""
    first = date.fromisoformat(injected)
    answer = CliRunner().invoke(main, ["compute", "injection-window", f"injected={injected}", f"theatre={injected}", "--format", "ics"])
    assert answer.exit_code == 0, answer.output
    raw = answer.stdout_bytes
    assert raw.count(b"\n") == raw.count(b"\r\n"), "Lines end in CRLF."
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")), "Lines are folded at 75 octets."
    calendar_ = icalendar.Calendar.from_ical(raw)
    assert not calendar_.errors and calendar_["VERSION"] == "2.0" and calendar_["PRODID"]
    [event] = calendar_.walk("VEVENT")
    assert not event.errors
    assert event.decoded("DTSTART") == first + timedelta(days=window[0])
    assert event.decoded("DTEND") == first + timedelta(days=window[1] + 1)
    assert event["UID"] and event.decoded("DTSTAMP").tzinfo is not None
    assert event["SUMMARY"] == built().ready["injection-window"].declared.calendar.title


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
