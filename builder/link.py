"""Resolves every id, and turns the links round: what leads here, and what rests on this source."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Any

from .model import (
    Amount, Basis, Calculator, Citation, Claim, Constant, Decision, Document, Library, LocalQuantity, Path, Pathway, Quantity, QuantityFromBase, Technique, kept_or_made,
)
from .problems import Problem
from .text import Link, did_you_mean, links
from .units import amount

_NAMES = {"card": "technique card", "calculator": "calculator", "page": "page", "pathway": "pathway", "source": "source", "term": "glossary term"}
_FOLDER = {"card": "cards/techniques", "page": "cards/pages", "calculator": "cards/calculators", "pathway": "cards/pathways", "source": "cards/sources",
           "term": "cards/glossary.yaml"}
_SIGNED = {"technique": "card", "pathway": "pathway", "calculator": "calculator", "page": "page"}
_KIND = {"card": "technique", "page": "page", "calculator": "calculator", "pathway": "pathway", "source": "source", "term": "glossary"}


@dataclass(frozen=True, slots=True)
class Statement:
    """One claim or figure and what it rests on: where it stands (kind and id of its page, anchor) and its words.

    amount: the figure, where the statement is one; `text` is then its label.
    remark: what a reader must know of the figure under a local layer: that it is local, and the base value; empty otherwise.
    """

    kind: str
    id: str
    anchor: str
    text: str
    basis: Basis
    amount: Amount | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Use:
    """A statement that rests on a source, with the citation that says so."""

    statement: Statement
    citation: Citation


@dataclass(frozen=True, slots=True)
class Linked:
    """A library whose every link has been followed.

    statements: every claim and figure of the cards with its basis, in page order.
    rests_on: source id -> the claims that rest on it, in page order.
    mentioned: (kind, id) -> (kind, id) of the pages that lead to it.
    along: card id -> for each pathway that holds it, (pathway, card before or "", card after or "").
    """

    library: Library
    statements: tuple[Statement, ...] = ()
    rests_on: Mapping[str, tuple[Use, ...]] = field(default_factory=dict)
    mentioned: Mapping[tuple[str, str], tuple[tuple[str, str], ...]] = field(default_factory=dict)
    along: Mapping[str, tuple[tuple[Pathway, str, str], ...]] = field(default_factory=dict)

    def shows(self, statement: Statement) -> bool:
        """Whether the site shows a statement: not if it stands on a calculator that the department has switched off."""
        department = self.library.department
        return not (department and statement.kind == "calculator" and statement.id in department.calculators_off)


    def around(self, changed: Iterable[tuple[str, str]]) -> set[tuple[str, str]]:
        """The (kind, id) of the pages that show something of the changed ones: those that lead to them, that they lead to, or that stand beside them in a pathway."""
        changed = set(changed)
        found: set[tuple[str, str]] = set()
        for (scheme, id), pages in self.mentioned.items():
            target = _KIND[scheme], id
            if target in changed:
                found.update(pages)
            elif not changed.isdisjoint(pages):
                found.add(target)
        for kind, id in changed:
            for pathway, before, after in self.along.get(id, ()) if kind == "technique" else ():
                found |= {("pathway", pathway.id), ("technique", before), ("technique", after)}
        return found - changed


def link(library: Library, kept: MutableMapping[Any, Any] | None = None) -> tuple[Linked, list[Problem]]:
    """The linked library, and a problem for every link that leads nowhere.

    kept: what an earlier call found in each document and record; one that is the very same object is not looked through again.
    """
    kept = {} if kept is None else kept
    known = {
        # A sentence may lead to a card that is switched off here; the page says so in place of the link.
        "card": {**library.techniques, **library.techniques_off} if library.techniques_off else library.techniques, "page": library.pages, "calculator": library.calculators, "pathway": library.pathways,
        "source": library.sources, "term": library.terms,
    }
    problems: list[Problem] = []
    mentioned: dict[tuple[str, str], dict[tuple[str, str], None]] = {}

    def follow(d: Document, place: Path, scheme: str, target: str, words: str = "", before: str = "") -> None:
        at = lambda: d.marks.within(place, words, before) if words else d.marks.value(place)  # noqa: E731
        if target in known[scheme]:
            if (here := (d.kind, d.id)) != (_KIND[scheme], target):
                mentioned.setdefault((scheme, target), {})[here] = None
            return
        if (_KIND[scheme], target) in library.unsound or (scheme == "term" and ("glossary", "glossary") in library.unsound):
            return  # the file is there; what is wrong with it is told at the file
        near = did_you_mean(target, known[scheme])
        problems.append(Problem(d.file, *at(), f"unknown-{scheme}", f"There is no {_NAMES[scheme]} '{target}'.{near}",
                                f"Correct the id, or add it to {_FOLDER[scheme]}."))

    def follow_quantity(d: Document, place: Path, reference: str, words: str = "", before: str = "") -> None:
        card, _, key = reference.partition("/")
        if not words:
            key = key.partition(".")[0]  # .low and .high are for calculators; a sentence shows the whole range
        at = lambda: d.marks.within(place, words, before) if words else d.marks.value(place)  # noqa: E731
        technique = known["card"].get(card)
        if technique is None:
            if ("technique", card) not in library.unsound:
                problems.append(Problem(d.file, *at(), "unknown-card", f"There is no technique card '{card}'.{did_you_mean(card, library.techniques)}",
                                        "Write quantity:card-id/key."))
        elif key not in technique.quantities:
            problems.append(Problem(d.file, *at(), "unknown-quantity",
                                    f"The card '{card}' has no quantity '{key}'.{did_you_mean(key, technique.quantities)}",
                                    f"Its quantities are: {', '.join(technique.quantities) or 'none'}."))
        elif (d.kind, d.id) != ("technique", card):
            mentioned.setdefault(("card", card), {})[d.kind, d.id] = None

    for d in library.documents:
        in_texts, as_values = kept_or_made(kept, d.file, d, lambda: ([(p, text, found) for p, text in d.texts for found in links(text)], list(_references(d))))
        for path, text, found in in_texts:
            words, before = f"{found.scheme}:{found.target}", text[: found.start]
            if found.scheme == "quantity" and d.kind != "technique" and "/" not in found.target:
                problems.append(Problem(d.file, *d.marks.within(path, words, before), "link-form",
                                        f"'{words}' does not say which card the quantity stands on.", "Write quantity:card-id/key."))
            elif found.scheme == "quantity":
                follow_quantity(d, path, _full(found, d), words, before)
            elif found.scheme != "value":
                follow(d, path, found.scheme, found.target, words, before)
        for path, scheme, target in as_values:
            if scheme == "quantity":
                follow_quantity(d, path, target)
            else:
                follow(d, path, scheme, target)

    for source in library.sources.values():
        if source.superseded_by == source.id:
            d = next(x for x in library.documents if (x.kind, x.id) == ("source", source.id))
            problems.append(Problem(d.file, *d.marks.value(("superseded_by",)), "superseded-by-itself", "A source cannot replace itself.",
                                    "Name the newer source."))

    statements = tuple(_statements(library, kept))
    linked = Linked(
        library,
        statements=statements,
        rests_on=_rests_on(statements),
        mentioned={target: tuple(sorted(pages)) for target, pages in mentioned.items()},
        along=_along(library),
    )
    return linked, problems


def _full(found: Link, d: Document) -> str:
    return found.target if "/" in found.target else f"{d.id}/{found.target}"


def _references(d: Document) -> Iterator[tuple[Path, str, str]]:
    """Ids written as plain values, with the kind of thing they name."""
    x = d.data
    for key, scheme in (("next", "card"), ("see_also", "card"), ("used_by", "card"), ("calculators_off", "calculator")):
        for i, target in enumerate(x.get(key, ())):
            yield (key, i), scheme, target
    if d.kind == "source" and "superseded_by" in x:
        yield ("superseded_by",), "source", x["superseded_by"]
    if d.kind == "pathway":
        for i, stage in enumerate(x["stages"]):
            for key, scheme in (("cards", "card"), ("calculators", "calculator")):
                for j, target in enumerate(stage.get(key, ())):
                    yield ("stages", i, key, j), scheme, target
    for i, target in enumerate(x.get("beside", ())):
        yield ("beside", i), "quantity", target
    if d.kind == "overrides":
        for target in x.get("quantities", {}):
            yield ("quantities", target), "quantity", target
        for key, scheme in (("techniques", "card"), ("calculators", "calculator")):
            for target in x.get("off", {}).get(key, {}):
                yield ("off", key, target), scheme, target
        for name in x.get("signed_off", {}):
            kind, _, target = name.partition("/")
            yield ("signed_off", name), _SIGNED[kind], target
    if d.kind != "source":
        yield from _deep(x, ())


def _deep(data: object, path: Path) -> Iterator[tuple[Path, str, str]]:
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    if isinstance(data, dict) and path[-2:-1] == ("basis",) and "source" in data and "checked" in data:
        yield (*path, "source"), "source", data["source"]
    for key, value in items:
        if isinstance(value, str):
            if value.startswith("quantity:") and " " not in value:
                yield (*path, key), "quantity", value.removeprefix("quantity:")
        else:
            yield from _deep(value, (*path, key))


def _rests_on(statements: Iterable[Statement]) -> dict[str, tuple[Use, ...]]:
    uses: dict[str, list[Use]] = {}
    for statement in statements:
        for citation in statement.basis.citations:
            uses.setdefault(citation.source, []).append(Use(statement, citation))
    return {source: tuple(found) for source, found in uses.items()}


def _statements(library: Library, kept: MutableMapping[Any, Any]) -> Iterator[Statement]:
    for t in library.techniques.values():
        yield from kept_or_made(kept, ("statements", t.id), t, lambda: tuple(_of_technique(t)))
    for p in library.pathways.values():
        here = _Here("pathway", p.id)
        yield from here.claims("when", p.when)
        for s in p.stages:
            anchor = s.stage.replace(" ", "-")
            yield from here.claims(anchor, s.have)
            yield from here.decisions(anchor, s.decisions)
            yield from here.claims(anchor, s.stop_if)
    for c in library.calculators.values():
        here = _Here("calculator", c.id)
        yield from (here.number(k) for k in c.constants.values() if not k.quantity)  # a card's number stands on its card
        yield from _lent_by_cards_off(here, c, library)
        for choice in (ch for i in c.inputs.values() for ch in i.choices.values()):
            # A bare 0 or 1 without a source only selects a formula.
            yield from (here.number(k, choice.label) for k in choice.sets.values() if not k.quantity and (k.unit != "ratio" or k.basis.citations))
        for o in c.outputs.values():
            yield here.says("working", o.label, o.basis)
        for v in c.verdicts:
            yield here.says("", v.say, v.basis)
        yield from here.claims("method", c.notes)
        yield from here.claims("not-for", c.not_for)
        for e in c.examples:
            yield here.says("examples", e.label or "Worked example", e.basis)
    for page in library.pages.values():
        here = _Here("page", page.id)
        for i, section in enumerate(page.sections, 1):
            yield from here.claims(f"section-{i}", section.claims)
    for term in library.terms.values():
        if term.basis:
            yield Statement("glossary", "glossary", term.id, term.meaning, term.basis)


@dataclass(frozen=True, slots=True)
class _Here:
    """Makes the statements of one page."""

    kind: str
    id: str

    def says(self, anchor: str, text: str, basis: Basis, amount: Amount | None = None) -> Statement:
        return Statement(self.kind, self.id, anchor, text, basis, amount)

    def quantity(self, anchor: str, q: Quantity) -> Statement:
        remark = ""
        if isinstance(q, LocalQuantity):
            remark = f"local; base {amount(q.base.unit, q.base.value, q.base.low, q.base.high)}"
        elif isinstance(q, QuantityFromBase):
            remark = f"worked from the base: {'; '.join(q.bases)}"
        return Statement(self.kind, self.id, anchor, q.label, q.basis, q.amount, remark)

    def claims(self, anchor: str, found: Iterable[Claim]) -> Iterator[Statement]:
        return (self.says(anchor, c.text, c.basis) for c in found)

    def decisions(self, anchor: str, found: Iterable[Decision]) -> Iterator[Statement]:
        return (self.says(anchor, f"If {_inside(d.condition)}, then: {_inside(d.then)}", d.basis) for d in found)

    def number(self, c: Constant, choice: str = "") -> Statement:
        return self.says("numbers", ", ".join(p for p in (c.label, choice) if p), c.basis, Amount(c.unit, value=c.value))


def _lent_by_cards_off(here: _Here, c: Calculator, library: Library) -> Iterator[Statement]:
    """The numbers that a calculator takes from cards without a page: what they rest on is told where they are used."""
    if library.techniques_off:
        names = dict.fromkeys(k.quantity.partition(".")[0] for k in c.constants.values() if k.quantity.partition("/")[0] in library.techniques_off)
        yield from (here.quantity("numbers", q) for name in names if (q := library.quantity(name)))


def _inside(sentence: str) -> str:
    """A sentence as part of a longer one: no capital, no full stop (an abbreviation keeps its capitals)."""
    text = sentence.strip().rstrip(".")
    return text[0].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def _of_technique(t: Technique) -> Iterator[Statement]:
    here = _Here("technique", t.id)
    for q in t.quantities.values():
        yield here.quantity(f"quantity-{q.key}", q)
        for r in q.reported:
            yield here.says(f"published-{q.key}" if q.headline else f"quantity-{q.key}", f"{q.label}, published ({r.where})", r.basis, r.amount)
    yield from here.claims("when", t.when)
    yield from here.claims("when-not", t.not_when)
    yield from here.claims("have-ready", t.equipment)
    for i, s in enumerate(t.steps, 1):
        yield here.says(f"step-{i}", s.do, s.basis)
    yield from here.decisions("decisions", t.decisions)
    for p in t.pitfalls:
        yield here.says("pitfalls", f"{p.sign} {p.respond}", p.basis)
    yield from here.claims("cautions", t.cautions)
    yield from here.claims("evidence", t.evidence)
    for q in t.questions:
        yield here.says("test-yourself", q.answer, q.basis)


def _along(library: Library) -> dict[str, tuple[tuple[Pathway, str, str], ...]]:
    along: dict[str, list[tuple[Pathway, str, str]]] = {}
    for pathway in library.pathways.values():
        cards = [c for c in pathway.cards if c in library.techniques]
        for before, card, after in zip(["", *cards], cards, [*cards[1:], ""]):
            along.setdefault(card, []).append((pathway, before, after))
    return {card: tuple(found) for card, found in along.items()}
