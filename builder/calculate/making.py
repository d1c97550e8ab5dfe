"""Makes a declared calculator ready: looks its numbers up, checks and orders its formulas, finds what is wrong with it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from keyword import iskeyword

from ..formula import CONSTANTS, FUNCTIONS, Convert, Expr, FormulaError, Name, Type, Unresolved, check, converted, names, parse, substitute
from ..model import Amount, Basis, Calculator, Constant, Input, Library, Output, Path, Solve
from ..text import did_you_mean, links
from ..units import Units, number
from .dates import START_DATE, iso
from .ready import CalculatorFault, Inverse, Number, Ready, ReadyInput, ReadyOutput

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

_UNKNOWN = Type("unknown")


class Preparation:
    """The steps of making one calculator ready; faults are gathered, so that all are told at once."""

    def __init__(self, calculator: Calculator, library: Library, units: Units, faults: list[CalculatorFault]) -> None:
        self.c, self.library, self.units, self.faults = calculator, library, units, faults
        self.types: dict[str, Type] = {}
        self.where: dict[str, str] = {}
        self.conditions: dict[str, Expr] = {}  # of the results that have one, as written
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
        self.faults.append(CalculatorFault(path, rule, message, fix, words, before))

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
            if x.start is not None and not (isinstance(x.start, str) and (START_DATE.match(x.start) or iso(x.start) is not None)):
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
        self.conditions = {name: tree for name, o in outputs.items() if o.only_when and (tree := self._parse(o.only_when.holds, ("outputs", name, "only_when", "holds")))}
        order = self._order(parsed)
        if order is None:
            return None
        ready: dict[str, ReadyOutput] = {}
        for name in order:
            ready[name] = self._with_conditions(self._output(outputs[name], parsed), ready)
        return [ready[name] for name in order]

    def _with_conditions(self, o: ReadyOutput, before: Mapping[str, ReadyOutput]) -> ReadyOutput:
        own: dict[tuple[Expr, str], None] = {}
        late: dict[tuple[Expr, str], None] = {}  # can only be told once the result is found
        trees = [o.tree] if o.tree is not None else [o.inverse.tree, o.inverse.goal, o.inverse.low, o.inverse.high] if o.inverse else []
        for tree, otherwise in o.inverse.conditions if o.inverse else ():
            trees.append(tree)
            (late if o.declared.name in {n.name for n in names(tree)} else own)[tree, otherwise] = None
        if o.declared.only_when:
            holds = self._condition(o.declared.only_when.holds, ("outputs", o.declared.name, "only_when", "holds"))
            if holds is not None:
                trees.append(holds)
                own[holds, o.declared.only_when.otherwise] = None
        needed = {n.name for tree in trees for n in names(tree)}
        inherited = {c: None for n in before if n in needed for c in before[n].conditions}
        return replace(o, conditions=tuple(inherited | own | late), late=len(late))

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
                held = [self._put_in(self.conditions[n], parsed, s.unknown, path) for n in self._conditioned(parsed, s.within, s.unknown)]
                if None in held:
                    return None
                found = {n.name for tree in (inlined, *held) for n in names(tree)} - {s.unknown}
                for part, text in (("equals", s.equals), *((f"between {i}", t) for i, t in enumerate(s.between))):
                    tree = self._parse(text, (*path, "equals") if part == "equals" else (*path, "between", int(part[-1])))
                    if tree is None:
                        return None
                    found |= {n.name for n in names(tree)}
            if name in self.conditions:
                found |= {n.name for n in names(self.conditions[name])}
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
        return self._put_in(parsed[within], parsed, unknown, path)

    def _put_in(self, tree: Expr, parsed: Mapping[str, Expr], unknown: str, path: Path) -> Expr | None:
        """The tree with the formulas it uses put in, down to the unknown."""
        try:
            definitions = {n: t for n, t in parsed.items() if n != unknown}
            return substitute(tree, definitions, unknown)
        except FormulaError as error:
            self._fault((*path, "in"), error.rule, error.message, error.fix)
            return None

    def _conditioned(self, parsed: Mapping[str, Expr], within: str, unknown: str) -> list[str]:
        """The results on the way from `within` down to the unknown that may be withheld, in declared order."""
        reached: set[str] = set()
        todo = [within]
        while todo:
            name = todo.pop()
            if name not in reached and name in parsed and name != unknown:
                reached.add(name)
                todo += [n.name for tree in (parsed[name], self.conditions.get(name)) if tree is not None for n in names(tree)]
        return [n for n in self.c.outputs if n in reached and n in self.conditions]

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
        factor = unknown.dimension.factor_to(self.types[o.name].dimension)
        conditions = self._conditions_at(o.name, s, parsed, trees, factor, path)
        return None if conditions is None else Inverse(s.unknown, tree, goal, low, high, factor, conditions)

    def _conditions_at(self, name: str, s: Solve, parsed: Mapping[str, Expr], trees: Mapping[str, Expr], factor: float, path: Path) -> tuple[tuple[Expr, str], ...] | None:
        """The conditions of the results that are inverted, told of the value found instead of the one given."""
        found = {s.unknown: Name(name) if factor == 1 else Convert(1 / factor, Name(name))}
        conditions = []
        for n in self._conditioned(parsed, s.within, s.unknown):
            try:
                tree = self._put_in(check(self.conditions[n], self.types, self.units)[0], trees, s.unknown, path)
            except FormulaError:  # told where that result is made ready
                self.blocked = True
                return None
            if tree is None:
                return None
            conditions.append((tree if s.unknown == name else substitute(tree, found, name), self.c.outputs[n].only_when.otherwise))
        return tuple(conditions)

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
