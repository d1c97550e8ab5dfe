"""Sentences, figures, basis marks and references as HTML, in the words of one page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from markupsafe import Markup, escape

from ..link import Linked
from ..model import CHECKED, Amount, Basis, Citation, LocalQuantity, Quantity, QuantityFromBase, Source
from ..text import CARD_SWITCHED_OFF, FROM_BASE, LOCAL_VALUE, SWITCHED_OFF, Link, to_html, to_words
from ..units import amount, amount_number, unit_shown

FOLDERS = {"page": "pages", "card": "techniques", "technique": "techniques", "calculator": "calculators", "pathway": "pathways", "source": "sources"}
MARKS = {"full text": "full text", "abstract": "abstract", "secondary": "second-hand", "memory": "recalled, verify before use"}
MEANINGS = {
    "full text": "The passage or table that holds the figure was read.",
    "abstract": "The abstract was read, not the whole paper.",
    "secondary": "Seen only as restated by another text.",
    "memory": "Recalled and not confirmed: verify before use.",
}


_PRACTICE = Markup('<span class="basis basis-practice">common practice</span>')


def address(kind: str, id: str) -> str:
    """The page of a record, from the root of the site."""
    if kind in ("glossary", "term"):
        return "glossary.html"
    return f"{FOLDERS[kind]}/{id}.html"


@dataclass(slots=True)
class Reference:
    """A source as it is used on one page: its number there, and each distinct place and mark cited."""

    number: int
    source: Source
    uses: list[Citation] = field(default_factory=list)


class Prose:
    """Everything one page needs to turn card text into HTML; it numbers the sources as they come."""

    def __init__(self, linked: Linked, page: str, card: str = "") -> None:
        self.linked, self.library, self.page, self.card = linked, linked.library, page, card
        self._references: dict[str, Reference] = {}

    def to(self, target: str) -> str:
        """A link to another page of the site, relative to this one; works on a host and from file://."""
        path, _, anchor = target.partition("#")
        here = self.page.rpartition("/")[0] + "/" if "/" in self.page else ""
        relative = "" if not path else path[len(here):] if here and path.startswith(here) else "../" * self.page.count("/") + path
        return relative + (f"#{anchor}" if anchor else "")

    def href(self, kind: str, id: str, anchor: str = "") -> str:
        return self.to(address(kind, id) + (f"#{anchor}" if anchor else ""))

    def text(self, text: str) -> Markup:
        """A card's sentence as inline HTML."""
        return Markup(to_html(text, self._anchor))

    def _anchor(self, link: Link) -> str:
        words = escape(link.words)
        match link.scheme:
            case "value":
                # Only the calculator's own page has a script to fill it in.
                here = self.page.startswith("calculators/")
                return f'<span data-value-of="{escape(link.target)}">–</span>' if here else "…"
            case "quantity":
                reference = link.target if "/" in link.target else f"{self.card}/{link.target}"
                quantity = self.library.quantity(reference)
                href = self.quantity_href(quantity)
                mark, more = "", ""
                if isinstance(quantity, LocalQuantity):
                    mark, more = LOCAL_VALUE, f": local value, in place of {self.amount(quantity.base)}"
                elif isinstance(quantity, QuantityFromBase):
                    mark, more = FROM_BASE, f": worked from {'; '.join(quantity.bases)}"
                title = escape(quantity.label + more)
                shown = words or self.amount(quantity.amount)
                figure = f'<a class="figure" href="{href}" title="{title}">{shown}</a>' if href else f'<span title="{title}">{shown}</span>'
                return figure + (f' <span class="local-mark">{mark}</span>' if mark and not words else "")
            case "term":
                term = self.library.terms[link.target]
                return f'<a class="term" href="{self.to(f"glossary.html#{term.id}")}" title="{escape(self.plain(term.meaning))}">{words or escape(term.term)}</a>'
            case "source":
                return f'<a href="{self.href("source", link.target)}">{words or escape(short_name(self.library.sources[link.target]))}</a>'
            case scheme:
                records = {"card": self.library.techniques, "calculator": self.library.calculators, "pathway": self.library.pathways, "page": self.library.pages}[scheme]
                if scheme == "calculator" and self.is_off(link.target):
                    return f'{words}{" " if words else ""}<span class="switched-off">{SWITCHED_OFF}</span>'
                if scheme == "card" and link.target in self.library.techniques_off:
                    return f'{words or escape(self.library.techniques_off[link.target].title)} <span class="switched-off">{CARD_SWITCHED_OFF}</span>'
                return f'<a href="{self.href(scheme, link.target)}">{words or escape(records[link.target].title)}</a>'

    def is_off(self, calculator: str) -> bool:
        """Whether the department has switched this calculator off."""
        return calculator in self.library.department.calculators_off

    def plain(self, text: str, card: str = "") -> str:
        """A sentence without markup, links read out. card: whose sentence it is, if not this page's own."""
        return to_words(text, lambda link: self._read_out(link, card or self.card))

    def _read_out(self, link: Link, card: str) -> str:
        """What a link reads as in plain words."""
        library = self.library
        match link.scheme:
            case "value":
                return "–" if self.page.startswith("calculators/") else "…"
            case "quantity":
                q = library.quantity(link.target if "/" in link.target else f"{card}/{link.target}")
                mark = LOCAL_VALUE if isinstance(q, LocalQuantity) else FROM_BASE if isinstance(q, QuantityFromBase) else ""
                a = q.amount
                return link.words or " ".join(x for x in (amount(a.unit, a.value, a.low, a.high), mark) if x)
            case "term":
                return link.words or library.terms[link.target].term
            case "source":
                return link.words or short_name(library.sources[link.target])
            case "calculator" if self.is_off(link.target):
                return f"{link.words} {SWITCHED_OFF}".strip()
            case "card" if link.target in library.techniques_off:
                return f"{link.words or library.techniques_off[link.target].title} {CARD_SWITCHED_OFF}"
            case scheme:
                records = {"card": library.techniques, "calculator": library.calculators, "pathway": library.pathways, "page": library.pages}[scheme]
                return link.words or records[link.target].title

    def quantity_href(self, quantity: Quantity) -> str:
        """Where a number stands; empty for one of a card that is switched off, which has no page."""
        if quantity.card in self.library.techniques_off:
            return ""
        anchor = f"#quantity-{quantity.key}"
        return anchor if quantity.card == self.card and self.page == address("card", self.card) else self.to(address("card", quantity.card) + anchor)

    def amount(self, a: Amount) -> Markup:
        """A figure with its unit, as in a sentence."""
        return escape(amount(a.unit, a.value, a.low, a.high))

    def local(self, q: Quantity) -> Markup:
        """What follows a figure outside a sentence: nothing, or a space, that it is local, and the base value it stands in place of."""
        if isinstance(q, QuantityFromBase):
            return Markup(' <span class="local-mark">worked from the base: {}</span>').format("; ".join(q.bases))
        if not isinstance(q, LocalQuantity):
            return Markup("")
        return Markup(' <span class="local-mark">local; base {}</span>').format(self.amount(q.base))

    def figure(self, a: Amount) -> Markup:
        """A figure for display: number and unit in elements of their own."""
        unit = unit_shown(a.unit, a.value)
        shown = f' <span class="unit">{escape(unit)}</span>' if unit else ""
        return Markup(f'<span class="value">{amount_number(a.value, a.low, a.high)}</span>{shown}')

    def is_wide(self, a: Amount) -> bool:
        """Whether a figure needs more than one column of the key numbers."""
        return len(amount_number(a.value, a.low, a.high)) > 6

    def published(self, q: Quantity) -> str:
        """The published figures of a quantity, short: each once, with a unit only where it is not the quantity's own."""
        short = [amount_number(a.value, a.low, a.high) if a.unit == q.amount.unit else amount(a.unit, a.value, a.low, a.high)
                 for a in (r.amount for r in q.reported)]
        return ", ".join(dict.fromkeys(short))

    def basis(self, basis: Basis) -> Markup:
        """The marks beside a claim: what it rests on and how that was confirmed, with numbered links to the sources."""
        if not basis.citations:
            return _PRACTICE
        if len(basis.citations) == 1:
            return Markup(self._mark(basis.citations[0].checked, [*basis.citations]))
        groups: dict[str, list[Citation]] = {}
        for citation in sorted(basis.citations, key=lambda c: CHECKED.index(c.checked)):
            groups.setdefault(citation.checked, []).append(citation)
        return Markup(" ".join(self._mark(checked, found) for checked, found in groups.items()))

    def _mark(self, checked: str, citations: list[Citation]) -> str:
        numbers = " ".join(self._cite(c) for c in citations)
        sources = [self.library.sources[c.source] for c in citations]
        flags = sorted({"withdrawn" if s.withdrawn else "superseded" for s in sources if s.withdrawn or s.superseded_by})
        warn = "".join(f' <strong class="flag">source {flag}</strong>' for flag in flags)
        return f'<span class="basis basis-{checked.replace(" ", "-")}" title="{MEANINGS[checked]}">{MARKS[checked]} {numbers}{warn}</span>'

    def _cite(self, citation: Citation) -> str:
        reference = self._references.setdefault(citation.source, Reference(len(self._references) + 1, self.library.sources[citation.source]))
        if citation not in reference.uses:
            reference.uses.append(citation)
        title = escape(". ".join(p for p in (short_name(reference.source), citation.at, citation.note) if p))
        n = reference.number
        return f'<a href="#source-{n}" title="{title}" aria-label="source {n}">{n}</a>'

    @property
    def references(self) -> Iterable[Reference]:
        """The sources used so far, in order of number."""
        return list(self._references.values())


def short_name(source: Source) -> str:
    """First author and year, as in a sentence: a label to know a source by, not its reference."""
    authors = source.csl.get("author", ())
    first = (authors[0].get("family") or authors[0].get("literal")) if authors else source.csl.get("container-title", source.id)
    issued = source.csl.get("issued")
    year = issued["date-parts"][0][0] if issued else ""
    return f"{first}{' and others' if len(authors) > 2 else ''} {year}".strip()
