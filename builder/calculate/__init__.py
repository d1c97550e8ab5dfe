"""Makes a declared calculator ready to run, runs it on given inputs, and runs every worked example."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Any

from ..model import Calculator, Document, Library
from ..problems import Problem
from ..units import Units
from .dates import EPOCH, FIRST_YEAR, LAST_YEAR, as_date
from .examples import Case, Filled, Worked, cases, example_faults, given_shown, spoken, table_faults, tables, words, worked
from .making import DIAGRAM_ROLES, Preparation
from .ready import CalculatorFault, Inverse, Number, Ready, ReadyInput, ReadyOutput, Refusal, Result
from .running import run

__all__ = [
    "DIAGRAM_ROLES", "EPOCH", "FIRST_YEAR", "LAST_YEAR", "Case", "Filled", "Inverse", "Number", "Ready", "ReadyInput", "ReadyOutput", "Refusal", "Result", "Worked",
    "as_date", "cases", "given_shown", "prepare", "run", "spoken", "tables", "words", "worked",
]


def prepare(library: Library, units: Units, kept: MutableMapping[str, Any] | None = None) -> tuple[dict[str, Ready], list[Problem]]:
    """Every calculator of the library made ready, and what is wrong with those that cannot be.

    The worked examples are run; one that misses is a problem at its line. kept: what an earlier call made; a calculator that is
    the very same object, and whose numbers on cards and list days are the same, is not run again.
    """
    ready: dict[str, Ready] = {}
    problems: list[Problem] = []
    documents = {d.id: d for d in library.documents if d.kind == "calculator"}
    for calculator in library.calculators.values():
        document, depends = documents[calculator.id], _depends(calculator, library) if kept is not None else ()
        before = kept.get(calculator.id) if kept is not None else None
        if before is None or before[0] is not document or before[1] != depends:
            faults: list[CalculatorFault] = []
            made = Preparation(calculator, library, units, faults).run()
            sound = made if not faults else None
            if sound is not None:
                faults += example_faults(sound)
                faults += table_faults(sound)
            before = document, depends, sound, [_problem(f, document) for f in faults]
            if kept is not None:
                kept[calculator.id] = before
        if before[2] is not None:
            ready[calculator.id] = before[2]
        problems += before[3]
    return ready, problems


def _depends(c: Calculator, library: Library) -> tuple[Any, ...]:
    """What a calculator takes from elsewhere: the record itself where a layer has changed it, the numbers of cards, the list days."""
    return c, library.department and library.department.list_days, *(library.quantity(name) for name in c.taken)


def _problem(f: CalculatorFault, d: Document) -> Problem:
    place = d.marks.within(f.path, f.words, f.before) if f.words else d.marks.value(f.path)
    return Problem(d.file, *place, f.rule, f.message, f.fix)
