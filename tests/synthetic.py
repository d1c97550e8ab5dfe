"""Writes a library of invented cards, to measure the builder on more cards than a department has yet.

    python tests/synthetic.py FOLDER 1000

makes FOLDER/cards with 1,000 technique cards of about 150 lines, a pathway, three calculators, one source for every
four cards, a glossary and a department. The same number of cards always gives the same bytes. The cards link to each
other, to each other's quantities, to calculators and to terms; what they say means nothing.
"""

from __future__ import annotations

import random
import sys
import textwrap
from collections.abc import Iterable
from pathlib import Path

STAGES = ("preparation", "access", "posterior segment", "haemostasis", "laser", "exchange and closure", "after theatre")
CARDS_A_SOURCE = 4
CHAIN = 12  # cards that follow each other by `next`, before a new chain begins
UNITS = {"mmHg": (5, 90), "mm": (1, 24), "min": (1, 60), "day": (1, 60), "mL/min": (1, 30), "mW": (100, 900), "%": (1, 90), "µm": (50, 900)}
TERMS = 60

_ONSETS = "b c d f g l m n p r s t v br cl dr fl gr pl st tr".split()
_VOWELS = "a e i o u ai ea ou".split()
_ENDS = ["", "l", "n", "r", "s", "t", "nd", "rm", "st"]
_SMALL = "the a this each of in on to from with by and or until while before after under over into".split()


def write(folder: Path, cards: int) -> Path:
    """Writes the library below folder/cards. Returns the cards folder. The folder must not hold one yet."""
    made = _Library(cards)
    root = folder / "cards"
    for name, text in made.files():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
    return root


class _Library:
    def __init__(self, cards: int) -> None:
        words = random.Random(20260101)
        self.words = sorted({self._word(words) for _ in range(2500)})
        self.count = cards
        self.sources = [f"source-{i:04d}" for i in range(max(3, cards // CARDS_A_SOURCE))]
        self.quantities = {i: self._keys(i) for i in range(cards)}

    @staticmethod
    def _word(r: random.Random) -> str:
        return "".join(r.choice(_ONSETS) + r.choice(_VOWELS) for _ in range(r.choice((1, 2, 2, 3)))) + r.choice(_ENDS)

    def _keys(self, i: int) -> list[str]:
        r = random.Random(f"keys {i}")
        # The first card's own keys feed the calculators.
        fixed = ["raised", "limit", "wait", "window"] if i == 0 else []
        return fixed + [f"{r.choice(self.words)}-{n}" for n in range(6 - len(fixed))]

    @staticmethod
    def _id(i: int) -> str:
        return f"card-{i:04d}"

    def files(self) -> Iterable[tuple[str, str]]:
        for i in range(self.count):
            yield f"techniques/{self._id(i)}.yaml", self._card(i)
        for i, id in enumerate(self.sources):
            yield f"sources/{id}.yaml", self._source(i)
        yield "pathways/invented-case.yaml", self._pathway()
        yield from self._calculators()
        yield "glossary.yaml", self._glossary()
        yield "department.yaml", _DEPARTMENT

    # --- sentences ---

    def _sentence(self, r: random.Random, least: int = 8, most: int = 20, link: str = "") -> str:
        said = [r.choice(_SMALL) if r.random() < 0.35 else r.choice(self.words) for _ in range(r.randint(least, most))]
        if link:
            said.insert(r.randint(1, len(said)), link)
        said[0] = said[0].capitalize()
        return " ".join(said) + "."

    def _link(self, r: random.Random, i: int) -> str:
        """A link of the kinds that real cards use, in about their shares."""
        other = r.randrange(self.count)
        match r.choices(("own", "quantity", "card", "source", "term", "calculator"), (8, 4, 4, 1, 2, 1))[0]:
            case "own":
                return f"[](quantity:{r.choice(self.quantities[i])})"
            case "quantity":
                return f"[](quantity:{self._id(other)}/{r.choice(self.quantities[other])})"
            case "card":
                return f"[](card:{self._id(other)})"
            case "source":
                return f"[](source:{r.choice(self.sources)})"
            case "term":
                return f"[](term:term-{r.randrange(TERMS):02d})"
        return f"[](calculator:{r.choice(list(_CALCULATORS))})"

    def _text(self, r: random.Random, i: int, indent: int, least: int = 8, most: int = 20) -> str:
        """A sentence as the value of a key; folded over lines when it is long, as an editor would."""
        said = self._sentence(r, least, most, self._link(r, i) if r.random() < 0.4 else "")
        if len(said) <= 90:
            return said
        pad = " " * indent
        return ">-\n" + textwrap.fill(said, 100 - indent, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False, break_long_words=False)

    def _basis(self, r: random.Random) -> str:
        if r.random() < 0.5:
            return "common practice"
        cited = ", ".join(f"{{source: {s}, at: abstract, checked: abstract}}" for s in r.sample(self.sources, r.choice((1, 1, 2))))
        return f"[{cited}]"

    # --- files ---

    def _card(self, i: int) -> str:
        r = random.Random(f"card {i}")
        out = ["# yaml-language-server: $schema=../../schema/technique.schema.json", f"title: {self._title(r, i)}",
               f"stage: {STAGES[i // CHAIN % len(STAGES)]}", f"also_called: [{', '.join(r.sample(self.words, 4))}]",
               f"summary: {self._text(r, i, 2, 14, 20)}", "quantities:"]
        for n, key in enumerate(self.quantities[i]):
            out += self._quantity(r, i, n, key)
        for group, count in (("when", 2), ("not_when", 1), ("equipment", 1)):
            out += self._claims(r, i, group, count)
        out.append("steps:")
        for _ in range(6):
            out += [f"  - do: {self._text(r, i, 6)}", f"    why: {self._text(r, i, 6, 6, 14)}", f"    endpoint: {self._text(r, i, 6, 6, 12)}", f"    basis: {self._basis(r)}"]
        out.append("decisions:")
        for _ in range(2):
            out += [f"  - if: {self._text(r, i, 6, 6, 10)}", f"    then: {self._text(r, i, 6)}", f"    basis: {self._basis(r)}"]
        out.append("pitfalls:")
        for _ in range(2):
            out += [f"  - sign: {self._text(r, i, 6, 6, 10)}", f"    respond: {self._text(r, i, 6)}", f"    basis: {self._basis(r)}"]
        out += self._claims(r, i, "cautions", 2) + self._claims(r, i, "evidence", 2)
        out.append("questions:")
        for _ in range(3):
            out += [f"  - ask: {self._sentence(r, 6, 10)[:-1]}?", f"    answer: {self._text(r, i, 6)}", f"    basis: {self._basis(r)}"]
        if (i + 1) % CHAIN and i + 1 < self.count:
            out.append(f"next: [{self._id(i + 1)}]")
        if others := sorted({r.randrange(self.count) for _ in range(3)} - {i}):
            out.append(f"see_also: [{', '.join(map(self._id, others))}]")
        return "\n".join([*out, "review: {owner: consultant, every_months: 12}", ""])

    def _title(self, r: random.Random, i: int) -> str:
        return f"{r.choice(self.words).capitalize()} {r.choice(self.words)} {i}"

    def _quantity(self, r: random.Random, i: int, n: int, key: str) -> list[str]:
        fixed = {"raised": "value: 60\n    unit: mmHg", "limit": "value: 30\n    unit: mmHg", "wait": "value: 3\n    unit: day", "window": "low: 4\n    high: 10\n    unit: day"}
        unit, (low, high) = r.choice(sorted(UNITS.items()))
        value = r.randint(low, high)
        figure = fixed.get(key) or (f"value: {value}\n    unit: '{unit}'" if r.random() < 0.6 else f"low: {value}\n    high: {value + r.randint(1, 9)}\n    unit: '{unit}'")
        out = [f"  {key}:", f"    label: {self._sentence(r, 3, 5)[:-1]}", f"    {figure}", f"    basis: {self._basis(r)}"]
        beside = n % 4 == 1 and key not in fixed
        if n % 3 == 0 or beside:  # a number beside published ones says why
            out.append(f"    why: {self._text(r, i, 6, 8, 14)}")
        if beside:
            out += ["    reported:", f"      - {{value: {value + 1}, unit: '{unit}', in: {self._sentence(r, 3, 5)[:-1]}, basis: {self._basis(r)}}}"]
        return out

    def _claims(self, r: random.Random, i: int, group: str, count: int) -> list[str]:
        return [f"{group}:", *(line for _ in range(count) for line in (f"  - text: {self._text(r, i, 6)}", f"    basis: {self._basis(r)}"))]

    def _source(self, i: int) -> str:
        r = random.Random(f"source {i}")
        return textwrap.dedent(f"""\
            type: article-journal
            title: Invented paper {i}, {self._sentence(r, 5, 9)[:-1].lower()}
            author:
              - {{family: {r.choice(self.words).capitalize()}, given: A}}
              - {{family: {r.choice(self.words).capitalize()}, given: B}}
              - {{family: {r.choice(self.words).capitalize()}, given: C}}
            container-title: Invented Journal
            issued: {{date-parts: [[{r.randint(1980, 2025)}]]}}
            volume: "{r.randint(1, 60)}"
            page: "{r.randint(1, 500)}"
            checked: abstract
            """)

    def _pathway(self) -> str:
        r = random.Random("pathway")
        out = ["title: Invented case", "summary: The way through the first cards, stage by stage.",
               "when: [{text: Invented eyes., basis: common practice}]", "stages:"]
        for n, stage in enumerate(STAGES):
            cards = [self._id(c) for c in range(n, min(self.count, 42), len(STAGES))]
            if cards:
                calculators = f"\n    calculators: [{list(_CALCULATORS)[n]}]" if n < len(_CALCULATORS) else ""
                out += [f"  - stage: {stage}", f"    aim: {self._sentence(r)}", f"    cards: [{', '.join(cards)}]{calculators}",
                        "    have:", f"      - {{text: {self._sentence(r)}, basis: common practice}}"]
        return "\n".join([*out, "review: {owner: consultant, every_months: 12}", ""])

    def _calculators(self) -> Iterable[tuple[str, str]]:
        for id, text in _CALCULATORS.items():
            yield f"calculators/{id}.yaml", text.replace("CARD", self._id(0)).replace("SOURCE", self.sources[0])

    def _glossary(self) -> str:
        r = random.Random("glossary")
        out = ["terms:"]
        for n in range(TERMS):
            out += [f"  term-{n:02d}:", f"    term: {self._title(r, n)}", f"    also_called: [{', '.join(r.sample(self.words, 2))}]", f"    meaning: {self._sentence(r)}"]
        return "\n".join([*out, ""])


_DEPARTMENT = """\
name: Invented unit
about: An invented unit, to measure the builder.
list_days: [monday]
review_owner: consultant
review_every_months: 12
contact: the card editor
"""

# One for each thing that the calculator language can do: dates, choices, and an inverse with a plot.
_CALCULATORS = {
    "invented-window": """\
title: Invented window
question: Does the second date lie in the window?
stage: preparation
summary: Counts a window from a date.
used_by: [CARD]
inputs:
  first: {label: First date, kind: date, start: today}
  second: {label: Second date, kind: date, start: today+5}
constants:
  opens_on: quantity:CARD/window.low
  closes_on: quantity:CARD/window.high
outputs:
  opens: {label: Window opens, kind: date, formula: first + opens_on, basis: common practice}
  closes: {label: Window closes, kind: date, formula: first + closes_on, basis: common practice}
  interval: {label: Interval, unit: day, decimals: 0, formula: second - first, basis: common practice}
verdicts:
  - {when: interval >= opens_on and interval <= closes_on, level: note, say: "Inside; it closes on [](value:closes).", basis: common practice}
  - {when: not (interval >= opens_on and interval <= closes_on), level: caution, say: Outside., basis: common practice}
diagram: timeline
roles: {injected: first, opens: opens, closes: closes, theatre: second}
not_for: [{text: Not for use., basis: common practice}]
examples:
  - {given: {first: "2028-02-24", second: "2028-03-06"}, expect: {opens: "2028-02-28", interval: 11}, within: 0, result: derived, basis: common practice}
review: {owner: consultant, every_months: 12}
""",
    "invented-pressure": """\
title: Invented pressure
question: How much is left?
stage: haemostasis
summary: Takes one pressure from a share of another.
used_by: [CARD]
inputs:
  high: {label: Higher reading, unit: mmHg, also_in: [kPa], low: 60, high: 260, start: 120, decimals: 0, why_range: Invented.}
  low: {label: Lower reading, unit: mmHg, also_in: [kPa], low: 30, high: 150, start: 80, decimals: 0, why_range: Invented.}
  taken: {label: Pressure taken away, unit: mmHg, also_in: [cmH2O, kPa], low: 0, high: 120, start: "quantity:CARD/raised", decimals: 0, why_range: Invented.}
constants:
  limit: quantity:CARD/limit
refuse_when:
  - {when: high <= low, say: The higher reading must be above the lower.}
outputs:
  mean: {label: Mean, unit: mmHg, decimals: 1, formula: low + (high - low) / 3, basis: common practice}
  left: {label: Pressure left, unit: mmHg, decimals: 1, formula: mean - taken, basis: [{source: SOURCE, at: abstract, checked: abstract}]}
  at_limit: {label: Pressure at the limit, unit: mmHg, decimals: 1, solve: {for: taken, in: left, equals: limit, between: ["-300", "300"]}, basis: common practice}
verdicts:
  - {when: left < limit, level: caution, say: "Below [](quantity:CARD/limit).", basis: common practice}
plot: {across: taken, show: [left], marks: [limit]}
not_for: [{text: Not for use., basis: common practice}]
examples:
  - {given: {high: 120, low: 80, taken: 20}, expect: {mean: 93.33, left: 73.33}, within: 0.005, result: derived, basis: common practice}
review: {owner: consultant, every_months: 12}
""",
    "invented-places": """\
title: Invented places
question: Where do they go?
stage: access
summary: Turns a choice into a clock position.
used_by: [CARD]
inputs:
  side:
    label: Side
    start: right
    choices:
      right: {label: Right, sets: {meridian: {label: Meridian, value: 9, unit: clock hour, basis: common practice}, up: {label: "Right: 1, left: -1", value: 1, unit: ratio, basis: common practice}}}
      left: {label: Left, sets: {meridian: {label: Meridian, value: 3, unit: clock hour, basis: common practice}, up: {label: "Right: 1, left: -1", value: -1, unit: ratio, basis: common practice}}}
constants:
  step: {label: Step, value: 30, unit: degree, basis: common practice}
outputs:
  place: {label: Place, kind: clock, unit: clock hour, formula: meridian + up * step, basis: common practice}
not_for: [{text: Not for use., basis: common practice}]
examples:
  - {given: {side: left}, expect: {place: 2}, within: 0.000001, result: derived, basis: common practice}
review: {owner: consultant, every_months: 12}
""",
}


if __name__ == "__main__":
    if len(sys.argv) != 3 or not sys.argv[2].isdigit():
        sys.exit(__doc__)
    print(write(Path(sys.argv[1]), int(sys.argv[2])))
