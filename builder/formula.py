"""One formula line, four readings: a number in Python, text for the browser, an equation (MathML), a unit check.

A formula is a small arithmetic subset of Python: names, numbers, + - * / **, comparison, and/or/not, and the
functions below. It is parsed with `ast` and translated node by node, so that the author's own form is what the
reader sees and the browser computes. Nothing is ever passed to eval, here or there.

Each value has a type: a number with a unit, a date (days since 1970-01-01), or true/false. Where two units of one
dimension meet, a conversion is put in and shown; where dimensions do not add up, it is an error.
"""

from __future__ import annotations

import ast
import json
import math
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from html import escape
from itertools import pairwise

from .text import did_you_mean
from .units import Dimension, Units

FUNCTIONS = {"min": (1, 9), "max": (1, 9), "abs": (1, 1), "floor": (1, 1), "ceil": (1, 1), "sqrt": (1, 1), "exp": (1, 1),
             "log": (1, 1), "log10": (1, 1), "sin": (1, 1), "cos": (1, 1), "tan": (1, 1), "asin": (1, 1), "acos": (1, 1),
             "atan": (1, 1), "where": (3, 3), "list_day": (1, 1)}
# The name under which the theatre list days of the week stand (0 is Sunday), for list_day.
LIST_DAYS = "listDays"
CONSTANTS = {"pi": math.pi}
LONGEST = 400
DEEPEST = 60
LARGEST = 5_000  # parts of a formula with the formulas it uses put in

_ARITHMETIC = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Pow: "**"}
_COMPARE = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}
_COMPARISONS = frozenset(_COMPARE.values())
_KINDS = {"number": "a number", "truth": "a comparison", "date": "a date", "choice": "a choice"}


class FormulaError(Exception):
    """A formula that cannot be used. `column` is the offset in the formula, from 0."""

    def __init__(self, message: str, fix: str, column: int = 0, rule: str = "formula") -> None:
        super().__init__(message)
        self.message, self.fix, self.column, self.rule = message, fix, column, rule


class Unresolved(FormulaError):
    """A formula uses a name whose own card is missing or faulty; told there, so not told again here."""

    def __init__(self) -> None:
        super().__init__("A name of this formula has no value yet.", "Put the other problems right first.")


@dataclass(frozen=True, slots=True)
class Num:
    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Key:
    """The key of a choice, in quotes; it can only be compared with a choice input."""

    key: str
    column: int = 0


@dataclass(frozen=True, slots=True)
class Name:
    name: str
    column: int = 0


@dataclass(frozen=True, slots=True)
class Op:
    """op: + - * / ** neg, a comparison, and, or, not, or a function's name. args: the operands in order."""

    op: str
    args: tuple["Expr", ...]
    column: int = 0


@dataclass(frozen=True, slots=True)
class Convert:
    """A number put into another unit of its dimension: value * factor."""

    factor: float
    arg: "Expr"


Expr = Num | Key | Name | Op | Convert


@dataclass(frozen=True, slots=True)
class Type:
    """kind: number, date, choice, truth, or unknown (its own card is faulty). dimension: of a number. keys: what a choice can be."""

    kind: str
    dimension: Dimension | None = None
    keys: tuple[str, ...] = ()


def parse(source: str) -> Expr:
    """The formula as a tree. Raises FormulaError."""
    if len(source) > LONGEST:
        raise FormulaError(f"The formula is longer than {LONGEST} characters.", "Split it into two outputs.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Python's own remarks are nothing for an editor of cards
            tree = ast.parse(source.strip(), mode="eval")
    except SyntaxError as error:
        raise FormulaError("The formula cannot be read at this place.",
                           "Check the brackets and the operators; write a power as **.", max((error.offset or 1) - 1, 0)) from None
    except (ValueError, RecursionError, MemoryError):
        raise FormulaError("The formula cannot be read.", "Write it in simpler parts.") from None
    return _translate(tree.body, 0)


def _translate(node: ast.AST, depth: int) -> Expr:
    column = getattr(node, "col_offset", 0)
    if depth > DEEPEST:
        raise FormulaError("The formula is nested too deeply.", "Split it into two outputs.", column)
    down = lambda child: _translate(child, depth + 1)  # noqa: E731
    match node:
        case ast.Constant(value=bool()):
            raise FormulaError("True and False are not used in formulas.", "Write a comparison.", column)
        case ast.Constant(value=int() | float()):
            try:
                value = float(node.value)
            except OverflowError:
                value = math.inf
            if not math.isfinite(value):
                raise FormulaError("This number is too large.", "Check the exponent.", column)
            return Num(value, repr(node.value))
        case ast.Constant(value=str()):
            return Key(node.value, column)
        case ast.Name(id=name):
            return Name(name, column)
        case ast.BinOp(op=op) if type(op) in _ARITHMETIC:
            return Op(_ARITHMETIC[type(op)], (down(node.left), down(node.right)), column)
        case ast.UnaryOp(op=ast.USub()):
            return Op("neg", (down(node.operand),), column)
        case ast.UnaryOp(op=ast.UAdd()):
            return down(node.operand)
        case ast.UnaryOp(op=ast.Not()):
            return Op("not", (down(node.operand),), column)
        case ast.BoolOp(op=op):
            return Op("and" if isinstance(op, ast.And) else "or", tuple(map(down, node.values)), column)
        case ast.Compare():
            if not all(type(op) in _COMPARE for op in node.ops):
                raise FormulaError("This comparison is not part of the formula language.", "Use < <= > >= == !=.", column)
            sides = [down(side) for side in (node.left, *node.comparators)]
            pairs = [Op(_COMPARE[type(op)], pair, column) for op, pair in zip(node.ops, pairwise(sides), strict=True)]
            return pairs[0] if len(pairs) == 1 else Op("and", tuple(pairs), column)
        case ast.Call(func=ast.Name(id=name), keywords=[]) if name in FUNCTIONS:
            low, high = FUNCTIONS[name]
            if not low <= len(node.args) <= high:
                raise FormulaError(f"{name} takes {low if low == high else f'{low} to {high}'} values, not {len(node.args)}.",
                                   f"Check the commas inside {name}( ).", column)
            return Op(name, tuple(map(down, node.args)), column)
        case ast.Call(func=ast.Name(id=name)) if name in FUNCTIONS:
            raise FormulaError(f"The values of {name} are not named.", f"Write {name}(a, b), without an equals sign.", column)
        case ast.Call(func=ast.Name(id=name)):
            raise FormulaError(f"'{name}' is not a function of the formula language.{did_you_mean(name, FUNCTIONS)}",
                               f"The functions are {', '.join(FUNCTIONS)}.", column)
    raise FormulaError("This is not part of the formula language.",
                       "Use names, numbers, + - * / **, comparisons, and the functions listed in DEVELOPERS.md.", column)


def names(expr: Expr) -> Iterator[Name]:
    """Every name in the tree, constants such as pi left out."""
    match expr:
        case Name(name=name):
            if name not in CONSTANTS:
                yield expr
        case Op(args=args):
            for arg in args:
                yield from names(arg)
        case Convert(arg=arg):
            yield from names(arg)


def substitute(expr: Expr, definitions: Mapping[str, Expr], keep: str) -> Expr:
    """The tree with each defined name replaced by its own tree, again and again; `keep` stays a name."""

    left = [LARGEST]

    def walk(e: Expr, depth: int) -> Expr:
        left[0] -= 1
        if left[0] < 0:
            raise FormulaError("The formulas, put into each other, grow beyond what can be solved.", "Solve for a name in a shorter chain of formulas.")
        if depth > 4 * DEEPEST:
            raise FormulaError("The formulas lead back to each other.", "Solve for one name at a time.", rule="formula-circle")
        match e:
            case Name(name=name) if name != keep and name in definitions:
                return walk(definitions[name], depth + 1)
            case Op(args=args):
                return replace(e, args=tuple(walk(a, depth + 1) for a in args))
            case Convert(arg=arg):
                return replace(e, arg=walk(arg, depth + 1))
        return e

    return walk(expr, 0)


def check(expr: Expr, types: Mapping[str, Type], units: Units) -> tuple[Expr, Type]:
    """The tree with unit conversions put in, and its type. Raises FormulaError where types do not fit."""
    plain = Type("number", units.plain())

    def walk(e: Expr) -> tuple[Expr, Type]:
        match e:
            case Num():
                return e, plain
            case Key(column=column):
                raise FormulaError("Words in quotes can only be compared with a choice.", 'For example: posture == "seated".', column)
            case Name(name=name, column=column):
                if name in types:
                    if types[name].kind == "unknown":
                        raise Unresolved
                    return e, types[name]
                if name in CONSTANTS:
                    return e, plain
                raise FormulaError(f"'{name}' is not an input, constant, choice or result of this calculator."
                                   f"{did_you_mean(name, types)}", f"Known names: {', '.join(sorted(types))}.", column, "unknown-name")
            case Op(op=("==" | "!="), args=(Name() as chosen, Key() as key)) | Op(op=("==" | "!="), args=(Key() as key, Name() as chosen)):
                return choice(e, chosen, key)
            case Op(op=op, column=column):
                return operation(e, op, [walk(a) for a in e.args], column)
            case Convert():
                return e, plain
        raise AssertionError(e)

    def choice(e: Op, chosen: Name, key: Key) -> tuple[Expr, Type]:
        _, type_ = walk(chosen)
        if type_.kind != "choice":
            raise FormulaError(f"'{chosen.name}' is not a choice, so it cannot be compared with words in quotes.", "Name a choice input.", chosen.column)
        if key.key not in type_.keys:
            raise FormulaError(f"'{key.key}' is not one of the choices of '{chosen.name}'.{did_you_mean(key.key, type_.keys)}",
                               f"The choices are {', '.join(type_.keys)}.", key.column, "unknown-name")
        return Op(e.op, (chosen, key), e.column), Type("truth")

    def operation(e: Op, op: str, done: list[tuple[Expr, Type]], column: int) -> tuple[Expr, Type]:
        args, kinds = [d[0] for d in done], [d[1] for d in done]
        if op in ("and", "or", "not"):
            for t in kinds:
                need(t, "truth", op, column)
            return replace(e, args=tuple(args)), Type("truth")
        if op == "where":
            need(kinds[0], "truth", "the first value of where", column)
            args[1:], result = unify(args[1:], kinds[1:], "where", column)
            return replace(e, args=tuple(args)), result
        if op in _COMPARISONS or op in ("min", "max"):
            for t in kinds:
                if t.kind not in ("number", "date"):
                    raise FormulaError(f"'{op}' needs numbers or dates here, not {_KINDS[t.kind]}.", "Check what the names stand for.", column, "dimension")
            args, result = unify(args, kinds, op, column)
            return replace(e, args=tuple(args)), Type("truth") if op in _COMPARISONS else result
        if op in ("+", "-") and any(t.kind == "date" for t in kinds):
            return date_arithmetic(e, op, args, kinds, column)
        if op == "list_day":
            need(kinds[0], "date", op, column)
            return replace(e, args=tuple(args)), Type("date")
        for t in kinds:
            need(t, "number", op, column)
        dims = [t.dimension for t in kinds]
        if op in ("+", "-"):
            args, result = unify(args, kinds, op, column)
            return replace(e, args=tuple(args)), result
        if op in ("*", "/"):
            dim = dims[0] * dims[1] if op == "*" else dims[0] / dims[1]
            return replace(e, args=tuple(args)), Type("number", dim)
        if op == "**":
            if not dims[1].bare:
                raise FormulaError("A power must be a bare number.", "Divide by a value of the same unit first.", column, "dimension")
            if dims[0].bare:
                base = bare(args[0], dims[0])
                return replace(e, args=(base, bare(args[1], dims[1]))), plain
            power = _literal(args[1])
            if power is None:
                raise FormulaError("A value with a unit can only be raised to a written number.",
                                   "Write the power as a number, for example **2.", column, "dimension")
            return replace(e, args=tuple(args)), Type("number", dims[0] ** power)
        if op in ("neg", "abs", "floor", "ceil"):
            return replace(e, args=tuple(args)), kinds[0]
        if op == "sqrt":
            return replace(e, args=tuple(args)), Type("number", dims[0] ** 0.5)
        # exp, log and the angles: a bare number in; angles go in and come out in radians.
        if not dims[0].bare:
            raise FormulaError(f"{op} needs a bare number or an angle, not {dims[0].words()}.",
                               "Divide by a value of the same unit first.", column, "dimension")
        return replace(e, args=(bare(args[0], dims[0]),)), plain

    def bare(arg: Expr, dim: Dimension) -> Expr:
        return _convert(arg, dim.factor_to(plain.dimension))

    def need(t: Type, kind: str, what: str, column: int) -> None:
        if t.kind != kind:
            raise FormulaError(f"{what!r} needs {_KINDS[kind]} here, not {_KINDS[t.kind]}.", "Check what the names stand for.", column, "dimension")

    def unify(args: list[Expr], kinds: list[Type], what: str, column: int) -> tuple[list[Expr], Type]:
        # A written 0 is nought in any unit.
        zero = [isinstance(a, Num) and a.value == 0 for a in args]
        first = next((t for t, z in zip(kinds, zero, strict=True) if not z), kinds[0])
        out = []
        for arg, t, nought in zip(args, kinds, zero, strict=True):
            if nought and first.kind == "number":
                out.append(arg)
                continue
            if t.kind != first.kind:
                raise FormulaError(f"{what!r} mixes a {first.kind} with a {t.kind}.", "Compare or add like with like.", column, "dimension")
            if t.kind == "number":
                if not t.dimension.same(first.dimension):
                    raise FormulaError(f"{what!r} mixes {first.dimension.words()} with {t.dimension.words()}.",
                                       "Check the units of the names used here.", column, "dimension")
                arg = _convert(arg, t.dimension.factor_to(first.dimension))
            out.append(arg)
        return out, first

    def date_arithmetic(e: Op, op: str, args: list[Expr], kinds: list[Type], column: int) -> tuple[Expr, Type]:
        day = units.dimension("day")
        left, right = kinds
        if op == "-" and left.kind == right.kind == "date":
            return replace(e, args=tuple(args)), Type("number", day)
        if left.kind == "date" and right.kind == "number" and right.dimension.same(day):
            return replace(e, args=(args[0], _convert(args[1], right.dimension.factor_to(day)))), Type("date")
        if op == "+" and right.kind == "date" and left.kind == "number" and left.dimension.same(day):
            return replace(e, args=(_convert(args[0], left.dimension.factor_to(day)), args[1])), Type("date")
        raise FormulaError("A date can only have a time added or taken away, or another date taken from it.",
                           "Check the units: the time must be in days or hours.", column, "dimension")

    try:
        return walk(expr)
    except OverflowError:
        raise FormulaError("The powers in this formula are too high for its units.", "Check the numbers after **.", 0, "dimension") from None


def converted(expr: Expr, found: Type, unit: str, units: Units) -> Expr:
    """A checked tree put into the unit its output is declared in. Raises FormulaError on another dimension."""
    wanted = units.dimension(unit)
    if found.kind != "number" or not found.dimension.same(wanted):
        said = found.dimension.words() if found.kind == "number" else f"a {found.kind}"
        raise FormulaError(f"The formula gives {said}, but the result is declared in {unit}, {wanted.words()}.",
                           "Correct the unit of the result, or the formula.", 0, "dimension")
    try:
        return _convert(expr, found.dimension.factor_to(wanted))
    except OverflowError:
        raise FormulaError("The powers in this formula are too high for its units.", "Check the numbers after **.", 0, "dimension") from None


def _convert(arg: Expr, factor: float) -> Expr:
    if not 0 < factor < math.inf:
        raise OverflowError
    return arg if factor == 1 else Convert(factor, arg)


def _literal(e: Expr) -> float | None:
    match e:
        case Num(value=v):
            return v
        case Op(op="neg", args=(Num(value=v),)):
            return -v
        case Op(op="/", args=(Num(value=a), Num(value=b))) if b:
            return a / b
    return None


def _of_all(choose: Callable[..., float]) -> Callable[..., float]:
    """min or max as in the browser: of one value too, and no answer if any of them is none (an overflow less an overflow)."""
    return lambda *values: math.nan if any(math.isnan(v) for v in values) else choose(values)


_PYTHON: dict[str, Callable[..., float]] = {
    "+": lambda a, b: a + b, "-": lambda a, b: a - b, "*": lambda a, b: a * b, "/": lambda a, b: a / b,
    "**": math.pow, "neg": lambda a: -a, "abs": abs, "sqrt": math.sqrt, "exp": math.exp, "log": math.log, "log10": math.log10,
    "sin": math.sin, "cos": math.cos, "tan": math.tan, "asin": math.asin, "acos": math.acos, "atan": math.atan,
    "floor": lambda a: float(math.floor(a)), "ceil": lambda a: float(math.ceil(a)),
    "min": _of_all(min), "max": _of_all(max), "<": lambda a, b: a < b, "<=": lambda a, b: a <= b, ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b, "==": lambda a, b: a == b, "!=": lambda a, b: a != b,
}


# Operations that can have no answer. Both in Python and in the browser they then end the whole formula at once, so
# that no comparison or min around them turns a missing answer into a number.
_FALLIBLE = frozenset(FUNCTIONS) - {"min", "max", "abs", "where"} | {"/", "**"}
PRELUDE = """function ok(x) {
    if (!Number.isFinite(x)) { throw new RangeError('no answer'); }
    return x;
  }"""


def evaluate(expr: Expr, values: Mapping[str, float | str]) -> float | bool:
    """The value of a tree; a choice's name stands for its key. Not-a-number where the arithmetic has no answer (division by zero, root of a negative)."""
    try:
        return _evaluate(expr, values)
    except (ArithmeticError, ValueError):
        return math.nan


def _evaluate(expr: Expr, values: Mapping[str, float | str]) -> float | bool | str:
    match expr:
        case Num(value=value):
            return value
        case Key(key=key):
            return key
        case Name(name=name):
            return values[name] if name in values else CONSTANTS[name]
        case Convert(factor=factor, arg=arg):
            return _evaluate(arg, values) * factor
        case Op(op="where", args=(test, yes, no)):
            return _evaluate(yes if _evaluate(test, values) else no, values)
        case Op(op="list_day", args=(arg,)):
            return list_day(_evaluate(arg, values), values[LIST_DAYS])
        case Op(op="and", args=args):
            return all(_evaluate(a, values) for a in args)
        case Op(op="or", args=args):
            return any(_evaluate(a, values) for a in args)
        case Op(op="not", args=(arg,)):
            return not _evaluate(arg, values)
        case Op(op=op, args=args):
            value = _PYTHON[op](*(_evaluate(a, values) for a in args))
            if op in _FALLIBLE and not math.isfinite(value):
                raise ArithmeticError
            return value
    raise AssertionError(expr)


def list_day(days: float, list_days: tuple[int, ...]) -> float:
    """The first theatre list day on or after a day (days since 1970-01-01, a Thursday; 0 is Sunday)."""
    start = math.floor(days)
    return float(next((start + i for i in range(7) if (start + i + 4) % 7 in list_days), math.nan))


def bisect(expr: Expr, unknown: str, goal: float, low: float, high: float, values: Mapping[str, float]) -> float:
    """The value of `unknown` between low and high at which the tree equals goal; not-a-number if there is none.

    The same steps are written out in the browser's script, so both give the same digits.
    """
    scope = dict(values)

    def at(x: float) -> float:
        scope[unknown] = x
        return evaluate(expr, scope) - goal

    at_low, at_high = at(low), at(high)
    if at_low == 0:
        return low
    if at_high == 0:
        return high
    if not at_low * at_high < 0:
        return math.nan
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        value = at(middle)
        if math.isnan(value):
            return math.nan
        if value == 0:
            return middle
        if (value < 0) == (at_low < 0):
            low = middle
        else:
            high = middle
    return (low + high) / 2


_BINDING = {"where": 0.5, "or": 1, "and": 2, "not": 3, "<": 4, "<=": 4, ">": 4, ">=": 4, "==": 4, "!=": 4, "+": 5, "-": 5,
            "*": 6, "/": 6, "neg": 7, "**": 8}


def javascript(expr: Expr, scope: str = "v") -> str:
    """The tree as a JavaScript expression over an object of names. It calls `ok` (see PRELUDE) where an answer can be missing."""
    match expr:
        case Num(value=value):
            return repr(value) if value != int(value) or abs(value) >= 1e15 else str(int(value))
        case Key(key=key):
            return json.dumps(key)
        case Name(name=name):
            return f"{scope}.{name}" if name not in CONSTANTS else f"Math.{name.upper()}"
        case Convert(factor=factor, arg=arg):
            return f"({javascript(arg, scope)} * {factor!r})"
        case Op(op="where", args=(test, yes, no)):
            return f"({javascript(test, scope)} ? {javascript(yes, scope)} : {javascript(no, scope)})"
        case Op(op="neg", args=(arg,)):
            return f"(-{javascript(arg, scope)})"
        case Op(op="not", args=(arg,)):
            return f"(!{javascript(arg, scope)})"
        case Op(op="**", args=args):
            return f"ok(Math.pow({', '.join(javascript(a, scope) for a in args)}))"
        case Op(op="list_day", args=(arg,)):
            return f"ok(listDay({javascript(arg, scope)}, {scope}.{LIST_DAYS}))"
        case Op(op=op, args=args) if op in FUNCTIONS:
            call = f"Math.{op}({', '.join(javascript(a, scope) for a in args)})"
            return f"ok({call})" if op in _FALLIBLE else call
        case Op(op="/", args=(a, b)):
            return f"ok({javascript(a, scope)} / {javascript(b, scope)})"
        case Op(op=op, args=args):
            sign = {"and": "&&", "or": "||", "==": "===", "!=": "!=="}.get(op, op)
            return "(" + f" {sign} ".join(javascript(a, scope) for a in args) + ")"
    raise AssertionError(expr)


def mathml(expr: Expr, label: Callable[[str], str], choice: Callable[[str, str], str]) -> str:
    """The tree as presentation MathML, without the surrounding math element.

    `label` gives the MathML of a name, `choice` that of one choice of an input.
    """

    def row(e: Expr, binding: int = 0) -> str:
        inner = element(e)
        own = _BINDING.get(e.op, 9) if isinstance(e, Op) else 6 if isinstance(e, Convert) else 9
        # A fraction bar and a root hold their parts together without brackets.
        if own < binding and not (isinstance(e, Op) and e.op == "/"):
            return f"<mrow><mo>(</mo>{inner}<mo>)</mo></mrow>"
        return inner

    def element(e: Expr) -> str:
        match e:
            case Num(text=text):
                return f"<mn>{escape(text)}</mn>"
            case Name(name="pi"):
                return "<mi>π</mi>"
            case Name(name=name):
                return label(name)
            case Convert(factor=factor, arg=arg):
                return f"<mrow>{row(arg, 6)}<mo>×</mo><mn>{factor:.10g}</mn></mrow>"
            case Op(op="/", args=(a, b)):
                return f"<mfrac><mrow>{row(a)}</mrow><mrow>{row(b)}</mrow></mfrac>"
            case Op(op="**", args=(a, b)):
                # A power beside a bare fraction would read as a power of its last line only.
                base = f"<mrow><mo>(</mo>{element(a)}<mo>)</mo></mrow>" if isinstance(a, Op) and a.op == "/" else row(a, 9)
                return f"<msup><mrow>{base}</mrow><mrow>{row(b)}</mrow></msup>"
            case Op(op="sqrt", args=(a,)):
                return f"<msqrt>{row(a)}</msqrt>"
            case Op(op="abs", args=(a,)):
                return f"<mrow><mo>|</mo>{row(a)}<mo>|</mo></mrow>"
            case Op(op="neg", args=(a,)):
                return f"<mrow><mo>−</mo>{row(a, 7)}</mrow>"
            case Op(op="not", args=(a,)):
                return f"<mrow><mtext>not&#160;</mtext>{row(a, 4)}</mrow>"
            case Op(op=("and" | "or") as op, args=args):
                return "<mrow>" + f"<mtext>&#160;{op}&#160;</mtext>".join(row(a, 4) for a in args) + "</mrow>"
            case Op(op="where", args=(test, yes, no)):
                return ("<mrow><mo>{</mo><mtable>"
                        f"<mtr><mtd>{row(yes)}</mtd><mtd><mtext>if&#160;</mtext>{row(test)}</mtd></mtr>"
                        f"<mtr><mtd>{row(no)}</mtd><mtd><mtext>otherwise</mtext></mtd></mtr></mtable></mrow>")
            case Op(op=op, args=(Name(name=name), Key(key=key))):
                return f"<mrow>{label(name)}<mo>{'=' if op == '==' else '≠'}</mo>{choice(name, key)}</mrow>"
            case Op(op=op, args=(a, b)) if op in _BINDING:
                sign = {"*": "×", "-": "−", "<=": "≤", ">=": "≥", "==": "=", "!=": "≠"}.get(op, escape(op))
                left = row(a, _BINDING[op])
                # a - (b + c) keeps its brackets; a + (b - c) does too, harmlessly.
                return f"<mrow>{left}<mo>{sign}</mo>{row(b, _BINDING[op] + 1)}</mrow>"
            case Op(op=op, args=args):
                sign = {"log": "ln", "log10": "log₁₀", "asin": "arcsin", "acos": "arccos", "atan": "arctan", "floor": "whole part of",
                        "ceil": "next whole number from", "list_day": "first list day from"}.get(op, op)
                return f"<mrow><mi>{sign}</mi><mo>(</mo>{'<mo>,</mo>'.join(row(a) for a in args)}<mo>)</mo></mrow>"
        raise AssertionError(e)

    return row(expr)

