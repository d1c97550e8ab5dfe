"""The version of a card: a short digest of what it says clinically. Titles, other names, questions and reviews leave it as it is.

Two readers with the same version had the same advice. A number that another card lends belongs to it: the sentence
says it, so a new number there is a new version here too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

from .model import Calculator, Library, Page, Pathway, Technique
from .text import links

LENGTH = 8
# What is clinical in each kind of record. A field that is left out here may change without a new version.
CLINICAL: dict[type, tuple[str, ...]] = {
    Technique: ("quantities", "when", "not_when", "equipment", "steps", "decisions", "pitfalls", "cautions", "evidence"),
    Pathway: ("when", "stages"),
    Calculator: ("inputs", "constants", "refuse_when", "outputs", "verdicts", "notes", "not_for"),
    Page: ("sections",),
}


def version(record: Technique | Pathway | Calculator | Page, library: Library) -> str:
    """Eight hexadecimal digits that change when, and only when, the clinical content of a card changes."""
    text = json.dumps(content(record, library), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:LENGTH]


def content(record: Technique | Pathway | Calculator | Page, library: Library) -> dict[str, Any]:
    """The clinical content as plain data: every claim and number with its basis, and the numbers lent by other cards."""
    own = {name: _plain(getattr(record, name)) for name in CLINICAL[type(record)]}
    lent = {}
    for text in _strings(own):
        # A calculator names a number outright; a sentence links to it.
        named = [text.removeprefix("quantity:").partition(".")[0]] if text.startswith("quantity:") else []
        for reference in (*named, *(x.target for x in links(text) if x.scheme == "quantity" and "/" in x.target)):
            quantity = library.quantity(reference)
            if quantity and quantity.card != record.id:
                lent[reference] = _plain(quantity.amount)
    return {**own, "lent": lent}


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(x) for x in value]
    if hasattr(value, "items"):
        return {k: _plain(x) for k, x in value.items()}
    # 60 and 60.0 are one number to the reader.
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for x in value.values():
            yield from _strings(x)
    elif isinstance(value, list):
        for x in value:
            yield from _strings(x)
