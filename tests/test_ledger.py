"""What the site rests on: the ledgers, the references in a citation style, and the figures on one axis."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest
from fixtures import VALID, build, lay, units

from builder import compose, references
from builder.ledger import STANDINGS, ledger
from builder.model import Amount, Basis, Quantity, Reported, Source
from builder.render.axis import LEFT, RIGHT, axis

CITED = "arevalo-2008"
STATED = {"technique", "pathway", "calculator", "page", "glossary"}


def library(root: Path, **marks: str) -> compose.Built:
    """The valid library with marks added to one of its sources."""
    text = (VALID / f"sources/{CITED}.yaml").read_text(encoding="utf-8")
    built = build(lay(root, **{f"sources/{CITED}.yaml": text + "".join(f"{k}: {v}\n" for k, v in marks.items())}))
    assert not built.problems
    return built


def bases(data: object) -> Iterator[object]:
    if isinstance(data, dict):
        for key, value in data.items():
            if key == "basis":
                yield value
            else:
                yield from bases(value)
    elif isinstance(data, list):
        for value in data:
            yield from bases(value)


# --- ledgers ------------------------------------------------------------------------------------------------------


def test_no_claim_or_figure_is_missing_from_the_ledger(tmp_path: Path) -> None:
    """Every `basis` written in a card is a line of the ledger, and none is there twice."""
    built = library(tmp_path)
    found = ledger(built.linked)
    written = [b for d in built.linked.library.documents if d.kind in STATED for b in bases(d.data)]
    assert len(found.figures) + len(found.claims) == len(written)
    assert sum(found.standings(found.figures).values()) == len(found.figures)
    assert len(found.practice) == sum(b == "common practice" for b in written)
    assert len(found.recalled) == sum(c["checked"] == "memory" for b in written if isinstance(b, list) for c in b)
    assert found.recalled and found.practice and found.figures


@pytest.mark.parametrize(("mark", "word"), [({"withdrawn": "The journal took it back."}, "withdrawn"), ({"superseded_by": "iso-9626-2016"}, "superseded")])
def test_a_source_that_falls_flags_every_claim_that_rests_on_it(tmp_path: Path, mark: dict[str, str], word: str) -> None:
    built = library(tmp_path, **mark)
    flagged = ledger(built.linked).flagged
    assert [s for _, s in flagged] == [u.statement for u in built.linked.rests_on[CITED]] and flagged
    pages = {p.path: p.text for p in compose.pages(built)}
    holders = {s.id for _, s in flagged if s.kind == "technique"}
    assert holders
    for id in holders:
        page = pages[f"techniques/{id}.md"]
        cites = set(re.findall(rf'source-(\d+)"[^>]*>\d+</a>', page))
        number = re.search(r'<li id="source-(\d+)"><strong class="flag">', page)
        assert number and number[1] in cites
        # Every mark that leads to this source carries the flag.
        marks = re.findall(rf'<span class="basis[^>]*>[^<]*(?:<a [^>]*>\d+</a>\s*)*<a href="#source-{number[1]}"[^>]*>.*?</span>', page)
        assert marks and all(f"source {word}" in m for m in marks)
    assert pages["ledgers/index.md"].count(f"source {word}") == len(flagged)
    assert f"superseded source: {len(flagged)}." in ledger(built.linked).in_words()[-1]


def test_a_sound_library_flags_nothing(tmp_path: Path) -> None:
    built = library(tmp_path)
    assert ledger(built.linked).flagged == ()
    assert "Nothing rests on a source that was withdrawn or superseded." in next(p.text for p in compose.pages(built) if p.path == "ledgers/index.md")


def test_the_counts_in_words_add_up(tmp_path: Path) -> None:
    for line in ledger(library(tmp_path).linked).in_words()[:2]:
        total, *parts = map(int, re.findall(r"\d+", line))
        assert sum(parts) == total and all(standing in line for standing in STANDINGS)


# --- references -----------------------------------------------------------------------------------------------------


def source(id: str, **csl: object) -> Source:
    return Source(id=id, file=f"cards/sources/{id}.yaml", csl={"type": "article-journal", "title": "A title", **csl}, checked="abstract")


def test_a_reference_follows_the_style_of_medical_journals() -> None:
    """Family name and initials, at most six authors, year;volume(issue):pages with the shorter last page, then the DOI."""
    people = [{"family": f"Writer{c}", "given": f"{c}. Q."} for c in "ABCDEFG"]
    long = source("long", author=people, issued={"date-parts": [[2015]]}, volume="9", issue="3", page="253-261", DOI="10.1000/x", **{"container-title": "Journal"})
    assert references.in_style([long])["long"] == (
        "WriterA AQ, WriterB BQ, WriterC CQ, WriterD DQ, WriterE EQ, WriterF FQ, et al. A title. Journal. 2015;9(3):253–61. doi:10.1000/x.")


@pytest.mark.parametrize(("csl", "expected"), [
    ({"title": "Is it so?", "container-title": "Eye"}, "Is it so? Eye."),
    ({"author": [{"literal": "A college & its board"}], "type": "report", "publisher": "A college"}, "A college & its board. A title. A college."),
    ({"author": [{"family": "Older", "given": "B. C.", "suffix": "Jr"}]}, "Older BC Jr. A title."),
])
def test_a_reference_with_gaps_shows_what_is_known(csl: dict, expected: str) -> None:
    assert references.in_style([source("x", **csl)])["x"] == expected


def test_a_reference_is_set_once() -> None:
    kept: dict[str, str] = {}
    first = references.in_style([source("a"), source("b", title="Another")], kept)
    with mock.patch.object(references, "_set", side_effect=AssertionError("set again")):
        assert references.in_style([source("b", title="Another")], kept) == {"b": first["b"]}


# --- the axis -----------------------------------------------------------------------------------------------------


def quantity(own: Amount, *published: Amount) -> Quantity:
    return Quantity("card", "key", "Label", own, Basis(), reported=tuple(Reported(a, "somewhere", Basis()) for a in published))


def drawn(q: Quantity) -> str:
    return str(axis(q, units().factor))


def places(svg: str) -> list[float]:
    """Where the rows' points stand across the drawing: the department's first."""
    return [float(x) for x in re.findall(r'class="point" (?:d="M|cx=")([\d.]+)', svg)]


def test_without_published_figures_nothing_is_drawn() -> None:
    assert drawn(quantity(Amount("mm", value=4))) == ""


def test_figures_stand_in_proportion_and_in_the_department_s_unit() -> None:
    """10 mmHg is 1.333 kPa (Pint); half of 20 mmHg stands at half the axis."""
    ours, same, half = places(drawn(quantity(Amount("mmHg", value=20), Amount("kPa", value=20 * 0.133322387), Amount("mmHg", value=10))))
    assert ours == pytest.approx(same, abs=0.06)
    assert half - LEFT == pytest.approx((ours - LEFT) / 2, abs=0.06)


def test_a_wide_span_takes_a_logarithmic_axis_and_says_so() -> None:
    svg = drawn(quantity(Amount("day", value=1), Amount("day", value=10), Amount("day", value=100)))
    one, ten, hundred = places(svg)
    assert ten - one == pytest.approx(hundred - ten, abs=0.1) and "logarithmic" in svg


def test_an_open_end_runs_to_the_edge_with_an_arrow() -> None:
    svg = drawn(quantity(Amount("%", low=5), Amount("%", high=20)))
    assert svg.count('<path class="end"') == 2
    assert f'x2="{RIGHT:g}"' in svg and f'x1="{LEFT:g}"' in svg


@pytest.mark.parametrize("amounts", [(0.0, 0.0), (-6.25, -1.88), (5, 5), (1e-4, 3e4), (0.0, 0.3)])
def test_the_axis_holds_every_figure(amounts: tuple[float, float]) -> None:
    svg = drawn(quantity(Amount("%", value=amounts[0]), Amount("%", value=amounts[1])))
    assert all(LEFT - 0.1 <= x <= RIGHT + 0.1 for x in places(svg)) and len(places(svg)) == 2
    assert 2 <= svg.count('class="tick"') <= 10
