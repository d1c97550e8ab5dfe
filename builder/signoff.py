"""When a card must be looked at again. Pure: today is an argument where it is needed."""

from __future__ import annotations

import calendar
from datetime import date

from .model import Review


def due(review: Review) -> date | None:
    """The day a signed-off card must be looked at again; None while nobody has signed it.

    Months are those of the calendar: 31 August and six months make the last day of February.
    """
    if review.signed_off is None:
        return None
    on = date.fromisoformat(review.signed_off.on)
    months = on.year * 12 + on.month - 1 + review.every_months
    year, month = divmod(months, 12)
    return date(year, month + 1, min(on.day, calendar.monthrange(year, month + 1)[1]))
