"""What the builder writes for the search: every findable thing once, words in one form, weights that can be read back."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from fixtures import build, lay, technique, write
from hypothesis import given
from hypothesis import strategies as st

from builder import compose
from builder.render import searching
from builder.render.searching import Folding

RECORDS, WORDS = "assets/data/search.js", "assets/data/search-words.js"


def data(text: str) -> dict:
    """The one object that a data script assigns."""
    assert re.match(r"\(window\.cards=window\.cards\|\|\{\}\)\.\w+=\{", text) and text.endswith(";\n")
    return json.loads(text[text.index("={") + 1 : -2])


def unpacked(packed: str) -> dict[int, int]:
    """Record -> weight from 0 to 25, read as the page reads it."""
    n, found = 0, {}
    for step, letter in re.findall(r"([0-9a-z]+)([A-Z])", packed):
        n += int(step, 36)
        found[n] = ord(letter) - 65
    return found


class Index:
    """The two data files of a library, opened."""

    def __init__(self, root: Path) -> None:
        built = build(root)
        assert not built.problems, built.problems
        self.pages = {p.path: p.text for p in compose.pages(built)}
        self.records = data(self.pages[RECORDS])["records"]
        self.kinds = data(self.pages[RECORDS])["kinds"]
        words = data(self.pages[WORDS])
        self.words = dict(zip(words["words"].split("\n"), words["at"].split("\n"), strict=True))

    def found(self, key: str) -> dict[str, int]:
        return {self.records[n][1]: w for n, w in unpacked(self.words.get(key, "")).items()}


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> Index:
    return Index(lay(tmp_path_factory.mktemp("search")))


def test_every_record_leads_to_a_page_of_the_site(index: Index) -> None:
    assert len({r[1] for r in index.records}) == len(index.records), "Two results with one address."
    for _, path, title, *_ in index.records:
        page, _, anchor = path.partition("#")
        text = index.pages[page.removesuffix(".html") + ".md"]
        assert not anchor or f'id="{anchor}"' in text, f"{path} has no such place."
        assert title


def test_every_kind_of_thing_is_found(index: Index) -> None:
    assert {index.kinds[r[0]][0] for r in index.records} == {name for name, _, _ in searching.KINDS.values()}
    pages = {p for p in index.pages if p.endswith(".md")}
    assert pages == {r[1].partition("#")[0].removesuffix(".html") + ".md" for r in index.records}, "A page that no search finds, or a result without one."


def test_a_number_shows_its_figure_and_what_it_rests_on(index: Index) -> None:
    shown = {r[1]: [x.replace("\xa0", " ") for x in r[4:]] for r in index.records if "#quantity-" in r[1]}
    assert shown["techniques/raised-infusion.html#quantity-raised"] == ["60 mmHg", "common practice"]
    assert shown["techniques/raised-infusion.html#quantity-needle"] == ["0.86–0.92 mm", "recalled, verify before use"]
    assert all(len(x) == 2 and all(x) for x in shown.values())


def test_a_name_weighs_more_than_a_word_in_passing(index: Index) -> None:
    found = index.found("infus")
    assert found["techniques/raised-infusion.html"] > found["pathways/trapped-blood.html"]


def test_what_a_department_switched_off_is_not_found(tmp_path: Path) -> None:
    root = lay(tmp_path)
    department = root / "cards/department.yaml"
    calculator = next((root / "cards/calculators").glob("*.yaml")).stem
    text = department.read_text(encoding="utf-8")
    department.write_text(re.sub(r"calculators_off:.*\n", "", text) + f"calculators_off: [{calculator}]\n", encoding="utf-8")
    assert not any(f"calculators/{calculator}" in r[1] for r in Index(root).records)


def test_another_name_of_a_term_stands_for_the_term(tmp_path: Path) -> None:
    root = lay(tmp_path)
    write(root, "techniques/by-abbreviation.yaml", technique("when: [{text: It helps when the OPP falls., basis: common practice}]\n"))
    write(root, "techniques/by-name.yaml", technique("when: [{text: It helps when the perfusion pressure falls., basis: common practice}]\n"))
    made = Index(root)
    (term,) = (n for n, r in enumerate(made.records) if r[1] == "glossary.html#perfusion-pressure")
    found = made.found("~" + searching._base36(term))
    assert {"techniques/by-abbreviation.html", "techniques/by-name.html"} <= set(found)


def test_data_scripts_cannot_be_broken_by_a_card(tmp_path: Path) -> None:
    root = lay(tmp_path)
    title = "'P /script> \\\\ \u2028 \" end'"
    write(root, "techniques/odd.yaml", technique().replace("title: A card for the tests", f"title: {title}"))
    made = Index(root)
    assert any(r[1] == "techniques/odd.html" for r in made.records)
    assert "\u2028" not in made.pages[RECORDS] and "\u2029" not in made.pages[RECORDS]


# --- folding --------------------------------------------------------------------------------------------------------

ONE_WORD = [
    "haemorrhage hemorrhage haemorrhages hemorrhages", "oedema edema", "anaesthesia anesthesia", "centre center centres centers", "fibre fiber", "litre liter",
    "colour color colours", "tumour tumor", "bevelled beveled", "calliper caliper callipers", "neovascularisation neovascularization", "sulphur sulfur", "grey gray",
    "port ports", "lens lenses", "biopsy biopsies", "gas gases", "pulse pulses", "bleed bleeds bleeding bled", "inject injects injected injecting injection injections",
    "separate separates separated separating separation", "retina retinal retinas", "macula macular", "suture sutured sutures suturing", "plan plans planned planning",
    "artery arteries arterial", "cannula canula cannulas", "fly flying flight",
]


@pytest.mark.parametrize("words", ONE_WORD)
def test_spellings_and_endings_of_a_word_are_one(words: str) -> None:
    folding = Folding(searching.IRREGULAR)
    assert len({folding.word(w) for w in words.split()}) == 1, {w: folding.word(w) for w in words.split()}


@pytest.mark.parametrize("words", ["port portion", "iris iritis", "phakic aphakic", "phakic pseudophakic", "hypotony hypertension", "air pair", "gas glass", "laser lens", "base bases basis", "disc dish"])
def test_different_words_stay_different(words: str) -> None:
    folding = Folding(searching.IRREGULAR)
    first, *others = words.split()
    assert folding.word(first) != folding.word(others[-1])


def test_a_hyphened_word_is_found_apart_and_together() -> None:
    folding = Folding({})
    assert list(folding.words("Post-operative")) == [("post", "postoperative"[:-1]), ("operativ",)]
    assert [w[0] for w in folding.words("25-gauge, 3.5 mm at 4–10 o'clock") if w] == ["25", "gaug", "3.5", "mm", "4", "10", "oclock"]


@given(st.text(alphabet="abcdefghilmnoprstuyz", min_size=1, max_size=18))
def test_folding_never_loses_a_word(word: str) -> None:
    folded = Folding({}).word(word)
    assert folded and len(folded) <= len(word) + 1
    assert " " not in folded and folded == folded.lower()


@given(st.dictionaries(st.integers(0, 20_000), st.floats(0, 1), min_size=1, max_size=40))
def test_packed_weights_are_read_back(at: dict[int, float]) -> None:
    index = searching.Index()
    for n in sorted(at):
        index.put(n, {"word": at[n]})
    read = unpacked(index.packed["word"].decode())
    assert read.keys() == at.keys()
    assert all(abs(read[n] / 25 - at[n]) <= 0.0201 for n in at)


# --- what only a browser can ask ------------------------------------------------------------------------------------


def test_the_phrases_of_the_queries_are_enough_and_name_pages_that_exist() -> None:
    from support import CARDS, queries

    asked = queries()
    assert len(asked) >= 120
    assert len({q["type"].lower() for q in asked}) == len(asked), "A phrase is listed twice."
    folders = {"techniques": "techniques", "calculators": "calculators", "pathways": "pathways", "pages": "pages", "sources": "sources"}
    for q in asked:
        for path in q["find"]:
            folder, _, name = path.partition("#")[0].removesuffix(".html").rpartition("/")
            assert not folder or (CARDS / folders[folder] / f"{name}.yaml").exists(), f"{q['type']}: there is no {path}"
