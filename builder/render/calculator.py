"""What a calculator page needs besides words: its script, its equations, its fields, its table of examples."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup, escape

from ..formula import LIST_DAYS, PRELUDE, javascript, mathml, names
from ..model import Calculator
from ..units import amount, unit_shown

# Kept word for word the same as formula.bisect, so that both give the same digits.
_BISECT = """function bisect(at, low, high) {
    var atLow = at(low), atHigh = at(high);
    if (atLow === 0) { return low; }
    if (atHigh === 0) { return high; }
    if (!(atLow * atHigh < 0)) { return NaN; }
    for (var i = 0; i < 200; i += 1) {
      var middle = (low + high) / 2;
      if (middle === low || middle === high) { break; }
      var value = at(middle);
      if (value === 0) { return middle; }
      if ((value < 0) === (atLow < 0)) { low = middle; } else { high = middle; }
    }
    return (low + high) / 2;
  }"""


# A condition that has no answer does not hold, as in Python.
_HOLDS = """function holds(condition) {
    try { return condition(); } catch (none) { return false; }
  }"""

_LIST_DAY = """function listDay(days, list) {
    var start = Math.floor(days);
    for (var i = 0; i < 7; i += 1) {
      if (list.indexOf((((start + i + 4) % 7) + 7) % 7) >= 0) { return start + i; }
    }
    return NaN;
  }"""


def script(ready: Any) -> str:
    """The classic script that gives the page this calculator: data and plain functions, no eval."""
    c: Calculator = ready.declared
    lines, needs_bisect = [], False
    for o in ready.outputs:
        name = o.declared.name
        shown = " && ".join(javascript(t) for t, _ in o.conditions[: len(o.conditions) - o.late])
        start = f"    v.{name} = {f'!holds(function () {{ return {shown}; }}) ? NaN : ' if shown else ''}"
        if o.tree is not None:
            lines.append(f"{start}{javascript(o.tree)};")
        else:
            needs_bisect = True
            i = o.inverse
            lines.append(f"{start}(function () {{ var w = Object.assign({{}}, v); var goal = {javascript(i.goal)}; "
                         f"return bisect(function (x) {{ w.{i.unknown} = x; return {javascript(i.tree, 'w')} - goal; }}, "
                         f"{javascript(i.low)}, {javascript(i.high)}){f' * {i.factor!r}' if i.factor != 1 else ''}; }}());")
    results = ", ".join(f"{o.declared.name}: v.{o.declared.name}" for o in ready.outputs)
    withheld = ",\n    ".join(
        f"{json.dumps(o.declared.name)}: [" + ", ".join(f"{{test: function (v) {{ return holds(function () {{ return {javascript(t)}; }}); }}, say: {_string(say)}}}" for t, say in o.conditions) + "]"
        for o in ready.outputs if o.conditions)
    verdicts = ",\n    ".join(f"function (v) {{ return {_present(t, ready)}holds(function () {{ return {javascript(t)}; }}); }}" for _, t in ready.verdicts)
    refusals = ",\n    ".join(
        f"{{test: function (v) {{ return holds(function () {{ return {javascript(t)}; }}); }}, input: {json.dumps(ready.beside(t))}, say: {_string(say)}}}" for say, t in ready.refuse_when)
    uses_lists = any("listDay(" in part for part in (*lines, withheld, verdicts, refusals))
    definition = {
        "id": c.id, "title": c.title, "inputs": {n: _input(x) for n, x in ready.inputs.items()},
        "constants": {**{n: x.value for n, x in ready.constants.items()}, **({LIST_DAYS: list(ready.list_days)} if uses_lists else {})},
        "constantLabels": {n: x.label for n, x in ready.constants.items()},
        "constantUnits": {n: unit_shown(x.unit) for n, x in ready.constants.items()},
        "outputs": {n: {"label": o.label, "kind": o.kind, "unit": unit_shown(o.unit) if o.unit else "", "decimals": o.decimals} for n, o in c.outputs.items()},
        "plot": {"across": c.plot.across, "show": list(c.plot.show), "marks": list(c.plot.marks), "points": 61,
                 "bands": [{"low": b.low, "high": b.high, "label": b.label} for b in c.plot.bands]} if c.plot else None,
        "diagram": c.diagram or None, "roles": dict(c.roles),
        "calendar": {"title": c.calendar.title, "from": c.calendar.first, "to": c.calendar.last} if c.calendar else None,
    }
    body = json.dumps(definition, ensure_ascii=False, indent=2).replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return f"""// Written by the builder from {c.file}; change the card, not this file.
(function () {{
  'use strict';
  {PRELUDE}
  {_HOLDS}
  {_BISECT if needs_bisect else ''}
  {_LIST_DAY if uses_lists else ''}
  var definition = {body};
  definition.compute = function (given) {{
    var v = Object.assign({{}}, given);
{chr(10).join(lines)}
    return {{{results}}};
  }};
  definition.verdicts = [
    {verdicts}
  ];
  definition.refusals = [
    {refusals}
  ];
  definition.withheld = {{
    {withheld}
  }};
  (window.calculators = window.calculators || {{}})[{json.dumps(c.id)}] = definition;
}}());
"""


def _string(text: str) -> str:
    """A sentence as a JavaScript string that cannot end a script."""
    return json.dumps(text, ensure_ascii=False).replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _present(tree: Any, ready: Any) -> str:
    """The test that no result a verdict names is withheld (then it is not a number)."""
    able = {o.declared.name for o in ready.outputs if o.conditions}
    named = sorted({n.name for n in names(tree)} & able)
    return "".join(f"!Number.isNaN(v.{name}) && " for name in named)


def _input(x: Any) -> dict[str, Any]:
    d = x.declared
    if d.kind == "date":
        return {"label": d.label, "kind": "date", "start": x.start}
    if d.kind == "choice":
        return {"label": d.label, "kind": "choice", "start": x.start,
                "choices": {k: {"label": c.label, "sets": {n: v.value for n, v in x.choices[k].items()}} for k, c in d.choices.items()}}
    return {"label": d.label, "kind": "number", "unit": d.unit, "units": dict(x.units), "low": x.low, "high": x.high, "start": x.start,
            "decimals": d.decimals, "why": d.why_range}


def equations(ready: Any) -> dict[str, tuple[Markup, Markup]]:
    """For each output with a formula: the equation, and the same with a place for each of the reader's numbers."""
    labels = _labels(ready)

    # Identifiers, not mtext: beside mtext an operator loses its spacing.
    def named(name: str) -> str:
        return f'<mi mathvariant="normal">{escape(labels[name])}</mi>'

    def filled(name: str) -> str:
        tag = "mi" if name in ready.inputs and ready.inputs[name].choices else "mn"
        return f'<{tag} data-value-of="{escape(name)}">?</{tag}>'

    def choice(name: str, key: str) -> str:
        return f'<mi mathvariant="normal">{escape(lower_first(ready.inputs[name].declared.choices[key].label))}</mi>'

    made = {}
    order = list(ready.declared.outputs)
    for o in sorted(ready.outputs, key=lambda o: order.index(o.declared.name)):
        if o.tree is not None:
            # The result's name stands on a line of its own in the page: an equation does not wrap on a phone.
            made[o.declared.name] = (Markup(f"<mrow><mo>=</mo>{mathml(o.tree, named, choice)}</mrow>"),
                                     Markup(f"<mrow><mo>=</mo>{mathml(o.tree, filled, choice)}<mo>=</mo>{filled(o.declared.name)}</mrow>"))
    return made


def _labels(ready: Any) -> Mapping[str, str]:
    c: Calculator = ready.declared
    labels = {n: x.label for n, x in c.inputs.items()} | {n: o.label for n, o in c.outputs.items()}
    labels |= {n: x.label for n, x in ready.constants.items()}
    for x in ready.inputs.values():
        for sets in (x.choices or {}).values():
            labels |= {n: v.label if len({s[n].label for s in x.choices.values()}) == 1 else n.replace("_", " ") for n, v in sets.items()}
    return {n: lower_first(label) for n, label in labels.items()}


def lower_first(label: str) -> str:
    """A label as it stands inside a sentence; an abbreviation keeps its capitals."""
    return label[0].lower() + label[1:] if label[1:2].islower() else label


def shown(value: float, unit: str) -> str:
    """A number with its unit, as it stands in a table."""
    return amount(unit, value, None, None)


def typed(value: float) -> str:
    """A number as a reader would type it: no thousands mark, an ordinary minus."""
    return f"{value:.15g}"
