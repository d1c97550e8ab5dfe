"""Library -> what the search in the page reads: one short record a findable thing, and an index of folded words.

Everything slow is done here, once: a word is folded to one form for both spellings and for its plural, each word of a
record gets one weight (the best of the fields it stands in), and every name of a glossary term that is met in a text
stands for the term. The page folds only what is typed, by the same rules, which travel with the records: they are
replacements that Python and JavaScript read alike.
"""

from __future__ import annotations

import functools
import json
import math
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from ..link import Linked
from ..model import Calculator, LocalQuantity, Page, Pathway, Quantity, QuantityFromBase, Source, Technique, Term
from ..text import FROM_BASE, Link, links, parts
from ..units import amount, unit_shown
from .prose import MARKS, Prose, address, short_name

# Kind of record, in an order that the script knows -> its name beside one result and over several, and how much it counts against the other kinds.
KINDS = {
    "technique": ("Technique", "Techniques", 1.15),
    "pathway": ("Case", "Cases", 1.15),
    "calculator": ("Calculator", "Calculators", 1.05),
    "number": ("Number", "Numbers", 1.05),
    "cited": ("Figure cited", "Figures cited", 0.7),
    "term": ("Glossary", "Glossary", 0.7),
    "page": ("Page", "Pages", 0.75),
    "source": ("Source", "Sources", 0.35),
}

# One spelling for the British and the American word, letter by letter, so that the beginning of a word keeps its beginning.
SPELLING = (
    ("ae|oe", "e"),
    ("z", "s"),
    ("sulph", "sulf"),
    ("(.)([b-df-hj-np-rt-y])\\2", "\\1\\2"),  # cannula and canula, bevelled and beveled
    ("our(?=$|s$|ed$|ing$)", "or"),
)
# One form for a word and its plural, past and -ing; the order matters.
ENDINGS = (
    ("^lenses$", "lens"),
    ("ies$", "y"),
    ("^(?!lens$)(.{2,}[^sui])s$", "\\1"),
    ("^(?=.*[aeiouy].*ing$)(.{3,})ing$", "\\1"),
    ("^(?=.*[aeiouy].*ed$)(.{2,}[^e])ed$", "\\1"),
    ("([bct])re$", "\\1er"),
    ("^(.{4,})ly$", "\\1"),
    ("^(.{4,})a[lr]$", "\\1"),
    ("^(.{5,})ion$", "\\1"),
    ("^(.{4,})a$", "\\1"),
    ("y$", "i"),
    ("^(.{3,})e$", "\\1"),
)
# Words that follow no rule. The glossary's own pairs of spellings join them.
IRREGULAR = {"gray": "grey", "bled": "bleed", "torn": "tear", "held": "hold", "flight": "fly", "flights": "fly"}

STOP = frozenset(
    "a about an and any are as at be been but by can do does done for from had has have he her his how i if in into is it its may me more most much must my no not of "
    "off on one or our out over own say says she should so some than that the their them then there these they this those to too up us use used was we were what "
    "when where which while who whom whose why will with without would wont you your".split())
# How a figure in some unit is asked for: "how long", "what size".
ASKED = (
    (("ms", "s", "min", "hour", "day", "week", "month", "year"), "long time duration wait last interval soon"),
    (("nm", "µm", "mm", "cm", "m", "ft", "disc diameter", "burn width"), "far distance size length width wide"),
    (("mm²", "cm²"), "area size"),
    (("mmHg", "hPa", "kPa", "cmH2O"), "pressure high"),
    (("%",), "percentage often rate risk chance share strength concentration"),
    (("µg", "mg", "g", "IU", "mg/kg", "mg/mL", "µg/mL", "IU/mL"), "dose amount strength concentration"),
    (("µL", "mL", "L"), "volume amount"),
    (("mL/min",), "flow fast"),
    (("mW", "W", "mJ"), "power energy setting"),
    (("cut/min",), "fast speed setting"),
    (("burn", "letter"), "number count many"),
    (("degree", "clock hour"), "angle position"),
    (("logMAR", "letter"), "acuity vision"),
)
_ASKED_BY_UNIT = {unit: " ".join(words for units, words in ASKED if unit in units) for units, _ in ASKED for unit in units}

_TOKEN = re.compile(r"\d+(?:\.\d+)?|[^\W\d_]+(?:\d+[^\W_]*)?")
_CHUNK = re.compile(r"[^\W_]+(?:[.'’-][^\W_]+)*")
_SATURATION = 3.0
_STEPS = 25  # a weight is one letter, A to Z
_LONGEST_NAME = 6


class Folding:
    """Words to their one form. table: words that follow no rule, written in lower case."""

    def __init__(self, table: Mapping[str, str]) -> None:
        self.table = dict(table)
        self._spelling = [(re.compile(p), r) for p, r in SPELLING]
        self._endings = [(re.compile(p), r) for p, r in ENDINGS]
        self._known: dict[str, str] = {}
        self._chunks: dict[str, tuple[tuple[str, ...], ...]] = {}

    def word(self, word: str) -> str:
        """One word, in lower case, to its form in the index."""
        found = self._known.get(word)
        if found is None:
            found = self.table.get(word, word)
            if not found[0].isdigit():
                for pattern, by in self._spelling + self._endings:
                    found = pattern.sub(by, found)
            self._known[word] = found
        return found

    def words(self, text: str) -> list[tuple[str, ...]]:
        """The forms of a text, in order: those of a hyphened word each, and after them the whole in one; () where a stop word stood."""
        if not text.isascii():
            text = "".join(c for c in unicodedata.normalize("NFKD", text.replace("µ", "u").replace("μ", "u")) if not unicodedata.combining(c))
        forms: list[tuple[str, ...]] = []
        for chunk in _CHUNK.findall(text):
            found = self._chunks.get(chunk)  # the words of a library repeat
            if found is None:
                found = self._chunks[chunk] = tuple(self._forms(re.sub("['’]", "", chunk)))
            forms += found
        return forms

    def _forms(self, chunk: str) -> Iterator[tuple[str, ...]]:
        pieces = [p for c in chunk.split("-") for p in _TOKEN.findall(c)]
        if len(pieces) == 1 and pieces[0].lower() in STOP and not (len(pieces[0]) > 1 and pieces[0].isupper()):
            yield ()
            return
        for n, piece in enumerate(pieces):
            whole = (self.word("".join(pieces).lower()),) if n == 0 and len(pieces) > 1 and all(p.isalpha() for p in pieces) else ()
            yield (self.word(piece.lower()), *whole)

    def name(self, text: str) -> str:
        """A name as one key: its forms with a space between."""
        return " ".join(w[0] for w in self.words(text) if w)


@dataclass(slots=True)
class Record:
    """One thing to find. names: what it is called, best first; fields: (weight, text) of its words; terms: glossary terms it leads to.

    shared: fields that it has in common with others, one object for all of them; a card's figures have its names.
    """

    kind: str
    path: str
    title: str
    under: str
    names: list[tuple[float, str]] = field(default_factory=list)
    fields: list[tuple[float, str]] = field(default_factory=list)
    terms: set[str] = field(default_factory=set)
    shared: tuple[tuple[float, str], ...] = ()
    figure: str = ""
    mark: str = ""


RECORDS, WORDS = PATHS = ("assets/data/search.js", "assets/data/search-words.js")


def files(linked: Linked, on: Mapping[str, Any], indexes: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Path -> text of the two data scripts: the records with the rules of folding, and the index of words.

    on: calculator id -> a calculator made ready, those switched off left out. indexes: (path, title) of the pages that belong to no card.
    """
    folding = Folding({**american(linked.library.terms.values()), **IRREGULAR})
    library = linked.library
    # What a glossary term is called stands for it wherever it is met, so terms are numbered before all others are looked at.
    first_term = len(library.techniques) + len(library.pathways) + len(on) + sum(len(t.quantities) for t in library.techniques.values())
    shown: list[list[Any]] = []
    kinds = list(KINDS)

    def records() -> Iterator[Record]:
        """Each record with all its words; these are let go at once, for in a large library they take more room than the cards."""
        for r in _records(linked, on, indexes):
            shown.append([kinds.index(r.kind), r.path, r.title, r.under, *([r.figure, r.mark] if r.figure else [])])
            yield r

    postings = _postings(folding, records(), {t.id: first_term + n for n, t in enumerate(library.terms.values())}, [_term(linked, Prose(linked, "index.html"), t) for t in library.terms.values()])
    words = sorted(postings)
    rules = {"spelling": SPELLING, "endings": ENDINGS, "table": folding.table, "stop": sorted(STOP), "number": sorted({folding.word(w) for _, words in ASKED for w in words.split()})}
    return {
        RECORDS: _script("search", {"kinds": list(KINDS.values()), "rules": rules, "records": shown}),
        WORDS: _script("searchWords", {"words": "\n".join(words), "at": "\n".join(postings[w].decode("ascii") for w in words)}),
    }


def _script(name: str, data: Any) -> str:
    # A classic script, for a page opened from disk can fetch nothing.
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return f"(window.cards=window.cards||{{}}).{name}={text};\n"


def american(terms: Iterable[Term]) -> dict[str, str]:
    """American word -> British word, from the glossary, where the rules of spelling do not already make them one."""
    plain = Folding({})
    found: dict[str, str] = {}
    for t in terms:
        ours, theirs = re.findall(r"\w+", t.term.lower()), re.findall(r"\w+", t.american.lower())
        if len(ours) == len(theirs):
            found.update({b: a for a, b in zip(ours, theirs, strict=True) if plain.word(a) != plain.word(b)})
    return found


# --- the records ----------------------------------------------------------------------------------------------------


def _records(linked: Linked, on: Mapping[str, Any], indexes: Iterable[tuple[str, str]]) -> Iterator[Record]:
    library, prose = linked.library, Prose(linked, "index.html")
    for t in library.techniques.values():
        yield _technique(linked, prose, t)
    for p in library.pathways.values():
        yield _pathway(linked, prose, p)
    for r in on.values():
        yield _calculator(linked, r.declared)
    for t in library.techniques.values():
        cited = ((3, t.title),)
        key = (*cited, *((1.5, a) for a in t.also_called), (0.8, _spoken(linked, t.summary)))
        for q in t.quantities.values():
            yield _number(linked, t, q, key if q.headline else cited)
    for term in library.terms.values():
        yield _term(linked, prose, term)
    for p in library.pages.values():
        yield _page(linked, prose, p)
    for path, title in indexes:
        yield Record("page", path, title, "", [(0.8, title)], [(10, title)])
    for s in library.sources.values():
        yield _source(s)


def _technique(linked: Linked, prose: Prose, t: Technique) -> Record:
    told = [(2.5, [p.sign for p in t.pitfalls] + [d.condition for d in t.decisions] + [q.ask for q in t.questions] + [c.text for c in t.when]),
            (1, [x for s in t.steps for x in (s.do, s.why, s.endpoint)] + [p.respond for p in t.pitfalls] + [x for d in t.decisions for x in (d.then, d.why)]
             + [q.answer for q in t.questions] + [c.text for g in (t.not_when, t.equipment, t.cautions, t.evidence) for c in g])]
    record = Record("technique", address("card", t.id), t.title, _short(prose.plain(t.summary, t.id)), _names(t.title, t.also_called))
    record.fields = [(10, t.title), *((7, a) for a in t.also_called), (3.5, _spoken(linked, t.summary)), (1, t.stage)]
    record.fields += [(2.5 if q.headline else 1, q.label) for q in t.quantities.values()]
    for weight, texts in told:
        for text in texts:
            record.fields.append((weight, _spoken(linked, text)))
            record.terms |= {x.target for x in links(text) if x.scheme == "term"}
    return record


def _pathway(linked: Linked, prose: Prose, p: Pathway) -> Record:
    record = Record("pathway", address("pathway", p.id), p.title, _short(prose.plain(p.summary)), _names(p.title, p.also_called))
    record.fields = [(10, p.title), *((7, a) for a in p.also_called), (3.5, _spoken(linked, p.summary))]
    for s in p.stages:
        record.fields += [(1.5, _spoken(linked, x)) for x in (s.aim, *(d.condition for d in s.decisions), *(c.text for c in s.stop_if))]
        record.fields += [(1, linked.library.techniques[c].title) for c in s.cards if c in linked.library.techniques]
    record.fields += [(2.5, _spoken(linked, c.text)) for c in p.when]
    return record


def _calculator(linked: Linked, c: Calculator) -> Record:
    record = Record("calculator", address("calculator", c.id), c.title, c.question, _names(c.title, c.also_called))
    record.fields = [(10, c.title), *((7, a) for a in c.also_called), (5, c.question), (3.5, _spoken(linked, c.summary)), (1, "calculator work out")]
    record.fields += [(2.5, o.label) for o in c.outputs.values()] + [(2.5, x.label) for x in c.inputs.values()]
    record.fields += [(2, k.label) for x in c.inputs.values() for k in x.choices.values()]
    record.fields += [(1, _spoken(linked, n.text)) for n in (*c.notes, *c.not_for)]
    return record


def _number(linked: Linked, t: Technique, q: Quantity, shared: tuple[tuple[float, str], ...]) -> Record:
    figure = amount(q.amount.unit, q.amount.value, q.amount.low, q.amount.high)
    if isinstance(q, LocalQuantity):
        figure += f" [local; base {amount(q.base.unit, q.base.value, q.base.low, q.base.high)}]"
    if isinstance(q, QuantityFromBase):
        figure += f" {FROM_BASE}"
    standing = q.basis.standing
    record = Record("number" if q.headline else "cited", f"{address('card', t.id)}#quantity-{q.key}", q.label, t.title, [(0.8, q.label)], figure=figure,
                    mark=MARKS.get(standing, standing), shared=shared)
    record.fields = [(8, q.label), (5, q.key.replace("-", " ")), (1, unit_shown(q.amount.unit) or ""), (3, _ASKED_BY_UNIT.get(q.amount.unit, "")), (1, figure),
                     (1, _spoken(linked, q.why))]
    return record


def _term(linked: Linked, prose: Prose, t: Term) -> Record:
    title = f"{t.term} ({t.abbreviation})" if t.abbreviation else t.term
    names = [(0.8, t.term), *((1.0, a) for a in (t.abbreviation,) if a), *((0.8, a) for a in (t.american,) if a), *((0.65, a) for a in t.also_called)]
    record = Record("term", f"glossary.html#{t.id}", title, _short(prose.plain(t.meaning)), names, terms={t.id})
    record.fields = [(10 if w > 0.7 else 7, n) for w, n in names] + [(2, _spoken(linked, t.meaning))]
    return record


def _page(linked: Linked, prose: Prose, p: Page) -> Record:
    record = Record("page", address("page", p.id), p.title, _short(prose.plain(p.summary)), _names(p.title, p.also_called))
    record.fields = [(10, p.title), *((7, a) for a in p.also_called), (3.5, _spoken(linked, p.summary))]
    for s in p.sections:
        record.fields += [(2.5, s.title), *((1, _spoken(linked, c.text)) for c in s.claims)]
    return record


def _source(s: Source) -> Record:
    people = [a.get("family") or a.get("literal", "") for a in s.csl.get("author", ())]
    short = short_name(s)
    record = Record("source", address("source", s.id), short, _short(s.title), [(0.8, short)])
    record.fields = [(10, short), *((8, p) for p in people), (4, s.title), (2, s.csl.get("container-title", ""))]
    return record


def _names(title: str, also: Iterable[str]) -> list[tuple[float, str]]:
    return [(0.8, title), *((0.75, a) for a in also)]


def _short(text: str, at_most: int = 120) -> str:
    """The first sentence, cut at a word if it is long."""
    first = re.split(r"(?<=[.;:?!])\s", " ".join(text.split()), maxsplit=1)[0].rstrip(";:")
    return first if len(first) <= at_most else first[:at_most].rsplit(" ", 1)[0] + "…"


def _spoken(linked: Linked, text: str) -> str:
    """A sentence as words: a link without words reads as the title of what it leads to; a figure is left out."""
    if "](" not in text:
        return text.replace("*", "")
    library = linked.library
    named = {"card": library.techniques, "calculator": library.calculators, "pathway": library.pathways, "page": library.pages}
    said = []
    for part in parts(text):
        if not isinstance(part, Link):
            said.append(part)
        elif part.words or part.scheme == "term":
            said.append(part.words or library.terms[part.target].term)
        elif part.scheme in named:
            said.append((named[part.scheme].get(part.target) or library.techniques_off[part.target]).title)
    return "".join(said).replace("*", "")


# --- the index ------------------------------------------------------------------------------------------------------


def _postings(folding: Folding, records: Iterable[Record], term_at: Mapping[str, int], terms: Iterable[Record]) -> dict[str, bytearray]:
    """Key -> its records with their weights, packed (see Index). A key is a word's form, "~" and a term's number, or "=" and a whole name.

    records: all, in order. term_at: the number among them of each glossary term. terms: the records of these.
    """
    meant: dict[tuple[str, ...], set[str]] = {}
    for r in terms:
        for _, name in r.names:
            if key := folding.name(name):
                for id in r.terms:
                    meant.setdefault(tuple(key.split(" ")), set()).add("~" + _base36(term_at[id]))
    begins = {name[0] for name in meant}

    @functools.lru_cache(maxsize=200)  # every figure of a card repeats the card's names
    def keys(text: str) -> tuple[frozenset[str], frozenset[str]]:
        """The words of a text, and the terms whose names stand in it."""
        forms, found = folding.words(text), set()
        for start, first in enumerate(forms):
            if not first or first[0] not in begins:
                continue
            name: tuple[str, ...] = ()
            for form in forms[start : start + _LONGEST_NAME]:
                if not form:
                    break
                name = (*name, form[0])
                found |= meant.get(name, set())
        return frozenset(w for form in forms for w in form), frozenset(found)

    def weighed(fields: Iterable[tuple[float, str]], terms: Iterable[tuple[float, frozenset[str]]] = ()) -> dict[str, float]:
        """Key -> the best weight it has in the fields, from 0 to 1."""
        found = [*terms]
        for weight, text in fields:
            words, stands_for = keys(text)
            found.append((weight, words))
            if stands_for:
                found.append((weight * 0.85, stands_for))
        best: dict[str, float] = {}
        for weight, words in sorted(found, key=lambda f: f[0]):  # the best of a word comes last, and stays
            best.update(dict.fromkeys(words, weight / (weight + _SATURATION)))
        return best

    index, common = Index(), {}
    for n, r in enumerate(records):
        best = weighed(r.fields, [(10 if r.kind == "term" else 0.6, frozenset("~" + _base36(term_at[id]) for id in r.terms if id in term_at))] if r.terms else ())
        if r.shared:
            if r.shared not in common:
                common = {r.shared: weighed(r.shared)} if len(common) > 1 else {**common, r.shared: weighed(r.shared)}
            of_all = common[r.shared]
            best = {**of_all, **best, **{key: of_all[key] for key in of_all.keys() & best.keys() if of_all[key] > best[key]}}
        for weight, name in r.names:
            if key := folding.name(name):
                best["=" + key] = max(weight, best.get("=" + key, 0.0))
        index.put(n, best)
    return index.packed


class Index:
    """Key -> its records with their weights, packed: for each record the distance from the record before, in base 36, then one capital for the weight."""

    def __init__(self) -> None:
        self.packed: dict[str, bytearray] = {}
        self._last: dict[str, int] = {}
        self._pairs: dict[tuple[int, float], bytes] = {}

    def put(self, n: int, weights: Mapping[str, float]) -> None:
        """Record number n, higher than any before, with the weight from 0 to 1 of each of its keys."""
        packed, last, pairs = self.packed, self._last, self._pairs
        for key, weight in weights.items():
            if key in packed:
                pair = n - last[key], weight
            else:
                packed[key] = bytearray()
                pair = n, weight
            last[key] = n
            written = pairs.get(pair)
            if written is None:
                written = pairs[pair] = _base36(pair[0]).encode() + b"%c" % (65 + min(_STEPS, max(0, math.floor(weight * _STEPS + 0.5))))
            packed[key] += written


def _base36(n: int) -> str:
    digits = ""
    while n:
        n, rest = divmod(n, 36)
        digits = "0123456789abcdefghijklmnopqrstuvwxyz"[rest] + digits
    return digits or "0"
