"""The cards as open data: versioned JSON, the sources as CSL-JSON and BibTeX, a technique page's schema.org description. Pure.

What the JSON may hold is said by its own schema, site_overrides/data/schema/cards-1.schema.json, which is published
beside it. A sentence is given in plain words, figures read out, and `refers_to` names what it links to.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from .link import Linked
from .model import Amount, Basis, Calculator, Claim, Constant, Decision, Input, Library, LocalQuantity, Number, Page, Pathway, Quantity, QuantityFromBase, Review, Source, Technique, Term
from .render.prose import Prose, address
from .signoff import due, lapsed
from .text import links
from .units import TABLE, amount
from .versions import Versions

# Counted up by one behind the dot for an addition, before it (and in the schema's file name) for anything else.
FORMAT = "1.1"
SCHEMA = "schema/cards-1.schema.json"
CARDS, CSL, BIBTEX = "data/cards.json", "data/sources.csl.json", "data/sources.bib"
_CONTENT_DIGITS = 12


# Without an indentation of its own the encoder runs compiled.
_encoded = json.JSONEncoder(ensure_ascii=False).encode
_DEEPEST_LINE = 3


def _text(data: Any, level: int = 0) -> str:
    """JSON with a line for each part of a record, so that a change of one figure is a change of one line, and the file stays small."""
    if level == _DEEPEST_LINE or not data or not isinstance(data, dict | list):
        return _encoded(data)
    start, end = "\n" + " " * (level + 1), "\n" + " " * level
    if isinstance(data, dict):
        return "{" + start + ("," + start).join(f"{_encoded(k)}: {_text(x, level + 1)}" for k, x in data.items()) + end + "}"
    return "[" + start + ("," + start).join(_text(x, level + 1) for x in data) + end + "]"


# --- cards ------------------------------------------------------------------------------------------------------------


def cards_json(linked: Linked, version: Versions) -> Iterator[str]:
    """data/cards.json, piece by piece: everything the site says, each figure with its UCUM code, each statement with its basis.

    `content`, at its end, is a digest of all that stands between the head and it: two files with one digest say the same.
    """
    library, off = linked.library, set(linked.library.department.calculators_off)
    card = _Cards(linked, version)
    records: dict[str, Iterable[Any]] = {
        "techniques": map(card.technique, library.techniques.values()),
        "pathways": map(card.pathway, library.pathways.values()),
        "calculators": (card.calculator(c) for c in library.calculators.values() if c.id not in off),
        "pages": map(card.page, library.pages.values()),
        "glossary": map(card.term, library.terms.values()),
    }
    yield f'{{\n "$schema": {_encoded(SCHEMA)},\n "format": {_encoded(FORMAT)},\n'
    about = _filled({"name": library.department.name, "about": card.words(library.department.about), "licence": library.department.licence})
    said = hashlib.sha256()
    head = {"department": about, **({"built_on": card.built_on()} if library.built_on else {})}
    for piece in _members(head, records):
        said.update(piece.encode())
        yield piece
    yield f' "content": {_encoded(said.hexdigest()[:_CONTENT_DIGITS])}\n}}\n'


def _members(single: Mapping[str, Any], lists: Mapping[str, Iterable[Any]]) -> Iterator[str]:
    """Members of the outermost object, each with its comma; a list record by record, for as one structure a large library would fill the memory."""
    for name, value in single.items():
        yield f" {_encoded(name)}: {_text(value, 1)},\n"
    for name, found in lists.items():
        yield f" {_encoded(name)}: ["
        between = "\n  "
        for record in found:
            yield between + _text(record, 2)
            between = ",\n  "
        yield "],\n" if between == "\n  " else "\n ],\n"


def measure(a: Amount) -> dict[str, Any]:
    """An amount: value, or low and high; its unit as the cards write it, its UCUM code (null where UCUM has none), and in words."""
    figures = {name: _number(x) for name in ("value", "low", "high") if (x := getattr(a, name)) is not None}
    return {**figures, **_unit(a.unit), "text": amount(a.unit, a.value, a.low, a.high).replace("\u00a0", " ")}


def _unit(unit: str) -> dict[str, Any]:
    return {"unit": unit, "ucum": TABLE[unit].ucum or None}


def _number(value: float) -> float:
    """60 and 60.0 are one number to the reader."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def basis(b: Basis) -> dict[str, Any]:
    """What a statement rests on: its standing, and each citation with how it was confirmed."""
    cited = [_filled({"source": c.source, "checked": c.checked, "at": c.at, "note": c.note}) for c in b.citations]
    return {"standing": b.standing, "citations": cited}


def _filled(record: Mapping[str, Any]) -> dict[str, Any]:
    """The record without its empty texts, absent values and empty lists of references. A unit without a code keeps its null."""
    return {k: v for k, v in record.items() if (v is not None or k == "ucum") and v != "" and not (k == "refers_to" and not v)}


class _Cards:
    """Records as plain data. Sentences need the library, for a link reads out the figure or title it leads to."""

    def __init__(self, linked: Linked, version: Versions) -> None:
        self.library: Library = linked.library
        self.version = version
        self._prose = Prose(linked, "")
        self._off = set(self.library.department.calculators_off)

    def words(self, text: str, card: str = "") -> str:
        """A sentence in plain words. card: the technique it stands on, whose own quantities it may name by key alone."""
        return str(self._prose.plain(text, card)) if text else ""

    def _refers(self, card: str, *texts: str) -> list[str]:
        found: dict[str, None] = {}
        for link in (x for text in texts if "](" in text for x in links(text)):
            if link.scheme == "value" or (link.scheme == "calculator" and link.target in self._off) or (link.scheme == "card" and link.target in self.library.techniques_off):
                continue
            own = link.scheme == "quantity" and "/" not in link.target
            found[f"{link.scheme}:{card}/{link.target}" if own else f"{link.scheme}:{link.target}"] = None
        return list(found)

    def _said(self, card: str, resting: Basis, **texts: str) -> dict[str, Any]:
        """One statement: its sentences by name, what they refer to, its basis."""
        said = {name.rstrip("_"): self.words(text, card) for name, text in texts.items()}
        return _filled({**said, "refers_to": self._refers(card, *texts.values()), "basis": basis(resting)})

    def _claims(self, card: str, claims: Iterable[Claim]) -> list[dict[str, Any]]:
        return [self._said(card, c.basis, text=c.text) for c in claims]

    def _decisions(self, card: str, decisions: Iterable[Decision]) -> list[dict[str, Any]]:
        return [self._said(card, d.basis, if_=d.condition, then=d.then, why=d.why) for d in decisions]

    def _head(self, kind: str, record: Technique | Pathway | Calculator | Page) -> dict[str, Any]:
        digest = self.version(record)
        return {"id": record.id, "title": record.title, "page": address(kind, record.id), "version": digest, "also_called": list(record.also_called),
                "summary": self.words(record.summary, record.id if kind == "technique" else ""), "review": self._review(record)}

    def _review(self, record: Technique | Pathway | Calculator | Page) -> dict[str, Any]:
        review: Review = record.review
        signed, day = review.signed_off, due(review)
        return _filled({
            "owner": review.owner, "every_months": review.every_months,
            # A signature stands for the wording that was signed; after an edit it is history.
            "signed_off": {"on": signed.on, "by": signed.by, "digest": signed.digest, "holds": not lapsed(record, self.library),
                           **({"of": signed.of} if signed.of else {})} if signed else None,
            "due": day.isoformat() if day else None,
        })

    def technique(self, t: Technique) -> dict[str, Any]:
        return {
            **self._head("technique", t), "stage": t.stage,
            "quantities": [self._quantity(q) for q in t.quantities.values()],
            **{name: self._claims(t.id, getattr(t, name)) for name in ("when", "not_when", "equipment")},
            "steps": [self._said(t.id, s.basis, do=s.do, why=s.why, endpoint=s.endpoint) for s in t.steps],
            "decisions": self._decisions(t.id, t.decisions),
            "pitfalls": [self._said(t.id, p.basis, sign=p.sign, respond=p.respond) for p in t.pitfalls],
            **{name: self._claims(t.id, getattr(t, name)) for name in ("cautions", "evidence")},
            "questions": [self._said(t.id, q.basis, ask=q.ask, answer=q.answer) for q in t.questions],
            "next": list(t.next), "see_also": list(t.see_also),
        }

    def built_on(self) -> dict[str, Any]:
        """Whose cards these are under a local layer, what is switched off, and the numbers that the cards without a page still lend."""
        off = [{"kind": kind, "id": id, "why": self.words(why)} for (kind, id), why in self.library.why_off.items()]
        return {"name": self.library.built_on, "off": off, "lent": [self._quantity(q) for t in self.library.techniques_off.values() for q in t.quantities.values()]}

    def _quantity(self, q: Quantity) -> dict[str, Any]:
        published = [_filled({"in": self.words(r.where, q.card), **measure(r.amount), "note": self.words(r.note, q.card), "basis": basis(r.basis)})
                     for r in q.reported]
        return _filled({"id": f"{q.card}/{q.key}", "label": q.label, **measure(q.amount), "headline": q.headline, "why": self.words(q.why, q.card),
                        "basis": basis(q.basis), "reported": published,
                        # `value`, `basis` and `why` are the department's own; this is what the cards below say.
                        "base": _filled({**measure(q.base), "why": self.words(q.base_why, q.card), "basis": basis(q.base_basis)}) if isinstance(q, LocalQuantity) else None,
                        "worked_from_base": list(q.bases) if isinstance(q, QuantityFromBase) else None})

    def pathway(self, p: Pathway) -> dict[str, Any]:
        stages = [{"stage": s.stage, "aim": self.words(s.aim), "cards": list(s.cards), "calculators": [c for c in s.calculators if c not in self._off],
                   "have": self._claims("", s.have), "decisions": self._decisions("", s.decisions), "stop_if": self._claims("", s.stop_if)} for s in p.stages]
        return {**self._head("pathway", p), "when": self._claims("", p.when), "stages": stages}

    def page(self, p: Page) -> dict[str, Any]:
        return {**self._head("page", p), "sections": [{"title": s.title, "claims": self._claims("", s.claims)} for s in p.sections]}

    def term(self, t: Term) -> dict[str, Any]:
        return _filled({"id": t.id, "term": t.term, "abbreviation": t.abbreviation, "american": t.american, "also_called": list(t.also_called),
                        "meaning": self.words(t.meaning), "refers_to": self._refers("", t.meaning), "basis": basis(t.basis) if t.basis else None})

    def calculator(self, c: Calculator) -> dict[str, Any]:
        outputs = [_filled({"name": o.name, "label": o.label, "kind": o.kind, **(_unit(o.unit) if o.unit else {}), "formula": o.formula,
                            "solve": {"for": o.solve.unknown, "in": o.solve.within, "equals": o.solve.equals, "between": list(o.solve.between)} if o.solve else None,
                            "only_when": {"holds": o.only_when.holds, "otherwise": self.words(o.only_when.otherwise)} if o.only_when else None,
                            "decimals": o.decimals, "note": self.words(o.note), "basis": basis(o.basis)}) for o in c.outputs.values()]
        return _filled({
            **self._head("calculator", c), "question": self.words(c.question), "stage": c.stage, "used_by": list(c.used_by),
            "inputs": [self._input(x) for x in c.inputs.values()],
            "constants": [self._constant(x) for x in c.constants.values()],
            "refuse_when": [{"when": r.when, "say": self.words(r.say)} for r in c.refuse_when],
            "outputs": outputs,
            "verdicts": [{"when": v.when, "level": v.level, **self._said("", v.basis, say=v.say)} for v in c.verdicts],
            "notes": self._claims("", c.notes), "not_for": self._claims("", c.not_for),
            "examples": [_filled({"label": e.label, "given": {k: _scalar(v) for k, v in e.given.items()}, "expect": {k: _scalar(v) for k, v in e.expect.items()},
                                  "within": _number(e.within), "result": e.result, "basis": basis(e.basis)}) for e in c.examples],
        })

    def _input(self, x: Input) -> dict[str, Any]:
        ends = {name: _scalar(v) for name in ("low", "high", "start") if (v := getattr(x, name)) is not None}
        choices = [{"key": c.key, "label": c.label, "sets": [self._constant(s) for s in c.sets.values()]} for c in x.choices.values()]
        return _filled({"name": x.name, "label": x.label, "kind": x.kind, **(_unit(x.unit) if x.unit else {}), "also_in": [_unit(u) for u in x.also_in],
                        **ends, "decimals": x.decimals, "why_range": self.words(x.why_range), "help": self.words(x.help), "choices": choices})

    def _constant(self, x: Constant) -> dict[str, Any]:
        if x.quantity:
            return {"name": x.name, **_of_card(x.quantity)}
        return {"name": x.name, "label": x.label, "value": _number(x.value or 0.0), **_unit(x.unit), "basis": basis(x.basis)}


def _scalar(value: Number) -> Any:
    """A number, a choice's key or a date as written; a card's number by its name."""
    if isinstance(value, str):
        return _of_card(value.removeprefix("quantity:")) if value.startswith("quantity:") else value
    return _number(value)


def _of_card(reference: str) -> dict[str, str]:
    name, _, part = reference.partition(".")
    return {"quantity": name, "part": part or "value"}


# --- sources ----------------------------------------------------------------------------------------------------------


def csl(sources: Iterable[Source]) -> list[dict[str, Any]]:
    """The sources in the Citation Style Language's own JSON. How each was confirmed goes along in `annote`, which no style prints."""
    return [{"id": s.id, **_plain(s.csl), **_remarks(s)} for s in sources]


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(x) for x in value] if isinstance(value, list | tuple) else value


def _remarks(s: Source) -> dict[str, str]:
    """annote: for who checks the list. note: for who reads it, since a fallen source must not pass for a sound one."""
    annote = f"Confirmed from: {s.checked}." + (f" Missing or not confirmed: {', '.join(s.incomplete)}." if s.incomplete else "")
    note = f"Withdrawn: {s.withdrawn}" if s.withdrawn else f"Superseded by {s.superseded_by}." if s.superseded_by else ""
    return _filled({"annote": annote, "note": note})


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# CSL type -> BibTeX type, and the field for what holds or issues the work. What BibTeX has no type for is misc.
_BIBTEX: dict[str, tuple[str, str]] = {
    "article-journal": ("article", "journal"),
    "book": ("book", "booktitle"),
    "chapter": ("incollection", "booktitle"),
    "paper-conference": ("inproceedings", "booktitle"),
    "report": ("techreport", "institution"),
    "standard": ("techreport", "institution"),
    "thesis": ("phdthesis", "school"),
}
# Characters that TeX would read as commands. A bare brace would also end the field, so none is left alone.
_TEX = {"\\": r"\textbackslash{}", "{": r"\textbraceleft{}", "}": r"\textbraceright{}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
        **{c: "\\" + c for c in "&%$#_"}}


def bibtex(sources: Iterable[Source]) -> str:
    """The sources as a BibTeX database in UTF-8. Addresses and DOIs stand as they are, without TeX's escapes."""
    return "\n".join(_entry(s) for s in sources)


def _entry(s: Source) -> str:
    item = s.csl
    kind, holder = _BIBTEX.get(item["type"], ("misc", "howpublished"))
    within, publisher = item.get("container-title", ""), item.get("publisher", "")
    if item["type"] == "book" and within:  # a book that stands in another: BibTeX's book has no field for that
        kind = "incollection"
    fields: dict[str, str] = {"author": _names(item.get("author", ())), "editor": _names(item.get("editor", ())), "title": _title(item["title"])}
    if kind in ("techreport", "phdthesis", "misc"):
        fields[holder] = _tex(publisher or within)
        fields["series"] = _tex(item.get("collection-title", "") or (within if publisher else ""))
    else:
        fields[holder] = _tex(within)
        fields["publisher"] = _tex(publisher)
        fields["series"] = _tex(item.get("collection-title", ""))
    if kind == "phdthesis":
        fields["type"] = "Thesis"  # the degree is not known
    for name, of in (("edition", "edition"), ("volume", "volume"), ("number", "issue" if kind == "article" else "number")):
        fields[name] = _tex(item.get(of, ""))
    fields["pages"] = re.sub(r"(?<=\w)[-\u2013](?=\w)", "--", _tex(item.get("page", "")))
    date = item.get("issued", {}).get("date-parts", [[]])[0]
    fields["year"] = str(date[0]) if date else ""
    month = _MONTHS[date[1] - 1] if len(date) > 1 and 1 <= date[1] <= len(_MONTHS) else ""
    fields["doi"], fields["pmid"], fields["url"] = _verbatim(item.get("DOI", "")), item.get("PMID", ""), _verbatim(item.get("URL", ""))
    read = item.get("accessed", {}).get("date-parts", [[]])[0]
    fields["urldate"] = "-".join(f"{n:02d}" for n in read)
    fields.update((k, _tex(v)) for k, v in _remarks(s).items())
    lines = [f"  {name} = {{{value}}}," for name, value in fields.items() if value]
    lines += [f"  month = {month},"] if month else []  # a macro of every style, which knows the month's name in its language
    return f"@{kind}{{{s.id},\n" + "\n".join(lines) + "\n}\n"


def _tex(text: str) -> str:
    return "".join(_TEX.get(c, c) for c in " ".join(text.split()))


def _verbatim(address: str) -> str:
    """A DOI or address; only what would upset the braces of the field is percent-encoded, as an address allows."""
    return "".join(f"%{ord(c):02X}" if c in "{}\\" else c for c in address)


def _title(title: str) -> str:
    """Styles set a title in small letters; braces keep the capitals of a name or abbreviation."""
    words = title.split()
    kept = [any(c.isupper() for c in (w.lstrip("[(\"'")[1:] if i == 0 else w)) for i, w in enumerate(words)]
    return " ".join(f"{{{_tex(w)}}}" if keep else _tex(w) for w, keep in zip(words, kept))


def _names(people: Iterable[Mapping[str, str]]) -> str:
    return " and ".join(_name(p) for p in people)


def _name(p: Mapping[str, str]) -> str:
    if "literal" in p:
        return f"{{{_tex(p['literal'])}}}"
    parts = [_tex(p[key]) for key in ("family", "suffix", "given") if p.get(key)]
    # A comma or `and` inside a part would divide it, and a name of several words without given names be taken for given and family.
    kept = [f"{{{x}}}" if "," in x or re.search(r"\band\b", x) or (len(parts) == 1 and " " in x) else x for x in parts]
    return ", ".join(kept if p.get("given") or len(kept) == 1 else [*kept, "{}"])


# --- schema.org -------------------------------------------------------------------------------------------------------

_WORKS = {"article-journal": "ScholarlyArticle", "article": "ScholarlyArticle", "paper-conference": "ScholarlyArticle", "book": "Book", "chapter": "Chapter",
          "report": "Report", "thesis": "Thesis", "webpage": "WebPage", "legislation": "Legislation", "dataset": "Dataset"}


def linked_data(linked: Linked, version: Versions) -> Callable[[str], str]:
    """Gives, for a technique's id, the schema.org description of its page, as JSON-LD text with addresses relative to the page.

    The page is a MedicalWebPage about a MedicalProcedure: the review and the citations belong to the page, for the
    vocabulary gives them to web pages and works, not to procedures. lastReviewed is there only while the sign-off
    holds for the present wording.
    """
    cited: dict[str, dict[str, None]] = {}
    for s in linked.statements:
        if s.kind == "technique":
            cited.setdefault(s.id, {}).update((c.source, None) for c in s.basis.citations)
    card, works = _Cards(linked, version), {}

    def described(id: str) -> str:
        for source in cited.get(id, ()):
            if source not in works:
                works[source] = _work(linked.library.sources[source])
        return _encoded(_described(linked.library, card, linked.library.techniques[id], [works[s] for s in cited.get(id, ())]))

    return described


def _described(library: Library, card: _Cards, t: Technique, works: list[dict[str, Any]]) -> dict[str, Any]:
    signed, summary = t.review.signed_off, card.words(t.summary, t.id)
    reviewed: dict[str, Any] = {}
    if signed and not signed.of and not lapsed(t, library):  # another department's role is none of this publisher's
        reviewed = {"lastReviewed": signed.on, "reviewedBy": {"@type": "Person", "jobTitle": signed.by}}
    # The address that SPDX gives each licence.
    licence = {"license": f"https://spdx.org/licenses/{library.department.licence}.html"} if library.department.licence else {}
    procedure = {"@type": "MedicalProcedure", "name": t.title, "alternateName": list(t.also_called), "description": summary,
                 "howPerformed": " ".join(f"{n}. {card.words(s.do, t.id)}" for n, s in enumerate(t.steps, 1))}
    return {
        "@context": "https://schema.org", "@type": "MedicalWebPage", "name": t.title, "url": f"{t.id}.html", "inLanguage": "en-GB", "version": card.version(t),
        "publisher": {"@type": "Organization", "name": library.department.name}, **licence, **reviewed,
        "mainEntity": {k: v for k, v in procedure.items() if v},
        "citation": works,
    }


def _work(s: Source) -> dict[str, Any]:
    date = s.csl.get("issued", {}).get("date-parts", [[]])[0]
    return _filled({
        "@type": _WORKS.get(s.csl["type"], "CreativeWork"), "name": s.title, "url": f"../{address('source', s.id)}",
        "sameAs": f"https://doi.org/{s.csl['DOI']}" if "DOI" in s.csl else s.csl.get("URL"),
        "datePublished": "-".join(f"{n:02d}" for n in date),
        "creativeWorkStatus": "Withdrawn" if s.withdrawn else "Superseded" if s.superseded_by else "",
    })


# Path in the site -> what makes its text, piece by piece.
FILES: Mapping[str, Callable[[Linked, Versions], Iterable[str]]] = {
    CARDS: cards_json,
    CSL: lambda linked, version: [_text(csl(linked.library.sources.values())), "\n"],
    BIBTEX: lambda linked, version: [bibtex(linked.library.sources.values())],
}
