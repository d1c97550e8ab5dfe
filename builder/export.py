"""Answers and cards in open formats. Pure: the clock and what changes are arguments."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta


@dataclass(frozen=True, slots=True)
class Entry:
    """An all-day entry from the first day to the last, both included. uid: the same for the same entry in every issue."""

    title: str
    first: date
    last: date
    uid: str
    description: str


def calendar_file(title: str, first: date, last: date, uid: str, stamp: datetime, description: str) -> str:
    """An RFC 5545 calendar with one all-day entry from the first day to the last, both included.

    stamp: when the file is made, in UTC. Lines end in CRLF and are folded at 75 octets.
    """
    return calendar_of([Entry(title, first, last, uid, description)], "calculator", stamp)


def calendar_of(entries: Iterable[Entry], about: str, stamp: datetime) -> str:
    """An RFC 5545 calendar of all-day entries; there must be one at least, or it is no calendar.

    about: what the calendar comes from, one word. stamp: when it is made, in UTC.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:-//technique cards//{about}//EN", "CALSCALE:GREGORIAN"]
    for e in entries:
        lines += [
            "BEGIN:VEVENT", f"UID:{e.uid}", f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}", f"DTSTART;VALUE=DATE:{e.first:%Y%m%d}",
            f"DTEND;VALUE=DATE:{e.last + timedelta(days=1):%Y%m%d}",  # the end of an all-day entry is the day after it
            f"SUMMARY:{_text(e.title)}", f"DESCRIPTION:{_text(e.description)}", "TRANSP:TRANSPARENT", "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _text(text: str) -> str:
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """The line with a break before every 75th octet; never inside a character."""
    pieces, current = [], ""
    for char in line:
        if len((current + char).encode()) > (75 if not pieces else 74):
            pieces.append(current)
            current = ""
        current += char
    return "\r\n ".join([*pieces, current])
