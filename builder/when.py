"""The moment that a build is dated by: SOURCE_DATE_EPOCH if it is set, else the day it is made. Pure: environment and clock are arguments.

Days are those of UTC, so that one commit built in two places gives one site.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from .problems import CouldNotRun


def dated(environment: Mapping[str, str], now: datetime) -> datetime:
    """In UTC: the second named by SOURCE_DATE_EPOCH, else the beginning of the day that `now` falls in.

    Raises CouldNotRun if SOURCE_DATE_EPOCH is no number of seconds since 1970.
    """
    given = environment.get("SOURCE_DATE_EPOCH", "")
    if not given:
        return now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    try:
        if not (given.isascii() and given.isdigit()):
            raise ValueError(given)
        return datetime.fromtimestamp(int(given), UTC)
    except (ValueError, OverflowError, OSError):
        raise CouldNotRun(f"SOURCE_DATE_EPOCH is '{given}'; it must be a whole number of seconds since 1970.") from None
