"""The language of sentences: what becomes HTML, what is refused, and how near words are found."""

from __future__ import annotations

import pytest

from builder.text import Link, did_you_mean, faults, links, nearest, parts, plain, to_html


def html(text: str) -> str:
    return to_html(text, lambda link: f'<a href="#{link.target}">{link.words}</a>')


@pytest.mark.parametrize(("text", "expected"), [
    ("Plain words.", "Plain words."),
    ("A < B & C > D", "A &lt; B &amp; C &gt; D"),
    ("*Slowly*, **never** fast", "<em>Slowly</em>, <strong>never</strong> fast"),
    ("**A *b* c**", "<strong>A <em>b</em> c</strong>"),
    ("2 * 3 * 4", "2 * 3 * 4"),
    ("* not emphasis *", "* not emphasis *"),
    ("[words](card:one) after", '<a href="#one">words</a> after'),
    ("*[](quantity:a/b)*", '<em><a href="#a/b"></a></em>'),
    ("folded\n  over\nlines", "folded over lines"),
    ("<script>alert(1)</script>", "&lt;script&gt;alert(1)&lt;/script&gt;"),
    ("[x](javascript:alert(1))", "[x](javascript:alert(1))"),
    ("[x](https://example.org)", "[x](https://example.org)"),
    ("![x](card:one)", "![x](card:one)"),
])
def test_a_sentence_as_html(text: str, expected: str) -> None:
    assert html(text) == expected


@pytest.mark.parametrize(("text", "rules"), [
    ("Plain words, with *emphasis* and [a link](card:one).", []),
    ("P < Q, and 3 < 4.", []),
    ("P & Q; R&D.", []),
    ("a <b> c", ["raw-html"]),
    ("<!-- hidden -->", ["raw-html"]),
    ("&nbsp;", ["raw-html"]),
    ("&#60;", ["raw-html"]),
    ("</p>", ["raw-html"]),
    ("one\n\ntwo", ["one-paragraph"]),
    ("`code`", ["text-language"]),
    ("- item", ["text-language"]),
    ("1. item", ["text-language"]),
    ("> quoted", ["text-language"]),
    ("[x](JavaScript:alert)", ["script-link"]),
    ("[x]( javascript:alert(1))", ["script-link"]),
    ("[x](data:text/html,hi)", ["script-link"]),
    ("[x](vbscript:hi)", ["script-link"]),
    ("[x](//example.org)", ["link-form"]),
    ("[x](CARD:one)", ["link-form"]),
    ("[x](card:)", ["link-form"]),
    ("[x](card:one two)", ["link-form"]),
    ("[x](card:one", ["text-language"]),
    ("[a [b]](card:one)", ["text-language"]),
    ("[x](https://a.org) and [y](javascript:b) and <i>", ["raw-html", "link-form", "script-link"]),
])
def test_what_a_sentence_may_not_hold(text: str, rules: list[str]) -> None:
    assert [f.rule for f in faults(text)] == rules


def test_a_fault_names_its_offset() -> None:
    text = "First see [x](javascript:a), then [y](foo:b)."
    assert [text[f.start :].split("]")[0] for f in faults(text)] == ["[x", "[y"]


def test_the_parts_of_a_text_are_all_of_it_in_order() -> None:
    text = "See [](card:one), [two](term:x-y) and [three](https://no)."
    found = list(parts(text))
    assert found == ["See ", Link("", "card", "one", 4), ", ", Link("two", "term", "x-y", 18), " and [three](https://no)."]
    assert list(links(text)) == [p for p in found if isinstance(p, Link)]
    assert plain(text) == "See , two and three."


def test_the_nearest_word_is_named_only_when_it_is_near() -> None:
    assert nearest("haemostasus", ["haemostasis", "endolaser"]) == "haemostasis"
    assert nearest("zzz", ["haemostasis"]) is None
    assert did_you_mean("stag", ["stage"]) == " Did you mean 'stage'?"
    assert did_you_mean("zzz", ["stage"]) == ""
