"""The department's own cards: sound, all of them used, none of them a secret from the reader."""

from __future__ import annotations

import functools
import posixpath
import random
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from html import unescape
from html.parser import HTMLParser

import pytest
from click.testing import CliRunner
from fixtures import PROJECT
from support import built, reading_age

from builder import calculate, compose
from builder.cli import main
from builder.model import STAGES, Basis, Citation, Document, Technique
from builder.render.searching import Folding, american
from builder.render.pages import reading_minutes
from builder.text import SWITCHED_OFF, links

LONGEST_READ = 8  # minutes
OLDEST_READING_AGE = 14  # years
FEWEST_QUESTIONS = 5
RECALLED = "recalled, verify before use"
TECHNIQUES = sorted(f.stem for f in (PROJECT / "cards/techniques").glob("*.yaml"))


REFERENCES = compose.Kept()  # set once for all tests
CALCULATORS = sorted(f.stem for f in (PROJECT / "cards/calculators").glob("*.yaml"))


# Every calculator is off in one of these and on in the other: two renderings show what fourteen would.
HALVES = (tuple(CALCULATORS[::2]), tuple(CALCULATORS[1::2]))


@functools.cache
def rendered(off: tuple[str, ...] = ()) -> dict[str, str]:
    """Every file of the site before the engine, path -> text, with some calculators switched off."""
    b = built()
    library = replace(b.linked.library, department=replace(b.linked.library.department, calculators_off=off))
    return {p.path: p.text for p in compose.pages(replace(b, linked=replace(b.linked, library=library)), REFERENCES)}


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    return rendered()


def leads_to(path: str, text: str) -> set[str]:
    """The pages of the site that a page links to, from the site's root."""
    here = posixpath.dirname(path)
    hrefs = re.findall(r'(?:href|src)="([^"#]+)', text) + re.findall(r"\]\(([^)#\s]+)", text)
    return {posixpath.normpath(posixpath.join(here, unescape(h))) for h in hrefs if "://" not in h}


def documents(*kinds: str) -> Iterator[Document]:
    return (d for d in built().linked.library.documents if d.kind in kinds)


def strings(data: object) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, (dict, list)):
        for value in data.values() if isinstance(data, dict) else data:
            yield from strings(value)


def test_the_cards_have_no_problem() -> None:
    result = CliRunner().invoke(main, ["--root", str(PROJECT), "check"])
    assert (result.exit_code, result.stdout) == (0, "No problems.\n"), result.stdout


def test_the_first_six_cards_the_case_and_the_fourteen_calculators_are_there() -> None:
    library = built().linked.library
    assert set(library.techniques) >= {"port-placement", "pre-operative-agents", "subhyaloid-blood", "haemostasis", "endolaser", "fluid-air-exchange"}
    assert set(library.calculators) >= {
        "port-placement", "injection-window", "perfusion-pressure", "pressure-and-height", "infusion-flow", "intravitreal-dose", "dilution", "premacular-extent",
        "endolaser-plan", "gas-bubble", "altitude", "vitreous-volume", "visual-acuity", "haemorrhage-timeline"}
    assert any("front of the macula" in p.title for p in library.pathways.values())


def test_every_source_file_is_used() -> None:
    linked = built().linked
    mentioned = {target for scheme, target in linked.mentioned if scheme == "source"}
    idle = set(linked.library.sources) - set(linked.rests_on) - mentioned
    assert not idle, "Nothing rests on these sources; cite them or remove the files: " + ", ".join(sorted(idle))


def test_every_card_is_reached_from_a_case_or_another_card() -> None:
    linked = built().linked
    for kind, records in (("card", linked.library.techniques), ("calculator", linked.library.calculators)):
        for id in records:
            assert linked.mentioned.get((kind, id)), f"No case or card leads to the {kind} {id}."
    for id in linked.library.techniques:
        assert linked.along.get(id), f"The card {id} stands in no case: put it into a pathway."


def test_every_page_of_statements_is_reached_from_the_calculators(pages: dict[str, str]) -> None:
    assert built().linked.library.pages, "The page on calculators as devices is gone."
    found = leads_to("calculators/index.md", pages["calculators/index.md"])
    for id in built().linked.library.pages:
        assert f"pages/{id}.md" in pages and f"pages/{id}.html" in found, f"The list of calculators does not lead to the page {id}."


@pytest.mark.parametrize("id", CALCULATORS)
def test_every_calculator_stands_in_a_sentence_or_a_stage(id: str) -> None:
    """A reader of the cards meets it; what only other calculators or pages name is met by nobody in theatre."""
    found = [kind for kind, _ in built().linked.mentioned.get(("calculator", id), ()) if kind in ("technique", "pathway")]
    assert found, f"Link to it from a technique card where it helps: [](calculator:{id})."


@pytest.mark.parametrize("id", CALCULATORS)
def test_a_calculator_is_whole(id: str) -> None:
    c = built().linked.library.calculators[id]
    assert c.tables, "Typical cases make the page useful without scripts and on paper."
    assert len(c.not_for) >= 2, "Say at least two things it must not be used for."
    assert c.examples
    assert all(o.formula or o.solve for o in c.outputs.values())
    assert set().union(*(e.expect for e in c.examples)) & set(c.outputs)
    assert c.used_by and all(x.why_range for x in c.inputs.values() if x.kind == "number")


@pytest.mark.parametrize("id", CALCULATORS)
def test_a_table_of_typical_cases_shows_numbers(id: str) -> None:
    for table in calculate.tables(built().ready[id]):
        results = [row[table.inputs :] for row in table.rows]
        assert all(set(column) != {"–"} for column in zip(*results)), f"A whole column of '{table.title}' is withheld; show another result."


@pytest.mark.parametrize("id", CALCULATORS)
def test_no_verdict_speaks_of_a_withheld_result(id: str) -> None:
    ready, r = built().ready[id], random.Random(3)
    for _ in range(300):
        given = {n: (date(2026, 1, 1) + timedelta(days=r.randrange(60))).isoformat() if x.declared.kind == "date" else r.choice(list(x.choices)) if x.choices
                 else f"{r.choice([x.low, x.high, x.start, r.uniform(x.low, x.high), r.uniform(x.low, x.high)]):.8g}" for n, x in ready.inputs.items()}
        result = calculate.run(ready, given, date(2026, 1, 1))
        for v in result.verdicts:
            missing = [x.target for x in links(v.say) if x.scheme == "value" and x.target in result.withheld]
            assert not missing, f"With {given} the verdict '{v.say}' would show a dash for {missing}: add the condition to its when."


@pytest.mark.parametrize("id", CALCULATORS)
def test_a_calculator_that_is_switched_off_leaves_no_trace(id: str, pages: dict[str, str]) -> None:
    """No page, link, script or listing of it."""
    c = built().linked.library.calculators[id]

    def traces(files: dict[str, str]) -> list[str]:
        found = [path for path in files if path in (f"calculators/{id}.md", f"assets/calculators/{id}.js")]
        for path, text in files.items():
            own = leads_to(path, text) & {f"calculators/{id}.html", f"assets/calculators/{id}.js"}
            words = " ".join(unescape(re.sub(r"<[^>]*>", "", text)).split())
            found += [f"{path}: {x}" for x in own]
            found += [f"{path}: {x}" for x in (f'data-calculator="{id}"', f"calculators/{id}") if x in text]
            found += [f"{path}: {c.question}"] if c.question in words else []
        return found

    assert len(traces(pages)) > 5, "The search through the pages has lost its way."
    half = next(h for h in HALVES if id in h)
    off = rendered(half)
    assert traces(off) == []
    assert set(pages) - set(off) == {x for i in half for x in (f"calculators/{i}.md", f"assets/calculators/{i}.js")}


def test_a_sentence_does_not_name_a_calculator_that_is_switched_off() -> None:
    """Its title leaves pages and search; an honest word stands where the link was."""
    b = built()
    # A card may have the title of a calculator, so each takes one that nothing else has.
    named = {id: replace(c, title=f"Unmistakable {id}.") for id, c in b.linked.library.calculators.items()}

    def naming(off: tuple[str, ...]) -> tuple[set[tuple[str, str]], set[str]]:
        library = replace(b.linked.library, calculators=named, department=replace(b.linked.library.department, calculators_off=off))
        made = list(compose.pages(replace(b, linked=replace(b.linked, library=library), ready={id: replace(r, declared=named[id]) for id, r in b.ready.items()}), REFERENCES))
        return {(p.path, id) for p in made for id in named if named[id].title in p.text}, {p.path for p in made if SWITCHED_OFF in p.text}

    (named_on, told_on), (named_off, told_off) = naming(()), naming(tuple(named))
    linked = {(f"{FOLDERS[d.kind]}/{d.id}.md", x.target) for d in documents("technique", "pathway", "page") for _, text in d.texts
              for x in links(text) if x.scheme == "calculator"}
    assert {id for _, id in linked} == set(named) and told_on == set()
    assert {id for _, id in named_on} == set(named) and named_off == set(), f"Titles still stand: {sorted(named_off)}"
    assert {path for path, _ in linked} <= told_off, "No word stands where the link was."


def test_the_command_line_does_not_name_a_calculator_that_is_switched_off() -> None:
    library = built().linked.library
    off = replace(library, department=replace(library.department, calculators_off=("altitude",)))
    ready = built().ready["gas-bubble"]
    result = calculate.run(ready, {}, date(2026, 1, 1))
    title = library.calculators["altitude"].title
    assert calculate.spoken("See [](calculator:altitude).", ready, result, library) == f"See {title}."
    assert calculate.spoken("See [](calculator:altitude).", ready, result, off) == f"See {SWITCHED_OFF}."
    assert calculate.spoken("[Work it out](calculator:altitude).", ready, result, off) == f"Work it out {SWITCHED_OFF}."


def test_with_every_calculator_switched_off_the_site_still_stands() -> None:
    off = rendered(tuple(CALCULATORS))
    assert not [path for path in off if path.startswith("assets/calculators/")]
    assert [path for path in off if path.startswith("calculators/")] == ["calculators/index.md"]
    for path, text in off.items():
        assert not {x for x in leads_to(path, text) if x.startswith("calculators/")} - {"calculators/index.html"}, path


def test_a_list_of_sources_counts_only_what_the_pages_show() -> None:
    """A claim of a calculator that is off is not counted beside its source."""
    shown = {off: dict(re.findall(r'href="([a-z0-9-]+)\.html".*?(\d+) claim', rendered(off)["sources/index.md"])) for off in ((), tuple(CALCULATORS))}
    assert shown[()] and sum(map(int, shown[tuple(CALCULATORS)].values())) < sum(map(int, shown[()].values()))


def citations(data: object) -> Iterator[dict]:
    if isinstance(data, dict):
        if set(data) >= {"source", "checked"}:
            yield data
        for value in data.values():
            yield from citations(value)
    elif isinstance(data, list):
        for value in data:
            yield from citations(value)


class _Marks(HTMLParser):
    """The marks of a page: how many of each standing, and the words in them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "span":
            self._open.append(dict(attrs).get("class") or "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "span" and self._open:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1].startswith("basis ") and data.strip():
            self.found.append((self._open[-1], data.strip()))


FOLDERS = {"technique": "techniques", "pathway": "pathways", "calculator": "calculators", "page": "pages"}


def test_every_figure_from_memory_says_so_on_its_page(pages: dict[str, str]) -> None:
    recalled = 0
    for d in documents(*FOLDERS):
        from_memory = [c for c in citations(d.data) if c["checked"] == "memory"]
        if from_memory:
            recalled += len(from_memory)
            marks = _Marks(pages[f"{FOLDERS[d.kind]}/{d.id}.md"]).found
            shown = [words for classes, words in marks if "basis-memory" in classes and words.startswith(RECALLED)]
            # A basis with several recalled sources carries one mark.
            holders = sum(1 for basis in bases(d.data) if any(c["checked"] == "memory" for c in basis))
            assert len(shown) >= holders, f"{d.file}: {holders} figures rest on memory, {len(shown)} say so."
    assert recalled, "The cards hold no figure from memory any more: take this test out only if that is so."


def bases(data: object) -> Iterator[list[dict]]:
    if isinstance(data, dict):
        for key, value in data.items():
            if key == "basis" and isinstance(value, list):
                yield value
            else:
                yield from bases(value)
    elif isinstance(data, list):
        for value in data:
            yield from bases(value)


def test_a_source_known_from_memory_says_so_on_its_page_and_for_each_claim(pages: dict[str, str]) -> None:
    linked = built().linked
    for source in linked.library.sources.values():
        page = pages[f"sources/{source.id}.md"]
        uses = [u for u in linked.rests_on.get(source.id, ()) if u.citation.checked == "memory"]
        expected = len(uses) + (source.checked == "memory")
        shown = sum(1 for classes, words in _Marks(page).found if "basis-memory" in classes and words == RECALLED)
        assert shown >= expected, f"sources/{source.id}: {expected} marks of memory wanted, {shown} shown."


def test_no_claim_is_marked_firmer_than_its_source() -> None:
    order = ("full text", "abstract", "secondary", "memory")
    sources = built().linked.library.sources
    for d in documents(*FOLDERS, "glossary"):
        for c in citations(d.data):
            assert order.index(c["checked"]) >= order.index(sources[c["source"]].checked), f"{d.file}: {c}"


# Forms that give a brand away; the marks themselves, and words for them.
BRAND = re.compile("[\u00ae\u2122\u00a9\u2120]|&(?:reg|trade|copy);|\\((?:R|TM)\\)|\\b(?:registered trade ?mark|Inc\\.|GmbH|Ltd\\.?|S\\.p\\.A\\.)")


def test_no_brand_is_named() -> None:
    for d in documents("technique", "pathway", "calculator", "page", "source", "glossary", "department"):
        for text in strings(d.data):
            assert not BRAND.search(text), f"{d.file}: {text[:80]}"


def test_no_place_or_tool_of_whoever_wrote_the_cards_is_named() -> None:
    for d in documents("technique", "pathway", "calculator", "page", "source", "glossary", "department"):
        for text in strings(d.data):
            assert not re.search(r"(?:^|\s)/(?:home|root|tmp|usr|var)/|localhost|file://", text), f"{d.file}: {text[:80]}"


def technique(id: str) -> Technique:
    return built().linked.library.techniques[id]


@pytest.mark.parametrize("id", TECHNIQUES)
def test_a_card_can_be_read_while_scrubbing(id: str) -> None:
    minutes = reading_minutes(technique(id))
    assert minutes <= LONGEST_READ, f"{id} takes {minutes} minutes; split it, or move detail into the figures."


@pytest.mark.parametrize("id", TECHNIQUES)
def test_a_card_has_depth(id: str) -> None:
    t = technique(id)
    assert len(t.questions) >= FEWEST_QUESTIONS
    assert t.quantities and t.when and t.not_when and t.equipment and t.decisions and t.pitfalls and t.cautions
    assert len(t.steps) >= 3
    assert t.next or t.see_also, "A card leads on to another."


def used_quantities() -> set[str]:
    """card/key of every quantity that a sentence shows or a calculator reckons with."""
    used = set()
    for d in built().linked.library.documents:
        for _, text in d.texts:
            for link in links(text):
                if link.scheme == "quantity":
                    used.add(link.target if "/" in link.target else f"{d.id}/{link.target}")
        if d.kind == "calculator":
            for text in strings(d.data):
                if text.startswith("quantity:"):
                    used.add(text.removeprefix("quantity:").partition(".")[0])
            used.update(d.data.get("beside", ()))
    return used


def test_every_number_of_every_card_is_used() -> None:
    """A number nobody reads in a sentence or reckons with is decoration; nobody would notice it going wrong."""
    used = used_quantities()
    idle = [f"{t.id}/{q.key}" for t in built().linked.library.techniques.values() for q in t.quantities.values() if f"{t.id}/{q.key}" not in used]
    assert not idle, "Link to these from a sentence or take them out: " + ", ".join(idle)


def test_every_stage_of_the_operation_has_cards_and_the_set_is_whole() -> None:
    library = built().linked.library
    stages = Counter(t.stage for t in library.techniques.values())
    assert all(stages[stage] >= 3 for stage in STAGES), stages
    assert len(library.techniques) >= 28 and len(library.pathways) >= 4 and len(library.terms) >= 150


def test_published_figures_stand_beside_the_department_s_own() -> None:
    beside = [q for t in built().linked.library.techniques.values() for q in t.quantities.values() if q.reported]
    assert len(beside) >= 60
    assert all(q.why for q in beside if q.headline), "Say why the department uses its own figure."


@pytest.mark.parametrize("id", TECHNIQUES)
def test_a_card_is_written_plainly(id: str) -> None:
    age = reading_age(technique(id))
    assert age <= OLDEST_READING_AGE, f"{id} reads at {age:.1f} years: shorter sentences, shorter words."


# British and American forms of the stems that the cards use; each found by a reader of either.
# Another word, not another spelling: search knows only what a card says of itself.
OTHER_WORDS = {"adrenaline": "epinephrine"}


def test_a_card_or_term_named_in_british_spelling_is_found_in_american() -> None:
    library = built().linked.library
    folding = Folding(american(library.terms.values()))
    pairs = [(t.term, t.american) for t in library.terms.values() if t.american]
    assert len(pairs) > 8
    for british, other in pairs:
        alike = {x.replace(" ", "") for x in (folding.name(british.replace("-", "")), folding.name(other.replace("-", "")))}
        assert len(alike) == 1, f"'{other}' is not found as '{british}': {alike}"
    for t in (*library.techniques.values(), *library.pathways.values(), *library.calculators.values()):
        words = " ".join((t.title, *t.also_called)).lower()
        for british, other in OTHER_WORDS.items():
            assert british not in words or other in words, f"{t.file}: add {other} to also_called."


def test_no_citation_is_given_twice_for_one_claim() -> None:
    for d in documents(*FOLDERS, "glossary"):
        for basis in bases(d.data):
            seen = [tuple(sorted(c.items())) for c in basis]
            assert len(seen) == len(set(seen)), f"{d.file}: {basis}"


def test_worked_examples_say_whether_their_result_is_printed_in_the_source() -> None:
    for c in built().linked.library.calculators.values():
        assert c.examples and all(e.label for e in c.examples)
        for e in c.examples:
            assert e.result == "derived" or e.basis != Basis(), f"{c.id}: a printed result has a source that prints it."
            assert all(isinstance(x, Citation) for x in e.basis.citations)
