"""What the brief of one pathway says before any case is known: its stages, the cards' numbers and checks, its calculators."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from ..formula import names
from ..link import Linked
from ..model import CHECKED, PRACTICE, Basis, Calculator, LocalQuantity, Pathway, Quantity, QuantityFromBase, Review, Technique
from ..signoff import lapsed
from ..text import FROM_BASE, Link, links, parts
from ..versions import version
from .prose import Prose, short_name

PAGE = "brief.html"
# Inputs that describe the eye and the patient: asked for even where one calculator alone uses them. Dates and shared
# inputs are asked for in any case; all others keep their start value until the reader opens them. NAME or CALCULATOR/NAME.
OF_THE_CASE = frozenset({
    "eye", "lens", "systolic", "diastolic", "axial_length", "site", "vitreous",
    "perfusion-pressure/age", "premacular-extent/width", "premacular-extent/height",
})
# No start value is sensible for these: nothing that needs one is answered until the reader has chosen.
TO_BE_CHOSEN = ("eye", "lens")
# On paper one letter stands for each mark; the sheet explains them.
LETTERS = {"full text": "F", "abstract": "A", "secondary": "S", "memory": "R", PRACTICE: "P"}


def script(data: Mapping[str, Any]) -> str:
    """The classic script that gives brief.html one pathway."""
    body = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return ("// Written by the builder from the cards; change those, not this file.\n"
            f"window.cards = window.cards || {{}};\nwindow.cards.brief = window.cards.brief || {{}};\nwindow.cards.brief[{json.dumps(data['id'])}] = {body};\n")


def data(linked: Linked, p: Pathway, on: Mapping[str, Any]) -> dict[str, Any]:
    """Everything brief.js needs for a pathway. on: id -> the calculators that the department has not switched off."""
    return _Brief(linked, p, on).data()


class _Brief:
    """Numbers the sources as they come, as Prose does for a page."""

    def __init__(self, linked: Linked, p: Pathway, on: Mapping[str, Any]) -> None:
        self.linked, self.library, self.p = linked, linked.library, p
        self.ready = {id: on[id] for id in p.calculators if id in on}
        self.sources: dict[str, tuple[int, set[str]]] = {}
        self.acted_on = self._numbers_acted_on()

    def data(self) -> dict[str, Any]:
        told: set[str] = set()
        stages = []
        for s in self.p.stages:
            calculators = [id for id in s.calculators if id in self.ready and id not in told]
            # A card is told in the first stage that names it, as a calculator is.
            cards = [id for id in s.cards if id not in told]
            told |= {*calculators, *cards}
            stages.append({"stage": s.stage, "aim": self._say(s.aim), "have": self._claims(s.have), "stop": self._claims(s.stop_if),
                           "calculators": calculators, "cards": [self._card(self.library.techniques[id]) for id in cards]})
        calculators = {id: self._calculator(r) for id, r in self.ready.items()}
        names = sorted({c["drawing"] for c in calculators.values()} - {""})
        return {
            **self._head(self.p), "stages": stages, "calculators": calculators, "fields": fields(self.ready),
            "scripts": [f"assets/javascripts/{n}.js" for n in ("drawing", *names)] + [f"assets/calculators/{id}.js" for id in self.ready],
            **({"local": local} if (local := self._local()) else {}),
            "sources": [{"id": id, "name": short_name(self.library.sources[id]), "marks": [c for c in CHECKED if c in checked]}
                        for id, (_, checked) in self.sources.items()],
        }

    def _head(self, record: Pathway | Technique | Calculator) -> dict[str, Any]:
        review: Review = record.review
        return {"id": record.id, "title": record.title, "version": version(record, self.library), "months": review.every_months,
                "signedOff": review.signed_off.on if review.signed_off else "", **({"lapsed": True} if lapsed(record, self.library) else {})}

    def _say(self, text: str, card: str = "") -> str:
        return Prose(self.linked, PAGE, card).plain(text)

    def _marks(self, basis: Basis) -> list[list[Any]]:
        """[[mark, [source numbers]], ...], the firmest first."""
        if not basis.citations:
            return [[PRACTICE, []]]
        found: dict[str, list[int]] = {}
        for c in sorted(basis.citations, key=lambda c: CHECKED.index(c.checked)):
            number, checked = self.sources.setdefault(c.source, (len(self.sources) + 1, set()))
            checked.add(c.checked)
            if number not in found.setdefault(c.checked, []):
                found[c.checked].append(number)
        return [[checked, numbers] for checked, numbers in found.items()]

    def _claims(self, claims: Iterable[Any]) -> list[dict[str, Any]]:
        return [{"text": self._say(c.text), "marks": self._marks(c.basis)} for c in claims]

    def _card(self, t: Technique) -> dict[str, Any]:
        numbers = [{"label": q.label, "amount": self._amount(q), "key": q.key, "marks": self._marks(q.basis)}
                   | ({} if f"{t.id}/{q.key}" in self.acted_on else {"aside": True}) for q in t.quantities.values() if q.headline]
        last, caution = t.steps[-1], t.cautions[0]
        return {**self._head(t), "numbers": numbers,
                # A card is left when its last endpoint is reached; its first caution is the one its editor put first.
                "until": {"text": self._say(last.endpoint, t.id), "marks": self._marks(last.basis)},
                "caution": {"text": self._say(caution.text, t.id), "marks": self._marks(caution.basis)}}

    def _amount(self, q: Quantity) -> str:
        prose = Prose(self.linked, PAGE)
        mark = f" [local; base {prose.amount(q.base)}]" if isinstance(q, LocalQuantity) else f" {FROM_BASE}" if isinstance(q, QuantityFromBase) else ""
        return str(prose.amount(q.amount)) + mark

    def _local(self) -> list[str]:
        """The local values of this case, each with the reason, in words; those that only a calculator takes as well."""
        library = self.library
        found = [q for t in (*library.techniques.values(), *library.techniques_off.values()) for q in t.quantities.values()
                 if isinstance(q, LocalQuantity) and (t.id in self.p.cards or f"{t.id}/{q.key}" in self.acted_on)]
        return [f"{q.label}: {self._amount(q)}. {self._say(q.why)}" for q in found]

    def _numbers_acted_on(self) -> set[str]:
        """Card/key of every number that a step, a decision, a first response or a calculator of this pathway uses.

        The others say how often and how much; they stay on the screen.
        """
        found = {n.quantity for r in self.ready.values() for n in (*r.constants.values(), *(n for x in r.inputs.values() for sets in (x.choices or {}).values() for n in sets.values()))}
        for r in self.ready.values():
            found |= {v.removeprefix("quantity:").partition(".")[0] for x in r.declared.inputs.values() for v in (x.low, x.high, x.start) if isinstance(v, str)}
        for id in self.p.cards:
            t = self.library.techniques[id]
            sentences = [x for s in t.steps for x in (s.do, s.endpoint)] + [x for d in t.decisions for x in (d.condition, d.then)] + [x for f in t.pitfalls for x in (f.sign, f.respond)]
            found |= {x.target if "/" in x.target else f"{id}/{x.target}" for s in sentences for x in links(s) if x.scheme == "quantity"}
        for s in self.p.stages:
            sentences = [s.aim, *(c.text for c in (*s.have, *s.stop_if)), *(x for d in s.decisions for x in (d.condition, d.then))]
            found |= {x.target for text in sentences for x in links(text) if x.scheme == "quantity"}
        return found

    def _calculator(self, ready: Any) -> dict[str, Any]:
        c: Calculator = ready.declared
        # What a drawing or a sentence shows comes first; so does what stands under no heading. A result that is the
        # same for every eye is no answer about this one.
        main = {*c.roles.values(), *(c.plot.show if c.plot else ()), *(x.target for v in c.verdicts for x in links(v.say) if x.scheme == "value")}
        varying = _varying(ready)
        return {
            **self._head(c), "question": c.question, "drawing": c.diagram or ("plot" if c.plot else ""),
            "outputs": [{"name": n, "group": o.group, "main": n in varying and (n in main or not o.group), "marks": self._marks(o.basis)} for n, o in c.outputs.items()],
            "verdicts": [{"level": v.level, "say": self._sentence(v.say), "marks": self._marks(v.basis)} for v in c.verdicts],
        }

    def _sentence(self, text: str) -> list[str | list[str]]:
        """A verdict in pieces: words, and [name] where a value stands."""
        pieces: list[str | list[str]] = []
        for part in parts(text):
            if isinstance(part, Link):
                pieces.append([part.target] if part.scheme == "value" else self._say(f"[{part.words}]({part.scheme}:{part.target})"))
            else:
                pieces.append(re.sub(r"\s+", " ", part).replace("*", ""))
        return pieces


def _varying(ready: Any) -> set[str]:
    """The results that change with what the reader gives."""
    given = set(ready.inputs) | {n for x in ready.inputs.values() for sets in (x.choices or {}).values() for n in sets}
    found: set[str] = set()
    for o in ready.outputs:  # in the order in which they are worked out
        trees = [o.tree] if o.tree is not None else [o.inverse.tree, o.inverse.goal, o.inverse.low, o.inverse.high]
        # An inverse is asked about the given case even where its own formula is the same for all.
        if o.inverse is not None or any(n.name in given or n.name in found for t in trees for n in names(t)):
            found.add(o.declared.name)
    return found


def fields(ready: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The inputs of several calculators, each asked once: {key, asked, choose, uses: [[calculator, input], ...]}.

    Two inputs are one only if name, label and kind agree and they can take the same answer: a unit in common, or a
    choice in common. The label counts, since the pressure of an infusion is not the pressure before a climb.
    asked: shown at once, not folded away with its start value. choose: it has no start value here.
    """
    made: list[dict[str, Any]] = []
    seen: list[tuple[Any, str]] = []  # the first input of each field, and its name
    for id, r in ready.items():
        for name, x in r.inputs.items():
            same = next((i for i, (first, known) in enumerate(seen) if known == name and _one_question(first, x)), None)
            if same is not None:
                made[same]["uses"].append([id, name])
                continue
            taken = any(known == name for _, known in seen)
            seen.append((x, name))
            made.append({"key": f"{id}.{name}" if taken else name, "uses": [[id, name]]})
    for field, (x, name) in zip(made, seen, strict=True):
        of_the_case = name in OF_THE_CASE and "." not in field["key"] or f"{field['uses'][0][0]}/{name}" in OF_THE_CASE
        field["asked"] = len(field["uses"]) > 1 or x.declared.kind == "date" or of_the_case
        field["choose"] = field["key"] in TO_BE_CHOSEN and x.declared.kind == "choice"
    made.sort(key=lambda field: TO_BE_CHOSEN.index(field["key"]) if field["choose"] else len(TO_BE_CHOSEN))  # asked first
    return made


def _one_question(a: Any, b: Any) -> bool:
    if a.declared.kind != b.declared.kind or a.declared.label.casefold() != b.declared.label.casefold():
        return False
    if a.declared.kind == "choice":
        return not a.choices.keys().isdisjoint(b.choices)
    return a.declared.kind == "date" or not (a.units or {}).keys().isdisjoint(b.units or {})
