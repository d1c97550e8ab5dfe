"""Makes a declared calculator ready to run, runs it on given inputs, and runs every worked example."""

from __future__ import annotations

from ..model import Document, Library
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


def prepare(library: Library, units: Units) -> tuple[dict[str, Ready], list[Problem]]:
    """Every calculator of the library made ready, and what is wrong with those that cannot be.

    The worked examples are run; one that misses is a problem at its line.
    """
    ready: dict[str, Ready] = {}
    problems: list[Problem] = []
    documents = {d.id: d for d in library.documents if d.kind == "calculator"}
    for calculator in library.calculators.values():
        document = documents[calculator.id]
        faults: list[CalculatorFault] = []
        made = Preparation(calculator, library, units, faults).run()
        if made is not None and not faults:
            ready[calculator.id] = made
            faults += example_faults(made)
            faults += table_faults(made)
        problems += [_problem(f, document) for f in faults]
    return ready, problems


def _problem(f: CalculatorFault, d: Document) -> Problem:
    place = d.marks.within(f.path, f.words, f.before) if f.words else d.marks.value(f.path)
    return Problem(d.file, *place, f.rule, f.message, f.fix)
