"""The lists that make up most of a page, as HTML: claims, steps, decisions, pitfalls, questions, published figures, sources.

They could stand in the templates, and did: in a large library most of the time went into single expressions. Every text is
either escaped here or comes escaped from Prose.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from markupsafe import Markup, escape

from ..link import Statement
from ..model import Citation, Claim, Decision, Pitfall, Question, Reported, Source, Step
from .prose import MARKS, MEANINGS, Prose, short_name


def claims(prose: Prose, items: Iterable[Claim], kind: str) -> Markup:
    """Sentences, each with what it rests on. kind: the class that tells them apart."""
    lines = "".join(f"<li>{prose.text(c.text)} {prose.basis(c.basis)}</li>\n" for c in items)
    return Markup(f'<ul class="claims {escape(kind)}">\n{lines}</ul>')


def steps(prose: Prose, items: Iterable[Step]) -> Markup:
    """What to do, until when, and why."""
    lines = "".join(
        f'<li id="step-{n}"><p class="do">{prose.text(s.do)} {prose.basis(s.basis)}</p><p class="until"><span class="cue">Until</span> {prose.text(s.endpoint)}</p>'
        f'<p class="why"><span class="cue">Why</span> {prose.text(s.why)}</p></li>\n' for n, s in enumerate(items, 1))
    return Markup(f'<ol class="steps">\n{lines}</ol>')


def decisions(prose: Prose, items: Iterable[Decision]) -> Markup:
    """If, then, and why where it is said."""
    why = lambda d: f'<p class="why"><span class="cue">Why</span> {prose.text(d.why)}</p>' if d.why else ""  # noqa: E731
    lines = "".join(
        f'<li><p class="if"><span class="cue">If</span> {prose.text(d.condition)}</p><p class="then"><span class="cue">Then</span> {prose.text(d.then)} '
        f"{prose.basis(d.basis)}</p>{why(d)}</li>\n" for d in items)
    return Markup(f'<ul class="decisions">\n{lines}</ul>')


def pitfalls(prose: Prose, items: Iterable[Pitfall]) -> Markup:
    """The sign, and what to do first."""
    lines = "".join(
        f'<li><p class="sign"><span class="cue">Sign</span> {prose.text(p.sign)}</p><p class="respond"><span class="cue">First do</span> {prose.text(p.respond)} '
        f"{prose.basis(p.basis)}</p></li>\n" for p in items)
    return Markup(f'<ul class="pitfalls">\n{lines}</ul>')


def questions(prose: Prose, items: Iterable[Question]) -> Markup:
    """Each folded over its answer."""
    return Markup("".join(
        f'<details class="question"><summary>{prose.text(q.ask)}</summary><p>{prose.text(q.answer)} {prose.basis(q.basis)}</p></details>\n' for q in items))


def reported(prose: Prose, items: Iterable[Reported]) -> Markup:
    """What others publish beside a number."""
    note = lambda r: f' <span class="note">{prose.text(r.note)}</span>' if r.note else ""  # noqa: E731
    lines = "".join(f'<li>{prose.figure(r.amount)} <span class="in">{escape(r.where)}</span> {prose.basis(r.basis)}{note(r)}</li>\n' for r in items)
    return Markup(f'<ol class="reported">\n{lines}</ol>')


def sources(prose: Prose, references: Mapping[str, str], on_paper: int | None) -> Markup:
    """The numbered sources of a page. references: source id -> its reference. on_paper: how many the printed sheet refers to; all if None."""
    lines = []
    for ref in prose.references:
        s = ref.source
        off = ' class="off-paper"' if on_paper is not None and ref.number > on_paper else ""
        flag = f'<strong class="flag">Withdrawn: {escape(s.withdrawn)}</strong> ' if s.withdrawn else '<strong class="flag">Superseded</strong> ' if s.superseded_by else ""
        uses = "".join(_use(u) for u in ref.uses)
        incomplete = f' <span class="incomplete">Details not confirmed: {escape(", ".join(s.incomplete))}.</span>' if s.incomplete else ""
        lines.append(f'<li id="source-{ref.number}"{off}>{flag}{escape(references[s.id])}{uses}\n{incomplete} '
                     f'<a class="rests" href="{escape(prose.href("source", s.id))}">What rests on this source</a></li>\n')
    return Markup(f'<ol class="references">\n{"".join(lines)}</ol>')


def _use(u: Citation) -> str:
    """How the source was read, where, and what is to be known of it."""
    at = f", {escape(u.at)}" if u.at and u.at != u.checked else ""
    note = f": {escape(u.note.strip('.'))}" if u.note else ""
    return f' <span class="at">{escape(MARKS[u.checked].capitalize())}{at}{note}.</span>'


def use(prose: Prose, c: Citation, statement: Statement) -> Markup:
    """How a statement uses a source: mark, place, note, and the way to it."""
    at = f' <span class="at">{escape(c.at.strip("."))}.</span>' if c.at and c.at != c.checked else ""
    note = f' <span class="at">{escape(c.note.strip("."))}.</span>' if c.note else ""
    return Markup(f'<span class="basis basis-{c.checked.replace(" ", "-")}" title="{escape(MEANINGS[c.checked])}">{escape(MARKS[c.checked])}</span>{at}{note} {_way(prose, statement)}')


def uses(prose: Prose, found: Iterable[tuple[Citation, Statement, Markup]]) -> Markup:
    """The statements of one page that rest on a source, in their words."""
    lines = "".join(f"<li>{words} {use(prose, c, statement)}</li>\n" for c, statement, words in found)
    return Markup(f'<ul class="claims uses">\n{lines}</ul>')


def led_to(prose: Prose, found: Iterable[tuple[Any, Statement, Markup]]) -> Markup:
    """Statements of one page in their words, each with the way to it."""
    lines = "".join(f"<li>{words} {_way(prose, statement)}</li>\n" for _, statement, words in found)
    return Markup(f'<ul class="claims uses">\n{lines}</ul>')


def figures(prose: Prose, found: Iterable[tuple[Any, Statement, Markup]], sources: Mapping[str, Source]) -> Markup:
    """The rows of a table of figures: each with what it rests on."""
    def rests_on(s: Statement) -> str:
        if not s.basis.citations:
            return '<span class="basis basis-practice">common practice</span>'
        return ", ".join(f'<span class="basis basis-{c.checked.replace(" ", "-")}">{escape(MARKS[c.checked])}</span> '
                         f'<a href="{escape(prose.href("source", c.source))}">{escape(short_name(sources[c.source]))}</a>' for c in s.basis.citations)
    return Markup("".join(f'<tr><td><a href="{escape(prose.href(s.kind, s.id, s.anchor))}">{words}</a></td><td>{rests_on(s)}</td></tr>\n' for _, s, words in found))


def _way(prose: Prose, s: Statement) -> str:
    return f'<a class="rests" href="{escape(prose.href(s.kind, s.id, s.anchor))}">Go to it</a>'
