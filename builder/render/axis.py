"""The department's value and every published one on one axis, as SVG by class names only."""

from __future__ import annotations

import math
from collections.abc import Callable

from markupsafe import Markup, escape

from ..model import Amount, Quantity
from ..units import amount, number, unit_shown

LEFT, RIGHT, WIDTH = 34.0, 282.0, 300
ROW, TOP = 18.0, 12.0
LETTERS = "abcdefghijklmnopqrstuvwxyz"

Ends = tuple[float | None, float | None]


def axis(q: Quantity, factor: Callable[[str, str], float]) -> Markup:
    """The drawing of a quantity with its published figures, in the quantity's unit; nothing without them.

    factor: what a number in one unit is multiplied by to be in another. Rows are the department's own and then a, b, c
    as the list beneath counts them. The axis is logarithmic where the figures span more than thirtyfold.
    """
    if not q.reported:
        return Markup("")
    unit = q.amount.unit
    rows = [("ours", _ends(q.amount, 1.0))]
    rows += [(LETTERS[i % 26], _ends(r.amount, factor(r.amount.unit, unit))) for i, r in enumerate(q.reported)]
    found = [x for _, ends in rows for x in ends if x is not None]
    scale = _Scale(min(found), max(found))
    bottom = TOP + ROW * len(rows)
    parts = [_row(name, ends, scale, TOP + ROW * i, ours=i == 0) for i, (name, ends) in enumerate(rows)]
    parts.append(f'<line class="rule" x1="{LEFT:g}" y1="{bottom:g}" x2="{RIGHT:g}" y2="{bottom:g}"/>')
    parts += [f'<line class="tick" x1="{scale.at(t)}" y1="{bottom:g}" x2="{scale.at(t)}" y2="{bottom + 4:g}"/>'
              f'<text class="scale" x="{scale.at(t)}" y="{bottom + 15:g}">{number(t)}</text>' for t in scale.ticks]
    parts.append(f'<text class="unit-name" x="{RIGHT:g}" y="{bottom + 28:g}">{escape(unit_shown(unit))}{", logarithmic" if scale.log else ""}</text>')
    count = len(q.reported)
    said = (f"{q.label}: ours {amount(unit, q.amount.value, q.amount.low, q.amount.high)}, beside {count} published "
            f"figure{'s' if count > 1 else ''} on one axis from {number(scale.low)} to {amount(unit, scale.high, None, None)}")
    return Markup(f'<svg class="beside-axis" viewBox="0 0 {WIDTH} {bottom + 34:g}" role="img" aria-label="{escape(said)}">{"".join(parts)}</svg>')


def _ends(a: Amount, factor: float) -> Ends:
    low, high = (a.value, a.value) if a.value is not None else (a.low, a.high)
    return (None if low is None else low * factor), (None if high is None else high * factor)


class _Scale:
    """Values to places across the drawing, with a few round ticks."""

    def __init__(self, low: float, high: float) -> None:
        self.log = low > 0 and high / low > 30
        if self.log:
            self.low, self.high = 10 ** math.floor(math.log10(low)), 10 ** math.ceil(math.log10(high))
            self.ticks = [10.0**e for e in range(round(math.log10(self.low)), round(math.log10(self.high)) + 1)]
            return
        if low >= 0 and low < high * 0.6:
            low = 0.0
        step = _step((high - low) or abs(high) or 1.0)
        first, last = math.floor(low / step), math.ceil(high / step)
        last += first == last
        self.ticks = [float(f"{i * step:.12g}") for i in range(first, last + 1)]
        self.low, self.high = self.ticks[0], self.ticks[-1]

    def at(self, value: float) -> str:
        share = (math.log10(value / self.low) / math.log10(self.high / self.low)) if self.log else (value - self.low) / (self.high - self.low)
        return f"{LEFT + share * (RIGHT - LEFT):.1f}"


def _step(span: float) -> float:
    """A round step that divides a span into three to six."""
    rough = span / 5
    power = 10 ** math.floor(math.log10(rough))
    return next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= rough * 0.999)


def _row(name: str, ends: Ends, scale: _Scale, y: float, *, ours: bool) -> str:
    low, high = ends
    kind = "ours" if ours else "published"
    label = f'<text class="row-name" x="0" y="{y + 4:g}">{name}</text>'
    if low is not None and low == high:
        x = scale.at(low)
        mark = (f'<path class="point" d="M{x} {y - 6:g}l6 6l-6 6l-6 -6z"/>' if ours else f'<circle class="point" cx="{x}" cy="{y:g}" r="4.5"/>')
    else:
        # A missing end is an open one: the bar runs to the edge and ends in an arrowhead.
        x1 = f"{LEFT:g}" if low is None else scale.at(low)
        x2 = f"{RIGHT:g}" if high is None else scale.at(high)
        mark = f'<line class="span" x1="{x1}" y1="{y:g}" x2="{x2}" y2="{y:g}"/>'
        mark += f'<path class="end" d="M{x1} {y:g}l7 -4.5v9z"/>' if low is None else f'<line class="end" x1="{x1}" y1="{y - 5:g}" x2="{x1}" y2="{y + 5:g}"/>'
        mark += f'<path class="end" d="M{x2} {y:g}l-7 -4.5v9z"/>' if high is None else f'<line class="end" x1="{x2}" y1="{y - 5:g}" x2="{x2}" y2="{y + 5:g}"/>'
    return f'<g class="{kind}">{label}{mark}</g>'
