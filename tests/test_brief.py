"""The brief's data: which inputs are one question, what reaches the sheet, and the version of a card."""

from __future__ import annotations

import dataclasses
import json

import pytest
from fixtures import build, lay, technique
from support import built

from builder import versions
from builder.model import Basis, Citation
from builder.render import brief, pages

PATHWAYS = sorted(built().linked.library.pathways)


def _data(pathway: str, off: tuple[str, ...] = ()) -> dict:
    made = built()
    return brief.data(made.linked, made.linked.library.pathways[pathway], {id: r for id, r in made.ready.items() if id not in off})


@pytest.mark.parametrize("pathway", PATHWAYS)
def test_every_input_of_every_calculator_is_asked_once(pathway: str) -> None:
    data, ready = _data(pathway), built().ready
    asked = [tuple(use) for field in data["fields"] for use in field["uses"]]
    assert sorted(asked) == sorted((id, name) for id in data["calculators"] for name in ready[id].inputs)
    keys = [field["key"] for field in data["fields"]]
    assert len(keys) == len(set(keys)), f"Two fields have one key: {keys}"


@pytest.mark.parametrize("pathway", PATHWAYS)
def test_inputs_that_share_a_field_ask_the_same_and_can_take_the_same_answer(pathway: str) -> None:
    ready = built().ready
    for field in _data(pathway)["fields"]:
        inputs = [ready[id].inputs[name] for id, name in field["uses"]]
        assert len({(x.declared.name, x.declared.kind, x.declared.label.casefold()) for x in inputs}) == 1
        answers = [set(x.choices or x.units or {"a date"}) for x in inputs]
        assert set.intersection(*answers), f"{field['uses']} cannot take one answer"


def test_the_pressure_of_the_infusion_and_the_pressure_before_a_climb_are_two_questions() -> None:
    fields = brief.fields(built().ready)
    of = {tuple(use): field["key"] for field in fields for use in field["uses"]}
    assert of["perfusion-pressure", "iop"] != of["altitude", "iop"]
    assert of["port-placement", "eye"] != of["vitreous-volume", "eye"], "a right or left eye is no long or short eye"
    assert of["port-placement", "eye"] == of["premacular-extent", "eye"]
    assert of["endolaser-plan", "axial_length"] == of["vitreous-volume", "axial_length"]


def test_side_and_lens_have_no_start_value_and_every_date_is_asked_for() -> None:
    fields = {field["key"]: field for field in brief.fields(built().ready)}
    assert fields["eye"]["choose"] and fields["lens"]["choose"]
    assert [key for key, field in fields.items() if field["choose"]] == list(fields)[:2], "what must be chosen is asked first"
    assert {"injected", "theatre", "bled", "systolic", "diastolic", "axial_length"} <= {key for key, field in fields.items() if field["asked"]}
    assert not fields["fluid"]["asked"], "an input of one calculator with a sensible start is folded away"


def test_a_calculator_that_is_switched_off_leaves_the_brief_with_its_inputs() -> None:
    pathway = next(p for p in PATHWAYS if "perfusion-pressure" in _data(p)["calculators"])
    data = _data(pathway, off=("perfusion-pressure",))
    text = json.dumps(data)
    assert "systolic" in json.dumps(_data(pathway)) and "systolic" not in json.dumps(data["fields"])
    assert "perfusion-pressure" not in data["calculators"] and "assets/calculators/perfusion-pressure.js" not in text
    assert all("perfusion-pressure" not in stage["calculators"] for stage in data["stages"])


@pytest.mark.parametrize("pathway", PATHWAYS)
def test_the_brief_has_the_checks_numbers_cautions_and_versions_of_every_card(pathway: str) -> None:
    library = built().linked.library
    data, p = _data(pathway), library.pathways[pathway]
    assert [s["stage"] for s in data["stages"]] == [s.stage for s in p.stages]
    for told, stage in zip(data["stages"], p.stages, strict=True):
        assert (len(told["have"]), len(told["stop"])) == (len(stage.have), len(stage.stop_if))
    cards = [c for s in data["stages"] for c in s["cards"]]
    assert sorted(c["id"] for c in cards) == sorted(p.cards)
    for card in cards:
        t = library.techniques[card["id"]]
        assert [n["key"] for n in card["numbers"]] == [q.key for q in t.quantities.values() if q.headline]
        assert card["version"] == versions.version(t, library) and card["caution"]["text"] and card["until"]["text"]
        assert "](" not in json.dumps(card), "a link was left as it is written in the card"
    marked = [m for c in cards for n in c["numbers"] for m in n["marks"]]
    assert marked and all(1 <= number <= len(data["sources"]) for _, numbers in marked for number in numbers)


def test_without_a_pathway_there_is_no_brief_page(tmp_path) -> None:
    from builder import compose

    with_one = {p.path for p in compose.pages(build(lay(tmp_path / "a")))}
    assert {"brief.md", "assets/data/brief-trapped-blood.js"} <= with_one
    made = build(lay(tmp_path / "b", without=("pathways/trapped-blood.yaml",)))
    assert not made.problems
    assert not [p.path for p in compose.pages(made) if "brief" in p.path]


def test_data_cannot_end_its_script() -> None:
    assert "</script" not in brief.script({"id": "a", "title": "</script><script>"})


# --- versions -----------------------------------------------------------------------------------------------------

LENDS = "quantities: {dose: {label: Dose, value: %s, unit: mg, basis: common practice}}\n"
TAKES = "when: [{text: 'Give [](quantity:lender/dose).', basis: common practice}]\n"


def _version(tmp_path, name: str, **cards: str) -> str:
    made = build(lay(tmp_path / name, **{f"techniques/{id}.yaml": text for id, text in cards.items()}))
    assert not made.problems, made.problems
    return versions.version(made.linked.library.techniques["taker"], made.linked.library)


def test_a_version_is_eight_hexadecimal_digits_and_the_same_each_time() -> None:
    library = built().linked.library
    for record in (*library.techniques.values(), *library.pathways.values(), *library.calculators.values(), *library.pages.values()):
        found = versions.version(record, library)
        assert len(found) == 8 and int(found, 16) >= 0 and found == versions.version(record, library)


def test_a_version_changes_with_a_number_a_basis_or_a_sentence_and_not_with_a_title_or_a_review() -> None:
    library = built().linked.library
    t = next(t for t in library.techniques.values() if t.decisions and t.pitfalls and t.evidence and t.quantities)
    before = versions.version(t, library)
    other = Basis((Citation("some-source", "abstract"),))
    number = next(iter(t.quantities.values()))
    for change in (
        {"quantities": {**t.quantities, number.key: dataclasses.replace(number, amount=dataclasses.replace(number.amount, value=123.0))}},
        {"quantities": {**t.quantities, number.key: dataclasses.replace(number, basis=other)}},
        *({name: (dataclasses.replace(getattr(t, name)[0], basis=other), *getattr(t, name)[1:])} for name in ("steps", "decisions", "pitfalls", "cautions", "evidence")),
        {"steps": t.steps[:-1]},
    ):
        assert versions.version(dataclasses.replace(t, **change), library) != before, f"the version is blind to {list(change)}"
    for change in ({"title": "Another"}, {"also_called": ("x",)}, {"review": dataclasses.replace(t.review, every_months=1)}, {"file": "elsewhere.yaml"}, {"questions": ()}):
        assert versions.version(dataclasses.replace(t, **change), library) == before, f"the version hangs on {list(change)}"


def test_a_number_lent_by_another_card_is_part_of_the_version(tmp_path) -> None:
    first = _version(tmp_path, "a", lender=technique(LENDS % 1), taker=technique(TAKES))
    assert _version(tmp_path, "b", lender=technique(LENDS % 2), taker=technique(TAKES)) != first
    assert _version(tmp_path, "c", lender=technique(LENDS % "1.0"), taker=technique(TAKES)) == first


def test_the_letter_of_every_mark_is_its_own() -> None:
    assert set(brief.LETTERS) == {*pages.MARKS, "common practice"} and len(set(brief.LETTERS.values())) == len(brief.LETTERS)
