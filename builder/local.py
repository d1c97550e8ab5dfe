"""The local layer: what a department lays over the cards it builds on, without a fork. Pure.

`local/` stands beside `cards/`, or alone where the cards come with the package. It holds cards of the same kinds in the same
folders, `department.yaml` with what differs, and `overrides.yaml`: values in place of those of a card, each with the base value
its writer read and the reason, the cards and calculators that are switched off, and the sign-offs of this department.

Without documents of the layer a library goes through unchanged, as the very same object.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from typing import Any

from .model import (
    Amount, Basis, Calculator, Citation, Document, Library, LocalQuantity, Pathway, Quantity, QuantityFromBase, Review, SignOff, Technique,
)
from .problems import Problem
from .units import Units, amount

FOLDER = "local"
OVERRIDES = f"{FOLDER}/overrides.yaml"
# An override that its card has left behind: told by `cards check`, listed by `cards due`, and no reason not to sign or compare.
BASE_CHANGED = "base-changed"
# With these the local value is shown, and the problem told; with any other fault it cannot be used.
_STANDS = (BASE_CHANGED, "override-same")
_NAMES = {"technique": "technique card", "pathway": "case", "calculator": "calculator", "page": "page", "source": "source"}
_RECORDS = {"technique": "techniques", "pathway": "pathways", "calculator": "calculators", "page": "pages"}


def is_local(file: str) -> bool:
    """Whether a document's file belongs to the layer."""
    return file.startswith(FOLDER + "/")


def apart(base: Iterable[Document], local: Iterable[Document]) -> tuple[list[Document], list[Problem]]:
    """The documents of the layer whose ids are free in the cards below, and a problem for each that is not.

    local-id-taken: a card or glossary term of the layer never takes the place of another's card unseen.
    """
    base, kept, problems = list(base), [], []
    taken = {(d.kind, d.id) for d in base if d.kind != "glossary"}
    terms = {key for d in base if d.kind == "glossary" for key in _terms(d)}
    for d in local:
        if (d.kind, d.id) in taken:
            problems.append(Problem(d.file, 1, 1, "local-id-taken", f"The cards this department builds on have a {_NAMES[d.kind]} '{d.id}' already.",
                                    f"Give yours another name, or change values of theirs in {OVERRIDES}."))
            continue
        for key in (k for k in _terms(d) if k in terms) if d.kind == "glossary" else ():
            problems.append(Problem(d.file, *d.marks.key(("terms", key)), "local-id-taken",
                                    f"The glossary this department builds on has the term '{key}' already.", "Give yours another key, or leave it out."))
        kept.append(d)
    return kept, problems


def _terms(d: Document) -> Mapping[str, Any]:
    terms = d.data.get("terms")
    return terms if isinstance(terms, dict) else {}


def layered(library: Library, units: Units) -> tuple[Library, list[Problem]]:
    """The library as this department uses it, and what is wrong with its overrides. The same object where there is no layer."""
    documents = [d for d in library.documents if is_local(d.file)]
    if not documents and not any(kind in ("overrides", "local-department") for kind, _ in library.unsound):
        return library, []
    problems: list[Problem] = []
    overrides = next((d for d in documents if d.kind == "overrides"), None)
    data: Mapping[str, Any] = overrides.data if overrides else {}
    own = next((d.data for d in documents if d.kind == "local-department"), None)
    base = library.department
    if own is None and ("local-department", "department") not in library.unsound:
        problems.append(Problem(f"{FOLDER}/department.yaml", 1, 1, "local-unnamed",
                                "There is no local/department.yaml, so the site would carry the name of the department whose cards these are.",
                                "Make one: cards new department"))
    over: dict[str, Any] = dict(data.get("quantities", {}))
    for reference, problem in _faults(overrides, library, units) if overrides else ():
        if problem.rule not in _STANDS:
            over.pop(reference, None)  # the card's own value stands until this is put right
        problems.append(problem)
    off: dict[tuple[str, str], str] = {("technique", id): x["why"] for id, x in data.get("off", {}).get("techniques", {}).items() if id in library.techniques}
    off |= {("calculator", id): x["why"] for id, x in data.get("off", {}).get("calculators", {}).items() if id in library.calculators}
    gone = {id for kind, id in off if kind == "technique"}
    signed = _Signed(data.get("signed_off", {}), base.name if base and own else "")
    techniques = {id: _technique(t, over, gone, signed) for id, t in library.techniques.items()}
    techniques = _told_of_bases(techniques, library.documents)
    made = replace(
        library,
        techniques={id: t for id, t in techniques.items() if id not in gone},
        techniques_off={id: t for id, t in techniques.items() if id in gone},
        pathways={id: _pathway(p, gone, signed) for id, p in library.pathways.items()},
        calculators={id: _calculator(c, gone, signed) for id, c in library.calculators.items()},
        pages={id: replace(p, review=signed.review("page", p)) for id, p in library.pages.items()},
        department=_department(base, own or {}, [id for kind, id in off if kind == "calculator"]) if base else None,
        why_off=off,
        built_on=base.name if base else "",
    )
    return made, problems


# --- the records under the layer ------------------------------------------------------------------------------------


class _Signed:
    """Sign-offs of this department, and whose the others are."""

    def __init__(self, own: Mapping[str, Any], base: str) -> None:
        self.own, self.base = own, base

    def review(self, kind: str, record: Any) -> Review:
        """The review of a record: signed here, or by the department below, or not at all."""
        review: Review = record.review
        if (mine := self.own.get(f"{kind}/{record.id}")) is not None:
            return replace(review, signed_off=SignOff(**mine))
        if review.signed_off and self.base and not is_local(record.file):
            return replace(review, signed_off=replace(review.signed_off, of=self.base))
        return review


def _technique(t: Technique, values: Mapping[str, Any], gone: set[str], signed: _Signed) -> Technique:
    own = {key: values[f"{t.id}/{key}"] for key in t.quantities if f"{t.id}/{key}" in values} if not is_local(t.file) else {}
    quantities = {key: _quantity(q, own[key]) if key in own else q for key, q in t.quantities.items()} if own else t.quantities
    return replace(t, quantities=quantities, next=_without(t.next, gone), see_also=_without(t.see_also, gone), review=signed.review("technique", t))


def _told_of_bases(techniques: dict[str, Technique], documents: Iterable[Document]) -> dict[str, Technique]:
    """The cards, with every number that is worked out from one under a local value, and has none itself, made to say so."""
    known = {f"{t.id}/{key}": q for t in techniques.values() for key, q in t.quantities.items()}
    bases = {name: (f"{q.label}, {_in_words(q.base)}",) for name, q in known.items() if isinstance(q, LocalQuantity)}
    if not bases:
        return techniques
    derived = {f"{d.id}/{key}": [x.removeprefix("quantity:") for x in q["worked_from"]]
               for d in documents if d.kind == "technique" and not is_local(d.file) for key, q in d.data.get("quantities", {}).items() if "worked_from" in q}
    while found := {name: tuple(dict.fromkeys(b for x in sources for b in bases.get(x, ()))) for name, sources in derived.items()
                    if name in known and name not in bases and any(x in bases for x in sources)}:
        bases |= found  # and what is worked out from these in turn
    told = {name: QuantityFromBase(**{f.name: getattr(known[name], f.name) for f in fields(Quantity)}, bases=bases[name])
            for name in bases if not isinstance(known[name], LocalQuantity)}
    cards = {name.partition("/")[0] for name in told}
    return {id: replace(t, quantities={key: told.get(f"{id}/{key}", q) for key, q in t.quantities.items()}) if id in cards else t for id, t in techniques.items()}


def _quantity(q: Quantity, x: Mapping[str, Any]) -> LocalQuantity:
    kept = {f.name: getattr(q, f.name) for f in fields(Quantity)}
    return LocalQuantity(**{**kept, "amount": _amount(x), "basis": _basis(x["basis"]), "why": x["why"]},
                         base=q.amount, base_basis=q.basis, base_why=q.why, read=_amount(x["instead_of"]))


def _amount(x: Mapping[str, Any]) -> Amount:
    return Amount(x["unit"], x.get("value"), x.get("low"), x.get("high"))


def _basis(data: Any) -> Basis:
    return Basis() if isinstance(data, str) else Basis(tuple(Citation(c["source"], c["checked"], c.get("at", ""), c.get("note", "")) for c in data))


def _pathway(p: Pathway, gone: set[str], signed: _Signed) -> Pathway:
    stages = tuple(replace(s, cards=_without(s.cards, gone)) for s in p.stages) if gone else p.stages
    return replace(p, stages=stages, review=signed.review("pathway", p))


def _calculator(c: Calculator, gone: set[str], signed: _Signed) -> Calculator:
    return replace(c, used_by=_without(c.used_by, gone), review=signed.review("calculator", c))


def _without(ids: tuple[str, ...], gone: set[str]) -> tuple[str, ...]:
    return tuple(id for id in ids if id not in gone) if gone else ids


def _department(base: Any, own: Mapping[str, Any], off: Iterable[str]) -> Any:
    given = {k: tuple(v) if isinstance(v, list) else v for k, v in own.items()}
    made = replace(base, **given)
    return replace(made, calculators_off=tuple(dict.fromkeys((*made.calculators_off, *off))))


# --- what is wrong with an override ---------------------------------------------------------------------------------


def _faults(d: Document, library: Library, units: Units) -> Iterator[tuple[str, Problem]]:
    """override-of-own, wrong-dimension, override-form, override-same, base-changed: the quantity and the problem. Unknown cards are link's to tell."""
    for reference, x in d.data.get("quantities", {}).items():
        place = ("quantities", reference)
        q = library.quantity(reference)
        if q is None:
            continue
        mine, read, base = _amount(x), _amount(x["instead_of"]), q.amount
        if is_local(library.techniques[q.card].file):
            yield reference, Problem(d.file, *d.marks.key(place), "override-of-own", f"The card '{q.card}' is your own: its value needs no other over it.",
                          f"Change the value in {library.techniques[q.card].file}, and remove this.")
        elif not (units.known(mine.unit) and units.known(base.unit)):
            pass  # told as unknown-unit
        elif not units.same_dimension(mine.unit, base.unit):
            yield reference, Problem(d.file, *d.marks.value((*place, "unit")), "wrong-dimension",
                          f"The local value is in {mine.unit} but the card gives '{q.label}' in {base.unit}; they do not measure the same thing.",
                          f"Give it in a unit of the same kind as {base.unit}.")
        elif lacks := [part for part in ("value", "low", "high") if getattr(base, part) is not None and getattr(mine, part) is None]:
            yield reference, Problem(d.file, *d.marks.key(place), "override-form",
                          f"The card gives {_in_words(base)}; the local value has no '{lacks[0]}', which sentences and calculators may ask for.",
                          "Give the local value in the same form: a single value, or the same ends of a range.")
        elif same(mine, base, units):
            yield reference, Problem(d.file, *d.marks.key(place), "override-same", f"The local value is that of the card: {_in_words(base)}.",
                          "Remove it; the card's own value then stands, with its basis.")
        elif read != base:
            yield reference, Problem(d.file, *d.marks.value((*place, "instead_of")), "base-changed",
                          f"The card now gives {_in_words(base)} for '{q.label}'; this local value, {_in_words(mine)}, was written when it gave {_in_words(read)}.",
                          f"Read the card again. If the local value still holds, write instead_of: {_as_written(base)}; if not, change or remove it.")


def same(a: Amount, b: Amount, units: Units) -> bool:
    """Whether two amounts are one, whatever their units."""
    factor = units.factor(a.unit, b.unit)
    pairs = [(getattr(a, part), getattr(b, part)) for part in ("value", "low", "high")]
    return all((x is None) == (y is None) and (x is None or abs(x * factor - y) <= 1e-9 * max(abs(y), 1e-300)) for x, y in pairs)


def _in_words(a: Amount) -> str:
    return amount(a.unit, a.value, a.low, a.high).replace("\u00a0", " ")


def _as_written(a: Amount) -> str:
    figures = [f"{part}: {x:.15g}" for part in ("value", "low", "high") if (x := getattr(a, part)) is not None]
    return "{" + ", ".join([*figures, f"unit: {a.unit}"]) + "}"


# --- what follows from it -------------------------------------------------------------------------------------------


def left_behind(library: Library) -> list[LocalQuantity]:
    """Local values whose card has changed since they were written."""
    return [q for q in values(library) if q.read != q.base]


def values(library: Library) -> list[LocalQuantity]:
    """Every local value, in order of card and key; those of cards that are switched off as well."""
    return [q for t in (*library.techniques.values(), *library.techniques_off.values()) for q in t.quantities.values() if isinstance(q, LocalQuantity)]


def under_local_values(library: Library, plain: Library) -> set[str]:
    """The calculators of the cards below whose answers the layer may change: by a number they take, or by the list days.

    Their worked examples were written for the numbers they came with, and try the formula with those.
    """
    if library is plain:
        return set()
    local = {f"{q.card}/{q.key}" for q in values(library)}
    days = library.department and plain.department and library.department.list_days != plain.department.list_days
    return {id for id, c in library.calculators.items() if not is_local(c.file)
            and (set(c.taken) & local or (days and any(i.kind == "date" for i in c.inputs.values())))}


def broken(found: Iterable[Problem], told: Iterable[Problem], library: Library, touched: Iterable[str]) -> list[Problem]:
    """override-breaks-calculator: what a calculator says with the local values and not with those it came with.

    found, told: its problems with and without the layer. They stand at its file, which this department cannot edit; the cause
    is the override.
    """
    d = next((x for x in library.documents if x.kind == "overrides"), None)
    known, problems = {(p.file, p.rule, p.message) for p in told}, []
    files = {library.calculators[id].file: library.calculators[id] for id in touched}
    for p in found:
        # A worked example that misses is tried with the numbers it was written for instead.
        if p.file not in files or (p.file, p.rule, p.message) in known or p.rule in ("example-misses", "example-input"):
            continue
        c = files[p.file]
        local = sorted(set(c.taken) & {f"{q.card}/{q.key}" for q in values(library)})
        if d is None or not local:  # by the list days: told where it stands
            problems.append(p)
        else:
            problems.append(Problem(d.file, *d.marks.key(("quantities", local[0])), "override-breaks-calculator",
                                    f"With this value the calculator '{c.id}' cannot be run: {p.message}", "Choose another value, or switch the calculator off, with the reason."))
    return problems
