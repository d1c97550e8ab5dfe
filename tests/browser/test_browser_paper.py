"""Cards on paper: at most two A4 sides each, black and white, with version, sources and expiry, and no furniture of the site."""

from __future__ import annotations

import re

import pytest
from support import built, page_kinds, sides

pytestmark = pytest.mark.browser

KINDS = page_kinds()
MOST_SIDES = 2
SMALLEST = 5.0  # points, for the list of sources; sentences are larger
SENTENCE = 6.9  # points

# Every colour that would be printed: of text, and of borders and grounds that show.
COLOURS = """() => {
  const found = new Set();
  for (const node of document.querySelectorAll('.md-content__inner, .md-content__inner *')) {
    const style = getComputedStyle(node);
    if (!node.getClientRects().length) continue;
    found.add(style.color);
    found.add(style.backgroundColor);
    for (const side of ['Top', 'Right', 'Bottom', 'Left'])
      if (parseFloat(style['border' + side + 'Width'])) found.add(style['border' + side + 'Color']);
  }
  return [...found];
}"""

SIZES = """names => names.map(name => [...document.querySelectorAll(name)].filter(n => n.getClientRects().length)
  .map(n => parseFloat(getComputedStyle(n).fontSize) * 0.75).reduce((a, b) => Math.min(a, b), 99))"""

CHROME = ".md-header, .md-footer, .md-tabs, .md-sidebar, .headerlink, .along, .question, .rests, .find, dialog"


def test_every_card_prints_on_two_sides_even_from_a_stale_copy(browsing, file_base) -> None:
    """A stale copy prints one line more."""
    long = {}
    page = browsing.open(file_base, KINDS["technique"], fresh=True, before=lambda page: page.clock.set_fixed_time("2036-01-01"))
    assert page.locator(".clock-line").count() == 1, "The copy does not say that it is stale; the worst case is not printed."
    for id in built().linked.library.techniques:
        page.goto(f"{file_base.root}techniques/{id}.html")
        if (n := sides(page)) > MOST_SIDES:
            long[id] = n
    assert not long, f"Over {MOST_SIDES} A4 sides: {long}. Shorten the card; sources count as well."


@pytest.fixture
def paper(browsing, file_base):
    page = browsing.open(file_base, "techniques/haemostasis.html", fresh=True)
    page.emulate_media(media="print")
    yield page
    page.emulate_media(media="screen")


def test_a_sheet_says_its_version_its_sources_and_when_it_expires(paper) -> None:
    line = paper.locator(".paper-line")
    assert line.is_visible() and re.search(r"Version [0-9a-f]{8}\.", line.inner_text())
    assert re.search(r"expires on \d{4}-\d\d-\d\d|for the day it was printed", line.inner_text())
    cited = paper.evaluate("""() => [...document.querySelectorAll('.md-content__inner a[href^="#source-"]')].filter(a => a.getClientRects().length)
      .map(a => a.hash.slice(1)).filter(id => !document.getElementById(id).getClientRects().length)""")
    assert cited == [], "The sheet names these sources but does not list them."
    assert paper.locator(".references > li:visible").count() > 10 and paper.locator(".references > .off-paper:visible").count() == 0


def test_a_sheet_is_black_on_white_and_large_enough(paper) -> None:
    for colour in paper.evaluate(COLOURS):
        r, g, b = map(float, re.findall(r"[\d.]+", colour)[:3])
        assert max(r, g, b) - min(r, g, b) <= 4, f"{colour} is printed in colour."
    smallest, *sentences = paper.evaluate(SIZES, [".references > li", ".steps .do", ".steps .why", ".claims > li", ".decisions p", ".pitfalls p"])
    assert smallest >= SMALLEST and min(sentences) >= SENTENCE, (smallest, sentences)


def test_a_sheet_carries_no_furniture_of_the_site(paper) -> None:
    assert paper.locator(CHROME).locator("visible=true").count() == 0
    for kept in (".caution-line", ".summary", ".numbers", ".steps", ".decisions", ".pitfalls", ".cautions", ".evidence"):
        assert paper.locator(kept).first.is_visible(), kept
