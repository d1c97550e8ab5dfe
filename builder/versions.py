"""The version of a card: a short digest of what it says clinically. Titles, other names, questions and reviews leave it as it is.

Two readers with the same version had the same advice. A number that another card lends belongs to it: the sentence
says it, so a new number there is a new version here too.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import MISSING, Field
from typing import Any

from .model import Calculator, Library, Page, Pathway, Quantity, Technique
from .text import links

LENGTH = 8
# What is clinical in each kind of record. A field that is left out here may change without a new version.
CLINICAL: dict[type, tuple[str, ...]] = {
    Technique: ("quantities", "when", "not_when", "equipment", "steps", "decisions", "pitfalls", "cautions", "evidence"),
    Pathway: ("when", "stages"),
    Calculator: ("inputs", "constants", "refuse_when", "outputs", "verdicts", "notes", "not_for"),
    Page: ("sections",),
}
WORDING_LENGTH = 16
# What may change under a sign-off: how a card is named, filed and linked to others. All else lapses it, new fields too.
NOT_SIGNED = ("id", "file", "title", "also_called", "stage", "review", "next", "see_also", "used_by")
_encoded = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode
# A number of another card as calculators name it; `quantity:` is gone where the builder has read it already.
_REFERENCE = re.compile(r"(quantity:)?[a-z0-9-]+/[a-z0-9-]+(\.(low|high))?\Z")


class Versions:
    """Gives the version of each card of a library: eight hexadecimal digits that change when, and only when, its clinical content changes. Each is worked out once."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._known: dict[tuple[type, str], str] = {}

    def __call__(self, record: Technique | Pathway | Calculator | Page) -> str:
        key = type(record), record.id
        if key not in self._known:
            self._known[key] = version(record, self._library)
        return self._known[key]


def version(record: Technique | Pathway | Calculator | Page, library: Library) -> str:
    """The version of one card; for many of one library, see Versions."""
    return hashlib.sha256(_encoded(content(record, library)).encode()).hexdigest()[:LENGTH]


def content(record: Technique | Pathway | Calculator | Page, library: Library) -> dict[str, Any]:
    """The clinical content as plain data: every claim and number with its basis, and the numbers lent by other cards."""
    own = {name: _plain(getattr(record, name)) for name in CLINICAL[type(record)]}
    return {**own, "lent": _lent(own, record, library)}


def wording(record: Technique | Pathway | Calculator | Page, library: Library) -> str:
    """Sixteen hexadecimal digits of all that a sign-off answers for: whatever the page says or works out, but for NOT_SIGNED.

    Wider than `version`: summary, questions, worked examples and numbers shown beside a calculator count as well. What is
    left at its default is left out, so that a new optional field of the model lapses nothing.
    """
    own = {name: x for name, x in _plain(record, bare=True).items() if name not in NOT_SIGNED}
    text = _encoded({**own, "lent": _lent(own, record, library, bare=True)})
    return hashlib.sha256(text.encode()).hexdigest()[:WORDING_LENGTH]


def _lent(own: dict[str, Any], record: Technique | Pathway | Calculator | Page, library: Library, bare: bool = False) -> dict[str, Any]:
    lent = {}
    for text in _strings(own):
        if "/" not in text:
            continue
        # A calculator names a number outright; a sentence links to it.
        named = [text.removeprefix("quantity:").partition(".")[0]] if _REFERENCE.match(text) else []
        for reference in (*named, *(x.target for x in links(text) if x.scheme == "quantity" and "/" in x.target)):
            quantity = library.quantity(reference)
            # A calculator may have the name of the card that lends it the number.
            if quantity and not (quantity.card == record.id and isinstance(record, Technique)):
                lent[reference] = _plain(quantity.amount, bare)
    return lent


def _plain(value: Any, bare: bool = False) -> Any:
    """bare: without the fields that are at their default, and without the name of the card."""
    kind = type(value)
    if kind is str or value is None:
        return value
    if kind is tuple or kind is list:
        return [_plain(x, bare) for x in value]
    if kind is float:  # 60 and 60.0 are one number to the reader
        return int(value) if value.is_integer() else value
    if own := getattr(kind, "__dataclass_fields__", None):
        if not bare:
            return {name: _plain(getattr(value, name)) for name in own}
        return {f.name: _plain(x, bare) for f in own.values() for x in (getattr(value, f.name),)
                if not (_default(f, x) or (kind is Quantity and f.name == "card"))}
    if hasattr(value, "items"):
        return {k: _plain(x, bare) for k, x in value.items()}
    return value


def _default(field: Field, value: Any) -> bool:
    default = field.default_factory() if field.default_factory is not MISSING else field.default
    return type(value) is type(default) and value == default


def _strings(value: Any) -> list[str]:
    """Every text in plain data, in order."""
    found: list[str] = []
    todo = [value]
    while todo:
        x = todo.pop()
        if isinstance(x, str):
            found.append(x)
        elif isinstance(x, dict):
            todo.extend(reversed(x.values()))
        elif isinstance(x, list):
            todo.extend(reversed(x))
    return found
