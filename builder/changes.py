"""What changed clinically between two versions of the cards, in the words of the trade. Pure: two libraries in, a report out.

What is new is told apart from what is only worded anew by what moved: a number, a basis, the order, a caution, a word that
turns a sentence round (not, only, before), a term of the glossary, or a sentence that says markedly more or less. Two texts of a list are taken for one that was edited if they share half
of their words; else one was removed and another added.
"""

from __future__ import annotations

import difflib
import html
import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from .calculate import Case
from .model import (
    CHECKED, LOCAL_KINDS, PRACTICE, Amount, Basis, Calculator, Claim, Constant, Decision, Department, Input, Library, LocalQuantity, Output, Page, Pathway, Pitfall, Quantity, Question,
    RefuseWhen, Reported, Review, Source, Step, Technique, Term, Verdict,
)
from .signoff import lapsed
from .text import links, parts
from .units import amount
from .versions import version

FORMAT = 1  # of the JSON; counted up when a field goes or changes its meaning
VERBS = ("added", "removed", "changed", "moved", "source added", "source removed", "weakened", "confirmed")
MOVED = ("content", "number", "basis", "order", "caution", "condition")
KIND_WORDS = {"technique": "technique card", "pathway": "case", "calculator": "calculator", "page": "page", "source": "source", "glossary": "glossary",
              "department": "department"}

# A sentence that gains or loses one of these may say the opposite, or say it of another eye.
_TURNING = frozenset(
    "no not never none nor without unless except only always must should may can cannot avoid stop if when until before after during above below over under "
    "more less least most increase decrease raise lower higher left right nasal temporal superior inferior upper either both neither".split())
# How many and how soon, in words.
_NUMBER_WORDS = frozenset(
    "one two three four five six seven eight nine ten eleven twelve half third quarter once twice thrice double day days daily week weeks weekly month months "
    "hour hours minute minutes second seconds immediately urgent urgently soon".split())
# The site's own page of a changed card passes over the same words (changes.js).
_IDLE = frozenset("a an the is are was were be been being".split())
_TOKEN = re.compile(r"\d+(?:[.,]\d+)*|[^\W\d_]+")
_ALIKE = 0.5
_SAYS_MORE = 3  # words that count, gained or lost on balance: as many as it takes to ask for another thing
_QUIET = ("see also", "other name", "question", "card it is used by", "reference")
_MOST = 25  # lines under one heading of the Markdown
_LONGEST = 60_000  # characters of the Markdown: a comment on a forge holds 65,536
_SHORT = 240


@dataclass(frozen=True, slots=True)
class Version:
    """One version of the cards. cases: calculator id -> its typical cases worked out; one with faults is missing there."""

    name: str
    library: Library
    cases: Mapping[str, Sequence[Case]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that changed on a card.

    verb: of VERBS. part: what it is (quantity, step, caution ...). subject: which, in words.
    before, after: what it says, as the reader sees it; empty where it is not there.
    basis_before, basis_after: what it rests on in words; empty where it has none.
    moved: of MOVED; empty if it is wording only.
    """

    verb: str
    part: str
    subject: str
    before: str = ""
    after: str = ""
    basis_before: str = ""
    basis_after: str = ""
    moved: tuple[str, ...] = ()
    warning: bool = False


@dataclass(frozen=True, slots=True)
class CardChange:
    """A card that was added, removed or changed (`state`), with its changes. warning: it took its cautions with it."""

    kind: str
    id: str
    title: str
    state: str
    changes: tuple[Change, ...] = ()
    warning: bool = False


@dataclass(frozen=True, slots=True)
class ResultChange:
    """A calculator's result, or the verdict on it, that differs for one typical case. given: the case in words."""

    calculator: str
    title: str
    case: str
    given: str
    result: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Sentence:
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Downstream:
    """A card whose own words stand, and which reads differently because of changed numbers.

    because: the numbers, as card/key. says: its sentences. takes: the numbers a calculator takes from them, by label.
    """

    kind: str
    id: str
    title: str
    because: tuple[str, ...]
    says: tuple[Sentence, ...] = ()
    takes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Again:
    """A card whose clinical content is another now, and who answers for it.

    signed_off: the day of the last sign-off, or empty. lapsed: that sign-off does not hold for what the card says now.
    """

    kind: str
    id: str
    title: str
    owner: str
    signed_off: str
    lapsed: bool


@dataclass(frozen=True, slots=True)
class NotCompared:
    kind: str
    id: str
    why: str


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that changed from version `before` to version `after`, cards in order of kind and id."""

    before: str
    after: str
    cards: tuple[CardChange, ...] = ()
    results: tuple[ResultChange, ...] = ()
    downstream: tuple[Downstream, ...] = ()
    look_again: tuple[Again, ...] = ()
    not_compared: tuple[NotCompared, ...] = ()

    @property
    def warnings(self) -> int:
        return sum(c.warning + sum(x.warning for x in c.changes) for c in self.cards)

    @property
    def of_meaning(self) -> int:
        """Changes that are more than wording; a card added or removed is one."""
        return sum((c.state != "changed") + sum(bool(x.moved) for x in c.changes) for c in self.cards)

    @property
    def of_wording(self) -> int:
        return sum(not x.moved for c in self.cards for x in c.changes)


def compare(before: Version, after: Version) -> Report:
    """What changed from one version of the cards to the other."""
    old, new = before.library, after.library
    cards, missed = [], []
    trade = _trade(old, new)
    for kind, was, now in _kinds(old, new):
        unsound = [{id for k, id in library.unsound if k == kind} for library in (old, new)]
        for id in sorted({*was, *now, *unsound[0], *unsound[1]}):
            if id in unsound[0] | unsound[1]:
                missed.append(NotCompared(kind, id, f"it has problems in {after.name if id in unsound[1] else before.name}"))
            elif id not in was:
                cards.append(CardChange(kind, id, _title(now[id]), "added"))
            elif id not in now:
                guards = sum(len(getattr(was[id], part, ())) for part in ("cautions", "not_when", "not_for", "refuse_when"))
                cards.append(CardChange(kind, id, _title(was[id]), "removed", warning=guards > 0))
            elif was[id] is not now[id] and was[id] != now[id]:
                found = tuple(_Compare(old, new, id, trade).record(was[id], now[id]))
                cards.append(CardChange(kind, id, _title(now[id]), "changed", found or (Change("changed", "card", "what the page does not show"),)))
    for id in sorted(old.calculators.keys() & new.calculators.keys()):
        if (id in before.cases) != (id in after.cases):
            missed.append(NotCompared("calculator", id, f"its results cannot be worked out in {before.name if id in after.cases else after.name}"))
    downstream = tuple(_downstream(old, new))
    touched = {(c.kind, c.id) for c in (*cards, *downstream)}
    return Report(before.name, after.name, tuple(cards), tuple(_results(before, after)), downstream, tuple(_again(old, new, touched)), tuple(missed))


def _kinds(old: Library, new: Library) -> Iterator[tuple[str, Mapping[str, Any], Mapping[str, Any]]]:
    for kind, name in (("technique", "techniques"), ("pathway", "pathways"), ("calculator", "calculators"), ("page", "pages"), ("source", "sources")):
        yield kind, getattr(old, name), getattr(new, name)
    yield "glossary", *({"glossary": _Glossary(x.terms)} if x.terms else {} for x in (old, new))
    yield "department", *({"department": x.department} if x.department else {} for x in (old, new))


@dataclass(frozen=True, slots=True)
class _Glossary:
    """The glossary as one card."""

    terms: Mapping[str, Term]
    title: str = "Glossary"


def _title(record: Any) -> str:
    return record.name if isinstance(record, Department) else record.title


# --- words ----------------------------------------------------------------------------------------------------------


def _amount(a: Amount) -> str:
    return amount(a.unit, a.value, a.low, a.high)


def _said(text: str, library: Library, card: str) -> str:
    """A card's sentence as plain text, with the values of this version in it; a link that leads nowhere shows its target."""
    out = []
    for part in parts(text):
        if isinstance(part, str):
            out.append(part.replace("*", ""))
        elif part.words:
            out.append(part.words)
        elif part.scheme == "quantity":
            q = library.quantity(_full(part.target, card))
            out.append(_amount(q.amount) if q else part.target)
        elif part.scheme == "value":  # whatever the calculator finds
            c = library.calculators.get(card)
            known = {**c.inputs, **c.outputs, **c.constants}.get(part.target) if c else None
            out.append(f"({(known.label if known else '') or part.target})")
        else:
            out.append(_name(part.scheme, part.target, library))
    return re.sub("[ \t\r\n]+", " ", "".join(out)).strip()  # a figure stays with its unit


def _name(scheme: str, target: str, library: Library) -> str:
    if scheme == "term":
        return library.terms[target].term if target in library.terms else target
    records: Mapping[str, Mapping[str, Any]] = {
        "card": {**library.techniques, **library.techniques_off}, "calculator": library.calculators, "pathway": library.pathways, "page": library.pages, "source": library.sources}
    found = records.get(scheme, {}).get(target)
    return found.title if found else target


def _full(target: str, card: str) -> str:
    return target if "/" in target else f"{card}/{target}"


def _basis(b: Basis) -> str:
    return "; ".join(f"{c.source}, {c.checked}" for c in b.citations) or PRACTICE


def _numbers(text: str, library: Library, card: str) -> Counter[str]:
    """The numbers of a sentence as the reader sees it; one that stands in a card's quantity with its unit."""
    found = Counter(t for t in _TOKEN.findall(_said(text, library, card).lower()) if t[0].isdigit() or t in _NUMBER_WORDS)
    lent = (library.quantity(_full(x.target, card)) for x in links(text) if x.scheme == "quantity" and not x.words)
    return found + Counter(_amount(q.amount) for q in lent if q)


def _trade(old: Library, new: Library) -> re.Pattern[str]:
    """Every name of every term in either glossary, the longest first."""
    names = {n.lower() for x in (old, new) for t in x.terms.values() for n in (t.term, t.abbreviation, t.american, *t.also_called) if n}
    return re.compile(rf"(?<!\w)(?:{'|'.join(sorted(map(re.escape, names), key=lambda n: (-len(n), n)))})(?!\w)" if names else r"(?!)")


def _bare(said: str) -> list[str]:
    return [t for t in _TOKEN.findall(said.lower()) if t not in _IDLE]


# --- lists ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Item:
    """One entry of a list: its texts, what it rests on, and what is no text (a formula, a level)."""

    texts: tuple[str, ...]
    basis: Basis | None = None
    condition: tuple[str, ...] = ()


def _item(x: Any) -> _Item:
    match x:
        case Claim():
            return _Item((x.text,), x.basis)
        case Step():
            return _Item((x.do, x.why, x.endpoint), x.basis)
        case Decision():
            return _Item((f"If {x.condition}, then: {x.then}", x.why), x.basis)
        case Pitfall():
            return _Item((x.sign, x.respond), x.basis)
        case Question():
            return _Item((x.ask, x.answer), x.basis)
        case Verdict():
            return _Item((x.say,), x.basis, (x.level, x.when))
        case RefuseWhen():
            return _Item((x.say,), None, (x.when,))
    raise TypeError(type(x).__name__)


def _pairs(before: Sequence[_Item], after: Sequence[_Item]) -> tuple[list[tuple[int, int]], list[int], list[int]]:
    """Which entry became which: (pairs in the order of `after`, those removed, those added)."""
    left, right = list(range(len(before))), list(range(len(after)))
    pairs = []
    for same in (lambda x, y: x == y, lambda x, y: x.texts == y.texts):
        for j in tuple(right):
            i = next((i for i in left if same(before[i], after[j])), None)
            if i is not None:
                pairs.append((i, j))
                left.remove(i)
                right.remove(j)
    words = {("before", i): _bare(" ".join(before[i].texts)) for i in left} | {("after", j): _bare(" ".join(after[j].texts)) for j in right}
    likeness = [(-difflib.SequenceMatcher(None, words["before", i], words["after", j], autojunk=False).ratio(), abs(i - j), i, j) for i in left for j in right]
    for ratio, _, i, j in sorted(likeness):
        if -ratio >= _ALIKE and i in left and j in right:
            pairs.append((i, j))
            left.remove(i)
            right.remove(j)
    return sorted(pairs, key=lambda p: p[1]), left, right


def _strays(order: Sequence[int]) -> set[int]:
    """The fewest positions to take out so that the rest stands in rising order: the entries that were moved."""
    runs: list[list[int]] = []  # the longest rising run that ends at each position
    for j, value in enumerate(order):
        runs.append([*max((runs[k] for k in range(j) if order[k] < value), key=len, default=[]), j])
    return set(range(len(order))) - set(max(runs, key=len, default=[]))


# --- cards ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Compare:
    """Compares two versions of the card `id`. trade: finds the terms of the glossary in a sentence."""

    old: Library
    new: Library
    id: str
    trade: re.Pattern[str]

    def record(self, was: Any, now: Any) -> Iterator[Change]:
        by_type: Mapping[type, Callable[[Any, Any], Iterator[Change]]] = {
            Technique: self.technique, Pathway: self.pathway, Calculator: self.calculator, Page: self.page, Source: self.source, _Glossary: self.glossary,
            Department: self.department}
        yield from by_type[type(now)](was, now)
        if hasattr(now, "review"):
            yield from self.review(was.review, now.review)

    # texts, numbers, bases

    def text(self, part: str, was: str, now: str, subject: str = "", guarded: bool = False) -> Iterator[Change]:
        """One text that was edited, added or emptied."""
        if was != now:
            yield Change("changed" if was and now else "added" if now else "removed", part, subject or part,
                         _said(was, self.old, self.id), _said(now, self.new, self.id), moved=self.moved(was, now, guarded))

    def moved(self, was: str, now: str, guarded: bool) -> tuple[str, ...]:
        """What moved between two wordings of one sentence. guarded: it warns, so that any other word counts."""
        said = _said(was, self.old, self.id), _said(now, self.new, self.id)
        turning = [Counter(t for t in _TOKEN.findall(s.lower()) if t in _TURNING) for s in said]
        return tuple(name for name, is_so in (
            ("content", self.named(said[0]) != self.named(said[1]) or abs(len(_bare(said[0])) - len(_bare(said[1]))) >= _SAYS_MORE),
            ("number", _numbers(was, self.old, self.id) != _numbers(now, self.new, self.id)),
            ("caution", guarded and _bare(said[0]) != _bare(said[1])),
            ("condition", turning[0] != turning[1])) if is_so)

    def named(self, said: str) -> set[str]:
        return set(self.trade.findall(said.lower()))

    def basis(self, part: str, subject: str, was: Basis, now: Basis) -> Iterator[Change]:
        """Sources added and removed, and confirmations that grew weaker or firmer."""
        whole = {"basis_before": _basis(was), "basis_after": _basis(now), "moved": ("basis",)}
        checked = [{s: min((c.checked for c in b.citations if c.source == s), key=CHECKED.index) for s in dict.fromkeys(c.source for c in b.citations)}
                   for b in (was, now)]
        if checked[0] and not checked[1]:
            yield Change("weakened", part, subject, **whole, warning=True)
            return
        for source in sorted(checked[0].keys() - checked[1].keys()):
            weaker = CHECKED.index(now.standing) > CHECKED.index(was.standing)
            yield Change("source removed", part, subject, before=f"{source}, {checked[0][source]}", **whole, warning=weaker)
        for source in sorted(checked[1].keys() - checked[0].keys()):
            yield Change("source added", part, subject, after=f"{source}, {checked[1][source]}", **whole)
        for source in sorted(checked[0].keys() & checked[1].keys()):
            change = CHECKED.index(checked[1][source]) - CHECKED.index(checked[0][source])
            if change:
                yield Change("weakened" if change > 0 else "confirmed", part, subject, f"{source}, {checked[0][source]}", f"{source}, {checked[1][source]}",
                             **whole, warning=change > 0)
        if checked[0] == checked[1] and was != now:  # the place in the source, or a note
            yield Change("changed", "citation", subject, _places(was), _places(now), _basis(was), _basis(now))

    def number(self, part: str, subject: str, was: tuple[str, Basis] | None, now: tuple[str, Basis] | None) -> Iterator[Change]:
        """A figure in words with its basis; None where it is not there."""
        if was is None or now is None:
            yield Change("added" if was is None else "removed", part, subject, was[0] if was else "", now[0] if now else "",
                         _basis(was[1]) if was else "", _basis(now[1]) if now else "", ("content",))
            return
        if was[0] != now[0]:
            yield Change("changed", part, subject, was[0], now[0], _basis(was[1]), _basis(now[1]), ("number",))
        if was[1] != now[1]:
            yield from self.basis(part, subject, was[1], now[1])

    def entries(self, part: str, was: Sequence[Any], now: Sequence[Any], *, guarded: bool = False, ordered: bool = False, asked: bool = False) -> Iterator[Change]:
        """A list of entries. guarded: to lose one is a warning. ordered: their order counts. asked: they teach and do not advise."""
        before, after = [_item(x) for x in was], [_item(x) for x in now]
        pairs, gone, come = _pairs(before, after)
        content = () if asked else ("caution",) if guarded else ("content",)

        def subject(i: int) -> str:
            return f"{part} {i + 1}" if ordered else part

        for i in gone:
            yield Change("removed", part, subject(i), before=self.said(before[i].texts, self.old), basis_before=_basis(before[i].basis) if before[i].basis else "",
                         moved=content, warning=guarded and not asked)
        for j in come:
            yield Change("added", part, subject(j), after=self.said(after[j].texts, self.new), basis_after=_basis(after[j].basis) if after[j].basis else "", moved=content)
        strays = _strays([i for i, _ in pairs]) if ordered else set()
        for k, (i, j) in enumerate(pairs):
            x, y = before[i], after[j]
            if k in strays:
                yield Change("moved", part, self.said(y.texts[:1], self.new), subject(i), subject(j), moved=("order",))
            if x.texts != y.texts:
                width = max(len(x.texts), len(y.texts))
                edited = [(a, b) for a, b in zip(x.texts + ("",) * (width - len(x.texts)), y.texts + ("",) * (width - len(y.texts))) if a != b]
                moved = () if asked else tuple(m for m in MOVED if any(m in self.moved(a, b, guarded) for a, b in edited))
                yield Change("changed", part, subject(j), self.said([a for a, _ in edited], self.old), self.said([b for _, b in edited], self.new),
                             _basis(x.basis) if x.basis else "", _basis(y.basis) if y.basis else "", moved, guarded and "condition" in moved)
            if x.condition != y.condition:
                yield Change("changed", part, self.said(y.texts, self.new), ": ".join(x.condition), ": ".join(y.condition), moved=("condition",))
            if x.basis and y.basis and x.basis != y.basis:
                for change in self.basis(part, self.said(y.texts[:1], self.new), x.basis, y.basis):
                    # A self-test answer advises nobody; a weaker source of it is told and does not warn.
                    yield Change(**{**_flat(change), "warning": False}) if asked else change

    def said(self, texts: Iterable[str], library: Library) -> str:
        return " ".join(filter(None, (_said(t, library, self.id) for t in texts)))

    def names(self, part: str, was: Sequence[str], now: Sequence[str], scheme: str = "", moved: str = "", ordered: bool = False) -> Iterator[Change]:
        """A list of names or ids. moved: what it is to change it. ordered: their order counts."""
        shown = [(_name(scheme, x, library) if scheme else x) for names, library in ((was, self.old), (now, self.new)) for x in names]
        before, after = shown[: len(was)], shown[len(was):]
        what = (moved,) if moved else ()
        for id, name in zip(was, before):
            if id not in now:
                yield Change("removed", part, name, before=name, moved=what)
        for id, name in zip(now, after):
            if id not in was:
                yield Change("added", part, name, after=name, moved=what)
        if ordered and [x for x in was if x in now] != [x for x in now if x in was]:
            yield Change("moved", part, f"order of {part}", ", ".join(before), ", ".join(after), moved=("order",))

    def plainly(self, part: str, was: Any, now: Any, names: Iterable[str], subject: str = "") -> Iterator[Change]:
        """Fields that advise nothing by themselves."""
        for name in names:
            a, b = getattr(was, name), getattr(now, name)
            if isinstance(a, str) and isinstance(b, str):
                for change in self.text(f"{part} {name}".strip().replace("_", " "), a, b, subject):
                    told = tuple(m for m in change.moved if m in ("number", "condition") and a and b)
                    yield Change(**{**_flat(change), "moved": told})
            elif a != b:
                words = f"{part} {name}".strip().replace("_", " ")
                yield Change("changed", words, subject or words, *(str(x) if isinstance(x, bool | int | float) else "" for x in (a, b)))

    # kinds of card

    def technique(self, was: Technique, now: Technique) -> Iterator[Change]:
        yield from self.keyed(self.quantity, was.quantities, now.quantities)
        yield from self.entries("when", was.when, now.when)
        yield from self.entries("when not", was.not_when, now.not_when, guarded=True)
        yield from self.entries("equipment", was.equipment, now.equipment)
        yield from self.entries("step", was.steps, now.steps, ordered=True)
        yield from self.entries("decision", was.decisions, now.decisions)
        yield from self.entries("pitfall", was.pitfalls, now.pitfalls)
        yield from self.entries("caution", was.cautions, now.cautions, guarded=True)
        yield from self.entries("evidence", was.evidence, now.evidence)
        yield from self.entries("question", was.questions, now.questions, asked=True)
        if was.stage != now.stage:
            yield Change("changed", "stage", "stage", was.stage, now.stage, moved=("order",))
        yield from self.names("next card", was.next, now.next, "card", "order", ordered=True)
        yield from self.names("see also", was.see_also, now.see_also, "card")
        yield from self.heading(was, now)

    def heading(self, was: Any, now: Any) -> Iterator[Change]:
        yield from self.plainly("", was, now, ("title", "summary"))
        yield from self.names("other name", was.also_called, now.also_called)

    @staticmethod
    def keyed(one: Callable[[Any, Any], Iterator[Change]], was: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[Change]:
        for key in [*now, *(k for k in was if k not in now)]:
            if was.get(key) != now.get(key):
                yield from one(was.get(key), now.get(key))

    def quantity(self, was: Quantity | None, now: Quantity | None) -> Iterator[Change]:
        label = (now or was).label  # type: ignore[union-attr]
        yield from self.number("quantity", label, *((_amount(q.amount), q.basis) if q else None for q in (was, now)))
        if was and now:
            yield from self.layer(label, was, now)
            yield from self.plainly("quantity", was, now, ("label", "why", "headline"), label)
            yield from self.keyed(lambda x, y: self.published(label, x, y), _by_place(was.reported), _by_place(now.reported))

    @staticmethod
    def layer(label: str, was: Quantity, now: Quantity) -> Iterator[Change]:
        """A local value that came or went, and a card that changed beneath one: nobody reads that on a page, so it warns."""
        if was.is_local != now.is_local:
            yield Change("added" if now.is_local else "removed", "local value", label, *(_over(q) for q in (was, now)), moved=("content",))
        elif isinstance(was, LocalQuantity) and isinstance(now, LocalQuantity):
            # The base as it is, or, where the cards below come with the package, as the editor found it.
            before, after = (was.base, now.base) if was.base != now.base else (was.read, now.read)
            if before != after:
                yield Change("changed", "base value under a local one", label, _amount(before), _amount(after), _basis(was.base_basis), _basis(now.base_basis),
                             ("number",), warning=True)

    def published(self, label: str, was: Reported | None, now: Reported | None) -> Iterator[Change]:
        where = (now or was).where  # type: ignore[union-attr]
        yield from self.number("published figure", f"{label}, {_said(where, self.new, self.id)}", *((_amount(r.amount), r.basis) if r else None for r in (was, now)))
        if was and now:
            yield from self.text("note on a published figure", was.note, now.note, label)

    def pathway(self, was: Pathway, now: Pathway) -> Iterator[Change]:
        yield from self.entries("when", was.when, now.when)
        stages = [{s.stage: s for s in p.stages} for p in (was, now)]
        yield from self.names("stage", tuple(stages[0]), tuple(stages[1]), moved="order", ordered=True)
        for name in [s for s in stages[1] if s in stages[0]]:
            a, b = stages[0][name], stages[1][name]
            yield from self.names(f"card under {name}", a.cards, b.cards, "card", "order", ordered=True)
            yield from self.names(f"calculator under {name}", a.calculators, b.calculators, "calculator", "content")
            yield from self.text(f"aim of {name}", a.aim, b.aim)
            yield from self.entries(f"to have ready under {name}", a.have, b.have)
            yield from self.entries(f"decision under {name}", a.decisions, b.decisions)
            yield from self.entries(f"reason to stop under {name}", a.stop_if, b.stop_if, guarded=True)
        for name in [s for s in stages[0] if s not in stages[1]]:
            yield from self.entries(f"reason to stop under {name}", stages[0][name].stop_if, (), guarded=True)
        yield from self.heading(was, now)

    def calculator(self, was: Calculator, now: Calculator) -> Iterator[Change]:
        yield from self.keyed(self.input, was.inputs, now.inputs)
        yield from self.keyed(self.constant, was.constants, now.constants)
        yield from self.keyed(self.output, was.outputs, now.outputs)
        yield from self.entries("verdict", was.verdicts, now.verdicts, guarded=True)
        yield from self.entries("refusal", was.refuse_when, now.refuse_when, guarded=True)
        yield from self.entries("note on the method", was.notes, now.notes)
        yield from self.entries("not for", was.not_for, now.not_for, guarded=True)
        yield from self.names("card it is used by", was.used_by, now.used_by, "card")
        yield from self.heading(was, now)
        yield from self.plainly("", was, now, ("question", "stage", "plot", "diagram", "roles", "tables", "calendar", "beside", "examples"))

    def input(self, was: Input | None, now: Input | None) -> Iterator[Change]:
        label = (now or was).label  # type: ignore[union-attr]
        if was is None or now is None:
            yield Change("added" if now else "removed", "input", label, moved=("content",))
            return
        for name, words in (("low", "lowest"), ("high", "highest"), ("start", "starts at")):
            a, b = getattr(was, name), getattr(now, name)
            if a != b or (was.unit != now.unit and isinstance(a, float | int)):
                yield Change("changed", "input", f"{label}, {words}", self.given(a, was.unit, self.old), self.given(b, now.unit, self.new), moved=("number",))
        for key in [*now.choices, *(k for k in was.choices if k not in now.choices)]:
            a, b = was.choices.get(key), now.choices.get(key)
            if a is None or b is None:
                yield Change("added" if b else "removed", "choice", f"{label}: {(b or a).label}", moved=("content",))  # type: ignore[union-attr]
            elif a != b:
                yield from self.keyed(lambda x, y, choice=b.label: self.constant(x, y, f"{choice}: "), a.sets, b.sets)
                yield from self.text("choice", a.label, b.label)
        yield from self.plainly("input", was, now, ("label", "kind", "unit", "help", "why_range", "decimals", "also_in"), label)

    def constant(self, was: Constant | None, now: Constant | None, before: str = "") -> Iterator[Change]:
        label = before + ((now or was).label or (now or was).name)  # type: ignore[union-attr]
        if was and now and was.quantity and was.quantity == now.quantity:
            return  # the same number of a card; if it is another now, the card says so
        sides = [(self.given(f"quantity:{c.quantity}" if c.quantity else c.value, c.unit, library), self.lent(c, library)) if c else None
                 for c, library in ((was, self.old), (now, self.new))]
        yield from self.number("constant", label, *sides)
        if was and now:
            yield from self.plainly("constant", was, now, ("label",), label)

    def given(self, value: Any, unit: str, library: Library) -> str:
        """A number of a calculator in words, looked up where a card lends it."""
        if isinstance(value, str) and value.startswith("quantity:"):
            reference, _, end = value.removeprefix("quantity:").partition(".")
            q = library.quantity(reference)
            number = getattr(q.amount, end or "value") if q else None
            return f"{amount(q.amount.unit, number, None, None)} ({reference})" if q and number is not None else reference
        return "" if value is None else value if isinstance(value, str) else amount(unit, value, None, None)

    @staticmethod
    def lent(c: Constant, library: Library) -> Basis:
        q = library.quantity(c.quantity.partition(".")[0]) if c.quantity else None
        return q.basis if q else c.basis

    def output(self, was: Output | None, now: Output | None) -> Iterator[Change]:
        label = (now or was).label  # type: ignore[union-attr]
        if was is None or now is None:
            yield Change("added" if now else "removed", "result", label, moved=("content",))
            return
        formulas = [f"{o.formula} {o.unit}".strip() if o.formula else f"{o.solve.unknown} where {o.solve.within} = {o.solve.equals}, between {' and '.join(o.solve.between)}"
                    if o.solve else "" for o in (was, now)]
        yield from self.number("formula", label, (formulas[0], was.basis), (formulas[1], now.basis))
        if was.only_when != now.only_when:
            yield Change("removed" if not now.only_when else "changed" if was.only_when else "added", "limit of a result", label,
                         *(o.only_when.holds if o.only_when else "" for o in (was, now)), moved=("condition",), warning=not now.only_when)
        yield from self.plainly("result", was, now, ("label", "group", "note", "decimals"), label)

    def page(self, was: Page, now: Page) -> Iterator[Change]:
        sections = [{s.title: s.claims for s in p.sections} for p in (was, now)]
        yield from self.names("section", tuple(sections[0]), tuple(sections[1]))
        for title in dict.fromkeys([*sections[1], *sections[0]]):
            yield from self.entries(f"statement under {title}", sections[0].get(title, ()), sections[1].get(title, ()))
        yield from self.heading(was, now)

    def source(self, was: Source, now: Source) -> Iterator[Change]:
        if was.checked != now.checked:
            weaker = CHECKED.index(now.checked) > CHECKED.index(was.checked)
            yield Change("weakened" if weaker else "confirmed", "source", "how it was checked", was.checked, now.checked, moved=("basis",), warning=weaker)
        for name, words in (("withdrawn", "withdrawn"), ("superseded_by", "superseded by")):
            a, b = getattr(was, name), getattr(now, name)
            if a != b:
                yield Change("weakened" if b else "confirmed", "source", words, a, b, moved=("basis",), warning=bool(b))
        for key in sorted({*was.csl, *now.csl}):
            if was.csl.get(key) != now.csl.get(key):
                yield Change("changed", "reference", key, *(x if isinstance(x, str) else json.dumps(x, default=_listed, ensure_ascii=False) if x is not None else ""
                                                            for x in (was.csl.get(key), now.csl.get(key))))
        yield from self.plainly("source", was, now, ("checked_note", "incomplete"))

    def glossary(self, was: _Glossary, now: _Glossary) -> Iterator[Change]:
        def term(a: Term | None, b: Term | None) -> Iterator[Change]:
            name = (b or a).term  # type: ignore[union-attr]
            if a is None or b is None:
                yield Change("added" if b else "removed", "term", name, a.meaning if a else "", b.meaning if b else "")
                return
            yield from self.text("meaning of a term", a.meaning, b.meaning, name)
            if a.basis != b.basis:
                yield from self.basis("term", name, a.basis or Basis(), b.basis or Basis())
            yield from self.plainly("term", a, b, ("term", "abbreviation", "american", "also_called"), name)

        yield from self.keyed(term, was.terms, now.terms)

    def department(self, was: Department, now: Department) -> Iterator[Change]:
        yield from self.names("list day", was.list_days, now.list_days, moved="content")
        yield from self.names("calculator switched off", was.calculators_off, now.calculators_off, "calculator", "content")
        rest = [f.name for f in fields(now) if f.name not in ("list_days", "calculators_off")]
        yield from self.plainly("department", was, now, rest)

    def review(self, was: Review, now: Review) -> Iterator[Change]:
        # Whose role it is changes when another department lays its own values over the card, and not by anyone's hand.
        if len({(r.signed_off.on, r.signed_off.by, r.signed_off.digest) if r.signed_off else None for r in (was, now)}) > 1:
            yield Change("changed", "sign-off", "sign-off", *(f"{r.signed_off.on}, {r.signed_off.by}" if r.signed_off else "" for r in (was, now)))
        yield from self.plainly("review", was, now, ("owner", "every_months"))


def _flat(change: Change) -> dict[str, Any]:
    return {f.name: getattr(change, f.name) for f in fields(change)}


def _listed(value: Any) -> Any:
    """What JSON does not know of a frozen record: mappings and tuples of another kind."""
    return dict(value) if hasattr(value, "items") else list(value)


def _over(q: Quantity) -> str:
    """A local value with what it stands in place of and the reason; empty where the card's own value stands."""
    return f"{_amount(q.amount)} in place of {_amount(q.base)}: {q.why}" if isinstance(q, LocalQuantity) else ""


def _places(b: Basis) -> str:
    return "; ".join(", ".join(p for p in (c.source, c.at, c.note) if p) for c in b.citations)


def _by_place(reported: Sequence[Reported]) -> dict[str, Reported]:
    """Published figures by where they come from; two of one place are told apart by their turn."""
    found: dict[str, Reported] = {}
    for r in reported:
        turn = sum(x.where == r.where for x in found.values())
        found[f"{r.where}\0{turn}"] = r
    return found


# --- what follows ---------------------------------------------------------------------------------------------------


def _results(before: Version, after: Version) -> Iterator[ResultChange]:
    for id, cases in sorted(after.cases.items()):
        if id not in before.cases:
            continue
        now, was = after.library.calculators[id], before.library.calculators[id]
        # A verdict that is itself new or gone is told on the calculator's card.
        lasting = {v.say for v in now.verdicts} & {v.say for v in was.verdicts}
        results: dict[tuple[tuple[str, str], ...], dict[str, str]] = {}
        verdicts = {case.given: _verdicts(case, id, lasting, before.library) for case in before.cases[id]}
        for case in before.cases[id]:
            results.setdefault(case.given, {}).update({name: words for name, _, words in case.results})
        for case in cases:
            given = ", ".join(f"{label} {value}" for label, value in case.given)
            shown = results.get(case.given, {})
            for name, label, words in case.results:
                if name in shown and shown[name] != words:
                    yield ResultChange(id, now.title, case.title, given, label, shown[name], words)
            then, still = verdicts.get(case.given), _verdicts(case, id, lasting, after.library)
            if then is not None and then.keys() != still.keys():
                left, came = ["; ".join(v[key] for key in v if key not in w) or "none" for v, w in ((then, still), (still, then))]
                yield ResultChange(id, now.title, case.title, given, "Verdict", left, came)


def _verdicts(case: Case, calculator: str, lasting: set[str], library: Library) -> dict[tuple[str, str], str]:
    """The verdicts of a case that both versions know: as written, and in words."""
    return {(level, say): f"{level}: {_said(say, library, calculator)}" for level, say in case.verdicts if say in lasting}


def _downstream(old: Library, new: Library) -> Iterator[Downstream]:
    changed = {f"{t.id}/{key}" for t in (*old.techniques.values(), *old.techniques_off.values()) for key, q in t.quantities.items()
               if (now := new.quantity(f"{t.id}/{key}")) is None or now.amount != q.amount}
    if not changed:
        return
    kept: dict[tuple[str, str], set[str]] = {}
    for d in old.documents:  # a glossary may stand in both layers
        kept.setdefault((d.kind, d.id), set()).update(text for _, text in d.texts)
    for d in sorted((d for d in new.documents if d.kind not in LOCAL_KINDS), key=lambda d: (d.kind, d.id)):
        if d.kind == "technique" and d.id in new.techniques_off:
            continue
        because: dict[str, None] = {}
        says = []
        for _, text in d.texts:
            named = [r for x in links(text) if x.scheme == "quantity" and (r := _full(x.target, d.id)) in changed]
            if named and text in kept.get((d.kind, d.id), ()):  # a sentence that was edited is told on its own card
                sentence = Sentence(_said(text, old, d.id), _said(text, new, d.id))
                if sentence.before != sentence.after:
                    because.update(dict.fromkeys(named))
                    says.append(sentence)
        takes = []
        if d.kind == "calculator" and d.id in new.calculators:
            for reference, label in _taken(new.calculators[d.id], new):
                if reference in changed:
                    because[reference] = None
                    takes.append(label)
        if says or takes:
            yield Downstream(d.kind, d.id, _title_of(d.kind, d.id, new), tuple(because), tuple(dict.fromkeys(says)), tuple(dict.fromkeys(takes)))


def _taken(c: Calculator, library: Library) -> Iterator[tuple[str, str]]:
    """(card/key, label) of each number that a calculator takes from a card."""
    sets = [k for i in c.inputs.values() for choice in i.choices.values() for k in choice.sets.values()]
    named = [(k.quantity, k.label) for k in (*c.constants.values(), *sets) if k.quantity]
    named += [(v, i.label) for i in c.inputs.values() for v in (i.low, i.high, i.start) if isinstance(v, str) and v.startswith("quantity:")]
    named += [(reference, "") for reference in c.beside]
    for written, label in named:
        reference = written.removeprefix("quantity:").partition(".")[0]
        q = library.quantity(reference)
        yield reference, label or (q.label if q else reference)


def _title_of(kind: str, id: str, library: Library) -> str:
    records = {k: now for k, _, now in _kinds(library, library)}[kind]
    return _title(records[id]) if id in records else id


def _again(old: Library, new: Library, touched: set[tuple[str, str]]) -> Iterator[Again]:
    for kind, was, now in _kinds(old, new):
        for id, record in now.items():
            if (kind, id) not in touched or not hasattr(record, "review"):
                continue
            signed, no_longer = record.review.signed_off, lapsed(record, new)
            if id not in was or version(was[id], old) != version(record, new) or (no_longer and not lapsed(was[id], old)):
                yield Again(kind, id, record.title, record.review.owner, signed.on if signed else "", no_longer)


# --- forms ----------------------------------------------------------------------------------------------------------


def to_json(report: Report) -> str:
    """The report as JSON: {format, summary, before, after, cards, results, downstream, look_again, not_compared}; every field always there."""
    summary = {"warnings": report.warnings, "of_meaning": report.of_meaning, "of_wording": report.of_wording}
    return json.dumps({"format": FORMAT, "summary": summary, **asdict(report)}, indent=2, ensure_ascii=False)


def to_markdown(report: Report) -> str:
    """The report for a comment on a pull request: warnings first, then what changed, what follows from it, and who looks again."""
    lines = [f"## What changes clinically, from {escaped(report.before)} to {escaped(report.after)}", "", _summary(report)]

    def section(title: str, entries: Sequence[str]) -> None:
        if entries:
            lines.extend(["", f"### {title}", "", *entries[:_MOST]])
            if len(entries) > _MOST:
                lines.append(f"- and {len(entries) - _MOST} more: see the JSON form")

    warned, meant = told(report)
    section("Warnings", [f"- {x}" for x in warned])
    section("Changes", [f"- {x}" for x in meant])
    section("Results for typical cases", list(_result_lines(report.results)))
    section("Reads differently now", list(_downstream_lines(report.downstream)))
    worded = [(c, x) for c in report.cards for x in c.changes if not x.moved]
    quiet = sum(x.part in _QUIET for _, x in worded)
    worded_lines = [f"- {_count(quiet, 'change')} to other names, to what to see also, to self-test questions, or to the details of references"] if quiet else []
    worded_lines += [f"- {_who(c)}: {_line(x)}" for c, x in worded if x.part not in _QUIET]
    section("Wording only: no number, basis, order, caution, condition or trade term moved", worded_lines)
    owners: dict[str, list[str]] = {}
    for a in report.look_again:
        owners.setdefault(a.owner, []).append(escaped(a.title) + (f" ({'the sign-off lapses' if a.lapsed else 'signed off'}, {a.signed_off})" if a.signed_off else ""))
    section("To be looked at again", [f"- {escaped(owner)}: {', '.join(titles)}" for owner, titles in owners.items()])
    section("Could not be compared", [f"- {KIND_WORDS.get(n.kind, n.kind)} {escaped(n.id)}: {escaped(n.why)}" for n in report.not_compared])
    text = "\n".join(lines)
    return text if len(text) <= _LONGEST else text[: text.rindex("\n", 0, _LONGEST)] + "\n\nThe rest is in the JSON form."


def _summary(report: Report) -> str:
    if not (report.cards or report.results or report.downstream or report.not_compared):
        return "Nothing on the cards changed."
    counts = [_count(report.warnings, "warning"), f"{_count(report.of_meaning, 'change')} of meaning", f"{report.of_wording} of wording only",
              f"{_count(len(report.results), 'result')} for typical cases"]
    return f"**{counts[0]}**; {', '.join(counts[1:])}."


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _who(c: CardChange) -> str:
    return f"**{escaped(c.title)}**" + ("" if c.kind in ("technique", "glossary", "department") else f" ({KIND_WORDS[c.kind]})")


_FIGURES = ("quantity", "constant", "published figure", "formula")


def _line(x: Change) -> str:
    before, after, subject, part = (escaped(_shortened(t)) for t in (x.before, x.after, x.subject, x.part))
    bases = [f" ({escaped(b)})" if b else "" for b in (x.basis_before, x.basis_after)]
    # A list's entry is named by its part and place, a figure by its label, anything else by both.
    named = subject if x.subject.startswith(x.part) else f"{part}, {subject}"
    about = f"{part} “{subject}”" if x.part not in (*_FIGURES, "source") else subject
    if x.verb in ("source added", "source removed"):
        return f"{x.verb}: {after or before}, for {about}{bases[0]} →{bases[1]}"
    if x.verb in ("weakened", "confirmed"):
        was, now = (escaped(x.basis_before), escaped(x.basis_after)) if x.basis_before else (before or "no", after or "no")
        return f"{'weaker' if x.verb == 'weakened' else 'firmer'} basis, for {about}: {was} → {now}"
    if x.verb == "moved":
        return f"{subject}: {before} → {after}" if x.subject.startswith("order of ") else f"{part} moved, {before} → {after}: “{subject}”"
    if x.verb in ("added", "removed"):
        said = after or before
        if x.part in _FIGURES:
            return f"{part} {x.verb}: {subject}, {said}{bases[bool(after)]}"
        return f"{named} {x.verb}" + (f": “{said}”{bases[bool(after)]}" if said and said != subject else "")
    if x.part in _FIGURES:
        return f"{named if x.part != 'quantity' else subject}: {before}{bases[0]} → {after}{bases[1]}"
    if not before and not after:
        return f"{named} changed"
    return f"{named}: “{before}” → “{after}”"


def _result_lines(results: Sequence[ResultChange]) -> Iterator[str]:
    """A line for what changed alike in several cases; at most five lines a calculator."""
    by: dict[str, dict[tuple[str, str, str], list[ResultChange]]] = {}
    for r in results:
        by.setdefault(r.calculator, {}).setdefault((r.result, r.before, r.after), []).append(r)
    for found in by.values():
        for (result, before, after), alike in list(found.items())[:5]:
            first = alike[0]
            more = f", and {_count(len(alike) - 1, 'more case')}" if len(alike) > 1 else ""
            yield f"- **{escaped(first.title)}**, {escaped(first.given or first.case)}{more}: {escaped(result)}, {escaped(_shortened(before))} → {escaped(_shortened(after))}"
        if len(found) > 5:
            yield f"- **{escaped(first.title)}**: and {_count(sum(map(len, list(found.values())[5:])), 'more result')}"


def _downstream_lines(downstream: Sequence[Downstream]) -> Iterator[str]:
    for d in downstream:
        who = f"**{escaped(d.title)}** ({KIND_WORDS[d.kind]})"
        if d.takes:
            yield f"- {who} takes from {', '.join(map(escaped, d.because))}: {', '.join(map(escaped, d.takes))}"
        for s in d.says[:3]:
            yield f"- {who}: “{escaped(_shortened(s.before))}” → “{escaped(_shortened(s.after))}”"
        if len(d.says) > 3:
            yield f"- {who}: and {_count(len(d.says) - 3, 'more sentence')}"


def _shortened(text: str) -> str:
    return text if len(text) <= _SHORT else text[: _SHORT - 1].rstrip() + "…"


def told(report: Report, plain: bool = False) -> tuple[list[str], list[str]]:
    """What changed in meaning, a line each: (warnings, the rest). plain: as words alone, else as Markdown."""
    warned = [f"{_who(c)} was removed, with its cautions" for c in report.cards if c.warning]
    warned += [f"{_who(c)}: {_line(x)}" for c in report.cards for x in c.changes if x.warning]
    meant = []
    for state in ("added", "removed"):
        titles = [_who(c) for c in report.cards if c.state == state and not c.warning]
        meant += [f"{state.capitalize()}: {', '.join(titles)}"] if titles else []
    meant += [f"{_who(c)}: {_line(x)}" for c in report.cards for x in c.changes if x.moved and not x.warning]
    return tuple([_unmarked(x) for x in lines] if plain else lines for lines in (warned, meant))  # type: ignore[return-value]


def escaped(text: str) -> str:
    """Words of a card that cannot become Markdown, HTML or a call to someone on the forge, whichever engine reads them."""
    text = re.sub(r"([\\`*_\[\]#])", r"\\\1", text.replace("\n", " ").replace("&", "&amp;"))
    for mark, written in (("<", "&lt;"), (">", "&gt;"), ("|", "&#124;"), ("~", "&#126;"), ("{", "&#123;"), ("}", "&#125;"), ("@", "@\u200b")):
        text = text.replace(mark, written)
    return text


def _unmarked(line: str) -> str:
    """The line as it reads, without marks and escapes."""
    return html.unescape(re.sub(r"\\(.)", r"\1", re.sub(r"(?<!\\)\*\*", "", line))).replace("@\u200b", "@")
