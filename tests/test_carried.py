"""Pages carried past the Markdown processor come out as if it had read all of them."""

from __future__ import annotations

import re
from collections.abc import Callable

import markdown
import pytest
import yaml
from fixtures import PROJECT
from support import built

from builder import carried, compose

Convert = Callable[[str], str]


@pytest.fixture(scope="module")
def convert() -> Convert:
    """The processor as mkdocs.yml sets it up."""
    names, settings = [], {}
    for entry in yaml.safe_load((PROJECT / "mkdocs.yml").read_text(encoding="utf-8"))["markdown_extensions"]:
        for name, its in entry.items() if isinstance(entry, dict) else [(entry, None)]:
            names.append(name)
            settings.update({name: its} if its else {})
    return lambda text: markdown.Markdown(extensions=names, extension_configs=settings).convert(text)


def _told(html: str) -> str:
    """Without the space between blocks, which no reader sees."""
    return re.sub(r"\s+(?=<)|(?<=>)\s+", "", html)


def test_every_page_of_the_site_is_the_same_both_ways(convert: Convert) -> None:
    whole = []
    for page in compose.pages(built()):
        if page.path.endswith(".md"):
            body = page.text.split("\n---\n", 1)[1]
            text, runs = carried.taken_out(body)
            assert _told(carried.put_back(convert(text), runs)) == _told(convert(body)), page.path
            whole += [] if runs else [page.path]
    assert not whole, "A page of nothing but headings and HTML is fast to build; see builder/carried.py."


@pytest.mark.parametrize("text", [
    "# Title\n\nplain *words*\n",
    "# Title\n\n<p>one</p>\n\nplain *words*\n\n<p>two</p>\n",
    "# Title\n\n<p>one</p>\n## Heading\n",
    "# Title\nplain words\n",
    "# Title\n\n<a href=\"x.html\">a link</a> *alone*\n",
    "",
], ids=["words", "words-between", "heading-in-a-block", "words-under-a-heading", "inline-tag", "nothing"])
def test_what_is_not_headings_and_blocks_goes_through_whole(text: str, convert: Convert) -> None:
    changed, runs = carried.taken_out(text)
    assert (changed.strip(), runs) == (text.strip(), [])
    assert carried.put_back(convert(changed), runs) == convert(text)


def test_a_block_that_is_lost_is_not_lost_in_silence() -> None:
    text, runs = carried.taken_out("# Title\n\n<p>one</p>\n\n## Next\n\n<p>two</p>\n")
    assert len(runs) == 2
    with pytest.raises(ValueError, match="2 blocks of a page were taken out, 1 put back"):
        carried.put_back(text.replace('<div data-carried="1"></div>', ""), runs)


def test_what_a_card_says_is_never_taken_for_a_stand_in() -> None:
    """A card cannot hold HTML; if one could, its stand-in would stand inside a run, which is put back as it is."""
    text, runs = carried.taken_out('# Title\n\n<p>&lt;div data-carried="0"&gt;&lt;/div&gt;</p>\n')
    assert carried.put_back(text, runs) == '# Title\n\n<p>&lt;div data-carried="0"&gt;&lt;/div&gt;</p>\n'
