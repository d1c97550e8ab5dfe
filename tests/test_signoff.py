"""Sign-off: what it is bound to, how it is written into a card, when it lapses or falls due, and who is told."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields, is_dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import icalendar
import pytest
from click.testing import CliRunner, Result
from dateutil.relativedelta import relativedelta
from fixtures import TODAY, build, lay, technique, units, write
from hypothesis import given
from hypothesis import strategies as st
from support import built

from builder import cli, compose, model, signoff, versions
from builder.model import Quantity, Review, SignOff
from builder.read import parse

ROLE = "consultant vitreoretinal surgeon"
SIGNED = "techniques/raised-infusion.yaml"  # the one card of the valid library that is signed off
PLACES = {"technique": "techniques/injection-first.yaml", "pathway": "pathways/trapped-blood.yaml",
          "calculator": "calculators/window-and-pressure.yaml", "page": "pages/about-the-cards.yaml"}


class _Day(date):
    @classmethod
    def today(cls) -> date:
        return TODAY


@pytest.fixture(autouse=True)
def _a_day_of_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compose, "Units", units)
    monkeypatch.setattr(cli, "date", _Day)


def cards(root: Path, *arguments: str) -> Result:
    result = CliRunner().invoke(cli.main, ["--root", str(root), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def sign(root: Path, *names: str, on: date = TODAY, by: str = ROLE) -> None:
    result = cards(root, "sign-off", *names, "--by", by, "--on", on.isoformat())
    assert result.exit_code == 0, result.output


def states(root: Path, *arguments: str) -> dict[str, str]:
    """KIND/ID -> what `cards due` says of it; a card it does not list is current."""
    told = json.loads(cards(root, "due", "--format", "json", *arguments).stdout)
    return {f"{c['kind']}/{c['id']}": state for state in signoff.TOLD for c in told[state]}


def change(root: Path, where: str, old: str, new: str) -> None:
    path = root / "cards" / where
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{where} no longer holds {old!r}; choose other words for this test."
    path.write_text(text.replace(old, new), encoding="utf-8")


# --- into the file ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", PLACES)
def test_a_card_of_every_kind_is_signed_and_read_back(tmp_path: Path, kind: str) -> None:
    path = lay(tmp_path) / "cards" / PLACES[kind]
    before, name = path.read_bytes(), f"{kind}/{path.stem}"
    assert states(tmp_path)[name] == "never"
    result = cards(tmp_path, "sign-off", name, "--by", ROLE)
    assert result.exit_code == 0 and result.stdout.startswith(f"Signed off {name}, ") and result.stdout.endswith(f": {TODAY} by the {ROLE}.\n")
    after = path.read_bytes()
    added = re.search(rb", signed_off: \{[^{}]*\}", after)[0]
    assert after.replace(added, b"") == before
    assert cards(tmp_path, "check").stdout == "No problems.\n"
    assert name not in states(tmp_path)
    (record,) = (r for _, r in signoff.named(name, build(tmp_path).linked.library))
    assert record.review.signed_off == signoff.made(record, build(tmp_path).linked.library, TODAY, ROLE)
    assert re.fullmatch("[0-9a-f]{24}", record.review.signed_off.digest)


LAYOUTS = {
    "in braces": "review: {owner: consultant, every_months: 12}\n",
    "in braces, with room": "review: { owner: consultant, every_months: 12 }  # kept\n",
    "in braces, the comma stays": "review: {owner: consultant, every_months: 12,}\n",
    "in braces, over lines": "review: {   # who\n    owner: consultant,  # the { role }\n    every_months: 12  # a year\n  }\n",
    "in braces, owner last": "review: {every_months: 12, owner: consultant for the\n  retina}\n",
    "in braces, quoted": "review: {every_months: 12, owner: \"consultant, retina\"}   # \"x\"\n",
    "in lines": "review:\n  owner: consultant\n  every_months: 12\n",
    "in lines, with comments": "review:   # who\n    # before\n    owner: consultant   # the role\n    every_months: 12    # a year: no more\n    # behind\n# the end\n",
    "in lines, folded owner last": "review:\n  every_months: 12\n  owner: >-\n    consultant\n    surgeon\n\n# the end\n",
    "in lines, without a last break": "review:\n  owner: consultant\n  every_months: 12",
    "in lines, and more behind": "review:\n  owner: consultant\n  every_months: 12\n\nsee_also: [raised-infusion]   # more\n",
}
BODY = technique().rpartition("review:")[0] + "# Comments with odd words: {a, b} µ — 'x'.\n"


@pytest.mark.parametrize(("mark", "breaks"), [(b"", "\n"), (b"\xef\xbb\xbf", "\r\n")], ids=["plain", "byte order mark and CRLF"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_and_comment_is_kept_byte_for_byte(tmp_path: Path, layout: str, mark: bytes, breaks: str) -> None:
    before = mark + (BODY + LAYOUTS[layout]).replace("\n", breaks).encode()
    path = write(lay(tmp_path), "techniques/mine.yaml", before)
    sign(tmp_path, "mine")
    after = path.read_bytes()
    added = re.search(rb"(, |\r?\n *)signed_off: \{[^{}]*\}", after)[0]
    assert after.replace(added, b"") == before
    assert added.startswith(b", ") == layout.startswith("in braces") and (b"\r" in added) == (b"\r" in breaks.encode() and layout.startswith("in lines"))
    # Signed again another day: only the values change.
    sign(tmp_path, "mine", on=TODAY - timedelta(days=3), by="fellow, retina: acting")
    again = path.read_bytes()
    values = rb"(?s)on: [-0-9]+, by: .*?, digest: [\"0-9a-f]+"
    assert re.sub(values, b"", again) == re.sub(values, b"", after) and again != after
    assert build(tmp_path).problems == [] and "technique/mine" not in states(tmp_path)


OLDER = {
    "in lines": "  signed_off:   # who read it\n    on: {on}     # the day\n    digest: '{digest}'  # the digest\n    by: {by}  # the role\n",
    "in braces, quoted": "  signed_off: {{digest: \"{digest}\",   on: '{on}', by: \"{by}\"}}   # all\n",
    "folded": "  signed_off:\n    by: >-\n      {by}\n    on: {on}\n    digest: >-\n      {digest}\n",
}


@pytest.mark.parametrize("layout", OLDER)
def test_an_older_sign_off_is_written_over_where_it_stands(tmp_path: Path, layout: str) -> None:
    older = OLDER[layout].format(on="2025-01-31", by="registrar", digest="0" * 24)
    path = write(lay(tmp_path), "techniques/mine.yaml", BODY + "review:\n  owner: consultant\n" + older + "  every_months: 12\n# end\n")
    assert [p.rule for p in build(tmp_path).problems] == ["sign-off-edited"]
    sign(tmp_path, "mine")
    (_, record), = signoff.named("mine", build(tmp_path).linked.library)
    signed = record.review.signed_off
    assert (signed.on, signed.by) == (TODAY.isoformat(), ROLE)
    bare = re.compile(r"""(>-\s+|["'])?(2025-01-31|2026-11-25|registrar|consultant vitreoretinal surgeon|0{24}|[0-9a-f]{24})["']?""")
    assert bare.sub("@", path.read_text(encoding="utf-8")) == bare.sub("@", BODY + "review:\n  owner: consultant\n" + older + "  every_months: 12\n# end\n")


def test_every_card_of_the_department_could_be_signed_and_nothing_else_in_it_would_change() -> None:
    library = built().linked.library
    documents = {(d.kind, d.id): d for d in library.documents}
    found = list(signoff.signable(library))
    assert len(found) > 50
    for kind, record in found:
        document = documents[kind, record.id]
        signed = signoff.made(record, library, TODAY, "it's: a \"role\", # or {two}")
        again = parse(signoff.written(document, signed).encode(), document.file, kind, record.id)
        review = {**document.data["review"], "signed_off": {"on": signed.on, "by": signed.by, "digest": signed.digest}}
        assert again.data == {**document.data, "review": review}, document.file


@given(st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]) | st.just(" "), min_size=1, max_size=80).map(str.strip).filter(str.isprintable),
       st.from_regex(r"[0-9a-f]{24}", fullmatch=True) | st.from_regex(r"[0-9]{2,22}e?[0-9]{2}", fullmatch=True))
def test_any_role_and_digest_come_back_as_they_were_written(role: str, digest: str) -> None:
    if not role:
        return
    document = parse((BODY + "review: {owner: consultant, every_months: 12}\n").encode(), "x.yaml", "technique", "x")
    again = parse(signoff.written(document, SignOff("2026-11-25", role, digest)).encode(), "x.yaml", "technique", "x")
    assert again.data["review"]["signed_off"] == {"on": "2026-11-25", "by": role, "digest": digest}


# --- what lapses it -----------------------------------------------------------------------------------------------


def variants(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """(path, the value with one thing in it changed): every word, number, place in a list and field of every record."""
    if is_dataclass(value):
        for f in fields(value):
            yield from ((p, replace(value, **{f.name: x})) for p, x in variants(getattr(value, f.name), (*path, f.name)))
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield (*path, key), {k: x for k, x in value.items() if k != key}
            yield from ((p, {**value, key: x}) for p, x in variants(inner, (*path, key)))
    elif isinstance(value, tuple):
        for i, inner in enumerate(value):
            yield (*path, i), value[:i] + value[i + 1 :]
            yield from ((p, (*value[:i], x, *value[i + 1 :])) for p, x in variants(inner, (*path, i)))
        if value[::-1] != value:
            yield path, value[::-1]
    elif isinstance(value, bool):
        yield path, not value
    elif isinstance(value, int | float):
        yield path, value + 1
        yield path, value + 0.001
    elif isinstance(value, str):
        yield path, value + "x"


def _some(found: Iterator[tuple[tuple[Any, ...], Any]]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """The first, the middle and the last of the changes in each field, at whatever depth it stands."""
    alike: dict[tuple[Any, ...], list[tuple[tuple[Any, ...], Any]]] = {}
    for path, other in found:
        # A place in a list or a key of a mapping is no field.
        shape = tuple(p if isinstance(p, str) and p in _FIELDS else "*" for p in path)
        alike.setdefault(shape, []).append((path, other))
    for each in alike.values():
        yield from {0: each[0], len(each) // 2: each[len(each) // 2], len(each) - 1: each[-1]}.values()


_FIELDS = {f.name for thing in vars(model).values() if is_dataclass(thing) for f in fields(thing)}


def _fullest(kind: str) -> Any:
    records = {"technique": "techniques", "pathway": "pathways", "calculator": "calculators", "page": "pages"}
    return max(getattr(built().linked.library, records[kind]).values(), key=lambda r: len(repr(r)))


@pytest.mark.parametrize("kind", PLACES)
def test_every_claim_number_and_basis_lapses_it_and_names_and_links_do_not(kind: str) -> None:
    library = built().linked.library
    record = _fullest(kind)
    words = versions.wording(record, library)
    seen: dict[str, int] = {}
    for path, other in _some(variants(record)):
        if kind == "technique" and path[0] == "quantities" and path[-1] == "card":
            continue  # follows the name of the file
        same = versions.wording(other, library) == words
        assert same == (path[0] in versions.NOT_SIGNED), f"{record.file}: a change of {path} {'leaves' if same else 'lapses'} the sign-off."
        seen[path[0]] = seen.get(path[0], 0) + 1
    # Every field that holds anything was tried.
    assert set(seen) == {f.name for f in fields(record) if getattr(record, f.name) not in ("", (), None) and getattr(record, f.name) != {}}
    assert sum(seen.values()) > 40


def test_every_field_of_every_kind_is_signed_but_names_and_links() -> None:
    """A field newly put into the model is signed until someone says otherwise here."""
    for kind in PLACES:
        assert {f.name for f in fields(_fullest(kind))} & set(versions.NOT_SIGNED) >= {"id", "file", "title", "also_called", "review"}
    assert set(versions.NOT_SIGNED) == {"id", "file", "title", "also_called", "stage", "review", "next", "see_also", "used_by"}


def test_a_field_at_its_default_is_left_out_so_that_a_new_one_lapses_nothing() -> None:
    record = _fullest("technique")
    plain = versions._plain(record, bare=True)
    for f in fields(Quantity):
        if f.default is not MISSING:
            assert all((f.name in q) == (getattr(record.quantities[k], f.name) != f.default) for k, q in plain["quantities"].items())


EDITS = {
    "a claim": ("Pressure closes the bleeding point.", "Pressure closes every bleeding point."),
    "a number": ("value: 60", "value: 55"),
    "an end of a range": ("low: 0.86", "low: 0.87"),
    "a unit": ("unit: mmHg", "unit: hPa"),
    "a basis weakened": ("at: clause 5.6, checked: memory}]\nsteps", "checked: memory}]\nsteps"),
    "a source taken out": ("basis: [{source: van-keer-2016-mopp, checked: full text}]", "basis: common practice"),
    "a caution taken out": ("  - text: A needle is [](quantity:needle) wide.\n    basis: [{source: iso-9626-2016, at: clause 5.6, checked: memory}]\n", ""),
    "the summary": ("then lower it", "then do not lower it"),
    "an answer": ("To see whether", "To know whether"),
}
NO_EDITS = {
    "the title": ("title: Raised infusion", "title: Raised infusions"),
    "another name": ("stage:", "also_called: [infusion up]\nstage:"),
    "a comment": ("steps:", "# A remark.\nsteps:  # and one more"),
    "quotation marks": ("do: Raise the infusion.", 'do: "Raise the infusion."'),
    "a folded line": ("why: Pressure closes the bleeding point.", "why: >-\n      Pressure closes\n      the bleeding point."),
    "the same number": ("value: 60", "value: 60.0"),
    "the order of keys": ("    value: 60\n    unit: mmHg\n", "    unit: mmHg\n    value: 60\n"),
    "a link to another card": ("see_also: [injection-first]\n", ""),
    "the owner": ("owner: consultant vitreoretinal surgeon", "owner: lead surgeon"),
}


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_of_what_the_card_says_lapses_it(tmp_path: Path, edit: str) -> None:
    lay(tmp_path)
    assert states(tmp_path).get("technique/raised-infusion") is None
    change(tmp_path, SIGNED, *EDITS[edit])
    assert build(tmp_path).problems == [], "A lapse is no fault of the card."
    assert states(tmp_path)["technique/raised-infusion"] == "lapsed"
    assert cards(tmp_path, "due").exit_code == 1
    sign(tmp_path, "raised-infusion")
    assert "technique/raised-infusion" not in states(tmp_path) and cards(tmp_path, "due").exit_code == 0


@pytest.mark.parametrize("edit", NO_EDITS)
def test_an_edit_of_names_and_layout_leaves_it(tmp_path: Path, edit: str) -> None:
    change(lay(tmp_path), SIGNED, *NO_EDITS[edit])
    assert build(tmp_path).problems == []
    assert "technique/raised-infusion" not in states(tmp_path) and cards(tmp_path, "due").exit_code == 0


def test_an_edit_undone_is_signed_again(tmp_path: Path) -> None:
    change(lay(tmp_path), SIGNED, "value: 60", "value: 55")
    change(tmp_path, SIGNED, "value: 55", "value: 60")
    assert "technique/raised-infusion" not in states(tmp_path)


LENDER = "quantities: {dose: {label: Dose, value: %s, unit: mg, basis: common practice}}\n"


def test_a_number_lent_by_another_card_lapses_every_card_that_says_it(tmp_path: Path) -> None:
    takers = {
        "sentence": technique("when: [{text: 'Give [](quantity:lender/dose).', basis: common practice}]\n"),
        "summary": technique().replace("One sentence.", "'Give [](quantity:lender/dose).'"),
        "question": technique().replace("answer: It helps.", "answer: '[](quantity:lender/dose).'"),
        "bystander": technique("see_also: [lender]\n"),
    }
    lay(tmp_path, **{f"techniques/{id}.yaml": text for id, text in {"lender": technique(LENDER % 1), **takers}.items()})
    sign(tmp_path, "lender", *takers)
    write(tmp_path, "techniques/lender.yaml", (tmp_path / "cards/techniques/lender.yaml").read_text().replace("value: 1,", "value: 2,"))
    assert {name.split("/")[1] for name, state in states(tmp_path).items() if state == "lapsed"} == {"lender", "sentence", "summary", "question"}


def test_a_number_that_a_calculator_takes_or_shows_beside_its_result_lapses_it() -> None:
    library = built().linked.library
    tried = 0
    for c in library.calculators.values():
        taken = {x.quantity.partition(".")[0] for x in c.constants.values() if x.quantity} | {*c.beside}
        for reference in taken:
            card, key = reference.split("/")
            t = library.techniques[card]
            q = replace(t.quantities[key], amount=replace(t.quantities[key].amount, value=-12345.0))
            other = replace(library, techniques={**library.techniques, card: replace(t, quantities={**t.quantities, key: q})})
            assert versions.wording(c, other) != versions.wording(c, library), f"{c.id} is blind to {reference}"
            tried += 1
    assert tried > 20
    shared = set(library.calculators) & set(library.techniques)
    assert any(r.split("/")[0] == c for c in shared for r in library.calculators[c].beside) or any(
        x.quantity.startswith(c + "/") for c in shared for x in library.calculators[c].constants.values()), "No calculator borrows from its namesake."


# --- what cannot be faked -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("old", "new"), [("on: 2026-11-20", "on: 2026-11-24"), (f"by: {ROLE}", "by: head of department"), ("every_months: 6", "every_months: 60")],
                         ids=["day", "role", "interval"])
def test_a_day_role_or_interval_changed_by_hand_is_refused_and_does_not_count(tmp_path: Path, old: str, new: str) -> None:
    change(lay(tmp_path), SIGNED, old, new)
    (problem,) = build(tmp_path).problems
    assert (problem.rule, problem.file, problem.line) == ("sign-off-edited", f"cards/{SIGNED}", 31)
    assert cards(tmp_path, "check").exit_code == 1
    assert states(tmp_path)["technique/raised-infusion"] == "lapsed"
    sign(tmp_path, "raised-infusion")
    assert build(tmp_path).problems == []


def test_all_dates_moved_at_once_sign_nothing(tmp_path: Path) -> None:
    lay(tmp_path)
    names = [f"{kind}/{Path(where).stem}" for kind, where in PLACES.items()]
    sign(tmp_path, *names, on=date(2024, 1, 10))
    assert set(states(tmp_path).values()) == {"overdue"}
    for where in PLACES.values():
        change(tmp_path, where, "on: 2024-01-10", "on: 2026-11-24")
    assert [p.rule for p in build(tmp_path).problems] == ["sign-off-edited"] * 4
    assert set(states(tmp_path).values()) == {"lapsed"} and cards(tmp_path, "due").exit_code == 1


def test_a_sign_off_copied_from_another_card_is_none(tmp_path: Path) -> None:
    lay(tmp_path)
    block = re.search(r", signed_off: \{.*?\}", (tmp_path / "cards" / SIGNED).read_text(encoding="utf-8"))[0]
    write(tmp_path, "techniques/mine.yaml", technique().replace("every_months: 12", "every_months: 6" + block))
    assert states(tmp_path)["technique/mine"] == "lapsed"


@pytest.mark.parametrize(("days", "rules"), [(0, []), (1, []), (2, ["sign-off-in-future"])])
def test_a_day_to_come_is_refused_with_a_day_for_other_time_zones(tmp_path: Path, days: int, rules: list[str]) -> None:
    library = build(lay(tmp_path)).linked.library
    (_, record), = signoff.named("raised-infusion", library)
    signed = signoff.made(record, library, TODAY + timedelta(days=days), ROLE)
    document = next(d for d in library.documents if d.file == record.file)
    write(tmp_path, SIGNED, signoff.written(document, signed))
    assert [p.rule for p in build(tmp_path).problems] == rules
    assert cards(tmp_path, "check").exit_code == bool(rules)


@pytest.mark.parametrize(("names", "told"), [
    (["*"], "'*' names no card: each card is signed off by its own id"),
    (["raised-*"], "'raised-*' names no card"),
    (["all"], "'all' names no card"),
    (["raised-infusion", "technique/raised-infusion"], "'raised-infusion' is named twice."),
    (["raised-infusoin"], "There is no card 'raised-infusoin'. Did you mean 'raised-infusion'?"),
    (["calculator/raised-infusion"], "There is no card 'calculator/raised-infusion'."),
    (["cards/techniques/raised-infusion.yaml"], "There is no card 'cards/techniques/raised-infusion.yaml'."),
    (["injection-first", "nowhere"], "There is no card 'nowhere'."),
])
def test_cards_that_are_not_named_one_by_one_are_not_signed(tmp_path: Path, names: list[str], told: str) -> None:
    lay(tmp_path)
    before = {p: p.read_bytes() for p in (tmp_path / "cards").rglob("*.yaml")}
    result = cards(tmp_path, "sign-off", *names, "--by", ROLE)
    assert result.exit_code == 2 and result.stderr.startswith(f"Could not run: {told}")
    assert {p: p.read_bytes() for p in (tmp_path / "cards").rglob("*.yaml")} == before


@pytest.mark.parametrize(("arguments", "told"), [
    (["--by", ROLE, "--on", "2026-11-26"], "Could not run: 2026-11-26 has not come yet"),
    (["--by", ROLE, "--on", "26 November"], "Could not run: '26 November' is not a date"),
    (["--by", "  "], "Could not run: The role must be one line of 1 to 80 characters."),
    (["--by", "r" * 81], "Could not run: The role must be one line of 1 to 80 characters."),
    (["--by", "a\nb"], "Could not run: The role must be one line of 1 to 80 characters."),
    ([], "Missing option '--by'"),
])
def test_a_sign_off_without_a_day_that_has_come_or_a_role_is_refused(tmp_path: Path, arguments: list[str], told: str) -> None:
    before = (lay(tmp_path) / "cards" / PLACES["technique"]).read_bytes()
    result = cards(tmp_path, "sign-off", "injection-first", *arguments)
    assert result.exit_code == 2 and told in result.stderr
    assert (tmp_path / "cards" / PLACES["technique"]).read_bytes() == before


def test_an_id_of_two_kinds_must_say_which(tmp_path: Path) -> None:
    lay(tmp_path)
    write(tmp_path, "techniques/window-and-pressure.yaml", technique())
    result = cards(tmp_path, "sign-off", "window-and-pressure", "--by", ROLE)
    assert (result.exit_code, result.stderr) == (2, "Could not run: 'window-and-pressure' is technique/window-and-pressure and "
                                                    "calculator/window-and-pressure; name the one you mean.\n")
    sign(tmp_path, "calculator/window-and-pressure")
    assert states(tmp_path)["technique/window-and-pressure"] == "never" and "calculator/window-and-pressure" not in states(tmp_path)


@pytest.mark.parametrize("command", [["sign-off", "raised-infusion", "--by", ROLE], ["due"]])
def test_with_problems_in_the_cards_nothing_is_signed_or_listed(tmp_path: Path, command: list[str]) -> None:
    change(lay(tmp_path), PLACES["technique"], "stage:", "stages:")
    result = cards(tmp_path, *command)
    assert (result.exit_code, result.stdout, result.stderr) == (2, "", "Could not run: The cards have problems; run: cards check\n")


def test_a_calculator_that_is_switched_off_asks_for_no_sign_off(tmp_path: Path) -> None:
    change(lay(tmp_path), "department.yaml", "list_days:", "calculators_off: [window-and-pressure]\nlist_days:")
    assert "calculator/window-and-pressure" not in states(tmp_path)
    assert cards(tmp_path, "sign-off", "window-and-pressure", "--by", ROLE).exit_code == 2


# --- days ---------------------------------------------------------------------------------------------------------


@given(st.dates(date(1990, 1, 1), date(2090, 12, 31)), st.integers(1, 60))
def test_the_day_due_is_that_of_the_calendar(on: date, months: int) -> None:
    assert signoff.due(Review("x", months, SignOff(on.isoformat(), "x", "0" * 24))) == on + relativedelta(months=months)


@pytest.mark.parametrize(("on", "state"), [
    ("2026-11-20", None), ("2027-04-19", None), ("2027-04-20", "soon"), ("2027-05-20", "soon"), ("2027-05-21", "overdue"), ("2030-01-01", "overdue"),
])
def test_a_card_is_soon_due_from_thirty_days_before_and_overdue_from_the_day_after(tmp_path: Path, on: str, state: str | None) -> None:
    """The valid library's card: signed off 2026-11-20 for six months."""
    lay(tmp_path)
    assert states(tmp_path, "--on", on).get("technique/raised-infusion") == state
    assert cards(tmp_path, "due", "--on", on).exit_code == (state == "overdue")


def test_what_was_never_signed_counts_only_when_asked(tmp_path: Path) -> None:
    lay(tmp_path)
    assert (cards(tmp_path, "due").exit_code, cards(tmp_path, "due", "--strict").exit_code) == (0, 1)
    sign(tmp_path, *(f"{kind}/{Path(where).stem}" for kind, where in PLACES.items()))
    assert cards(tmp_path, "due", "--strict").exit_code == 0
    assert cards(tmp_path, "due").stdout == f"On {TODAY}, 5 of 5 cards signed off and in date.\n"


def test_a_day_that_is_none_could_not_run(tmp_path: Path) -> None:
    result = cards(lay(tmp_path), "due", "--on", "tomorrow")
    assert (result.exit_code, result.stderr) == (2, "Could not run: 'tomorrow' is not a date; write it YYYY-MM-DD.\n")


# --- what is told -------------------------------------------------------------------------------------------------


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    """One card lapsed, one overdue, one soon due, one current, one never signed."""
    lay(tmp_path)
    sign(tmp_path, "injection-first", on=date(2025, 3, 1))  # 12 months: overdue since 2026-03-01
    sign(tmp_path, "about-the-cards", on=date(2025, 12, 20))  # 12 months: due 2026-12-20
    sign(tmp_path, "trapped-blood", on=date(2026, 11, 1))
    change(tmp_path, SIGNED, "value: 60", "value: 55")
    # The page quotes the window of injection-first, which has not changed; the calculator was never signed.
    return tmp_path


def test_the_list_tells_the_most_pressing_first(mixed: Path) -> None:
    result = cards(mixed, "due")
    kept = f"Kept by the {ROLE}."
    assert (result.exit_code, result.stdout) == (1, f"""\
Sign-off lapsed, for the card has changed since (1):
  technique/raised-infusion: Raised infusion. Signed off 2026-11-20 by the {ROLE}. {kept}

Overdue for review (1):
  technique/injection-first: Injection before theatre. Signed off 2025-03-01 by the {ROLE}. Due 2026-03-01. {kept}

Due for review within 30 days (1):
  page/about-the-cards: About the cards. Signed off 2025-12-20 by the {ROLE}. Due 2026-12-20. {kept}

Never signed off (1):
  calculator/window-and-pressure: Window and pressure. {kept}

On 2026-11-25, 2 of 5 cards signed off and in date.
""")


def test_json_says_the_same_to_machines(mixed: Path) -> None:
    result = cards(mixed, "due", "--format", "json")
    told = json.loads(result.stdout)
    assert result.exit_code == 1
    assert list(told) == ["on", "soon_days", "lapsed", "overdue", "soon", "never"]
    assert (told["on"], told["soon_days"]) == ("2026-11-25", 30)
    assert told["overdue"] == [{"kind": "technique", "id": "injection-first", "title": "Injection before theatre", "file": "cards/techniques/injection-first.yaml",
                                "owner": ROLE, "signed_off": {"on": "2025-03-01", "by": ROLE}, "due": "2026-03-01"}]
    assert [c["id"] for c in told["lapsed"]] == ["raised-infusion"] and [c["id"] for c in told["soon"]] == ["about-the-cards"]
    assert (told["never"][0]["signed_off"], told["never"][0]["due"]) == (None, None)


def test_the_calendar_is_read_by_an_independent_reader(mixed: Path) -> None:
    result = cards(mixed, "due", "--format", "ics")
    assert result.exit_code == 1
    raw = result.stdout_bytes
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")) and raw.endswith(b"END:VCALENDAR\r\n") and b"\n" not in raw.replace(b"\r\n", b"")
    found = icalendar.Calendar.from_ical(raw)
    assert (found["VERSION"], found["CALSCALE"], found.errors) == ("2.0", "GREGORIAN", [])
    events = found.walk("VEVENT")
    assert [(str(e["SUMMARY"]), e["DTSTART"].dt, e["DTEND"].dt - e["DTSTART"].dt) for e in events] == [
        (title, day, timedelta(days=1)) for title, day in (
            ("Sign-off lapsed: Raised infusion", TODAY), ("Review due: Injection before theatre", date(2026, 3, 1)), ("Review due: About the cards", date(2026, 12, 20)),
            ("Review due: Blood trapped in front of the macula", date(2027, 11, 1)), ("Never signed off: 1 card", TODAY))]
    assert all(e.errors == [] and e["DTSTAMP"].dt.tzinfo is not None for e in events)
    assert str(events[-1]["DESCRIPTION"]) == "calculator/window-and-pressure"
    assert str(events[1]["DESCRIPTION"]) == f"technique/injection-first. Signed off 2025-03-01 by the {ROLE}. Due 2026-03-01. Kept by the {ROLE}."


def test_a_card_keeps_its_entry_when_the_calendar_is_issued_again(mixed: Path) -> None:
    def uids() -> dict[str, str]:
        found = icalendar.Calendar.from_ical(cards(mixed, "due", "--format", "ics").stdout).walk("VEVENT")
        return {str(e["SUMMARY"]).partition(": ")[2]: str(e["UID"]) for e in found}

    before = uids()
    assert len(set(before.values())) == len(before)
    sign(mixed, "raised-infusion")
    assert {title: uid for title, uid in uids().items() if title in before} == before


# --- on the page --------------------------------------------------------------------------------------------------


def page(root: Path, path: str) -> str:
    return next(p.text for p in compose.pages(build(root)) if p.path == path)


def test_the_page_of_a_lapsed_card_says_so_and_names_no_day_due(mixed: Path) -> None:
    text = page(mixed, "techniques/raised-infusion.md")
    assert '<span class="review review-overdue">Sign-off lapsed: changed since 2026-11-20</span>' in text
    assert "Sign-off lapsed: changed since 2026-11-20; this sheet is for the day it was printed." in text
    assert 'lapsed: "2026-11-20"\n' in text and f'keeper: "{ROLE}"\n' in text
    assert "\ndue: " not in text and "data-due" not in text and "expires" not in text and "Signed off" not in text


@pytest.mark.parametrize(("path", "on"), [("techniques/injection-first.md", "2025-03-01"), ("pages/about-the-cards.md", "2025-12-20"), ("pathways/trapped-blood.md", "2026-11-01")])
def test_the_page_of_a_card_that_stands_says_who_signed_it(mixed: Path, path: str, on: str) -> None:
    text = page(mixed, path)
    assert f'<span class="review review-current">Signed off {on} by the {ROLE}</span>' in text
    assert '\ndue: "' in text and "lapsed" not in text.split("---")[1]


def test_calculators_cases_and_pages_tell_of_a_lapse_too(tmp_path: Path) -> None:
    lay(tmp_path)
    sign(tmp_path, *(f"{kind}/{Path(where).stem}" for kind, where in PLACES.items()))
    for where in PLACES.values():
        path = tmp_path / "cards" / where
        path.write_text(re.sub(r"(?m)^(summary: .*?)\.?$", r"\1, now.", path.read_text(encoding="utf-8"), count=1), encoding="utf-8")
    assert set(states(tmp_path).values()) == {"lapsed"}
    for where in PLACES.values():
        assert f"Sign-off lapsed: changed since {TODAY}</span>" in page(tmp_path, where.replace(".yaml", ".md"))


def test_the_first_page_lists_what_has_lapsed_apart_from_what_is_due(mixed: Path) -> None:
    part = page(mixed, "index.md").split("## Review")[1].split("\n## ")[0]
    before, after = part.split("<div data-overdue")
    assert re.findall(r'<a href="(.*?)">', before) == ["techniques/raised-infusion.html"]
    assert "<h3>Sign-off lapsed</h3>" in before and "Changed since 2026-11-20" in before
    assert re.findall(r'<a href="(.*?)">', after) == ["techniques/injection-first.html", "pages/about-the-cards.html", "pathways/trapped-blood.html"]


def test_the_brief_knows_which_of_its_cards_have_lapsed(mixed: Path) -> None:
    text = page(mixed, "assets/data/brief-trapped-blood.js")
    data = json.loads(re.search(r"window\.cards\.brief\[.*?\] = (.*);\n", text)[1])
    found = {c["id"]: (c["signedOff"], c.get("lapsed", False)) for s in data["stages"] for c in s["cards"]}
    assert found["raised-infusion"] == ("2026-11-20", True) and ("2025-03-01", False) in found.values()
    assert not data.get("lapsed")
