"""Runs a calculator that is ready on inputs as typed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date

from ..formula import LIST_DAYS, Expr, bisect, evaluate, names
from ..text import did_you_mean
from ..units import number
from .dates import FIRST_DAY, FIRST_YEAR, LAST_DAY, LAST_YEAR, iso, start_date
from .ready import Inverse, Ready, ReadyInput, Refusal, Result

# The digits 0 to 9 alone, as in the browser: other scripts have digits of their own.
_ENTRY = re.compile(r"[-+\u2212]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_GROUPED = re.compile(r"[-+\u2212]?[1-9]\d{0,2},\d{3}")


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
        refusals += [Refusal(ready.beside(tree), say) for say, tree in ready.refuse_when if evaluate(tree, values) is True]
    if refusals:
        return Result({}, {}, (), tuple(refusals))
    withheld: dict[str, str] = {}
    for o in ready.outputs:
        name, early = o.declared.name, len(o.conditions) - o.late
        failing = _failing(o.conditions[:early], values)
        values[name] = math.nan if failing else evaluate(o.tree, values) if o.tree is not None else _solve(o.inverse, values)
        failing = failing or _failing(o.conditions[early:], values)
        if failing:
            withheld[name] = failing
        elif not math.isfinite(values[name]) or (o.declared.kind == "date" and not FIRST_DAY <= values[name] < LAST_DAY + 1):
            return Result({}, {}, (), (Refusal(name, f"'{o.declared.label}' cannot be worked out from these values."),))
    # What rests on a result found outside its range asks about the value found, so that stays until here.
    values.update(dict.fromkeys(withheld, math.nan))
    # A sentence about a withheld result is not said: "not more than" would hold for no number at all.
    held = tuple(v for v, tree in ready.verdicts if withheld.keys().isdisjoint(n.name for n in names(tree)) and evaluate(tree, values) is True)
    del values[LIST_DAYS]
    return Result(values, choices, held, (), withheld)


def _failing(conditions: tuple[tuple[Expr, str], ...], values: Mapping[str, float | str]) -> str:
    """The sentence of the first condition that does not hold; nothing if all do."""
    return next((say for tree, say in conditions if evaluate(tree, values) is not True), "")


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
        days = start_date(str(x.start), today) if raw is None else iso(raw.strip())
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
