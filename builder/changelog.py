"""What changed, version after version, as a page of the site and as an Atom feed (RFC 4287). Pure: git and clock are others' work."""

from __future__ import annotations

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

from .changes import Report, escaped, told

PAGE, TITLE = "changes", "What changed"
FEED = "data/changes.atom"
_MOST = 15  # lines an entry
_NAMES = uuid.UUID("5b0c5a3e-0f5c-5d0e-9d55-6a3f5a1c7e10")  # ours alone: a feed's ids must stay what they are


@dataclass(frozen=True, slots=True)
class Entry:
    """One commit that touched cards: its full name, its moment in UTC, its subject line, and what it changed."""

    commit: str
    moment: datetime
    subject: str
    report: Report


def page(entries: Sequence[Entry]) -> str:
    """The page as Markdown, newest first, an entry a heading."""
    lines = ["---", f"title: {json.dumps(TITLE)}", "---", "", f"# {TITLE}", "",
             "What each change to the cards changed clinically, newest first. Warnings come first: a caution that went, a basis that grew weaker. "
             f"The same as a feed for a reader of news: [Atom feed]({FEED}).", ""]
    for e in entries:
        lines += [f"## {e.moment.day} {e.moment:%B %Y}: {escaped(e.subject)} {{ #{anchor(e)} }}", "", *_bullets(e.report), ""]
    return "\n".join(lines)


def anchor(entry: Entry) -> str:
    return f"change-{entry.commit[:12]}"


def _bullets(report: Report) -> list[str]:
    warnings, changes = told(report)
    lines = [f"- **Warning.** {x}" for x in warnings] + [f"- {x}" for x in changes]
    if len(lines) > _MOST:
        lines = [*lines[:_MOST], f"- and {len(lines) - _MOST} more"]
    if report.of_wording:
        lines.append(f"- Wording only: {report.of_wording}")
    return lines or ["- Nothing that a page says."]


def feed(entries: Sequence[Entry], department: str) -> str:
    """The Atom feed of the same entries; there must be one at least, for a feed has a moment. Addresses are relative to the feed."""
    out = ['<?xml version="1.0" encoding="utf-8"?>', '<feed xmlns="http://www.w3.org/2005/Atom" xml:lang="en-GB">',
           f"<title>{_xml(department)}: what changed on the cards</title>", f"<id>{uuid.uuid5(_NAMES, department).urn}</id>",
           f"<updated>{_moment(entries[0])}</updated>", f"<author><name>{_xml(department)}</name></author>",
           '<link rel="self" type="application/atom+xml" href="changes.atom"/>', f'<link rel="alternate" type="text/html" href="../{PAGE}.html"/>']
    for e in entries:
        warnings, changes = told(e.report, plain=True)
        said = [f"Warning: {x}" for x in warnings] + list(changes) + ([f"Wording only: {e.report.of_wording}"] if e.report.of_wording else [])
        listed = "<ul>" + "".join(f"<li>{escape(x)}</li>" for x in said or ["Nothing that a page says."]) + "</ul>"
        out += ["<entry>", f"<title>{_xml(e.subject)}</title>", f"<id>{uuid.uuid5(_NAMES, e.commit).urn}</id>", f"<updated>{_moment(e)}</updated>",
                f'<link rel="alternate" type="text/html" href="../{PAGE}.html#{anchor(e)}"/>', f'<content type="html">{_xml(listed)}</content>', "</entry>"]
    return "\n".join([*out, "</feed>", ""])


def _moment(e: Entry) -> str:
    return f"{e.moment:%Y-%m-%dT%H:%M:%SZ}"


def _xml(text: str) -> str:
    """Text for XML, without the characters that XML forbids."""
    return escape("".join(c for c in text if c >= " " or c in "\t\n"))
