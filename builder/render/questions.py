"""The questions of a pathway's cards as data for selftest.html: text in pieces that a script can build without reading HTML."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from html.parser import HTMLParser
from typing import Any

from ..link import Linked
from ..model import CHECKED, PRACTICE, Basis, Pathway, Question
from .prose import MARKS, MEANINGS, Prose, short_name

PAGE = "selftest.html"
PRACTICE_MEANING = "What surgeons do; no published source is claimed for it."

# A piece of text: words, or [element name, its attributes, the pieces inside].
Piece = str | list[Any]


def script(data: Mapping[str, Any]) -> str:
    """The classic script that gives selftest.html one pathway."""
    body = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return ("// Written by the builder from the cards; change those, not this file.\n"
            f"window.cards = window.cards || {{}};\nwindow.cards.questions = window.cards.questions || {{}};\nwindow.cards.questions[{json.dumps(data['id'])}] = {body};\n")


def data(linked: Linked, p: Pathway) -> dict[str, Any]:
    """{id, title, cards: [{id, title, questions: [{id, ask, answer, basis}]}]}, the cards in reading order.

    ask, answer and basis are lists of pieces; a question's id changes with its words and figures.
    """
    cards = []
    for id in p.cards:
        t = linked.library.techniques[id]
        prose = Prose(linked, PAGE, id)
        questions = [{"id": f"{id}-{_digest(prose, q)}", "ask": pieces(prose.text(q.ask)), "answer": pieces(prose.text(q.answer)), "basis": _basis(prose, q.basis)}
                     for q in t.questions]
        if questions:
            cards.append({"id": id, "title": t.title, "questions": questions})
    return {"id": p.id, "title": p.title, "cards": cards}


def _digest(prose: Prose, q: Question) -> str:
    # Of the words as read, so that a figure changed on another card is asked anew too.
    return hashlib.sha256(f"{prose.plain(q.ask)}\n{prose.plain(q.answer)}".encode()).hexdigest()[:6]


def _basis(prose: Prose, basis: Basis) -> list[Piece]:
    """One mark a way of confirming, each with the short names of its sources."""
    if not basis.citations:
        return [["span", {"class": "basis basis-practice", "title": PRACTICE_MEANING}, [PRACTICE]]]
    made: list[Piece] = []
    for checked in CHECKED:
        names = dict.fromkeys(c.source for c in basis.citations if c.checked == checked)
        if not names:
            continue
        inside: list[Piece] = [MARKS[checked]]
        for key in names:
            source = prose.library.sources[key]
            flag = "withdrawn" if source.withdrawn else "superseded" if source.superseded_by else ""
            inside += [" ", ["a", {"href": prose.href("source", key)}, [short_name(source)]]]
            inside += [" ", ["strong", {"class": "flag"}, [f"source {flag}"]]] if flag else []
        made.append(["span", {"class": f"basis basis-{checked.replace(' ', '-')}", "title": MEANINGS[checked]}, inside])
    return made


def pieces(html: str) -> list[Piece]:
    """Inline HTML of the builder's own making, in pieces."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader.found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[Piece] = []
        self._open: list[list[Piece]] = [self.found]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        inside: list[Piece] = []
        self._open[-1].append([tag, {k: v or "" for k, v in attrs}, inside])
        self._open.append(inside)

    def handle_endtag(self, tag: str) -> None:
        self._open.pop()

    def handle_data(self, data: str) -> None:
        self._open[-1].append(data)
