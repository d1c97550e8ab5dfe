"""What a card is, once it has been read and found sound. Frozen; knows nothing of files, clocks or MkDocs."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

PRACTICE = "common practice"
PLACEHOLDER = "Write here:"  # begins every sentence of a starter file that must be replaced
# From the firmest confirmation to the weakest; `common practice` stands outside this order.
CHECKED = ("full text", "abstract", "secondary", "memory")
STAGES = (
    "preparation", "access", "posterior segment", "haemostasis", "laser", "exchange and closure", "after theatre",
)
# Ids that no card may have: a page of the site has the first, Windows keeps the others for its devices, and a host may run it.
RESERVED_IDS = frozenset(("index", "con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))))
KINDS = ("technique", "pathway", "calculator", "page", "source", "glossary", "department", "overrides", "local-department")
# What only a department that builds on the cards of another writes, in local/ (see local.py).
LOCAL_KINDS = ("overrides", "local-department")

Path = tuple[str | int, ...]
Place = tuple[int, int]


class Marks:
    """Where each key and value of a YAML document stands.

    Only the text is kept; the nodes are composed again when a problem needs a place, so that a large library of
    sound cards costs no memory for places that nobody asks for.
    """

    __slots__ = ("_bytes", "_compose", "_root", "_keys")

    def __init__(self, text: str, compose: Callable[[str], Any]) -> None:
        self._bytes, self._compose, self._root = text.encode(), compose, None  # half of what the text takes
        self._keys: dict[int, dict[str, Any]] = {}

    def value(self, path: Path) -> Place:
        """(line, column) of the value at a path, counted from 1; of the nearest parent if it is absent."""
        return _place(self._find(path)[1])

    def key(self, path: Path) -> Place:
        """(line, column) of the key at a path; of the value where there is no key."""
        key, value = self._find(path)
        return _place(key if key is not None else value)

    def within(self, path: Path, words: str, before: str = "") -> Place:
        """(line, column) of some words inside the value at a path, wherever the text was folded.

        before: the text that stands before the words, so that the right one of several equal words is found.
        """
        node = self._find(path)[1]
        start, end = node.start_mark.index, node.end_mark.index
        every = re.compile(r"\s+".join(map(re.escape, words.split())) or "$").finditer(self.text, start, end)
        found = next(islice(every, before.count(words), None), None)
        if not found:
            return _place(node)
        at = found.start()
        return self.text.count("\n", 0, at) + 1, at - self.text.rfind("\n", 0, at)

    @property
    def text(self) -> str:
        """The whole document as it was written, without a byte order mark."""
        return self._bytes.decode()

    def span(self, path: Path) -> tuple[int, int]:
        """Where the value at a path begins and ends, as offsets into `text`; the end is the offset behind its last character."""
        node = self._find(path)[1]
        return node.start_mark.index, node.end_mark.index

    def _find(self, path: Path) -> tuple[Any, Any]:
        if self._root is None:
            self._root = self._compose(self.text)
        key, node = None, self._root
        for step in path:
            children = node.value if isinstance(node.value, list) else []
            if isinstance(step, int):
                if step >= len(children) or isinstance(children[step], tuple):
                    break
                key, node = None, children[step]
            else:
                if id(node) not in self._keys:  # looked up, not searched: a file of faults asks for every key it holds
                    self._keys[id(node)] = {p[0].value: p for p in children if isinstance(p, tuple)}
                pair = self._keys[id(node)].get(step)
                if pair is None:
                    break
                key, node = pair
        return key, node


def _place(node: Any) -> Place:
    return node.start_mark.line + 1, node.start_mark.column + 1


def kept_or_made(kept: MutableMapping[Any, Any], key: Any, of: Any, make: Callable[[], Any]) -> Any:
    """What an earlier call made of the very same object, else what `make` makes of it now, which is kept."""
    before = kept.get(key)
    if before is None or before[0] is not of:
        before = kept[key] = of, make()
    return before[1]


@dataclass(frozen=True, slots=True)
class Document:
    """One YAML file as read: its path from the folder above cards/ or local/, its kind, id, data and marks.

    Once sound, it knows what the rules ask of every file, found in one walk. texts: its sentences. nodes: the mappings that
    hold a unit or a citation.
    """

    file: str
    kind: str
    id: str
    data: Any
    marks: Marks
    texts: tuple[tuple[Path, str], ...] = ()
    nodes: tuple[tuple[Path, dict], ...] = ()


@dataclass(frozen=True, slots=True)
class Citation:
    source: str
    checked: str
    at: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Basis:
    """What a claim rests on. No citations means common practice."""

    citations: tuple[Citation, ...] = ()

    @property
    def standing(self) -> str:
        """The firmest confirmation among the citations, or `common practice`."""
        if not self.citations:
            return PRACTICE
        return min((c.checked for c in self.citations), key=CHECKED.index)


@dataclass(frozen=True, slots=True)
class Claim:
    text: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class Amount:
    """One number or a range, in `unit`. `low` alone means at least, `high` alone at most."""

    unit: str
    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Reported:
    amount: Amount
    where: str
    basis: Basis
    note: str = ""


@dataclass(frozen=True, slots=True)
class Quantity:
    card: str
    key: str
    label: str
    amount: Amount
    basis: Basis
    headline: bool = True
    why: str = ""
    reported: tuple[Reported, ...] = ()

    @property
    def is_local(self) -> bool:
        """Whether the department has put its own value over that of the card it builds on."""
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalQuantity(Quantity):
    """A quantity under a local value: `amount`, `basis` and `why` are the department's own.

    base, base_basis, base_why: what the card says without it. read: the base value that the department saw when it wrote
    its own; where that is no longer `base`, someone must look again.
    """

    base: Amount
    base_basis: Basis
    base_why: str
    read: Amount

    @property
    def is_local(self) -> bool:
        """True: a class of its own, so that the digest of a card without local values knows nothing of them."""
        return True


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityFromBase(Quantity):
    """A quantity of the cards below that is worked out from others, of which the department has put its own value over some.

    bases: those, as "label, base value": the number holds for them and not for the local values.
    """

    bases: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Step:
    do: str
    why: str
    endpoint: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class Decision:
    condition: str
    then: str
    basis: Basis
    why: str = ""


@dataclass(frozen=True, slots=True)
class Pitfall:
    sign: str
    respond: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class Question:
    ask: str
    answer: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class SignOff:
    """of: the department whose role `by` is, where that is not the department of the site."""

    on: str
    by: str
    digest: str
    of: str = ""


@dataclass(frozen=True, slots=True)
class Review:
    owner: str
    every_months: int
    signed_off: SignOff | None = None


@dataclass(frozen=True, slots=True)
class Technique:
    id: str
    file: str
    title: str
    stage: str
    summary: str
    review: Review
    also_called: tuple[str, ...] = ()
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    when: tuple[Claim, ...] = ()
    not_when: tuple[Claim, ...] = ()
    equipment: tuple[Claim, ...] = ()
    steps: tuple[Step, ...] = ()
    decisions: tuple[Decision, ...] = ()
    pitfalls: tuple[Pitfall, ...] = ()
    cautions: tuple[Claim, ...] = ()
    evidence: tuple[Claim, ...] = ()
    questions: tuple[Question, ...] = ()
    next: tuple[str, ...] = ()
    see_also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PathwayStage:
    stage: str
    aim: str
    cards: tuple[str, ...]
    calculators: tuple[str, ...] = ()
    have: tuple[Claim, ...] = ()
    decisions: tuple[Decision, ...] = ()
    stop_if: tuple[Claim, ...] = ()


@dataclass(frozen=True, slots=True)
class Pathway:
    id: str
    file: str
    title: str
    summary: str
    review: Review
    stages: tuple[PathwayStage, ...]
    when: tuple[Claim, ...] = ()
    also_called: tuple[str, ...] = ()

    @property
    def cards(self) -> tuple[str, ...]:
        """Every card of the pathway in reading order, each once."""
        return tuple(dict.fromkeys(c for s in self.stages for c in s.cards))

    @property
    def calculators(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(c for s in self.stages for c in s.calculators))


# A number of a calculator is written out or taken from a card: "quantity:card/key", ".low" or ".high" of a range.
Number = float | str


@dataclass(frozen=True, slots=True)
class Constant:
    """A number the formulas use. `quantity` names the card's number it is taken from, if it is."""

    name: str
    label: str = ""
    value: float | None = None
    unit: str = ""
    basis: Basis = Basis()
    quantity: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    key: str
    label: str
    sets: Mapping[str, Constant] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Input:
    name: str
    label: str
    kind: str = "number"
    unit: str = ""
    also_in: tuple[str, ...] = ()
    low: Number | None = None
    high: Number | None = None
    start: Number | None = None
    decimals: int | None = None
    why_range: str = ""
    choices: Mapping[str, Choice] = field(default_factory=dict)
    help: str = ""


@dataclass(frozen=True, slots=True)
class Solve:
    """An inverse: the value of `unknown` at which output `within` equals a formula, between two formulas."""

    unknown: str
    within: str
    equals: str
    between: tuple[str, str]


@dataclass(frozen=True, slots=True)
class OnlyWhen:
    """The range in which a result may be shown, and the sentence shown outside it."""

    holds: str
    otherwise: str


@dataclass(frozen=True, slots=True)
class Output:
    name: str
    label: str
    basis: Basis
    kind: str = "number"
    unit: str = ""
    decimals: int | None = None
    formula: str = ""
    solve: Solve | None = None
    only_when: OnlyWhen | None = None
    group: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    when: str
    level: str
    say: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class RefuseWhen:
    when: str
    say: str


@dataclass(frozen=True, slots=True)
class Band:
    """The area between two results."""

    low: str
    high: str
    label: str


@dataclass(frozen=True, slots=True)
class Plot:
    across: str
    show: tuple[str, ...]
    marks: tuple[str, ...] = ()
    bands: tuple[Band, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Typical cases: one or two inputs with their values, and the results shown for each."""

    title: str
    rows: Mapping[str, tuple[float | str, ...]]
    show: tuple[str, ...]
    given: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Calendar:
    """A calendar entry over the days from one date result to another."""

    title: str
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class Example:
    given: Mapping[str, float | str]
    expect: Mapping[str, float | str]
    within: float
    result: str
    basis: Basis
    label: str = ""


@dataclass(frozen=True, slots=True)
class Calculator:
    id: str
    file: str
    title: str
    question: str
    summary: str
    review: Review
    inputs: Mapping[str, Input]
    outputs: Mapping[str, Output]
    stage: str = ""
    also_called: tuple[str, ...] = ()
    used_by: tuple[str, ...] = ()
    constants: Mapping[str, Constant] = field(default_factory=dict)
    refuse_when: tuple[RefuseWhen, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    plot: Plot | None = None
    diagram: str = ""
    roles: Mapping[str, str] = field(default_factory=dict)
    tables: tuple[Table, ...] = ()
    calendar: Calendar | None = None
    beside: tuple[str, ...] = ()
    notes: tuple[Claim, ...] = ()
    not_for: tuple[Claim, ...] = ()
    examples: tuple[Example, ...] = ()

    @property
    def taken(self) -> tuple[str, ...]:
        """card/key of each number that it takes from a card, each once, in the order in which it declares them."""
        ends = [v for i in self.inputs.values() for v in (i.low, i.high, i.start) if isinstance(v, str) and v.startswith("quantity:")]
        sets = [k for i in self.inputs.values() for choice in i.choices.values() for k in choice.sets.values()]
        named = ends + [k.quantity for k in (*self.constants.values(), *sets) if k.quantity]
        return tuple(dict.fromkeys(x.removeprefix("quantity:").partition(".")[0] for x in named))


@dataclass(frozen=True, slots=True)
class Source:
    """A published source; `csl` holds its Citation Style Language fields as written."""

    id: str
    file: str
    csl: Mapping[str, Any]
    checked: str
    checked_note: str = ""
    incomplete: tuple[str, ...] = ()
    superseded_by: str = ""
    withdrawn: str = ""

    @property
    def title(self) -> str:
        return self.csl["title"]


@dataclass(frozen=True, slots=True)
class Section:
    title: str
    claims: tuple[Claim, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A page of statements that belongs to no technique."""

    id: str
    file: str
    title: str
    summary: str
    review: Review
    sections: tuple[Section, ...]
    also_called: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Term:
    id: str
    term: str
    meaning: str
    abbreviation: str = ""
    american: str = ""
    also_called: tuple[str, ...] = ()
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class Department:
    name: str
    about: str
    list_days: tuple[str, ...]
    review_owner: str
    review_every_months: int
    contact: str
    calculators_off: tuple[str, ...] = ()
    stale_after_days: int = 30  # the schema says the same to the editor; a test compares them
    licence: str = ""  # an SPDX identifier


@dataclass(frozen=True, slots=True)
class Library:
    """Everything the department knows. Every mapping is from id to record, in order of id.

    documents: the files as read, for rules that look at every sentence and number.
    unsound: (kind, id) of files that exist but were refused, so that a link to one is not called unknown.

    With a local layer (see local.py) only:
    techniques_off: cards the department has switched off. They have no page; their numbers still serve sentences and calculators.
    why_off: (kind, id) of each card and calculator that is switched off -> the reason.
    built_on: the name of the department whose cards these are; without a local layer empty.
    """

    techniques: Mapping[str, Technique] = field(default_factory=dict)
    pathways: Mapping[str, Pathway] = field(default_factory=dict)
    calculators: Mapping[str, Calculator] = field(default_factory=dict)
    pages: Mapping[str, Page] = field(default_factory=dict)
    sources: Mapping[str, Source] = field(default_factory=dict)
    terms: Mapping[str, Term] = field(default_factory=dict)
    department: Department | None = None
    documents: tuple[Document, ...] = ()
    unsound: frozenset[tuple[str, str]] = frozenset()
    techniques_off: Mapping[str, Technique] = field(default_factory=dict)
    why_off: Mapping[tuple[str, str], str] = field(default_factory=dict)
    built_on: str = ""

    def quantity(self, reference: str) -> Quantity | None:
        """The quantity named card/key, or None. A card that is switched off still lends its numbers."""
        card, _, key = reference.partition("/")
        technique = self.techniques.get(card) or self.techniques_off.get(card)
        return technique.quantities.get(key) if technique else None
