"""Who stands behind the present wording of a card, and until when. Pure: today is an argument where it is needed.

A sign-off holds a digest in two parts. The first is that of the wording (see versions.wording): an edit of a claim, a
number or a basis leaves it behind, and the sign-off has lapsed. The second, the seal, is that of the first together with
the day, the role and the months to the next review: a date that is moved by hand, in one card or in all, no longer fits it.
"""

from __future__ import annotations

import calendar
import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from .model import Calculator, Document, Library, Page, Pathway, Review, SignOff, Technique
from .problems import Problem
from .versions import WORDING_LENGTH, wording

Record = Technique | Pathway | Calculator | Page
CURRENT, SOON, OVERDUE, LAPSED, NEVER = "current", "soon", "overdue", "lapsed", "never"
# What is told of a card, the most pressing first.
TOLD = (LAPSED, OVERDUE, SOON, NEVER)
SOON_DAYS = 30
SEAL_LENGTH = 8
# Only signing a card anew puts these right, so they never stand in the way of it.
RULES = ("sign-off-edited", "sign-off-in-future")
OVERRIDES = "overrides"
_PLAIN_ROLE = re.compile(r"[A-Za-z][A-Za-z -]*[A-Za-z]\Z")
_YAML_WORDS = ("true", "false", "null")


@dataclass(frozen=True, slots=True)
class Standing:
    """How one card stands on one day. due: the day it must be looked at again, None while nobody has signed it."""

    kind: str
    record: Record
    state: str
    due: date | None


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


def made(record: Record, library: Library, on: date, by: str) -> SignOff:
    """The sign-off of a card's present wording."""
    words = wording(record, library)
    return SignOff(on.isoformat(), by, words + _seal(words, on.isoformat(), by, record.review.every_months))


def lapsed(record: Record, library: Library) -> bool:
    """Whether a card was signed off, and what was signed is not what stands there now."""
    signed = record.review.signed_off
    return signed is not None and (_edited(record.review) or signed.digest[:WORDING_LENGTH] != wording(record, library))


def state(record: Record, library: Library, on: date) -> str:
    """CURRENT, SOON (due within SOON_DAYS), OVERDUE (from the day after it was due), LAPSED or NEVER."""
    day = due(record.review)
    if day is None:
        return NEVER
    if lapsed(record, library):
        return LAPSED
    return OVERDUE if day < on else SOON if day <= on + timedelta(days=SOON_DAYS) else CURRENT


def standings(library: Library, on: date) -> list[Standing]:
    """Every card that has a page: lapsed, overdue, soon, never, current; within a group by the day due, then by kind and title."""
    order = (*TOLD, CURRENT)
    found = [Standing(kind, r, state(r, library, on), due(r.review)) for kind, r in signable(library)]
    return sorted(found, key=lambda s: (order.index(s.state), s.due or date.max, s.kind, s.record.title.lower(), s.record.id))


def signable(library: Library) -> Iterator[tuple[str, Record]]:
    """(kind, record) of every card that someone answers for; calculators that are switched off have no page to answer for."""
    off = library.department.calculators_off if library.department else ()
    for kind, records in _of_kind(library).items():
        yield from ((kind, r) for r in records.values() if not (kind == "calculator" and r.id in off))


def named(name: str, library: Library) -> list[tuple[str, Record]]:
    """The cards that `name` may mean: an id, or KIND/ID where two kinds share an id."""
    kind, slash, id = name.rpartition("/")
    return [(k, r) for k, r in signable(library) if r.id == id and (not slash or k == kind)]


def _of_kind(library: Library) -> Mapping[str, Mapping[str, Record]]:
    return {"technique": library.techniques, "pathway": library.pathways, "calculator": library.calculators, "page": library.pages}


# --- what a check can know ----------------------------------------------------------------------------------------


def check(library: Library, today: date | None = None) -> list[Problem]:
    """sign-off-edited, sign-off-in-future: faults of a sign-off itself. Wording that has moved on is none; it is a lapse.

    today: without it the future is not looked for. A day more is let pass, for a day is not the same day everywhere.
    """
    return list(_faults(library, today))


def _faults(library: Library, today: date | None) -> Iterator[Problem]:
    documents = {(d.kind, d.id): d for d in library.documents}
    overrides = documents.get((OVERRIDES, OVERRIDES))
    signed_here = overrides.data.get("signed_off", {}) if overrides else {}
    for kind, records in _of_kind(library).items():
        for record in records.values():
            signed = record.review.signed_off
            here = f"{kind}/{record.id}" in signed_here
            document = overrides if here else documents.get((kind, record.id))
            place = ("signed_off", f"{kind}/{record.id}") if here else ("review", "signed_off")
            if signed is None or document is None or not _is_day(signed.on):
                continue
            fix = f"Put back what was signed, or have the card read and signed anew: cards sign-off {kind}/{record.id} --by ROLE"
            if today is not None and date.fromisoformat(signed.on) > today + timedelta(days=1):
                yield Problem(document.file, *document.marks.value((*place, "on")), "sign-off-in-future",
                              f"The card is signed off on {signed.on}, a day that has not come.", fix)
            elif _edited(record.review):
                yield Problem(document.file, *document.marks.value((*place, "digest")), "sign-off-edited",
                              "The digest does not fit this day, role and interval: one of them was written or changed by hand.", fix)


def _edited(review: Review) -> bool:
    signed = review.signed_off
    words, seal = signed.digest[:WORDING_LENGTH], signed.digest[WORDING_LENGTH:]
    return seal != _seal(words, signed.on, signed.by, review.every_months)


def _seal(words: str, on: str, by: str, months: int) -> str:
    return hashlib.sha256(json.dumps([words, on, by, months], ensure_ascii=False).encode()).hexdigest()[:SEAL_LENGTH]


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:  # told as no-such-date
        return False
    return True


# --- into the card's file -----------------------------------------------------------------------------------------


def written(document: Document, signed: SignOff) -> str:
    """The document's text with the sign-off in it. All else, comments and layout included, stays to the letter."""
    text, marks, review = document.marks.text, document.marks, document.data["review"]
    if "signed_off" in review:
        # From the last to the first, so that offsets still to be used keep their meaning.
        places = sorted(((marks.span(("review", "signed_off", key)), value) for key, value in _values(signed).items()), reverse=True)
        for (start, end), value in places:
            old = text[start:end]
            text = text[:start] + value + old[len(old.rstrip()):] + text[end:]
        return text
    block = "signed_off: {" + ", ".join(f"{key}: {value}" for key, value in _values(signed).items()) + "}"
    keys = list(review)
    start, end = marks.span(("review", keys[-1]))
    end = start + len(text[start:end].rstrip())
    if text[marks.span(("review",))[0]] == "{":
        return f"{text[:end]}, {block}{text[end:]}"
    # A line of its own behind the last key's, under the first key.
    breaks = re.search(r"\r\n|\n|\r", text)
    newline = breaks[0] if breaks else "\n"
    rest = re.compile(r"[^\r\n]*").match(text, end)
    indent = " " * (marks.key(("review", keys[0]))[1] - 1)
    return text[: rest.end()] + newline + indent + block + text[rest.end():]


def written_over(text: str, document: Document | None, signed: Mapping[str, SignOff]) -> str:
    """The text of local/overrides.yaml with sign-offs of cards that stand in another layer; all else stays to the letter.

    text: as it is; document: the same, read, or None for a new file. signed: kind/id -> its sign-off.
    """
    lines = {name: "{" + ", ".join(f"{key}: {value}" for key, value in _values(s).items()) + "}" for name, s in signed.items()}
    held = document.data.get("signed_off", {}) if document else {}
    breaks = re.search(r"\r\n|\n|\r", text)
    newline = breaks[0] if breaks else "\n"
    # From the last to the first, so that offsets still to be used keep their meaning.
    for (start, end), name in sorted(((document.marks.span(("signed_off", name)), name) for name in signed if name in held), reverse=True):
        old = text[start:end]
        text = text[:start] + lines[name] + old[len(old.rstrip()):] + text[end:]
    fresh = [name for name in signed if name not in held]
    if not fresh:
        return text
    if held:
        first = next(iter(held))
        column = document.marks.key(("signed_off", first))[1] - 1
        start = text.rindex(newline, 0, text.index(first, text.index("signed_off:"))) + len(newline)
        return text[:start] + "".join(f"{' ' * column}{name}: {lines[name]}{newline}" for name in fresh) + text[start:]
    block = "".join(f"  {name}: {lines[name]}{newline}" for name in fresh)
    return text.rstrip() + newline * (2 if text.strip() else 0) + f"signed_off:{newline}{block}"


def _values(signed: SignOff) -> dict[str, str]:
    """As they stand in YAML. A digest of figures alone would be read as a number."""
    role = signed.by if _PLAIN_ROLE.match(signed.by) and signed.by not in _YAML_WORDS else json.dumps(signed.by, ensure_ascii=False)
    digest = signed.digest if re.match(r"[0-9]*[a-df]", signed.digest) else f'"{signed.digest}"'
    return {"on": signed.on, "by": role, "digest": digest}
