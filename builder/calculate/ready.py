"""What a calculator is once it is ready, and what running it gives: records alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..formula import Expr, names
from ..model import Basis, Calculator, Input, Output, Path, Verdict


@dataclass(frozen=True, slots=True)
class Number:
    """A number a formula uses, with where it came from: value in `unit`; `quantity` is card/key where it is a card's."""

    value: float
    unit: str
    label: str
    basis: Basis
    quantity: str = ""


@dataclass(frozen=True, slots=True)
class ReadyInput:
    """An input with its numbers looked up. units: other unit -> factor into the input's own unit."""

    declared: Input
    low: float = -math.inf
    high: float = math.inf
    start: float | str = ""
    units: Mapping[str, float] | None = None
    choices: Mapping[str, Mapping[str, Number]] | None = None


@dataclass(frozen=True, slots=True)
class Inverse:
    """A declared inverse: tree of the output it inverts (in terms of `unknown`), its goal and its two ends.

    conditions: of the results it inverts; one that asks about `unknown` names the result found instead.
    """

    unknown: str
    tree: Expr
    goal: Expr
    low: Expr
    high: Expr
    factor: float
    conditions: tuple[tuple[Expr, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ReadyOutput:
    """conditions: every condition that must hold for the result to be shown, its own and those of what it rests on.

    late: how many of them, the last ones, look at the result itself and so can be told only once it is found.
    """

    declared: Output
    tree: Expr | None = None
    inverse: Inverse | None = None
    conditions: tuple[tuple[Expr, str], ...] = ()
    late: int = 0


@dataclass(frozen=True, slots=True)
class Ready:
    """A calculator that can be run: every name has a value, every formula a tree with its unit conversions.

    outputs are in the order in which they must be worked out.
    """

    declared: Calculator
    inputs: Mapping[str, ReadyInput]
    constants: Mapping[str, Number]
    outputs: tuple[ReadyOutput, ...]
    verdicts: tuple[tuple[Verdict, Expr], ...]
    refuse_when: tuple[tuple[str, Expr], ...] = ()
    list_days: tuple[int, ...] = ()

    def beside(self, tree: Expr) -> str:
        """The input beside which a refusal is told: the first that its rule names, else the first of all."""
        return next((n.name for n in names(tree) if n.name in self.inputs), next(iter(self.inputs)))


@dataclass(frozen=True, slots=True)
class Refusal:
    """An input that was not accepted, and why, in words for the reader."""

    name: str
    message: str


@dataclass(frozen=True, slots=True)
class Result:
    """withheld: results outside their range, with the sentence that says so; their value is not-a-number.

    values: every name to its number (days since 1970-01-01 for dates; the key for a choice). verdicts: those that hold. Empty if refused."""

    values: Mapping[str, Any]
    choices: Mapping[str, str]
    verdicts: tuple[Verdict, ...]
    refusals: tuple[Refusal, ...]
    withheld: Mapping[str, str] = field(default_factory=dict)


class CalculatorFault(Exception):
    """What is wrong with a calculator, at a path of its file. words, before: the place inside a text, if it is not all of it."""

    def __init__(self, path: Path, rule: str, message: str, fix: str, words: str = "", before: str = "") -> None:
        super().__init__(message)
        self.path, self.rule, self.message, self.fix, self.words, self.before = path, rule, message, fix, words, before
