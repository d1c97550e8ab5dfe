"""What a calculator shows without a reader: its results in words, its worked examples and its tables, and their faults."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from ..model import Basis, Input, Library, Output, Path, QuantityFromBase
from ..text import CARD_SWITCHED_OFF, FROM_BASE, LOCAL_VALUE, SWITCHED_OFF, did_you_mean, parts
from ..units import amount, clock, number, unit_shown
from .dates import EPOCH, as_date
from .ready import CalculatorFault, Ready, Refusal, Result
from .running import run

WITHHELD = "withheld"  # what a worked example expects of a result outside its range


@dataclass(frozen=True, slots=True)
class Worked:
    """A worked example for reading: (label, value) pairs of what was given and what was found."""

    label: str
    given: tuple[tuple[str, str], ...]
    results: tuple[tuple[str, str], ...]
    result: str
    basis: Basis


def worked(ready: Ready) -> list[Worked]:
    """Every worked example of a calculator, run, with the results it names."""
    c = ready.declared
    found = []
    for e in c.examples:
        result = run(ready, {n: str(v) for n, v in e.given.items()}, EPOCH)
        given = tuple((c.inputs[n].label, _given_words(c.inputs[n], v)) for n, v in e.given.items())
        results = tuple((c.outputs[n].label, words(c.outputs[n], result.values[n])) for n in e.expect)
        found.append(Worked(e.label, given, results, e.result, e.basis))
    return found


def words(o: Output, value: float) -> str:
    """A result as the reader sees it: a date, a clock position, or a number with its unit; a dash if it is withheld."""
    if math.isnan(value):
        return "–"
    if o.kind == "date":
        return as_date(value)
    if o.kind == "clock":
        return clock(value)
    unit = unit_shown(o.unit, value)
    gap = "" if unit in ("", "%") else "\u00a0"
    return number(value, o.decimals) + gap + unit


def spoken(text: str, ready: Ready, result: Result, library: Library) -> str:
    """A verdict's sentence as plain text, with the values of this run and of the cards in it."""
    out = []
    for part in parts(text):
        if isinstance(part, str):
            out.append(part.replace("*", ""))
        elif part.scheme == "value":
            out.append(_value_words(part.target, ready, result))
        elif part.scheme == "calculator" and library.department and part.target in library.department.calculators_off:
            out.append(f"{part.words} {SWITCHED_OFF}")
        elif part.words:
            out.append(part.words + (f" {CARD_SWITCHED_OFF}" if part.scheme == "card" and part.target in library.techniques_off else ""))
        elif part.scheme == "quantity":
            quantity = library.quantity(part.target)
            a = quantity.amount
            out.append(amount(a.unit, a.value, a.low, a.high) + (f" {LOCAL_VALUE}" if quantity.is_local else f" {FROM_BASE}" if isinstance(quantity, QuantityFromBase) else ""))
        elif part.scheme == "card" and part.target in library.techniques_off:
            out.append(f"{library.techniques_off[part.target].title} {CARD_SWITCHED_OFF}")
        else:
            records = {"card": library.techniques, "calculator": library.calculators, "pathway": library.pathways, "page": library.pages, "source": library.sources}
            out.append(library.terms[part.target].term if part.scheme == "term" else records[part.scheme][part.target].title)
    return " ".join("".join(out).split())


def _value_words(name: str, ready: Ready, result: Result) -> str:
    c = ready.declared
    if name in result.choices:
        return c.inputs[name].choices[result.choices[name]].label
    value = result.values[name]
    if name in c.outputs:
        o = c.outputs[name]
        if math.isnan(value):
            return "–"
        return as_date(value) if o.kind == "date" else clock(value) if o.kind == "clock" else number(value, o.decimals)
    if name in c.inputs and c.inputs[name].kind == "date":
        return as_date(value)
    return number(float(f"{value:.10g}"))


def given_shown(x: Input, result: Result) -> str:
    """What was given for an input, as the reader sees it."""
    if x.kind == "choice":
        return x.choices[result.choices[x.name]].label
    if x.kind == "date":
        return as_date(result.values[x.name])
    return amount(x.unit, float(f"{result.values[x.name]:.6g}"), None, None)


def _given_words(x: Input, value: float | str) -> str:
    if x.kind == "choice":
        return x.choices[str(value).strip()].label
    if isinstance(value, str):  # a date, or a number with its own unit
        return value
    return amount(x.unit, float(value), None, None)


@dataclass(frozen=True, slots=True)
class Filled:
    """A table of typical cases, worked out: its title, the heads of its columns, and its rows as read."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    inputs: int  # how many of the columns are inputs
    given: tuple[tuple[str, str], ...]


def tables(ready: Ready) -> list[Filled]:
    """Every declared table of typical cases with its results."""
    c = ready.declared
    filled = []
    for t in c.tables:
        rows = []
        for case in product(*t.rows.values()):
            given = {**t.given, **dict(zip(t.rows, case, strict=True))}
            result = run(ready, {n: str(v) for n, v in given.items()}, EPOCH)
            left = (_given_words(c.inputs[n], v) for n, v in zip(t.rows, case, strict=True))
            rows.append((*left, *(words(c.outputs[n], result.values[n]) for n in t.show)))
        heads = (*(c.inputs[n].label for n in t.rows), *(c.outputs[n].label for n in t.show))
        given_words = tuple((c.inputs[n].label, _given_words(c.inputs[n], v)) for n, v in t.given.items())
        filled.append(Filled(t.title, heads, tuple(rows), len(t.rows), given_words))
    return filled


@dataclass(frozen=True, slots=True)
class Case:
    """A typical case worked out: what was given as (label, value), results as (name, label, words), verdicts as (level, say as written)."""

    title: str
    given: tuple[tuple[str, str], ...]
    results: tuple[tuple[str, str, str], ...]
    verdicts: tuple[tuple[str, str], ...]


def cases(ready: Ready) -> list[Case]:
    """The cases of every declared table; those of the worked examples where there is no table."""
    c = ready.declared
    # What differs from case to case comes first.
    given = [(t.title, {**(row := dict(zip(t.rows, case, strict=True))), **{n: v for n, v in t.given.items() if n not in row}}, t.show)
             for t in c.tables for case in product(*t.rows.values())]
    given = given or [(e.label or "Worked example", dict(e.given), tuple(e.expect)) for e in c.examples]
    found = []
    for title, values, show in given:
        known = {n: v for n, v in values.items() if n in c.inputs}
        result = run(ready, {n: str(v) for n, v in known.items()}, EPOCH)
        refused = "; ".join(r.message for r in result.refusals)
        results = tuple((n, c.outputs[n].label, f"refused: {refused}" if refused else words(c.outputs[n], result.values[n])) for n in show if n in c.outputs)
        try:
            told = tuple((c.inputs[n].label, _given_words(c.inputs[n], v)) for n, v in known.items())
        except KeyError:  # a choice that is no longer there; the case is a problem of its own
            continue
        found.append(Case(title, told, results, tuple((v.level, v.say) for v in result.verdicts)))
    return found


def table_faults(ready: Ready) -> Iterator[CalculatorFault]:
    """What is wrong with the tables of typical cases, each of which is worked out."""
    c = ready.declared
    for i, t in enumerate(c.tables):
        path: Path = ("tables", i)
        unknown = [n for n in (*t.rows, *t.given) if n not in c.inputs] + [n for n in t.show if n not in c.outputs]
        for part in ("rows", "given"):
            for name in getattr(t, part):
                if name not in c.inputs:
                    yield CalculatorFault((*path, part, name), "unknown-name", f"'{name}' is not an input.{did_you_mean(name, c.inputs)}", "Name an input.")
        for j, name in enumerate(t.show):
            if name not in c.outputs:
                yield CalculatorFault((*path, "show", j), "unknown-name", f"'{name}' is not a result.{did_you_mean(name, c.outputs)}", "Name a result.")
        dates = [n for n, x in c.inputs.items() if x.kind == "date" and n not in t.given and n not in t.rows]
        for name in dates:
            yield CalculatorFault(path, "example-date", f"The table does not say the date '{name}'.", f"Add {name}: YYYY-MM-DD to given.")
        if unknown or dates:
            continue
        told: set[Refusal] = set()
        for case in product(*t.rows.values()):
            given = {**t.given, **dict(zip(t.rows, case, strict=True))}
            refusals = run(ready, {n: str(v) for n, v in given.items()}, EPOCH).refusals
            for refusal in (x for x in refusals if x not in told):
                told.add(refusal)
                yield CalculatorFault((*path, "rows"), "table-case", f"The case {', '.join(map(str, case))} cannot be worked out: {refusal.name}: {refusal.message}",
                             "Remove the case, or correct it.")


def example_faults(ready: Ready) -> Iterator[CalculatorFault]:
    """What is wrong with the worked examples, each of which is run."""
    c = ready.declared
    for i, example in enumerate(c.examples):
        path: Path = ("examples", i)
        unknown = [n for n in example.expect if n not in c.outputs]
        for name in unknown:
            yield CalculatorFault((*path, "expect", name), "unknown-name", f"'{name}' is not a result.{did_you_mean(name, c.outputs)}", "Name a result.")
        # Dates left to the reader's clock would make an example that changes from day to day.
        missing = [n for n, x in ready.inputs.items() if x.declared.kind == "date" and n not in example.given]
        for name in missing:
            yield CalculatorFault(path, "example-date", f"The example does not say the date '{name}'.", f"Add {name}: YYYY-MM-DD to given.")
        if unknown or missing:
            continue
        result = run(ready, {n: str(v) for n, v in example.given.items()}, EPOCH)
        for refusal in result.refusals:
            yield CalculatorFault((*path, "given"), "example-input", f"The example cannot be run: {refusal.name}: {refusal.message}", "Correct what is given.")
        if not result.refusals:
            yield from _misses(ready, path, example.expect, example.within, result)


def _misses(ready: Ready, path: Path, expect: Mapping[str, float | str], within: float, result: Result) -> Iterator[CalculatorFault]:
    for name, wanted in expect.items():
        o = ready.declared.outputs[name]
        got: float | str = result.values[name]
        at = (*path, "expect", name)
        if name in result.withheld or wanted == WITHHELD:
            if name not in result.withheld or wanted != WITHHELD:
                state = f"withheld: {result.withheld[name]}" if name in result.withheld else "shown."
                yield CalculatorFault(at, "example-misses", f"The example expects {wanted} for '{o.label}', but the result is {state}",
                             "Correct the range, or the example.")
        elif o.kind == "date":
            if as_date(got) != wanted:
                yield CalculatorFault(at, "example-misses", f"The example expects {wanted} for '{o.label}', but the formula gives {as_date(got)}.",
                             "Correct the formula, or the example if its source was misread.")
        elif isinstance(wanted, str):
            yield CalculatorFault(at, "wrong-type", f"'{wanted}' is not a number.", "Write the number alone.")
        elif not abs(got - wanted) <= within:
            yield CalculatorFault(at, "example-misses", f"The example expects {number(wanted)} {o.unit} (within {number(within)}) for '{o.label}', "
                         f"but the formula gives {number(float(f'{got:.8g}'))}.", "Correct the formula, or the example if its source was misread.")
