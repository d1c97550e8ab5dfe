"""Answers and cards in open formats. Pure: the clock and what changes are arguments."""

from __future__ import annotations

from datetime import date, datetime, timedelta


def calendar_file(title: str, first: date, last: date, uid: str, stamp: datetime, description: str) -> str:
    """An RFC 5545 calendar with one all-day entry from the first day to the last, both included.

    stamp: when the file is made, in UTC. Lines end in CRLF and are folded at 75 octets.
    """
    lines = [
        "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//technique cards//calculator//EN", "CALSCALE:GREGORIAN", "BEGIN:VEVENT",
        f"UID:{uid}", f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}", f"DTSTART;VALUE=DATE:{first:%Y%m%d}",
        f"DTEND;VALUE=DATE:{last + timedelta(days=1):%Y%m%d}",  # the end of an all-day entry is the day after it
        f"SUMMARY:{_text(title)}", f"DESCRIPTION:{_text(description)}", "TRANSP:TRANSPARENT", "END:VEVENT", "END:VCALENDAR",
    ]
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
