"""Makes a declared calculator ready to run, runs it on given inputs, and runs every worked example."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import product
from keyword import iskeyword
from typing import Any

from .formula import LIST_DAYS, CONSTANTS, FUNCTIONS, Convert, Expr, FormulaError, Type, Unresolved, bisect, check, converted, evaluate, names, parse, substitute
from .model import Amount, Basis, Calculator, Constant, Document, Input, Library, Output, Path, Verdict
from .problems import Problem
from .text import did_you_mean, links, parts
from .units import Units, amount, clock, number, unit_shown

EPOCH = date(1970, 1, 1)
WEEKDAYS = ("sunday", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday")
# What each drawing cannot be drawn without.
DIAGRAM_ROLES = {
    "ports": ("eye", "distance", "temporal_port", "nasal_port", "infusion_low", "limbus_diameter"),
    "timeline": ("injected", "opens", "closes", "theatre"),
    "bubble": ("diameter", "meniscus", "fill"),
    "extent": ("eye", "width", "height", "disc", "disc_to_fovea"),
    "zones": ("posterior_angle", "ora_angle", "share"),
    "column": ("height",),
    "haemorrhage": ("onset", "today", "stage_1"),
    "acuity": ("logmar",),
}
WITHHELD = "withheld"  # what a worked example expects of a result outside its range
FIRST_YEAR, LAST_YEAR = 1900, 2200
FIRST_DAY, LAST_DAY = (date(FIRST_YEAR, 1, 1) - EPOCH).days, (date(LAST_YEAR, 12, 31) - EPOCH).days
_START_DATE = re.compile(r"today(?:\+(\d{1,3}))?\Z")
_ENTRY = re.compile(r"[-+\u2212]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d{1,3})?")
_GROUPED = re.compile(r"[-+\u2212]?[1-9]\d{0,2},\d{3}")


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
    """A declared inverse: tree of the output it inverts (in terms of `unknown`), its goal and its two ends."""

    unknown: str
    tree: Expr
    goal: Expr
    low: Expr
    high: Expr
    factor: float


@dataclass(frozen=True, slots=True)
class ReadyOutput:
    """conditions: every condition that must hold for the result to be shown, its own and those of what it rests on."""

    declared: Output
    tree: Expr | None = None
    inverse: Inverse | None = None
    conditions: tuple[tuple[Expr, str], ...] = ()


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


_UNKNOWN = Type("unknown")


class _Fault(Exception):
    def __init__(self, path: Path, rule: str, message: str, fix: str, words: str = "", before: str = "") -> None:
        super().__init__(message)
        self.path, self.rule, self.message, self.fix, self.words, self.before = path, rule, message, fix, words, before


def prepare(library: Library, units: Units) -> tuple[dict[str, Ready], list[Problem]]:
    """Every calculator of the library made ready, and what is wrong with those that cannot be.

    The worked examples are run; one that misses is a problem at its line.
    """
    ready: dict[str, Ready] = {}
    problems: list[Problem] = []
    documents = {d.id: d for d in library.documents if d.kind == "calculator"}
    for calculator in library.calculators.values():
        document = documents[calculator.id]
        faults: list[_Fault] = []
        made = _Preparation(calculator, library, units, faults).run()
        if made is not None and not faults:
            ready[calculator.id] = made
            faults += _examples(made)
            faults += _table_faults(made)
        problems += [_problem(f, document) for f in faults]
    return ready, problems


def _problem(f: _Fault, d: Document) -> Problem:
    place = d.marks.within(f.path, f.words, f.before) if f.words else d.marks.value(f.path)
    return Problem(d.file, *place, f.rule, f.message, f.fix)


class _Preparation:
    """The steps of making one calculator ready; faults are gathered, so that all are told at once."""

    def __init__(self, calculator: Calculator, library: Library, units: Units, faults: list[_Fault]) -> None:
        self.c, self.library, self.units, self.faults = calculator, library, units, faults
        self.types: dict[str, Type] = {}
        self.where: dict[str, str] = {}
        self.blocked = False  # by a card that is missing or has problems of its own, told elsewhere

    def run(self) -> Ready | None:
        inputs = {name: self._input(x) for name, x in self.c.inputs.items()}
        constants = {}
        for name, x in self.c.constants.items():
            n = self._constant(x, ("constants", name))
            self._name(name, self._number_type(n.unit) if n else _UNKNOWN, ("constants", name), "constant")
            if n:
                constants[name] = n
        outputs = self._outputs()
        verdicts = tuple((v, self._condition(v.when, ("verdicts", i, "when"))) for i, v in enumerate(self.c.verdicts))
        refuse_when = tuple((r.say, self._condition(r.when, ("refuse_when", i, "when"))) for i, r in enumerate(self.c.refuse_when))
        self._refusals_need_inputs_only(refuse_when)
        self._values_in_verdicts()
        self._pictures()
        if self.faults or self.blocked or outputs is None:
            return None
        return Ready(self.c, inputs, constants, tuple(outputs), verdicts, refuse_when, self._list_days())

    def _list_days(self) -> tuple[int, ...]:
        department = self.library.department
        return tuple(sorted(WEEKDAYS.index(d) for d in department.list_days)) if department else ()

    def _number_type(self, unit: str) -> Type:
        return Type("number", self.units.dimension(unit))

    def _fault(self, path: Path, rule: str, message: str, fix: str, words: str = "", before: str = "") -> None:
        self.faults.append(_Fault(path, rule, message, fix, words, before))

    def _name(self, name: str, type_: Type, path: Path, what: str) -> None:
        if _reserved(name):
            self._fault(path, "name-reserved", f"'{name}' is a word of the formula language, so it cannot be a name.", "Use another name.")
        if name in self.where:
            self._fault(path, "name-twice", f"'{name}' is already the name of {self.where[name]}.", "Use another name.")
            return
        self.where[name] = f"an {what}" if what[0] in "io" else f"a {what}"
        self.types[name] = type_

    def _known_unit(self, unit: str) -> bool:
        if unit and self.units.known(unit):
            return True
        self.blocked = True  # told by the rule unknown-unit
        return False

    def _reference(self, reference: str, path: Path) -> tuple[float, Amount, Basis, str] | None:
        name, _, part = reference.removeprefix("quantity:").partition(".")
        quantity = self.library.quantity(name)
        if quantity is None:
            self.blocked = True
            return None
        value = getattr(quantity.amount, part or "value")
        if value is None:
            has = [p for p in ("value", "low", "high") if getattr(quantity.amount, p) is not None]
            self._fault(path, "quantity-part", f"The quantity '{name}' has no {part or 'single value'}; it has {' and '.join(has)}.",
                        f"Write quantity:{name}.{has[0]}." if has[0] != "value" else f"Write quantity:{name}.")
            return None
        return float(value), quantity.amount, quantity.basis, quantity.label

    def _constant(self, x: Constant, path: Path) -> Number | None:
        if x.quantity:
            found = self._reference(x.quantity, path)
            if found is None:
                return None
            value, amount, basis, label = found
            end = {"low": ", lower end", "high": ", upper end"}.get(x.quantity.partition(".")[2], "")
            label += end
            return Number(value, amount.unit, label, basis, x.quantity.partition(".")[0]) if self._known_unit(amount.unit) else None
        return Number(float(x.value), x.unit, x.label, x.basis) if self._known_unit(x.unit) else None

    def _number(self, given: float | str | None, unit: str, path: Path) -> float | None:
        """A bound or start of an input: a number, or a card's number put into the input's unit."""
        if not isinstance(given, str):
            return None if given is None else float(given)
        found = self._reference(given, path)
        if found is None:
            return None
        value, amount, _, _ = found
        if not self._known_unit(amount.unit):
            return None
        if not self.units.same_dimension(amount.unit, unit):
            self._fault(path, "wrong-dimension", f"The quantity is in {amount.unit}, which does not convert to {unit}.", "Use another quantity, or a number.")
            return None
        return value * self.units.factor(amount.unit, unit)

    def _input(self, x: Input) -> ReadyInput:
        path: Path = ("inputs", x.name)
        if x.kind == "date":
            self._name(x.name, Type("date"), path, "input")
            if x.start is not None and not (isinstance(x.start, str) and (_START_DATE.match(x.start) or _iso(x.start) is not None)):
                self._fault((*path, "start"), "start-value", f"'{x.start}' is not a date to start from.", "Write today, today+N or YYYY-MM-DD.")
            return ReadyInput(x, start=x.start or "today")
        if x.kind == "choice":
            return self._choice(x, path)
        if not self._known_unit(x.unit):
            self._name(x.name, _UNKNOWN, path, "input")
            return ReadyInput(x)
        self._name(x.name, self._number_type(x.unit), path, "input")
        low, high = (self._number(v, x.unit, (*path, k)) for k, v in (("low", x.low), ("high", x.high)))
        start = self._number(x.start, x.unit, (*path, "start"))
        if None not in (low, high, start):
            if not low < high:
                self._fault((*path, "low"), "range-order", f"The range runs downwards: {number(low)} is not below {number(high)}.", "Swap low and high.")
            elif not low <= start <= high:
                self._fault((*path, "start"), "start-value", f"The start value {number(start)} lies outside {number(low)} to {number(high)}.", "Start inside the range.")
        others = {u: self.units.factor(u, x.unit) for u in (x.unit, *x.also_in) if self.units.known(u) and self.units.same_dimension(u, x.unit)}
        return ReadyInput(x, low if low is not None else -math.inf, high if high is not None else math.inf, start if start is not None else 0.0, others)

    def _choice(self, x: Input, path: Path) -> ReadyInput:
        keys = list(x.choices)
        start = x.start if x.start is not None else keys[0]
        if start not in x.choices:
            self._fault((*path, "start"), "start-value", f"'{start}' is not one of the choices.{did_you_mean(str(start), keys)}", f"The choices are {', '.join(keys)}.")
        made: dict[str, dict[str, Number]] = {}
        first = set(x.choices[keys[0]].sets)
        for key, choice in x.choices.items():
            at = (*path, "choices", key)
            if set(choice.sets) != first:
                self._fault(at, "choice-sets", f"The choice '{key}' sets {_listed(choice.sets)}, but '{keys[0]}' sets {_listed(first)}.",
                            "Every choice of an input sets the same names.")
            made[key] = {n: c for n, s in choice.sets.items() if (c := self._constant(s, (*at, "sets", n)))}
        for name in sorted(first):
            found = [(key, m[name]) for key, m in made.items() if name in m]
            if len(found) < len(made):
                self._name(name, _UNKNOWN, path, "number that a choice sets")
                continue
            unit = found[0][1].unit
            for key, n in found:
                if not self.units.same_dimension(n.unit, unit):
                    self._fault((*path, "choices", key, "sets", name), "wrong-dimension",
                                f"'{name}' is in {n.unit} here but in {unit} for '{found[0][0]}'.", "Use one kind of unit for all choices.")
                else:
                    made[key][name] = Number(n.value * self.units.factor(n.unit, unit), unit, n.label, n.basis, n.quantity)
            self._name(name, self._number_type(unit), path, "number that a choice sets")
        if _reserved(x.name):
            self._fault(path, "name-reserved", f"'{x.name}' is a word of the formula language, so it cannot be a name.", "Use another name.")
        if x.name in self.where:
            self._fault(path, "name-twice", f"'{x.name}' is already the name of {self.where[x.name]}.", "Use another name.")
        else:
            self.where[x.name] = "an input"
            self.types[x.name] = Type("choice", keys=tuple(keys))
        return ReadyInput(x, start=str(start), choices=made)

    def _outputs(self) -> list[ReadyOutput] | None:
        outputs = self.c.outputs
        for name, o in outputs.items():
            path: Path = ("outputs", name)
            if o.kind == "date":
                if o.unit:
                    self._fault((*path, "unit"), "date-unit", "A date has no unit.", "Remove the unit.")
                self._name(name, Type("date"), path, "output")
            elif not o.unit:
                self._fault(path, "missing-key", f"'outputs › {name}' lacks 'unit'.", "Add the unit of the result (ratio for a bare number).")
                self._name(name, _UNKNOWN, path, "output")
            elif not self._known_unit(o.unit):
                self._name(name, _UNKNOWN, path, "output")
            else:
                self._name(name, self._number_type(o.unit), path, "output")
                if o.kind == "clock" and o.unit != "clock hour":
                    self._fault((*path, "unit"), "clock-unit", "A clock position is given in clock hours.", "Write unit: clock hour.")
        parsed = {name: tree for name, o in outputs.items() if o.formula and (tree := self._parse(o.formula, ("outputs", name, "formula")))}
        order = self._order(parsed)
        if order is None:
            return None
        ready: dict[str, ReadyOutput] = {}
        for name in order:
            ready[name] = self._with_conditions(self._output(outputs[name], parsed), ready)
        return [ready[name] for name in order]

    def _with_conditions(self, o: ReadyOutput, before: Mapping[str, ReadyOutput]) -> ReadyOutput:
        own: dict[tuple[Expr, str], None] = {}
        trees = [o.tree] if o.tree is not None else [o.inverse.tree, o.inverse.goal, o.inverse.low, o.inverse.high] if o.inverse else []
        if o.declared.only_when:
            holds = self._condition(o.declared.only_when.holds, ("outputs", o.declared.name, "only_when", "holds"))
            if holds is not None:
                trees.append(holds)
                own[holds, o.declared.only_when.otherwise] = None
        needed = {n.name for tree in trees for n in names(tree)}
        inherited = {c: None for n in before if n in needed for c in before[n].conditions}
        return replace(o, conditions=tuple(inherited | own))

    def _parse(self, source: str, path: Path) -> Expr | None:
        if "list_day" in source and self.library.department is None:
            self.blocked = True  # the list days stand in the department's file, and it is told there
        try:
            return parse(source)
        except FormulaError as error:
            self._formula_fault(error, source, path)
            return None

    def _formula_fault(self, error: FormulaError, source: str, path: Path) -> None:
        rest = source[error.column :]
        word = re.match(r"\w+", rest)
        self._fault(path, error.rule, error.message, error.fix, word[0] if word else rest[:1], source[: error.column])

    def _typed(self, tree: Expr, source: str, path: Path) -> tuple[Expr, Type] | None:
        try:
            return check(tree, self.types, self.units)
        except Unresolved:
            self.blocked = True
            return None
        except FormulaError as error:
            self._formula_fault(error, source, path)
            return None

    def _order(self, parsed: Mapping[str, Expr]) -> list[str] | None:
        needs: dict[str, set[str]] = {}
        for name, o in self.c.outputs.items():
            path: Path = ("outputs", name, "solve")
            if o.solve is None:
                if name not in parsed:
                    return None  # told by _parse
                found = {n.name for n in names(parsed[name])}
            else:
                s = o.solve
                if s.within not in parsed:
                    self._fault((*path, "in"), "unknown-name", f"'{s.within}' is not a result with a formula.{did_you_mean(s.within, parsed)}", "Name the output to invert.")
                    return None
                if s.unknown not in self.types:
                    self._fault((*path, "for"), "unknown-name", f"'{s.unknown}' is not a number of this calculator.{did_you_mean(s.unknown, self.types)}", "Name an input or output.")
                    return None
                inlined = self._inline(parsed, s.within, s.unknown, path)
                if inlined is None:
                    return None
                found = {n.name for n in names(inlined)} - {s.unknown}
                for part, text in (("equals", s.equals), *((f"between {i}", t) for i, t in enumerate(s.between))):
                    tree = self._parse(text, (*path, "equals") if part == "equals" else (*path, "between", int(part[-1])))
                    if tree is None:
                        return None
                    found |= {n.name for n in names(tree)}
            if o.only_when and (tree := self._parse(o.only_when.holds, ("outputs", name, "only_when", "holds"))):
                found |= {n.name for n in names(tree)}
            needs[name] = found & set(self.c.outputs)
        order: list[str] = []
        while len(order) < len(needs):
            free = [n for n in needs if n not in order and needs[n] <= set(order)]
            if not free:
                stuck = next(n for n in needs if n not in order)
                self._fault(("outputs", stuck), "formula-circle", f"'{stuck}' depends on itself, by way of {_listed(needs[stuck] - set(order))}.",
                            "Write one of these formulas without the other.")
                return None
            order += free
        return order

    def _inline(self, parsed: Mapping[str, Expr], within: str, unknown: str, path: Path) -> Expr | None:
        try:
            definitions = {n: t for n, t in parsed.items() if n != unknown}
            return substitute(parsed[within], definitions, unknown)
        except FormulaError as error:
            self._fault((*path, "in"), error.rule, error.message, error.fix)
            return None

    def _output(self, o: Output, parsed: Mapping[str, Expr]) -> ReadyOutput:
        path: Path = ("outputs", o.name)
        if o.solve is None:
            typed = self._typed(parsed[o.name], o.formula, (*path, "formula"))
            return ReadyOutput(o, self._declared(typed, o, o.formula, (*path, "formula")))
        return ReadyOutput(o, inverse=self._inverse(o, parsed, (*path, "solve")))

    def _declared(self, typed: tuple[Expr, Type] | None, o: Output, source: str, path: Path) -> Expr | None:
        if typed is None:
            return None
        tree, type_ = typed
        if self.types[o.name].kind == "unknown":
            return None
        if o.kind == "date":
            if type_.kind != "date":
                self._fault(path, "dimension", "The formula does not give a date.", "Add a time to a date, or declare the result as a number.")
            return tree
        try:
            return converted(tree, type_, o.unit, self.units)
        except FormulaError as error:
            self._fault(path, error.rule, error.message, error.fix)
            return None

    def _inverse(self, o: Output, parsed: Mapping[str, Expr], path: Path) -> Inverse | None:
        s = o.solve
        within = self.c.outputs[s.within]
        if "unknown" in (self.types[n].kind for n in (o.name, s.within, s.unknown)):
            self.blocked = True
            return None
        if self.types[s.within].kind != "number" or self.types[s.unknown].kind != "number":
            self._fault(path, "dimension", "Only a number can be solved for, and only in a result that is a number.", "Name a number input, and an output with a unit.")
            return None
        # Each output is typed on its own first, so that its unit conversion is part of the tree that is inverted.
        trees = {}
        for n, tree in parsed.items():
            made = self._declared(self._typed(tree, self.c.outputs[n].formula, ("outputs", n, "formula")), self.c.outputs[n], "", ("outputs", n, "formula"))
            if made is None:
                return None
            trees[n] = made
        tree = self._inline(trees, s.within, s.unknown, path)
        if tree is None or s.unknown not in {n.name for n in names(tree)}:
            self._fault((*path, "for"), "unknown-name", f"'{s.within}' does not depend on '{s.unknown}'.", "Solve for a name its formula uses.")
            return None
        goal = self._bound(s.equals, within, self.types[s.within], (*path, "equals"))
        low, high = (self._bound(t, within, self.types[s.unknown], (*path, "between", i)) for i, t in enumerate(s.between))
        unknown = self.types[s.unknown]
        if unknown.kind != "number" or not self.types[o.name].kind == "number" or not unknown.dimension.same(self.types[o.name].dimension):
            self._fault(path, "dimension", f"The result is in {o.unit or 'dates'}, but '{s.unknown}' is not.", "Give the result the unit of the name it solves for.")
            return None
        if None in (goal, low, high):
            return None
        return Inverse(s.unknown, tree, goal, low, high, unknown.dimension.factor_to(self.types[o.name].dimension))

    def _bound(self, source: str, within: Output, wanted: Type, path: Path) -> Expr | None:
        tree = self._parse(source, path)
        typed = self._typed(tree, source, path) if tree is not None else None
        if typed is None:
            return None
        expr, type_ = typed
        if type_.kind == "number" and type_.dimension.bare and not wanted.dimension.bare and not list(names(expr)):
            return expr  # a written number is taken in the unit of the name it bounds
        if type_.kind != "number" or not type_.dimension.same(wanted.dimension):
            self._fault(path, "dimension", "This does not have the unit of the value it is compared with.", "Check the units.")
            return None
        factor = type_.dimension.factor_to(wanted.dimension)
        return expr if factor == 1 else Convert(factor, expr)

    def _condition(self, source: str, path: Path) -> Expr | None:
        tree = self._parse(source, path)
        typed = self._typed(tree, source, path) if tree is not None else None
        if typed and typed[1].kind != "truth":
            self._fault(path, "dimension", "The condition must be a comparison.", "For example: perfusion < limit.")
        return typed[0] if typed else None

    def _refusals_need_inputs_only(self, refusals: tuple[tuple[str, Expr | None], ...]) -> None:
        for i, (_, tree) in enumerate(refusals):
            for n in names(tree) if tree is not None else ():
                if n.name in self.c.outputs:
                    self._fault(("refuse_when", i, "when"), "unknown-name", f"'{n.name}' is a result; a refusal looks only at what the reader gives.",
                                "Use inputs and constants, or make it a verdict.", n.name)

    def _values_in_verdicts(self) -> None:
        for i, v in enumerate(self.c.verdicts):
            for link in links(v.say):
                if link.scheme == "value" and link.target not in self.where:
                    self._fault(("verdicts", i, "say"), "unknown-value", f"'{link.target}' is not a name of this calculator.{did_you_mean(link.target, self.where)}",
                                f"Known names: {', '.join(sorted(self.where))}.", f"value:{link.target}", v.say[: link.start])

    def _pictures(self) -> None:
        plot = self.c.plot
        if plot:
            across = self.c.inputs.get(plot.across)
            if across is None or across.kind != "number":
                self._fault(("plot", "across"), "unknown-name", f"'{plot.across}' is not a number input.{did_you_mean(plot.across, [n for n, x in self.c.inputs.items() if x.kind == 'number'])}", "Name a number input.")
            for i, name in enumerate(plot.show):
                if name not in self.c.outputs:
                    self._fault(("plot", "show", i), "unknown-name", f"'{name}' is not a result.{did_you_mean(name, self.c.outputs)}", "Name a result.")
            for i, name in enumerate(plot.marks):
                if name not in self.types or self.types[name].kind == "choice":
                    self._fault(("plot", "marks", i), "unknown-name", f"'{name}' is not a name of this calculator.{did_you_mean(name, self.types)}", "Name a constant, input or result.")
        for i, band in enumerate(plot.bands if plot else ()):
            for end in ("low", "high"):
                if getattr(band, end) not in self.c.outputs:
                    self._fault(("plot", "bands", i, end), "unknown-name", f"'{getattr(band, end)}' is not a result.{did_you_mean(getattr(band, end), self.c.outputs)}", "Name a result.")
        calendar = self.c.calendar
        for key, name in (("from", calendar.first), ("to", calendar.last)) if calendar else ():
            if name not in self.c.outputs or self.c.outputs[name].kind != "date":
                self._fault(("calendar", key), "unknown-name", f"'{name}' is not a result that is a date.{did_you_mean(name, [n for n, o in self.c.outputs.items() if o.kind == 'date'])}", "Name a date among the results.")
        missing = [r for r in DIAGRAM_ROLES.get(self.c.diagram, ()) if r not in self.c.roles]
        if missing:
            self._fault(("diagram",), "missing-role", f"The drawing '{self.c.diagram}' lacks {_listed(missing)}.", "Name under roles which input, constant or result plays each part.")
        for role, name in self.c.roles.items():
            if name not in self.where:
                self._fault(("roles", role), "unknown-name", f"'{name}' is not a name of this calculator.{did_you_mean(name, self.where)}", "Name an input, constant or result.")


def _reserved(name: str) -> bool:
    # A formula is read as Python: a keyword cannot be read as a name, and pi would be one number here and another in the browser.
    return iskeyword(name) or name in FUNCTIONS or name in CONSTANTS


def _listed(words: object) -> str:
    found = sorted(words)
    return ", ".join(f"'{w}'" for w in found) if found else "nothing"


# --- running -----------------------------------------------------------------------------------------------------


def run(ready: Ready, given: Mapping[str, str], today: date) -> Result:
    """The calculator on inputs as typed: a number with or without a unit, a choice, a date YYYY-MM-DD.

    An input left out takes its start value. Nothing is worked out if any input is refused.
    """
    values: dict[str, float | str] = {n: c.value for n, c in ready.constants.items()}
    choices: dict[str, str] = {}
    refusals: list[Refusal] = []
    for name in given:
        if name not in ready.inputs:
            refusals.append(Refusal(name, f"There is no input '{name}'.{did_you_mean(name, ready.inputs)}"))
    for name, x in ready.inputs.items():
        raw = given.get(name)
        message = _take(x, name, raw, today, values, choices)
        if message:
            refusals.append(Refusal(name, message))
    values[LIST_DAYS] = ready.list_days
    if not refusals:
        refusals += [Refusal(_first_input(tree, ready), say) for say, tree in ready.refuse_when if evaluate(tree, values) is True]
    if refusals:
        return Result({}, {}, (), tuple(refusals))
    withheld: dict[str, str] = {}
    for o in ready.outputs:
        failing = next((say for tree, say in o.conditions if evaluate(tree, values) is not True), None)
        if failing is not None:
            values[o.declared.name], withheld[o.declared.name] = math.nan, failing
            continue
        value = evaluate(o.tree, values) if o.tree is not None else _solve(o.inverse, values)
        if not math.isfinite(value) or (o.declared.kind == "date" and not FIRST_DAY <= value < LAST_DAY + 1):
            message = f"'{o.declared.label}' cannot be worked out from these values."
            return Result({}, {}, (), (Refusal(o.declared.name, message),))
        values[o.declared.name] = value
    # A sentence about a withheld result is not said: "not more than" would hold for no number at all.
    held = tuple(v for v, tree in ready.verdicts if withheld.keys().isdisjoint(n.name for n in names(tree)) and evaluate(tree, values) is True)
    del values[LIST_DAYS]
    return Result(values, choices, held, (), withheld)


def _first_input(tree: Expr, ready: Ready) -> str:
    return next((n.name for n in names(tree) if n.name in ready.inputs), next(iter(ready.inputs)))


def _take(x: ReadyInput, name: str, raw: str | None, today: date, values: dict[str, float | str], choices: dict[str, str]) -> str:
    """Put one input's value in place; the reason if it is refused."""
    if x.declared.kind == "choice":
        key = str(x.start) if raw is None else raw.strip()
        if key not in x.choices:
            return f"'{key}' is not one of: {', '.join(x.choices)}.{did_you_mean(key, x.choices)}"
        choices[name] = values[name] = key
        values.update({n: c.value for n, c in x.choices[key].items()})
        return ""
    if x.declared.kind == "date":
        days = _start_date(str(x.start), today) if raw is None else _iso(raw.strip())
        if days is None:
            return f"'{(raw or '').strip()}' is not a date between {FIRST_YEAR} and {LAST_YEAR}; write it YYYY-MM-DD."
        values[name] = days
        return ""
    if raw is None:
        values[name] = float(x.start)
        return ""
    return _take_number(x, name, raw, values)


def _take_number(x: ReadyInput, name: str, raw: str, values: dict[str, float]) -> str:
    text = raw.strip()
    m = _ENTRY.match(text)
    if not m:
        return "Write a number." if not text else f"'{text[:40]}' is not a number."
    unit = text[m.end() :].strip() or x.declared.unit
    if unit not in x.units:
        return f"'{unit}' is not a unit of this field; use {' or '.join(x.units)}."
    factor = x.units[unit]
    value = float(m[0].replace(",", ".").replace("\u2212", "-")) * factor
    # 1,000 is one to some readers and a thousand to others: refused where both would pass.
    if _GROUPED.fullmatch(m[0]) and x.low <= value <= x.high and x.low <= value * 1000 <= x.high:
        return f"'{m[0]}' can be read in two ways; write it with a dot, or without the comma."
    if not math.isfinite(value) or not x.low <= value <= x.high:
        return f"Outside the range {number(float(f'{x.low / factor:.6g}'))} to {number(float(f'{x.high / factor:.6g}'))} {unit}. {x.declared.why_range}".strip()
    values[name] = value
    return ""


def _solve(inverse: Inverse, values: Mapping[str, float]) -> float:
    goal, low, high = (evaluate(e, values) for e in (inverse.goal, inverse.low, inverse.high))
    return bisect(inverse.tree, inverse.unknown, goal, low, high, values) * inverse.factor


def _iso(text: str) -> int | None:
    """Days since 1970-01-01 of an ISO date, or None."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return (day - EPOCH).days if FIRST_YEAR <= day.year <= LAST_YEAR else None


def _start_date(start: str, today: date) -> int | None:
    m = _START_DATE.match(start)
    return (today - EPOCH).days + int(m[1] or 0) if m else _iso(start)


def as_date(days: float) -> str:
    """ISO date of days since 1970-01-01; a part of a day counts down to that day."""
    return (EPOCH + timedelta(days=math.floor(days))).isoformat()


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
        elif part.words:
            out.append(part.words)
        elif part.scheme == "quantity":
            a = library.quantity(part.target).amount
            out.append(amount(a.unit, a.value, a.low, a.high))
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


def _table_faults(ready: Ready) -> Iterator[_Fault]:
    c = ready.declared
    for i, t in enumerate(c.tables):
        path: Path = ("tables", i)
        unknown = [n for n in (*t.rows, *t.given) if n not in c.inputs] + [n for n in t.show if n not in c.outputs]
        for part in ("rows", "given"):
            for name in getattr(t, part):
                if name not in c.inputs:
                    yield _Fault((*path, part, name), "unknown-name", f"'{name}' is not an input.{did_you_mean(name, c.inputs)}", "Name an input.")
        for j, name in enumerate(t.show):
            if name not in c.outputs:
                yield _Fault((*path, "show", j), "unknown-name", f"'{name}' is not a result.{did_you_mean(name, c.outputs)}", "Name a result.")
        dates = [n for n, x in c.inputs.items() if x.kind == "date" and n not in t.given and n not in t.rows]
        for name in dates:
            yield _Fault(path, "example-date", f"The table does not say the date '{name}'.", f"Add {name}: YYYY-MM-DD to given.")
        if unknown or dates:
            continue
        told: set[Refusal] = set()
        for case in product(*t.rows.values()):
            given = {**t.given, **dict(zip(t.rows, case, strict=True))}
            refusals = run(ready, {n: str(v) for n, v in given.items()}, EPOCH).refusals
            for refusal in (x for x in refusals if x not in told):
                told.add(refusal)
                yield _Fault((*path, "rows"), "table-case", f"The case {', '.join(map(str, case))} cannot be worked out: {refusal.name}: {refusal.message}",
                             "Remove the case, or correct it.")


# --- worked examples ---------------------------------------------------------------------------------------------


def _examples(ready: Ready) -> Iterator[_Fault]:
    c = ready.declared
    for i, example in enumerate(c.examples):
        path: Path = ("examples", i)
        unknown = [n for n in example.expect if n not in c.outputs]
        for name in unknown:
            yield _Fault((*path, "expect", name), "unknown-name", f"'{name}' is not a result.{did_you_mean(name, c.outputs)}", "Name a result.")
        # Dates left to the reader's clock would make an example that changes from day to day.
        missing = [n for n, x in ready.inputs.items() if x.declared.kind == "date" and n not in example.given]
        for name in missing:
            yield _Fault(path, "example-date", f"The example does not say the date '{name}'.", f"Add {name}: YYYY-MM-DD to given.")
        if unknown or missing:
            continue
        result = run(ready, {n: str(v) for n, v in example.given.items()}, EPOCH)
        for refusal in result.refusals:
            yield _Fault((*path, "given"), "example-input", f"The example cannot be run: {refusal.name}: {refusal.message}", "Correct what is given.")
        if not result.refusals:
            yield from _misses(ready, path, example.expect, example.within, result)


def _misses(ready: Ready, path: Path, expect: Mapping[str, float | str], within: float, result: Result) -> Iterator[_Fault]:
    for name, wanted in expect.items():
        o = ready.declared.outputs[name]
        got: float | str = result.values[name]
        at = (*path, "expect", name)
        if name in result.withheld or wanted == WITHHELD:
            if name not in result.withheld or wanted != WITHHELD:
                state = f"withheld: {result.withheld[name]}" if name in result.withheld else "shown."
                yield _Fault(at, "example-misses", f"The example expects {wanted} for '{o.label}', but the result is {state}",
                             "Correct the range, or the example.")
        elif o.kind == "date":
            if as_date(got) != wanted:
                yield _Fault(at, "example-misses", f"The example expects {wanted} for '{o.label}', but the formula gives {as_date(got)}.",
                             "Correct the formula, or the example if its source was misread.")
        elif isinstance(wanted, str):
            yield _Fault(at, "wrong-type", f"'{wanted}' is not a number.", "Write the number alone.")
        elif not abs(got - wanted) <= within:
            yield _Fault(at, "example-misses", f"The example expects {number(wanted)} {o.unit} (within {number(within)}) for '{o.label}', "
                         f"but the formula gives {number(float(f'{got:.8g}'))}.", "Correct the formula, or the example if its source was misread.")
