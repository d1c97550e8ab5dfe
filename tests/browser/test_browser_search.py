"""Search in the built site, from a web host and from disk: what a fellow types finds the page."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import expect

from support import Base, Browsing

pytestmark = pytest.mark.browser

# What is typed, and the page that must stand among the first three. Beside the plain titles: abbreviations, American
# spelling, other names, labels of figures, glossary terms, authors of sources, calculators.
PHRASES = {
    "endolaser": "techniques/endolaser.html",
    "panretinal photocoagulation": "techniques/endolaser.html",
    "PRP": "techniques/endolaser.html",
    "gap between burns": "techniques/endolaser.html",
    "haemostasis": "techniques/haemostasis.html",
    "hemostasis": "techniques/haemostasis.html",
    "longest single hold": "techniques/haemostasis.html",
    "air-fluid exchange": "techniques/fluid-air-exchange.html",
    "FAX": "techniques/fluid-air-exchange.html",
    "bevacizumab": "techniques/pre-operative-agents.html",
    "anti-VEGF": "techniques/pre-operative-agents.html",
    "crunch": "techniques/pre-operative-agents.html",
    "subhyaloid hemorrhage": "techniques/subhyaloid-blood.html",
    "boat-shaped": "techniques/subhyaloid-blood.html",
    "sclerotomy distance": "calculators/port-placement.html",
    "trocar": "techniques/port-placement.html",
    "port distance": "calculators/port-placement.html",
    "injection-to-surgery window": "calculators/injection-window.html",
    "MAP": "calculators/perfusion-pressure.html",
    "premacular blood": "pathways/premacular-blood.html",
    "ghost cell glaucoma": "glossary.html",
    "GCG": "glossary.html",
    "caliper": "glossary.html",
    "edema": "glossary.html",
    "Kostic": "sources/kostic-2020-mcrap.html",
    "Rossi": "sources/rossi-2014-opp.html",
}

FIRST = """n => [...document.querySelectorAll('.md-search-result__item')].slice(0, n)
  .map(item => item.querySelector('a').href.split(/[?#]/)[0])"""
FIELD = "[data-md-component='search-query']"


def _first(page, base: Base, n: int = 3) -> list[str]:
    return [a.removeprefix(base.root) for a in page.evaluate(FIRST, n)]


def _type(page, words: str) -> None:
    """Empties the field, waits until the old results are gone, and types as a reader does."""
    page.locator(FIELD).press("Control+A")
    page.locator(FIELD).press("Delete")
    page.wait_for_function("() => !document.querySelector('.md-search-result__item')")
    page.keyboard.type(words)


def _settled(page, base: Base, still: float = 0.12, at_most: float = 4.0) -> list[str]:
    """The first three once they have come and have not changed for a while."""
    end = time.monotonic() + at_most
    last, since = _first(page, base), time.monotonic()
    while time.monotonic() < end and not (last and time.monotonic() - since >= still):
        page.wait_for_timeout(30)
        now = _first(page, base)
        if now != last:
            last, since = now, time.monotonic()
    return last


def test_what_is_typed_finds_the_page_among_the_first_three(base: Base, browsing: Browsing) -> None:
    assert len(PHRASES) >= 20
    page = browsing.open(base, "index.html")
    page.keyboard.press("/")
    expect(page.locator(FIELD)).to_be_focused()
    missed = []
    for words, wanted in PHRASES.items():
        _type(page, words)
        found = _settled(page, base)
        if wanted not in found:
            missed.append(f"'{words}' should find {wanted}; it finds {found or 'nothing'}")
    assert not missed, "Give the card the missing word under also_called, or the page more weight in search:\n" + "\n".join(missed)


def test_enter_opens_the_first_result_from_a_page_in_a_folder(base: Base, browsing: Browsing) -> None:
    page = browsing.open(base, "techniques/haemostasis.html")
    page.keyboard.press("/")
    _type(page, "endolaser")
    assert _settled(page, base)[0] == "techniques/endolaser.html"
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"techniques/endolaser\.html"))
    expect(page.locator("h1")).to_contain_text("ndolaser")


def test_nonsense_finds_nothing_and_markup_is_only_text(base: Base, browsing: Browsing) -> None:
    page = browsing.open(base, "index.html")
    page.keyboard.press("/")
    for words in ("qqqzzzxx", "<img src=x onerror=\"document.title='run'\">qqqzzz"):
        _type(page, words)
        expect(page.locator(".md-search-result__meta")).to_have_text(re.compile("no matching", re.I))
    assert page.locator(".md-search-result img").count() == 0
    assert page.title() != "run"
