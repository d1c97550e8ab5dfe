"""Days since 1970-01-01 and the texts that stand for them."""

from __future__ import annotations

import math
import re
from datetime import date, timedelta

EPOCH = date(1970, 1, 1)
FIRST_YEAR, LAST_YEAR = 1900, 2200
FIRST_DAY, LAST_DAY = (date(FIRST_YEAR, 1, 1) - EPOCH).days, (date(LAST_YEAR, 12, 31) - EPOCH).days
START_DATE = re.compile(r"today(?:\+(\d{1,3}))?\Z")


def iso(text: str) -> int | None:
    """Days since 1970-01-01 of an ISO date, or None."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return (day - EPOCH).days if FIRST_YEAR <= day.year <= LAST_YEAR else None


def start_date(start: str, today: date) -> int | None:
    """Days since 1970-01-01 of today, today+N or an ISO date; None if it is none of them."""
    m = START_DATE.match(start)
    return (today - EPOCH).days + int(m[1] or 0) if m else iso(start)


def as_date(days: float) -> str:
    """ISO date of days since 1970-01-01; a part of a day counts down to that day."""
    return (EPOCH + timedelta(days=math.floor(days))).isoformat()
