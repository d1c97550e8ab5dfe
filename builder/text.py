"""The one place that knows the language of a card's sentences.

A text is one paragraph of plain CommonMark: *emphasis*, **strong**, and links with a scheme:

    [](card:endolaser)                 the card's title
    [](quantity:wait)                  a quantity of the same card: its value with its unit
    [](quantity:haemostasis/wait)      a quantity of another card
    [raise the infusion](card:haemostasis)

Everything else (raw HTML, code, images, headings, other links) is an error, told by `faults`.
"""

from __future__ import annotations

import difflib
import html
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

# What stands for a calculator that the department has switched off; in brackets, so that it fits any place of a sentence.
SWITCHED_OFF = "[calculator switched off here]"
CARD_SWITCHED_OFF = "[card switched off here]"
# Follows every figure in a sentence that is the department's own and not that of the card it builds on.
LOCAL_VALUE = "[local]"
# Follows a figure that is worked out from one in whose place the department has put its own.
FROM_BASE = "[worked from a base value]"
SCHEMES = ("card", "quantity", "calculator", "pathway", "page", "source", "term", "value")

_LINK = re.compile(r"(!?)\[([^\[\]]*)\]\(((?:[^()]|\([^()]*\))*)\)")
_SCHEME = re.compile(r"([a-z]+):([A-Za-z0-9_./-]+)\Z")
_HTML = re.compile(r"<[A-Za-z/!?]|&#?\w{1,32};")
_STRONG = re.compile(r"\*\*(?=\S)(.+?)(?<=\S)\*\*", re.S)
_EMPHASIS = re.compile(r"\*(?=\S)(.+?)(?<=\S)\*", re.S)
_BLOCK = re.compile(r"\A\s*(?:[-+*]\s|\d{1,9}[.)]\s|>|={3,}|:\s|/// )")


@dataclass(frozen=True, slots=True)
class Link:
    """A link as written: words (may be empty), scheme, target, and its offset in the text."""

    words: str
    scheme: str
    target: str
    start: int


@dataclass(frozen=True, slots=True)
class Fault:
    """Something a text may not hold: rule, message, fix, offset in the text."""

    rule: str
    message: str
    fix: str
    start: int


def parts(text: str) -> Iterator[str | Link]:
    """The text in order, plain pieces and links. A faulty link comes as plain text."""
    last = 0
    for m in _LINK.finditer(text):
        scheme = _SCHEME.match(m[3])
        if m[1] or not scheme or scheme[1] not in SCHEMES:
            continue
        if m.start() > last:
            yield text[last : m.start()]
        yield Link(m[2], scheme[1], scheme[2], m.start())
        last = m.end()
    if last < len(text):
        yield text[last:]


def links(text: str) -> Iterator[Link]:
    """Only the links of a text."""
    if "](" in text:
        for part in parts(text):
            if isinstance(part, Link):
                yield part


def plain(text: str) -> str:
    """The text with each link replaced by its words, for counting words and for headings."""
    return (_LINK.sub(lambda m: m[2], text) if "](" in text else text).replace("*", "")


def faults(text: str) -> Iterator[Fault]:
    """Everything in a text that the language refuses."""
    if ("<" in text or "&" in text) and (m := _HTML.search(text)):
        yield Fault(
            "raw-html", f"Raw HTML is not allowed in a card (found {text[m.start() : m.start() + 20]!r}).",
            "Write plain words; write 'less than' in words if a comparison was meant.", m.start(),
        )
    if "\n\n" in text and "\n\n" in text.strip():
        yield Fault("one-paragraph", "A text is one paragraph; this one has a blank line in it.",
                    "Remove the blank line, or make two claims.", text.index("\n\n"))
    if "`" in text:
        yield Fault("text-language", "Code marks (`) are not part of a card's language.",
                    "Use plain words, *emphasis* or **strong**.", text.index("`"))
    if _BLOCK.match(text):
        yield Fault("text-language", "A text starts like a list, a quotation or a heading.",
                    "Start with a word; lists are made of separate claims.", 0)
    seen = 0
    for m in _LINK.finditer(text) if "](" in text else ():
        yield from _link_fault(m)
        seen += 1
    if "](" in text and text.count("](") > seen:
        yield Fault("text-language", "A link is not closed or has brackets inside it.",
                    "Write [words](scheme:target) with no brackets inside.", text.index("]("))


def _link_fault(m: re.Match[str]) -> Iterator[Fault]:
    target = m[3].strip()
    if m[1]:
        yield Fault("text-language", "Pictures are not part of a card's language.", "Describe it in words.", m.start())
        return
    if re.match(r"(?i)[\s\x00-\x1f]*(javascript|data|vbscript|file)\s*:", m[3]):
        yield Fault("script-link", f"A link may not run a script or open a file ({target[:30]!r}).",
                    "Link to a card, quantity, calculator, pathway, page, source or term.", m.start())
        return
    scheme = _SCHEME.match(m[3])
    if not scheme:
        yield Fault("link-form", f"This link has no scheme the builder knows: ({target[:60]}).",
                    "Write card:ID, quantity:CARD/KEY, calculator:ID, pathway:ID, page:ID, source:ID or term:ID; "
                    "an outside address belongs in a source.", m.start())
    elif scheme[1] not in SCHEMES:
        yield Fault("link-form", f"'{scheme[1]}:' is not a kind of link.{did_you_mean(scheme[1], SCHEMES)}",
                    "Use card, quantity, calculator, pathway, page, source or term; an outside address belongs in a source.", m.start())


def to_html(text: str, anchor: Callable[[Link], str]) -> str:
    """The text as inline HTML. `anchor` gives the finished HTML of a link; everything else is escaped."""
    joined, made = _linked(text, anchor, lambda words: html.escape(words, quote=False))
    if "*" in joined:
        joined = _EMPHASIS.sub(r"<em>\1</em>", _STRONG.sub(r"<strong>\1</strong>", joined))
    return _put_back(joined, made)


def to_words(text: str, words_of: Callable[[Link], str]) -> str:
    """The text as plain words, as its HTML would read. `words_of` gives what a link reads as."""
    joined, made = _linked(text, words_of, str)
    if "*" in joined:
        joined = _EMPHASIS.sub(r"\1", _STRONG.sub(r"\1", joined))
    return " ".join(_put_back(joined, made).split()) if made else joined


def _linked(text: str, of_link: Callable[[Link], str], of_words: Callable[[str], str]) -> tuple[str, list[str]]:
    """The text in one line with a stand-in for each link, and what stands for the links; nothing that a link becomes is taken for emphasis."""
    out, made = [], []
    for part in parts(text) if "](" in text else [text]:
        if isinstance(part, Link):
            out.append(f"\x00{len(made)}\x00")
            made.append(of_link(part))
        else:
            out.append(of_words(part))
    return " ".join("".join(out).split()), made


def _put_back(text: str, made: list[str]) -> str:
    return re.sub("\x00(\\d+)\x00", lambda m: made[int(m[1])], text) if made else text


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like the given one, or None."""
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """' Did you mean X?' or nothing."""
    near = nearest(word, known)
    return f" Did you mean '{near}'?" if near else ""
