"""What changed clinically between two versions of the cards: every kind of change, its forms, and the command over real commits."""

from __future__ import annotations

import json
import os
import subprocess
import uuid
from dataclasses import asdict, fields, is_dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, get_args, get_type_hints
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result
from fixtures import build, lay, project, technique, units, write

from builder import changelog, changes, compose, history, signoff
from builder.changes import Change, Report, Sentence, Version, compare, to_json, to_markdown
from builder.cli import main

INFUSION, INJECTION = "techniques/raised-infusion.yaml", "techniques/injection-first.yaml"
CALCULATOR, PATHWAY, PAGE = "calculators/window-and-pressure.yaml", "pathways/trapped-blood.yaml", "pages/about-the-cards.yaml"
KEER = "[{source: van-keer-2016-mopp, checked: full text}]"
Edit = tuple[str, str, str]


def edited(root: Path, *edits: Edit) -> Path:
    """The valid library with words of its files replaced: (file, words, new words)."""
    lay(root)
    for file, old, new in edits:
        path = root / "cards" / file
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{file} holds {old!r} {text.count(old)} times; the test must name one place."
        path.write_text(text.replace(old, new), encoding="utf-8")
    return root


def version(root: Path, name: str) -> Version:
    built = build(root)
    return Version(name, built.linked.library, compose.cases(built))


@pytest.fixture(scope="module")
def valid(tmp_path_factory: pytest.TempPathFactory) -> Version:
    return version(lay(tmp_path_factory.mktemp("valid")), "main")


def report(valid: Version, root: Path, *edits: Edit) -> Report:
    return compare(valid, version(edited(root, *edits), "this change"))


def found(made: Report) -> list[Change]:
    return [x for c in made.cards for x in c.changes]


def test_two_equal_versions_have_nothing_to_report(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path)
    assert made == Report("main", "this change")
    assert to_markdown(made) == "## What changes clinically, from main to this change\n\nNothing on the cards changed."


def test_another_order_of_keys_or_another_layout_is_no_change(valid: Version, tmp_path: Path) -> None:
    assert report(valid, tmp_path, (INFUSION, "    value: 60\n    unit: mmHg\n", "    unit: mmHg\n    value: 60.0\n")).cards == ()


# --- one change at a time -------------------------------------------------------------------------------------------

PRACTICE = "common practice"
CAUTION = "Two thirds belongs to the mean pressure alone; watch the [](term:perfusion-pressure), and read [](page:about-the-cards)."
CAUTION_SAID = "Two thirds belongs to the mean pressure alone; watch the Perfusion pressure, and read About the cards."
STEP = "  - do: Raise the infusion.\n    why: Pressure closes the bleeding point.\n    endpoint: The bleeding stops.\n    basis: common practice\n"
STEP_SAID = "Raise the infusion. Pressure closes the bleeding point. The bleeding stops."
WATCH = "  - {do: Watch the vessel closely., why: It may ooze., endpoint: The field is dry., basis: common practice}\n"
WATCH_SAID = "Watch the vessel closely. It may ooze. The field is dry."
DETACHED = "    basis: [{source: arevalo-2008, at: abstract, checked: abstract, note: 11 of 211 injections.}]"
AT_ABSTRACT = "arevalo-2008, abstract"
MEAN = "    basis: [{source: demers-wachs-statpearls-map, checked: secondary}]"

KINDS_OF_CHANGE: dict[str, tuple[tuple[Edit, ...], list[Change]]] = {
    "a number, with both bases": (
        ((INFUSION, "    value: 60\n    unit: mmHg\n    basis: common practice", f"    value: 50\n    unit: mmHg\n    basis: {KEER}"),),
        [Change("changed", "quantity", "Raised infusion pressure", "60\u00a0mmHg", "50\u00a0mmHg", PRACTICE, "van-keer-2016-mopp, full text", ("number",)),
         Change("source added", "quantity", "Raised infusion pressure", "", "van-keer-2016-mopp, full text", PRACTICE, "van-keer-2016-mopp, full text", ("basis",))]),
    "a quantity added": (
        ((INFUSION, "  needle:\n", "  hold:\n    label: Longest hold\n    high: 5\n    unit: min\n    basis: common practice\n  needle:\n"),),
        [Change("added", "quantity", "Longest hold", "", "up to 5\u00a0min", "", PRACTICE, ("content",))]),
    "published turned into common practice": (
        ((INJECTION, DETACHED, "    basis: common practice"),),
        [Change("weakened", "quantity", "Traction detachment after the injection", "", "", AT_ABSTRACT, PRACTICE, ("basis",), True)]),
    "a weaker mark of the same source": (
        ((INJECTION, DETACHED, DETACHED.replace("checked: abstract", "checked: memory")),),
        [Change("weakened", "quantity", "Traction detachment after the injection", AT_ABSTRACT, "arevalo-2008, memory", AT_ABSTRACT, "arevalo-2008, memory",
                ("basis",), True)]),
    "a firmer mark of the same source": (
        ((INJECTION, DETACHED, DETACHED.replace("checked: abstract", "checked: full text")),),
        [Change("confirmed", "quantity", "Traction detachment after the injection", AT_ABSTRACT, "arevalo-2008, full text", AT_ABSTRACT,
                "arevalo-2008, full text", ("basis",))]),
    "a second source beside the first": (
        ((INJECTION, DETACHED, DETACHED.replace("}]", "}, {source: van-keer-2016-mopp, checked: secondary}]")),),
        [Change("source added", "quantity", "Traction detachment after the injection", "", "van-keer-2016-mopp, secondary", AT_ABSTRACT,
                f"{AT_ABSTRACT}; van-keer-2016-mopp, secondary", ("basis",))]),
    "a source put in place of a firmer one": (
        ((INJECTION, DETACHED, "    basis: [{source: iso-9626-2016, checked: memory}]"),),
        [Change("source removed", "quantity", "Traction detachment after the injection", AT_ABSTRACT, "", AT_ABSTRACT, "iso-9626-2016, memory", ("basis",), True),
         Change("source added", "quantity", "Traction detachment after the injection", "", "iso-9626-2016, memory", AT_ABSTRACT, "iso-9626-2016, memory", ("basis",))]),
    "the note of a citation": (
        ((INJECTION, DETACHED, DETACHED.replace("11 of 211 injections.", "Eleven of 211.")),),
        [Change("changed", "citation", "Traction detachment after the injection", "arevalo-2008, abstract, 11 of 211 injections.", "arevalo-2008, abstract, Eleven of 211.",
                AT_ABSTRACT, AT_ABSTRACT)]),
    "a published figure beside ours": (
        ((INJECTION, "{low: 3, high: 31,", "{low: 3, high: 30,"),),
        [Change("changed", "published figure", "Window for theatre, days to detachment in 11 eyes", "3–31\u00a0days", "3–30\u00a0days", "arevalo-2008, memory",
                "arevalo-2008, memory", ("number",))]),
    "why the department chose": (
        ((INJECTION, "    why: Surgery comes before the scar draws together.", "    why: Surgery precedes the scar."),),
        [Change("changed", "quantity why", "Window for theatre", "Surgery comes before the scar draws together.", "Surgery precedes the scar.", moved=("condition",))]),
    "a step added": (
        ((INFUSION, STEP, STEP + WATCH),), [Change("added", "step", "step 2", "", WATCH_SAID, "", PRACTICE, ("content",))]),
    "a step put before another": (
        ((INFUSION, STEP, WATCH + STEP),), [Change("added", "step", "step 1", "", WATCH_SAID, "", PRACTICE, ("content",))]),
    "the words of a step": (
        ((INFUSION, "    why: Pressure closes the bleeding point.", "    why: The pressure closes the bleeding vessel."),),
        [Change("changed", "step", "step 1", "Pressure closes the bleeding point.", "The pressure closes the bleeding vessel.", PRACTICE, PRACTICE)]),
    "the meaning of a step": (
        ((INFUSION, "  - do: Raise the infusion.", "  - do: Do not raise the infusion."),),
        [Change("changed", "step", "step 1", "Raise the infusion.", "Do not raise the infusion.", PRACTICE, PRACTICE, ("condition",))]),
    "a term of the trade in a step": (
        ((INFUSION, "    endpoint: The bleeding stops.", "    endpoint: The tamponade stops."),),
        [Change("changed", "step", "step 1", "The bleeding stops.", "The tamponade stops.", PRACTICE, PRACTICE, ("content",))]),
    "a caution removed": (
        ((INFUSION, f"  - text: {CAUTION}\n    basis: {KEER}\n", ""),),
        [Change("removed", "caution", "caution", CAUTION_SAID, "", "van-keer-2016-mopp, full text", "", ("caution",), True)]),
    "a caution added": (
        ((INFUSION, "questions:\n", "  - {text: Look at the disc., basis: common practice}\nquestions:\n"),),
        [Change("added", "caution", "caution", "", "Look at the disc.", "", PRACTICE, ("caution",))]),
    "other words in a caution": (
        ((INFUSION, "watch the [](term", "look at the [](term"),),
        [Change("changed", "caution", "caution", CAUTION_SAID, CAUTION_SAID.replace("watch the", "look at the"), "van-keer-2016-mopp, full text",
                "van-keer-2016-mopp, full text", ("caution",))]),
    "an article in a caution": (
        ((INFUSION, "belongs to the mean pressure", "belongs to mean pressure"),),
        [Change("changed", "caution", "caution", CAUTION_SAID, CAUTION_SAID.replace("the mean", "mean"), "van-keer-2016-mopp, full text", "van-keer-2016-mopp, full text")]),
    "a caution turned round": (
        ((INFUSION, "belongs to the mean pressure alone", "never belongs to the mean pressure alone"),),
        [Change("changed", "caution", "caution", CAUTION_SAID, CAUTION_SAID.replace("belongs", "never belongs"), "van-keer-2016-mopp, full text",
                "van-keer-2016-mopp, full text", ("caution", "condition"), True)]),
    "a reason not to do it removed": (
        ((INJECTION, "not_when: [{text: Theatre cannot follow inside the window., basis: common practice}]\n", ""),),
        [Change("removed", "when not", "when not", "Theatre cannot follow inside the window.", "", PRACTICE, "", ("caution",), True)]),
    "an indication": (
        ((INJECTION, "when: [{text: Vessels are florid and untreated., basis: common practice}]", "when: [{text: Vessels are florid and no laser was given., basis: common practice}]"),),
        [Change("changed", "when", "when", "Vessels are florid and untreated.", "Vessels are florid and no laser was given.", PRACTICE, PRACTICE, ("condition",))]
    ),
    "equipment": (
        ((INJECTION, "equipment: [{text: Bevacizumab in a syringe., basis: common practice}]", "equipment: [{text: Bevacizumab in two syringes., basis: common practice}]"),),
        [Change("changed", "equipment", "equipment", "Bevacizumab in a syringe.", "Bevacizumab in two syringes.", PRACTICE, PRACTICE, ("number",))]),
    "a decision": (
        ((INJECTION, "then: Bring the date forward or look at the eye again.", "then: Bring the date forward within the week or look at the eye again."),),
        [Change("changed", "decision", "decision", "If The list slips, then: Bring the date forward or look at the eye again.",
                "If The list slips, then: Bring the date forward within the week or look at the eye again.", PRACTICE, PRACTICE, ("number",))]),
    "a pitfall removed": (
        ((INJECTION, "pitfalls:\n  - {sign: Vision falls after the injection., respond: Look for traction on the macula the same day., basis: common practice}\n", ""),),
        [Change("removed", "pitfall", "pitfall", "Vision falls after the injection. Look for traction on the macula the same day.", "", PRACTICE, "", ("content",))]),
    "evidence removed": (
        ((INJECTION, "evidence: [{text: The series had no controls., basis: [{source: arevalo-2008, at: abstract, checked: abstract}]}]\n", ""),),
        [Change("removed", "evidence", "evidence", "The series had no controls.", "", AT_ABSTRACT, "", ("content",))]),
    "a self-test answer": (
        ((INFUSION, "answer: To see whether the point bleeds again.", "answer: To see the point."),),
        [Change("changed", "question", "question", "To see whether the point bleeds again.", "To see the point.", PRACTICE, PRACTICE)]),
    "the spelling of a title": (
        ((INFUSION, "title: Raised infusion", "title: Raised Infusion"),), [Change("changed", "title", "title", "Raised infusion", "Raised Infusion")]),
    "another stage": (((INFUSION, "stage: haemostasis", "stage: laser"),), [Change("changed", "stage", "stage", "haemostasis", "laser", moved=("order",))]),
    "the next card": (
        ((INJECTION, "next: [raised-infusion]\n", ""),), [Change("removed", "next card", "Raised infusion", "Raised infusion", moved=("order",))]),
    "see also": (((INFUSION, "see_also: [injection-first]\n", ""),), [Change("removed", "see also", "Injection before theatre", "Injection before theatre")]),
    "other names": (
        ((INJECTION, "also_called: [bevacizumab first]", "also_called: [drug first]"),),
        [Change("removed", "other name", "bevacizumab first", "bevacizumab first"), Change("added", "other name", "drug first", "", "drug first")]),
    "the sign-off": (
        ((INFUSION, "on: 2026-11-20", "on: 2026-11-21"),),
        [Change("changed", "sign-off", "sign-off", "2026-11-20, consultant vitreoretinal surgeon", "2026-11-21, consultant vitreoretinal surgeon")]),
    "how often it is looked at": (((INFUSION, "every_months: 6", "every_months: 8"),), [Change("changed", "review every months", "review every months", "6", "8")]),
    "a reason to stop a case removed": (
        ((PATHWAY, "    stop_if: [{text: No theatre date can be had., basis: common practice}]\n", ""),),
        [Change("removed", "reason to stop under preparation", "reason to stop under preparation", "No theatre date can be had.", "", PRACTICE, "", ("caution",), True)]),
    "a card taken out of a case": (
        ((PATHWAY, "    cards: [injection-first]", "    cards: [raised-infusion]"),),
        [Change("removed", "card under preparation", "Injection before theatre", "Injection before theatre", "", moved=("order",)),
         Change("added", "card under preparation", "Raised infusion", "", "Raised infusion", moved=("order",))]),
    "a constant of a calculator": (
        ((CALCULATOR, "limit: {label: Perfusion not to go below, value: 30,", "limit: {label: Perfusion not to go below, value: 25,"),),
        [Change("changed", "constant", "Perfusion not to go below", "30\u00a0mmHg", "25\u00a0mmHg", PRACTICE, PRACTICE, ("number",))]),
    "a number of a choice": (
        ((CALCULATOR, "sets: {temporal: {label: Temporal meridian, value: 9,", "sets: {temporal: {label: Temporal meridian, value: 8,"),),
        [Change("changed", "constant", "Right eye: Temporal meridian", "9\u00a0clock hours", "8\u00a0clock hours", PRACTICE, PRACTICE, ("number",))]),
    "the range of an input": (
        ((CALCULATOR, "low: 60, high: 260", "low: 70, high: 260"),),
        [Change("changed", "input", "Systolic pressure, lowest", "60\u00a0mmHg", "70\u00a0mmHg", moved=("number",))]),
    "a formula": (
        ((CALCULATOR, "    formula: 2 / 3 * mean - iop", "    formula: 0.7 * mean - iop"),),
        [Change("changed", "formula", "Perfusion pressure, seated", "2 / 3 * mean - iop mmHg", "0.7 * mean - iop mmHg", "van-keer-2016-mopp, full text",
                "van-keer-2016-mopp, full text", ("number",))]),
    "the basis of a formula": (
        ((CALCULATOR, MEAN, "    basis: common practice"),),
        [Change("weakened", "formula", "Mean arterial pressure", "", "", "demers-wachs-statpearls-map, secondary", PRACTICE, ("basis",), True)]),
    "the limit of a result removed": (
        ((CALCULATOR, "    only_when: {holds: perfusion >= limit, otherwise: There is none to spare below the limit.}\n", ""),),
        [Change("removed", "limit of a result", "Pressure to spare", "perfusion >= limit", "", moved=("condition",), warning=True)]),
    "when a verdict is given": (
        ((CALCULATOR, "  - {when: perfusion < limit, level: caution,", "  - {when: perfusion < limit / 2, level: caution,"),),
        [Change("changed", "verdict", "Perfusion is below the limit.", "caution: perfusion < limit", "caution: perfusion < limit / 2", moved=("condition",))]),
    "a verdict removed": (
        ((CALCULATOR, "  - {when: perfusion < limit, level: caution, say: Perfusion is below the limit., basis: common practice}\n", ""),),
        [Change("removed", "verdict", "verdict", "Perfusion is below the limit.", "", PRACTICE, "", ("caution",), True)]),
    "a refusal removed": (
        ((CALCULATOR, "refuse_when:\n  - {when: systolic <= diastolic, say: The systolic pressure must be above the diastolic; check both readings.}\n", ""),),
        [Change("removed", "refusal", "refusal", "The systolic pressure must be above the diastolic; check both readings.", moved=("caution",), warning=True)]),
    "what a calculator is not for, put out by something else": (
        ((CALCULATOR, "not_for: [{text: It is for the tests only., basis: common practice}]", "not_for: [{text: Children., basis: common practice}]"),),
        [Change("removed", "not for", "not for", "It is for the tests only.", "", PRACTICE, "", ("caution",), True),
         Change("added", "not for", "not for", "", "Children.", "", PRACTICE, ("caution",))]),
    "a source less well checked": (
        (("sources/van-keer-2016-mopp.yaml", "checked: full text", "checked: memory"),),
        [Change("weakened", "source", "how it was checked", "full text", "memory", moved=("basis",), warning=True)]),
    "a source withdrawn": (
        (("sources/arevalo-2008.yaml", "checked: abstract\n", "checked: abstract\nwithdrawn: The journal withdrew it.\n"),),
        [Change("weakened", "source", "withdrawn", "", "The journal withdrew it.", moved=("basis",), warning=True)]),
    "a detail of a reference": (
        (("sources/arevalo-2008.yaml", 'page: "213-216"', 'page: "213-217"'),), [Change("changed", "reference", "page", "213-216", "213-217")]),
    "a statement of a page": (
        ((PAGE, "The unit's card editor.", "The unit's two card editors."),),
        [Change("changed", "statement under Who keeps them", "statement under Who keeps them", "The unit's card editor.", "The unit's two card editors.", PRACTICE, PRACTICE,
                ("number",))]),
    "what a term means": (
        (("glossary.yaml", "Pressing on a bleeding point until it closes.", "Pressing on a bleeding point before it closes."),),
        [Change("changed", "meaning of a term", "Tamponade", "Pressing on a bleeding point until it closes.", "Pressing on a bleeding point before it closes.",
                moved=("condition",))]),
    "the days with a list": (
        (("department.yaml", "list_days: [monday, thursday]", "list_days: [monday]"),), [Change("removed", "list day", "thursday", "thursday", moved=("content",))]),
}


@pytest.mark.parametrize("name", KINDS_OF_CHANGE)
def test_one_change_is_told_as_what_it_is(valid: Version, tmp_path: Path, name: str) -> None:
    edits, expected = KINDS_OF_CHANGE[name]
    made = report(valid, tmp_path, *edits)
    assert found(made) == expected
    assert all(x.verb in changes.VERBS and set(x.moved) <= set(changes.MOVED) for x in found(made))
    assert made.warnings == sum(x.warning for x in expected)
    assert (made.of_meaning, made.of_wording) == (sum(bool(x.moved) for x in expected), sum(not x.moved for x in expected))
    text = to_markdown(made)
    assert ("### Warnings" in text, "### Changes" in text, "### Wording only" in text) == (
        any(x.warning for x in expected), any(x.moved and not x.warning for x in expected), any(not x.moved for x in expected))


def test_steps_in_another_order_name_the_one_that_moved(valid: Version, tmp_path: Path) -> None:
    look = "  - {do: Lower it and look., why: To see., endpoint: It is dry., basis: common practice}\n"
    before = version(edited(tmp_path / "before", (INFUSION, STEP, STEP + WATCH + look)), "before")
    after = version(edited(tmp_path / "after", (INFUSION, STEP, look + STEP + WATCH)), "after")
    assert found(compare(before, after)) == [Change("moved", "step", "Lower it and look.", "step 3", "step 1", moved=("order",))]
    assert found(compare(after, before)) == [Change("moved", "step", "Lower it and look.", "step 1", "step 3", moved=("order",))]
    assert "- **Raised infusion**: step moved, step 3 → step 1: “Lower it and look.”" in to_markdown(compare(before, after))


def test_a_step_removed_is_told_with_its_place(valid: Version, tmp_path: Path) -> None:
    before = version(edited(tmp_path, (INFUSION, STEP, STEP + WATCH)), "before")
    assert found(compare(before, valid)) == [Change("removed", "step", "step 2", WATCH_SAID, "", PRACTICE, "", ("content",))]


def test_cards_that_come_and_go(valid: Version, tmp_path: Path) -> None:
    made = compare(valid, version(lay(tmp_path, **{"techniques/another.yaml": technique()}), "this change"))
    assert [(c.kind, c.id, c.state, c.warning) for c in made.cards] == [("technique", "another", "added", False)]
    assert [(a.id, a.owner) for a in made.look_again] == [("another", "consultant")]
    back = compare(version(tmp_path, "this change"), valid)
    assert [(c.kind, c.id, c.state, c.warning) for c in back.cards] == [("technique", "another", "removed", True)]
    assert "- **A card for the tests** was removed, with its cautions" in to_markdown(back)


def test_a_card_that_cannot_be_read_is_not_called_removed(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, (INFUSION, "stage: haemostasis", "stage: nowhere"))
    assert [(n.kind, n.id, n.why) for n in made.not_compared] == [("technique", "raised-infusion", "it has problems in this change"),
                                                                  ("calculator", "window-and-pressure", "its results cannot be worked out in this change")]
    assert made.cards == () and "### Could not be compared" in to_markdown(made)


# --- what follows ---------------------------------------------------------------------------------------------------

WINDOW = (INJECTION, "    low: 4\n    high: 10\n", "    low: 4\n    high: 12\n")


def test_everything_that_reads_differently_is_named(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, WINDOW)
    said = {(d.kind, d.id): d for d in made.downstream}
    assert list(said) == [("calculator", "window-and-pressure"), ("page", "about-the-cards"), ("pathway", "trapped-blood"), ("technique", "injection-first")]
    assert all(d.because == ("injection-first/window",) for d in made.downstream)
    assert said["pathway", "trapped-blood"].says == (Sentence("Choose both dates; see 4–10\u00a0days.", "Choose both dates; see 4–12\u00a0days."),)
    assert said["calculator", "window-and-pressure"].takes == ("Window for theatre",)
    # Whoever answers for a card with another number in it looks again; the page that only the number of another card changed, too.
    assert [a.id for a in made.look_again] == ["injection-first", "trapped-blood", "window-and-pressure", "about-the-cards"]


def test_a_sentence_that_was_edited_is_not_told_twice(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, WINDOW, (PATHWAY, "aim: Choose both dates; see", "aim: Choose both days; see"))
    assert [d.id for d in made.downstream] == ["window-and-pressure", "about-the-cards", "injection-first"]
    assert [x.moved for x in found(made) if x.part == "aim of preparation"] == [("number",)]


def test_results_of_typical_cases_change_with_a_formula(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, (CALCULATOR, "    formula: 2 / 3 * mean - iop", "    formula: mean - iop"))
    given = "Infusion pressure {}\u00a0mmHg, Injected on 2028-02-24, Theatre date 2028-03-01"
    # 80 + 40/3 = 93.333 less 20 is 73.3 where two thirds of it, 62.222, less 20 was 42.2.
    told = [(r.given, r.result, r.before, r.after) for r in made.results]
    assert (given.format(20), "Perfusion pressure, seated", "42.2\u00a0mmHg", "73.3\u00a0mmHg") in told
    assert (given.format(40), "Perfusion pressure, seated", "22.2\u00a0mmHg", "53.3\u00a0mmHg") in told
    assert (given.format(40), "Pressure to spare", "–", "23.3\u00a0mmHg") in told
    # The verdict turns with it.
    turned = [(r.before, r.after) for r in made.results if r.result == "Verdict" and r.given == given.format(40)]
    assert turned == [("caution: Perfusion is below the limit.", "note: Perfusion stays above the limit up to (Infusion pressure at the limit) in the (Eye).")]


def test_results_change_with_a_number_of_another_card(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, (INJECTION, "    low: 4\n    high: 10\n", "    low: 5\n    high: 10\n"))
    assert {(r.before, r.after) for r in made.results if r.result == "Window opens"} == {("2028-02-28", "2028-02-29")}
    assert not any(c.kind == "calculator" for c in made.cards), "The calculator itself was not edited."


def test_a_case_that_is_now_refused_says_so(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, (CALCULATOR, "low: 0, high: 120, start: quantity", "low: 30, high: 120, start: quantity"))
    refused = [r for r in made.results if r.result == "Perfusion pressure, seated"]
    assert len(refused) == 1 and refused[0].before == "42.2\u00a0mmHg" and refused[0].after.startswith("refused: ")


def test_a_sign_off_that_no_longer_holds_is_named_and_one_for_the_new_words_is_not(valid: Version, tmp_path: Path) -> None:
    number = (INFUSION, "    value: 60\n", "    value: 50\n")
    made = report(valid, tmp_path / "lapsed", number)
    assert [(a.signed_off, a.lapsed) for a in made.look_again if a.id == "raised-infusion"] == [("2026-11-20", True)]
    file = tmp_path / "lapsed/cards" / INFUSION
    library = version(tmp_path / "lapsed", "x").library
    document = next(d for d in library.documents if d.id == "raised-infusion")
    signed = signoff.made(library.techniques["raised-infusion"], library, date(2026, 11, 21), "consultant vitreoretinal surgeon")
    file.write_text(signoff.written(document, signed), encoding="utf-8")
    made = compare(valid, version(tmp_path / "lapsed", "this change"))
    assert [(a.signed_off, a.lapsed) for a in made.look_again if a.id == "raised-infusion"] == [("2026-11-21", False)]
    # Other names of a card are not signed for.
    assert report(valid, tmp_path / "named", (INFUSION, "title: Raised infusion", "title: Raised Infusion")).look_again == ()


# --- nothing is passed over -----------------------------------------------------------------------------------------


def _places(record: Any, kind: type) -> list[tuple[str, Any]]:
    """(field, another value) for every text, number, tuple of words and mapping of a record."""
    hints = get_type_hints(kind)
    found: list[tuple[str, Any]] = []
    for f in fields(kind):
        value = getattr(record, f.name)
        if f.name in ("id", "file", "card", "key", "name") or is_dataclass(hints[f.name]):
            continue
        if isinstance(value, bool):
            found.append((f.name, not value))
        elif isinstance(value, str) and f.name != "checked":
            found.append((f.name, value + " otherwise"))
        elif isinstance(value, int | float):
            found.append((f.name, value + 1))
        elif isinstance(value, tuple) and value:
            found.append((f.name, value[:-1]))
        elif hasattr(value, "items") and value:
            found.append((f.name, dict(list(value.items())[:-1])))
    assert found
    return found


@pytest.mark.parametrize(("kind", "collection", "id"), [
    ("technique", "techniques", "injection-first"), ("technique", "techniques", "raised-infusion"), ("pathway", "pathways", "trapped-blood"),
    ("calculator", "calculators", "window-and-pressure"), ("page", "pages", "about-the-cards"), ("source", "sources", "arevalo-2008")])
def test_no_field_of_a_card_changes_unseen(valid: Version, kind: str, collection: str, id: str) -> None:
    """A new field of the model that the report does not know fails here."""
    record = getattr(valid.library, collection)[id]
    for name, value in _places(record, type(record)):
        library = replace(valid.library, **{collection: {**getattr(valid.library, collection), id: replace(record, **{name: value})}})
        made = compare(valid, Version("this change", library, valid.cases))
        assert [(c.kind, c.id) for c in made.cards] == [(kind, id)], name
        assert made.cards[0].changes and all(x.part != "card" for x in made.cards[0].changes), f"{kind}.{name} changes, and the report does not say what."


# --- forms ----------------------------------------------------------------------------------------------------------

EXACT = """\
## What changes clinically, from main to this change

**2 warnings**; 3 changes of meaning, 1 of wording only, 4 results for typical cases.

### Warnings

- **Injection before theatre**: weaker basis, for Traction detachment after the injection: arevalo-2008, abstract → common practice
- **Raised infusion**: caution removed: “A needle is 0.86–0.92~mm wide.” (iso-9626-2016, memory)

### Changes

- **Injection before theatre**: Window for theatre: 4–10~days (common practice) → 5–10~days (common practice)

### Results for typical cases

- **Window and pressure**, Eye Right eye, Infusion pressure 20~mmHg, Injected on 2028-02-24, Theatre date 2028-03-01, Systolic pressure 130~mmHg, and 3 more cases: Window opens, 2028-02-28 → 2028-02-29

### Reads differently now

- **Window and pressure** (calculator) takes from injection-first/window: Window for theatre
- **Window and pressure** (calculator): “The date is outside the window of 4–10~days, which opens on (Window opens).” → “The date is outside the window of 5–10~days, which opens on (Window opens).”
- **About the cards** (page): “A figure is written once and linked to, as 4–10~days is.” → “A figure is written once and linked to, as 5–10~days is.”
- **Blood trapped in front of the macula** (case): “Choose both dates; see 4–10~days.” → “Choose both dates; see 5–10~days.”
- **Injection before theatre** (technique card): “The theatre date lies inside 4–10~days.” → “The theatre date lies inside 5–10~days.”

### Wording only: no number, basis, order, caution, condition or trade term moved

- **Raised infusion**: step 1: “The bleeding stops.” → “Bleeding stops.”

### To be looked at again

- consultant vitreoretinal surgeon: Injection before theatre, Raised infusion (the sign-off lapses, 2026-11-20), Blood trapped in front of the macula, Window and pressure, About the cards\
""".replace("~", "\u00a0")


def test_the_markdown_to_the_letter(valid: Version, tmp_path: Path) -> None:
    made = report(
        valid, tmp_path,
        (INJECTION, "    low: 4\n    high: 10\n", "    low: 5\n    high: 10\n"), (INJECTION, DETACHED, "    basis: common practice"),
        (INFUSION, "  - text: A needle is [](quantity:needle) wide.\n    basis: [{source: iso-9626-2016, at: clause 5.6, checked: memory}]\n", ""),
        (INFUSION, "endpoint: The bleeding stops.", "endpoint: Bleeding stops."))
    assert to_markdown(made) == EXACT


def test_words_of_a_card_cannot_become_markup(valid: Version, tmp_path: Path) -> None:
    made = report(valid, tmp_path, (INFUSION, "title: Raised infusion", "title: 'Raised [x](y) @all # *b*'"))
    text = to_markdown(made)
    assert "\\[x\\](y) @\u200ball \\# \\*b\\*" in text and "[x](y)" not in text.replace("\\[x\\](y)", "")


def test_a_comment_stays_short_enough_for_a_forge() -> None:
    many = tuple(Change("changed", "step", f"step {i}", "a " * 400, "b " * 400, moved=("number",)) for i in range(400))
    one = changes.CardChange("technique", "x", "X", "changed", many)
    text = to_markdown(Report("a", "b", (one,)))
    assert "- and 375 more: see the JSON form" in text and len(text) < 20_000
    again = tuple(changes.Again("technique", f"x{i}", "A title of some length " * 5, "consultant", "", False) for i in range(1000))
    text = to_markdown(Report("a", "b", (one,), look_again=again))
    assert len(text) < 65_536 and text.endswith("\n\nThe rest is in the JSON form.") and "### Changes" in text


def test_the_json_holds_the_whole_report(valid: Version, tmp_path: Path) -> None:
    """Read back by what the keys say, it is the same report."""
    made = report(valid, tmp_path, WINDOW, *KINDS_OF_CHANGE["a caution removed"][0], *KINDS_OF_CHANGE["a formula"][0])
    data = json.loads(to_json(made))
    assert list(data) == ["format", "summary", "before", "after", "cards", "results", "downstream", "look_again", "not_compared"]
    assert (data["format"], data["summary"]) == (1, {"warnings": 1, "of_meaning": 3, "of_wording": 0})
    assert made.results and made.downstream and made.look_again
    assert _read(Report, {k: v for k, v in data.items() if k not in ("format", "summary")}) == made
    assert list(data["cards"][0]) == ["kind", "id", "title", "state", "changes", "warning"]
    assert list(data["cards"][0]["changes"][0]) == ["verb", "part", "subject", "before", "after", "basis_before", "basis_after", "moved", "warning"]
    assert data["cards"] == json.loads(json.dumps(asdict(made)["cards"]))


def _read(kind: Any, data: Any) -> Any:
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        assert set(data) == set(hints)
        return kind(**{name: _read(hints[name], value) for name, value in data.items()})  # type: ignore[operator]
    return tuple(_read(get_args(kind)[0], x) for x in data) if isinstance(data, list) else data


# --- the command, over real commits ---------------------------------------------------------------------------------


class Repository:
    """A git repository whose folder `unit` holds the valid library."""

    def __init__(self, root: Path) -> None:
        self.top, self.root = root, root / "unit"
        self.root.mkdir(parents=True)
        self.git("init", "-q", "-b", "main")

    def git(self, *arguments: str) -> str:
        who = {f"GIT_{role}_{what}": value for role in ("AUTHOR", "COMMITTER") for what, value in (("NAME", "T"), ("EMAIL", "t@example.org"))}
        outside = {k: v for k, v in os.environ.items() if not k.startswith("GIT_")}
        return subprocess.run(["git", *arguments], cwd=self.top, check=True, capture_output=True, text=True, timeout=30,
                              env={**outside, **who, "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull}).stdout

    def commit(self, message: str) -> str:
        self.git("add", "-A")
        self.git("commit", "-q", "--allow-empty", "-m", message)
        return self.git("rev-parse", "HEAD").strip()


@pytest.fixture
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Repository:
    """Three commits: none of the cards yet (tag `empty`), the valid library (`start`), another number (`main`); then an edit not committed."""
    monkeypatch.setattr(compose, "Units", units)
    made = Repository(tmp_path / "repository")
    (made.top / "README").write_text("x", encoding="utf-8")
    made.commit("nothing yet")
    made.git("tag", "empty")
    lay(made.root)
    write(made.root, "techniques/hämo rest.yaml", "not a card")
    made.commit("the cards")
    made.git("tag", "start")
    (made.root / "cards" / "techniques/hämo rest.yaml").unlink()
    _replace(made, "value: 60", "value: 55")
    made.commit("another number")
    _replace(made, "value: 55", "value: 50")
    return made


def _replace(made: Repository, old: str, new: str) -> None:
    path = made.root / "cards" / INFUSION
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")


def cards(root: Path, *arguments: str) -> Result:
    result = CliRunner().invoke(main, ["--root", str(root), "changes", *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def _numbers(result: Result) -> list[tuple[str, str]]:
    assert result.exit_code == 0, result.output
    return [(x["before"], x["after"]) for c in json.loads(result.stdout)["cards"] for x in c["changes"]]


def test_a_commit_is_compared_with_the_cards_as_they_are_here(repository: Repository) -> None:
    assert _numbers(cards(repository.root, "main", "--format", "json")) == [("55\u00a0mmHg", "50\u00a0mmHg")]
    assert _numbers(cards(repository.root, "start", "--format", "json")) == [("60\u00a0mmHg", "50\u00a0mmHg")]
    result = cards(repository.root, "HEAD")
    assert result.stdout.startswith("## What changes clinically, from HEAD to the cards here\n\n**0 warnings**; 1 change of meaning")
    assert "- **Raised infusion**: Raised infusion pressure: 55\u00a0mmHg (common practice) → 50\u00a0mmHg (common practice)\n" in result.stdout


def test_two_commits_are_compared_whatever_stands_here(repository: Repository) -> None:
    (repository.root / "cards" / INFUSION).write_text("broken", encoding="utf-8")
    first = repository.git("rev-parse", "start^{commit}").strip()
    assert _numbers(cards(repository.root, first, "main", "--format", "json")) == [("60\u00a0mmHg", "55\u00a0mmHg")]
    assert _numbers(cards(repository.root, "main", "start", "--format", "json")) == [("55\u00a0mmHg", "60\u00a0mmHg")]


def test_a_comparison_leaves_the_repository_as_it_was(repository: Repository) -> None:
    before = repository.git("status", "--porcelain"), repository.git("rev-parse", "HEAD")
    cards(repository.root, "start")
    assert (repository.git("status", "--porcelain"), repository.git("rev-parse", "HEAD")) == before


@pytest.mark.parametrize("arguments", [("nowhere",), ("main", "nowhere"), ("0" * 40,), ("--", "-h"), ("--", "--all")])
def test_a_version_that_does_not_exist_is_said_and_ends_with_2(repository: Repository, arguments: tuple[str, ...]) -> None:
    result = cards(repository.root, *arguments)
    assert result.exit_code == 2 and result.stdout == ""
    assert result.stderr.startswith(f"Could not run: There is no version '{arguments[-1]}' in this repository. Name a branch, a tag or a commit")


def test_a_version_without_cards_is_said_and_ends_with_2(repository: Repository) -> None:
    result = cards(repository.root, "empty")
    assert (result.exit_code, result.stderr) == (2, "Could not run: The version 'empty' has no cards folder.\n")


def test_cards_outside_git_are_said_and_end_with_2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    result = cards(lay(tmp_path), "main")
    assert result.exit_code == 2 and "not kept in git" in result.stderr


def test_a_link_in_an_old_commit_is_not_followed(repository: Repository, tmp_path: Path) -> None:
    (repository.root / "cards/techniques/elsewhere.yaml").symlink_to(tmp_path / "outside.yaml")
    commit = repository.commit("a link")
    files = history.cards_of(repository.root, commit)
    assert files is not None and "cards/techniques/elsewhere.yaml" not in files
    assert files[f"cards/{INFUSION}"] == (repository.root / "cards" / INFUSION).read_bytes()


# --- what changed, commit after commit ------------------------------------------------------------------------------

ATOM = "{http://www.w3.org/2005/Atom}"


def told(made: Repository, most: int = 20, most_files: int = 400) -> list[changelog.Entry]:
    return compose.changed(made.root, build(made.root), history.past(made.root, date(2099, 1, 1), most, most_files))


def test_the_history_is_told_newest_first_and_each_commit_for_itself(repository: Repository) -> None:
    """The edit that is not committed is no part of it."""
    _replace(repository, "title: Raised infusion", "title: Raised Infusion & more")
    number, first = told(repository)
    assert (number.subject, first.subject) == ("another number", "the cards")
    assert [(x.part, x.before, x.after) for x in found(number.report)] == [("quantity", "60\u00a0mmHg", "55\u00a0mmHg")]
    assert {c.state for c in first.report.cards} == {"added"} and len(first.report.cards) == 11
    assert number.commit == repository.git("rev-parse", "HEAD").strip()


def test_two_commits_that_change_one_number_are_told_apart(repository: Repository) -> None:
    repository.commit("lower still")
    assert [[(x.before, x.after) for x in found(e.report)] for e in told(repository)][:2] == [[("55\u00a0mmHg", "50\u00a0mmHg")], [("60\u00a0mmHg", "55\u00a0mmHg")]]


def test_a_history_has_a_bound(repository: Repository) -> None:
    assert [e.subject for e in told(repository, most=1)] == ["another number"]
    assert [e.subject for e in told(repository, most_files=5)] == ["another number"], "The second commit touched more files than that."


def test_a_day_bounds_the_history_and_without_git_there_is_none(repository: Repository, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert history.past(repository.root, date(2000, 1, 1)) == []
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path))
    assert history.past(lay(tmp_path / "plain"), date(2099, 1, 1)) == []
    assert not {p.path for p in compose.pages(build(tmp_path / "plain"))} & {"changes.md", "data/changes.atom"}


def test_the_page_and_the_feed_tell_the_same_entries(repository: Repository) -> None:
    _replace(repository, f"  - text: {CAUTION}\n    basis: {KEER}\n", "")
    _replace(repository, "value: 50", "value: 55")
    repository.commit("A caution <b>less</b> & {: .x } [y](z)")
    entries = told(repository)
    files = {p.path: p.text for p in compose.pages(build(repository.root), past=entries)}
    text = files["changes.md"]
    heads = [line for line in text.splitlines() if line.startswith("## ")]
    assert [h.rpartition("{ #")[2] for h in heads] == [f"change-{e.commit[:12]} }}" for e in entries] and len(heads) == 3
    assert "A caution &lt;b&gt;less&lt;/b&gt; &amp; &#123;: .x &#125; \\[y\\](z)" in heads[0]
    assert f"- **Warning.** **Raised infusion**: caution removed: “{CAUTION_SAID}” (van-keer-2016-mopp, full text)" in text
    assert "- **Raised infusion**: Raised infusion pressure: 60\u00a0mmHg (common practice) → 55\u00a0mmHg (common practice)" in text
    feed = ElementTree.fromstring(files["data/changes.atom"])
    found_in = feed.findall(f"{ATOM}entry")
    assert [e.findtext(f"{ATOM}title") for e in found_in] == [e.subject for e in entries]
    content = found_in[0].find(f"{ATOM}content")
    assert content is not None and content.get("type") == "html"
    assert content.text == f"<ul><li>Warning: Raised infusion: caution removed: “{CAUTION_SAID}” (van-keer-2016-mopp, full text)</li></ul>"


def test_the_feed_has_what_rfc_4287_asks_for(repository: Repository) -> None:
    """Sections 4.1.1 and 4.1.2: id, title, updated and author; unique ids; an alternate link where there may be no content."""
    entries = told(repository)
    feed = ElementTree.fromstring(changelog.feed(entries, "Test & unit"))
    assert feed.tag == f"{ATOM}feed" and feed.findtext(f"{ATOM}author/{ATOM}name") == "Test & unit"
    ids = [x.findtext(f"{ATOM}id") for x in (feed, *feed.findall(f"{ATOM}entry"))]
    assert len(set(ids)) == 3 and all(uuid.UUID(id).version == 5 for id in ids if id)
    moments = [x.findtext(f"{ATOM}updated") for x in (feed, *feed.findall(f"{ATOM}entry"))]
    assert moments[0] == moments[1] and [datetime.fromisoformat(m or "") for m in moments[1:]] == [e.moment for e in entries]
    assert [(x.get("rel"), x.get("href")) for x in feed.findall(f"{ATOM}link")] == [("self", "changes.atom"), ("alternate", "../changes.html")]
    for entry, x in zip(entries, feed.findall(f"{ATOM}entry"), strict=True):
        assert [link.get("href") for link in x.findall(f"{ATOM}link")] == [f"../changes.html#change-{entry.commit[:12]}"]
    again = ElementTree.fromstring(changelog.feed(entries, "Test & unit"))
    assert [x.findtext(f"{ATOM}id") for x in again.iter(f"{ATOM}entry")] == ids[1:], "A reader of news must know an entry again."


def test_the_site_holds_the_page_and_the_feed_and_the_home_page_leads_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from builder.site import build_site

    monkeypatch.setattr(compose, "Units", units)
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    made = Repository(tmp_path / "repository")
    project(made.root)
    made.commit("the cards")
    _replace(made, "value: 60", "value: 55")
    commit = made.commit("another *number*")
    out = tmp_path / "site"
    build_site(made.root, out, made.root / "mkdocs.yml")
    html = (out / "changes.html").read_text(encoding="utf-8")
    assert f'id="change-{commit[:12]}"' in html and "another *number*" in html
    assert "60\u00a0mmHg (common practice) → 55\u00a0mmHg (common practice)" in html and 'href="data/changes.atom"' in html
    assert '<a href="changes.html">What each change changed</a>' in (out / "index.html").read_text(encoding="utf-8")
    ElementTree.parse(out / "data/changes.atom")
