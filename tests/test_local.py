"""A department that lays its own values over cards it does not own: what its pages say, what is told, and what it can sign."""

from __future__ import annotations

import glob
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner, Result
from fixtures import PROJECT, TODAY, VALID, build, lay, local_department, technique, units, write
from jsonschema import Draft202012Validator

from builder import calculate, compose, local, opendata, starter
from builder.cli import main
from builder.model import Amount, Department, LocalQuantity
from builder.read import SINGLES

ROLE = "consultant vitreoretinal surgeon"
WHY = "Patients are awake here, and feel more."
OVER = f"""\
# What differs here.
quantities:
  raised-infusion/raised:
    value: 50
    unit: mmHg
    instead_of: {{value: 60, unit: mmHg}}
    why: {WHY}
    basis: common practice
"""
WINDOW = """\
  injection-first/window:
    low: 5
    high: 8
    unit: day
    instead_of: {low: 4, high: 10, unit: day}
    why: Our lists are on Fridays.
    basis: [{source: arevalo-2008, at: abstract, checked: abstract}]
"""
OFF = """\
off:
  techniques:
    injection-first: {why: Another unit injects.}
"""


@pytest.fixture(autouse=True)
def _one_set_of_units(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compose, "Units", units)
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")


def over(root: Path, overrides: str = OVER, **files: str) -> Path:
    """The valid library with a local layer over it."""
    local_department(lay(root))
    if overrides:
        write(root, "local/overrides.yaml", overrides)
    for where, text in files.items():
        write(root, where, text)
    return root


def pages(root: Path) -> dict[str, str]:
    built = build(root)
    assert built.problems == []
    return {p.path: p.text for p in compose.pages(built)}


def cards(root: Path | None, *arguments: str) -> Result:
    result = CliRunner().invoke(main, [*(["--root", str(root)] if root else []), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture(scope="module")
def layered(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Pages with two local values and a card switched off that a calculator, a case and sentences use."""
    root = tmp_path_factory.mktemp("layered")
    return pages(over(root, OVER + WINDOW + OFF, **{"local/techniques/own.yaml": technique(), "local/glossary.yaml": "terms: {own: {term: Own term, meaning: Ours.}}\n"}))


# --- without a layer ------------------------------------------------------------------------------------------------


def test_without_a_layer_the_library_goes_through_as_the_same_object(tmp_path: Path) -> None:
    built = build(lay(tmp_path))
    assert built.linked.library is built.plain and not built.tried and not built.plain.built_on
    assert not any("local" in p.text.lower() for p in compose.pages(built) if p.path.startswith(("techniques/", "calculators/", "index", "ledgers/")))


def test_the_schema_of_the_local_department_has_every_field_of_a_department() -> None:
    schemas = {s["$id"]: s for s in compose.load_schemas(PROJECT)}
    assert list(schemas["local-department.schema.json"]["properties"]) == list(schemas["department.schema.json"]["properties"])
    assert set(schemas["department.schema.json"]["properties"]) == {f.name for f in fields(Department)}


# --- what a page says -----------------------------------------------------------------------------------------------


def test_a_number_is_shown_as_local_with_the_base_value_and_the_reason(layered: dict[str, str]) -> None:
    page = layered["techniques/raised-infusion.md"]
    strip = re.search(r'<div class="number" id="quantity-raised">.*?</div>', page, re.S)[0]
    assert '<span class="value">50</span>' in strip and '<span class="local-mark">local; base 60\u00a0mmHg</span>' in strip
    behind = re.search(r'<div class="number" id="published-raised">.*?</div>', page, re.S)[0]
    assert WHY in behind and "Base value</span> 60\u00a0mmHg" in behind and "of Test unit." in behind
    listed = re.search(r'<ul class="claims local-values">.*?</ul>', page, re.S)[0]
    assert "50\u00a0mmHg; base 60\u00a0mmHg" in listed and WHY in listed
    # In a sentence it says so as well, and nowhere does the base value stand alone.
    assert re.search(r'title="Raised infusion pressure: local value, in place of 60\xa0mmHg">50\xa0mmHg</a> <span class="local-mark">\[local\]</span>', page)
    assert not re.search(r"(?<!base )(?<!Base value</span> )(?<!in place of )60\xa0mmHg", page)


def test_a_calculator_says_which_of_its_numbers_are_local(layered: dict[str, str]) -> None:
    page = layered["calculators/window-and-pressure.md"]
    listed = re.search(r'<ul class="claims local-values">.*?</ul>', page, re.S)[0]
    assert "Raised infusion pressure</a>: 50\u00a0mmHg; base 60\u00a0mmHg" in listed and "5–8\u00a0days; base 4–10\u00a0days" in listed
    assert 'value="50"' in page and "<td>5\u00a0days <span" in page and "local; base 4–10\u00a0days" in page
    # Its examples were written for the numbers it came with, and still try the formula.
    assert "worked out with the base values" in page and "2028-02-28" in page
    assert '"opens_on": 5.0' in layered["assets/calculators/window-and-pressure.js"]


def test_ledger_search_brief_self_test_and_home_say_local(layered: dict[str, str]) -> None:
    assert "Raised infusion pressure: 50\u00a0mmHg [local; base 60\u00a0mmHg]" in layered["ledgers/figures.md"]
    assert "50\u00a0mmHg [local; base 60\u00a0mmHg]" in layered["assets/data/search.js"]
    brief = layered["assets/data/brief-trapped-blood.js"]
    assert f"50\u00a0mmHg [local; base 60\u00a0mmHg]. {WHY}" in brief and "5–8\u00a0days [local; base 4–10\u00a0days]. Our lists" in brief
    assert 'href="ledgers/local.html"' in layered["index.md"] and "Built on the cards of Test unit" in layered["index.md"]
    page = layered["ledgers/local.md"]
    assert "# What differs here" in page and WHY in page and "60\u00a0mmHg" in page
    assert "Another unit injects." in page and "Injection before theatre" in page and "A card for the tests" in page
    assert "local" in layered["ledgers/index.md"]


def test_a_block_of_html_has_no_blank_line_in_it(layered: dict[str, str]) -> None:
    """The Markdown engine would end the block there."""
    for path in ("techniques/raised-infusion.md", "ledgers/local.md", "calculators/window-and-pressure.md"):
        assert all("\n\n" not in x for x in re.findall(r"<dl .*?</dl>|<ul class=\"claims.*?</ul>", layered[path], re.S)), path


def test_a_card_that_is_switched_off_is_gone_but_for_its_numbers(layered: dict[str, str]) -> None:
    assert "techniques/injection-first.md" not in layered
    for path, text in layered.items():
        assert "injection-first.html" not in text, path
    assert "injection-first" not in layered["assets/data/questions-trapped-blood.js"]
    assert "Injection before theatre" not in layered["techniques/index.md"] + layered["index.md"] + layered["pathways/trapped-blood.md"]
    # The case's sentence and the calculator still have its number.
    assert "5–8\u00a0days</span> <span class=\"local-mark\">[local]</span>" in layered["pathways/trapped-blood.md"]
    assert "Window for theatre: 5–8\u00a0days" in layered["ledgers/figures.md"], "What it rests on is told where it is used."


def test_a_link_to_a_card_that_is_switched_off_reads_as_words(tmp_path: Path) -> None:
    made = pages(over(tmp_path, OFF.replace("injection-first", "raised-infusion")))
    assert 'Raised infusion <span class="switched-off">[card switched off here]</span>' in made["glossary.md"]


def test_the_open_data_fit_the_schema_and_name_both_values(layered: dict[str, str]) -> None:
    data = json.loads(layered[opendata.CARDS])
    schema = json.loads((PROJECT / "site_overrides/data" / opendata.SCHEMA).read_text(encoding="utf-8"))
    assert [e.message for e in Draft202012Validator(schema).iter_errors(data)] == []
    quantity = next(q for t in data["techniques"] for q in t["quantities"] if q["id"] == "raised-infusion/raised")
    assert (quantity["value"], quantity["why"], quantity["base"]["value"], quantity["base"]["basis"]["standing"]) == (50, WHY, 60, "common practice")
    assert data["built_on"]["name"] == "Test unit" and data["built_on"]["off"] == [{"kind": "technique", "id": "injection-first", "why": "Another unit injects."}]
    assert "injection-first/window" in {q["id"] for q in data["built_on"]["lent"]}, "Else the calculator's number would lead nowhere."
    assert data["department"]["name"] == "Another unit"


def test_a_number_worked_from_one_under_a_local_value_says_so(tmp_path: Path) -> None:
    """Else the base value would live on in what was worked out from it."""
    own = """quantities:
  left: {label: Pressure left, value: 20, unit: mmHg, basis: common practice, worked_from: [quantity:raised-infusion/raised]}
  share: {label: Share left, value: 33, unit: "%", basis: common practice, worked_from: [quantity:other/left]}
"""
    over(tmp_path, **{"cards/techniques/other.yaml": technique(own).replace("Do it.", '"Leave [](quantity:left)."')})
    made = pages(tmp_path)
    page = made["techniques/other.md"]
    assert page.count("worked from the base: Raised infusion pressure, 60 mmHg") == 2
    assert '20 mmHg</a> <span class="local-mark">[worked from a base value]</span>' in page
    assert "Pressure left</a>: 20 mmHg, from Raised infusion pressure, 60 mmHg" in made["ledgers/local.md"]
    data = {q["id"]: q for t in json.loads(made[opendata.CARDS])["techniques"] for q in t["quantities"]}
    assert data["other/share"]["worked_from_base"] == ["Raised infusion pressure, 60 mmHg"]
    # With a value of its own it is local like any other, and what is worked from it is told from that.
    write(tmp_path, "local/overrides.yaml", OVER + "  other/left: {value: 15, unit: mmHg, instead_of: {value: 20, unit: mmHg}, why: Worked anew., basis: common practice}\n")
    page = pages(tmp_path)["techniques/other.md"]
    assert "local; base 20 mmHg" in page and page.count("worked from the base: Pressure left, 20 mmHg") == 1


def test_only_what_differs_of_the_department_is_given(tmp_path: Path) -> None:
    write(over(tmp_path), "local/department.yaml", "name: Ours\nlist_days: [friday]\n")
    built = build(tmp_path)
    assert built.problems == [], "A calculator that asks for list days tries its examples with those it was written for."
    department = built.linked.library.department
    assert (department.name, department.list_days, department.contact) == ("Ours", ("friday",), "the unit's card editor")


def test_a_calculator_switched_off_keeps_its_reason(tmp_path: Path) -> None:
    made = pages(over(tmp_path, "off: {calculators: {window-and-pressure: {why: Not validated here.}}}\n"))
    assert "calculators/window-and-pressure.md" not in made and "Not validated here." in made["ledgers/local.md"]


def test_the_command_line_names_the_local_numbers_of_a_calculator(tmp_path: Path) -> None:
    over(tmp_path)
    given = ("injected=2028-02-24", "theatre=2028-03-01")
    assert f"Local value: Raised infusion pressure, 50 mmHg; base 60 mmHg. {WHY}" in cards(tmp_path, "compute", "window-and-pressure", *given).stdout
    data = json.loads(cards(tmp_path, "compute", "window-and-pressure", *given, "--format", "json").stdout)
    assert data["inputs"]["iop"]["value"] == 50 and data["local"][0]["base"] == "60 mmHg"


# --- sign-off -------------------------------------------------------------------------------------------------------


def test_a_signature_of_the_base_does_not_cover_a_local_value(tmp_path: Path) -> None:
    assert 'review-current">Signed off 2026-11-20' in pages(lay(tmp_path / "base"))["techniques/raised-infusion.md"]
    page = pages(over(tmp_path / "layered"))["techniques/raised-infusion.md"]
    assert "Sign-off lapsed: changed here since 2026-11-20, when Test unit signed" in page and "review-current" not in page
    plain = pages(over(tmp_path / "unchanged", ""))["techniques/raised-infusion.md"]
    assert "Signed off 2026-11-20 by the consultant vitreoretinal surgeon, Test unit" in plain, "Whose role it is must be said."


def test_a_local_signature_covers_the_local_wording_and_lapses_with_it(tmp_path: Path) -> None:
    before = (over(tmp_path) / "cards/techniques/raised-infusion.yaml").read_bytes()
    result = cards(tmp_path, "sign-off", "raised-infusion", "trapped-blood", "--by", ROLE, "--on", TODAY.isoformat())
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / "cards/techniques/raised-infusion.yaml").read_bytes() == before
    text = (tmp_path / "local/overrides.yaml").read_text(encoding="utf-8")
    assert text.startswith(OVER) and "signed_off:\n  technique/raised-infusion: {on: 2026-11-25, by: consultant" in text
    assert f'Signed off 2026-11-25 by the {ROLE}</span>' in pages(tmp_path)["techniques/raised-infusion.md"]
    # Again, and another: the first is written over, the other joins it.
    cards(tmp_path, "sign-off", "raised-infusion", "injection-first", "--by", "lead surgeon", "--on", TODAY.isoformat())
    signed = yaml.safe_load((tmp_path / "local/overrides.yaml").read_text(encoding="utf-8"))["signed_off"]
    assert {name: x["by"] for name, x in signed.items()} == {"technique/raised-infusion": "lead surgeon", "pathway/trapped-blood": ROLE, "technique/injection-first": "lead surgeon"}
    assert build(tmp_path).problems == []
    path = tmp_path / "local/overrides.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("value: 50", "value: 45"), encoding="utf-8")
    due = cards(tmp_path, "due", "--on", "2026-11-26")
    assert "technique/raised-infusion" in due.stdout.split("\n\n")[0] and "lapsed" in due.stdout and due.exit_code == 1


def test_a_first_sign_off_writes_the_file_and_an_own_card_is_signed_in_its_own(tmp_path: Path) -> None:
    over(tmp_path, "", **{"local/techniques/own.yaml": technique()})
    assert cards(tmp_path, "sign-off", "raised-infusion", "own", "--by", ROLE, "--on", TODAY.isoformat()).exit_code == 0
    assert set(yaml.safe_load((tmp_path / "local/overrides.yaml").read_text(encoding="utf-8"))["signed_off"]) == {"technique/raised-infusion"}
    assert "signed_off" in (tmp_path / "local/techniques/own.yaml").read_text(encoding="utf-8")
    assert build(tmp_path).problems == []


# --- when the cards below change ------------------------------------------------------------------------------------


def test_a_base_change_under_an_override_is_told_by_check_and_due(tmp_path: Path) -> None:
    over(tmp_path)
    card = tmp_path / "cards/techniques/raised-infusion.yaml"
    card.write_text(card.read_text(encoding="utf-8").replace("value: 60", "value: 55"), encoding="utf-8")
    result = cards(tmp_path, "check")
    assert result.exit_code == 1 and "now gives 55 mmHg" in result.stdout and "50 mmHg, was written when it gave 60 mmHg" in result.stdout
    assert "instead_of: {value: 55, unit: mmHg}" in result.stdout
    assert cards(tmp_path, "build", "--out", str(tmp_path / "site")).exit_code == 1 and not (tmp_path / "site").exists()
    result = cards(tmp_path, "due", "--on", TODAY.isoformat())
    assert result.exit_code == 1 and result.stdout.startswith("Base changed under a local value (1):\n  raised-infusion/raised, Raised infusion pressure")
    assert len(json.loads(cards(tmp_path, "due", "--format", "json").stdout)["base_changed"]) == 1
    assert "Base changed under 1 local value" in cards(tmp_path, "due", "--format", "ics").stdout
    # Nobody signs a card whose ground has moved.
    assert cards(tmp_path, "sign-off", "raised-infusion", "--by", ROLE).exit_code == 2


def git(root: Path, *arguments: str) -> None:
    subprocess.run(["git", "-C", str(root), "-c", "user.name=a", "-c", "user.email=a@b", *arguments], check=True, capture_output=True)


def test_the_report_of_changes_knows_a_local_value_and_a_base_hidden_by_it(tmp_path: Path) -> None:
    lay(tmp_path)
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "base")
    local_department(tmp_path)
    write(tmp_path, "local/overrides.yaml", OVER)
    told = cards(tmp_path, "changes", "main").stdout
    assert "Raised infusion pressure: 60\u00a0mmHg (common practice) → 50\u00a0mmHg (common practice)" in told
    assert f"50\u00a0mmHg in place of 60\u00a0mmHg: {WHY}" in told and "the sign-off lapses" in told
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "layer")
    card = tmp_path / "cards/techniques/raised-infusion.yaml"
    card.write_text(card.read_text(encoding="utf-8").replace("value: 60", "value: 55"), encoding="utf-8")
    told = cards(tmp_path, "changes", "main").stdout
    assert "### Warnings" in told and re.search(r"base value under a local one.*60\xa0mmHg.*55\xa0mmHg", told)
    # The page of what changed takes the layer back as well.
    git(tmp_path, "checkout", "-q", ".")
    from builder import history

    entries = compose.changed(tmp_path, build(tmp_path), history.past(tmp_path, TODAY.replace(year=2036)))
    assert [e.subject for e in entries] == ["layer", "base"]
    assert any(x.part == "local value" for c in entries[0].report.cards for x in c.changes)


def test_a_card_switched_off_is_a_warning_in_the_report(tmp_path: Path) -> None:
    from builder import changes

    before, after = build(lay(tmp_path / "a")).linked.library, build(over(tmp_path / "b", OFF)).linked.library
    report = changes.compare(changes.Version("a", before), changes.Version("b", after))
    assert ("technique", "injection-first", "removed", True) in {(c.kind, c.id, c.state, c.warning) for c in report.cards}


def test_a_value_and_its_own_unit_are_one_amount(tmp_path: Path) -> None:
    assert local.same(Amount("mmHg", 60), Amount("mmHg", 60.0), units()) and local.same(Amount("cm", 1), Amount("mm", 10), units())
    assert not local.same(Amount("mmHg", 60), Amount("mmHg", 50), units()) and not local.same(Amount("mm", low=4), Amount("mm", low=4, high=6), units())


def test_worked_examples_still_try_the_formula(tmp_path: Path) -> None:
    """A formula that was broken is found under local values too."""
    over(tmp_path, OVER + WINDOW)
    assert set(build(tmp_path).tried) == {"window-and-pressure"}
    path = tmp_path / "cards/calculators/window-and-pressure.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("formula: injected + closes_on", "formula: injected + closes_on + opens_on"), encoding="utf-8")
    assert {(p.file, p.rule) for p in build(tmp_path).problems} == {("cards/calculators/window-and-pressure.yaml", "example-misses")}
    value = build(tmp_path).linked.library.quantity("injection-first/window")
    assert isinstance(value, LocalQuantity) and value.read == value.base == Amount("day", None, 4, 10)
    assert calculate.tables(build(tmp_path).ready["window-and-pressure"]), "The tables of typical cases use the local numbers."


# --- new files and new departments ----------------------------------------------------------------------------------


def test_new_writes_into_the_layer_where_there_are_no_cards(tmp_path: Path) -> None:
    """Over the package's own cards, as a department's repository has it."""
    local_department(tmp_path)
    for kind, id, file in (("technique", "our-own", "techniques/our-own.yaml"), ("glossary", None, "glossary.yaml"), ("overrides", None, "overrides.yaml")):
        result = cards(tmp_path, "new", kind, *([id] if id else []))
        assert (result.exit_code, result.stdout) == (0, f"Wrote local/{file}. Fill it in, then run: cards check\n"), result.stderr
    (tmp_path / "local/department.yaml").unlink()
    assert cards(tmp_path, "new", "department").exit_code == 0
    text = (tmp_path / "local/department.yaml").read_text(encoding="utf-8")
    assert "local-department.schema.json" in text and re.findall(r"^(\w+):", text, re.M) == ["name"]
    result = cards(tmp_path, "new", "technique", "haemostasis")
    assert result.exit_code == 2 and "have a technique 'haemostasis' already" in result.stderr
    assert "Name it as well" in cards(tmp_path, "new", "technique").stderr


def test_the_starters_of_the_layer_fit_their_schemas() -> None:
    schemas = compose.load_schemas(PROJECT)
    checked = compose.validate.Schemas(schemas)
    for kind in ("overrides", "local-department"):
        assert checked.quick[kind].is_valid(yaml.safe_load(starter.starter(kind, schemas))), kind


def test_local_writes_into_the_layer_beside_cards(tmp_path: Path) -> None:
    lay(tmp_path)
    assert cards(tmp_path, "new", "source", "ours-2026", "--local").stdout.startswith("Wrote local/sources/ours-2026.yaml.")
    assert cards(tmp_path, "new", "source", "ours-2025").stdout.startswith("Wrote cards/sources/ours-2025.yaml.")


def test_check_and_format_look_into_the_layer(tmp_path: Path) -> None:
    over(tmp_path)
    assert "local/department.yaml" not in cards(tmp_path, "format", "--check").stdout
    path = tmp_path / "local/overrides.yaml"
    path.write_text(OVER.replace("    unit: mmHg\n", "    unit: mmHg   \n"), encoding="utf-8")
    assert "local/overrides.yaml is put into the layout." in cards(tmp_path, "format", str(path)).stdout
    assert path.read_text(encoding="utf-8") == OVER
    assert cards(tmp_path, "check", str(path)).exit_code == 0


def test_a_folder_named_local_is_no_layer_by_its_name_alone(tmp_path: Path) -> None:
    (tmp_path / "local/bin").mkdir(parents=True)
    assert not compose.is_root(tmp_path)
    local_department(tmp_path)
    assert compose.find_root(tmp_path / "local") == tmp_path


@pytest.mark.parametrize(("name", "says"), [("Eye Unit", "cannot be the folder"), ("taken", "is already there"), ("nowhere/unit", "There is no folder")])
def test_a_new_department_that_cannot_be_set_up_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, says: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "taken").mkdir()
    before = sorted(tmp_path.rglob("*"))
    result = cards(None, "new", "department", name)
    assert result.exit_code == 2 and says in result.stderr and sorted(tmp_path.rglob("*")) == before


def test_a_new_department_is_not_put_inside_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(lay(tmp_path / "first"))
    assert "would lie inside first" in cards(None, "new", "department", "second", "--layered").stderr
    assert cards(None, "new", "department", "../second").exit_code == 0 and (tmp_path / "second/cards/department.yaml").is_file()
    monkeypatch.chdir(tmp_path / "second")
    assert "already there" in cards(None, "new", "department", "anything").stderr, "Inside a repository it is the file of the department."


def installed(folder: Path) -> Path:
    """The package laid out as a wheel has it, by pyproject.toml, with the small valid library for its cards."""
    tool = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    for package in tool["packages"]:
        source = PROJECT / tool["package-dir"].get(package, package.replace(".", "/"))
        target = folder / package.replace(".", "/")
        patterns = tool["package-data"].get(package, [])
        # As setuptools looks: ** does not go into folders that begin with a dot.
        for file in {f for pattern in ("*.py", *patterns) for f in glob.glob(pattern, root_dir=source, recursive=True) if (source / f).is_file()}:
            (target / file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / file, target / file)
    assert (folder / "builder/cards/techniques/haemostasis.yaml").is_file() and (folder / "builder/kit/mkdocs.yml").is_file()
    shutil.rmtree(folder / "builder/cards")
    shutil.copytree(VALID, folder / "builder/cards")
    return folder


def test_a_new_department_of_either_shape_is_checked_and_built_at_once(tmp_path: Path) -> None:
    package = installed(tmp_path / "package")
    environment = {**os.environ, "PYTHONPATH": str(package), "NO_MKDOCS_2_WARNING": "1", "SOURCE_DATE_EPOCH": "1795600000"}

    def run(where: Path, *arguments: str) -> str:
        done = subprocess.run([sys.executable, "-m", "builder", *arguments], cwd=where, env=environment, capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    run(tmp_path, "new", "department", "own-unit")
    run(tmp_path, "new", "department", "layered-unit", "--layered")
    own, other = tmp_path / "own-unit", tmp_path / "layered-unit"
    assert {p.name for p in other.iterdir()} == {"local", "README.md", "Makefile", "requirements.txt", "CODEOWNERS", ".ci", ".github", ".gitlab", ".gitlab-ci.yml",
                                                 ".gitignore", ".editorconfig", ".pre-commit-config.yaml", ".vscode"}
    assert "Own unit" in (own / "cards/department.yaml").read_text(encoding="utf-8")
    for root in (own, other):
        _kit_fits(root)
    # The shape with cards of its own takes a value over them, as the other does over the package's.
    value = "value: 50\n    unit: mmHg\n    instead_of: {value: 60, unit: mmHg}"
    write(own, "local/department.yaml", "name: Daughter unit\n")
    write(own, "local/overrides.yaml", f"quantities:\n  write-a-card/read-again:\n    high: 6\n    unit: month\n    instead_of: {{high: 12, unit: month}}\n    why: {WHY}\n    basis: common practice\n")
    write(other, "local/overrides.yaml", f"quantities:\n  raised-infusion/raised:\n    {value}\n    why: {WHY}\n    basis: common practice\n")
    for root, card, ours, base in ((own, "write-a-card", "6", "12\u00a0months"), (other, "raised-infusion", "50", "60\u00a0mmHg")):
        run(root, "check")
        assert cards(root, "format", "--check").exit_code == 0
        run(root, "build")
        page = (root / f"site/techniques/{card}.html").read_text(encoding="utf-8")
        assert re.search(rf'<span class="value">(up to )?{ours}</span>', page) and WHY in page and re.search(f"local; base (up to )?{base}", page)
        assert not any(f.suffix in (".yaml", ".yml") for f in (root / "site").rglob("*")), "Cards are data, never published as they are."
    assert re.search(r"<h1[^>]*>Layered unit", (other / "site/index.html").read_text(encoding="utf-8"))
    assert not list(other.glob("cards")), "Nothing of the package's cards is copied."


def _kit_fits(root: Path) -> None:
    """What the workflow files call is there, and what an owner is named for too."""
    targets = re.findall(r"^\.PHONY: (.*)$", (root / "Makefile").read_text(encoding="utf-8"), re.M)[0].split()
    for file in (*(root / ".github/workflows").glob("*.yml"), root / ".gitlab-ci.yml"):
        assert set(re.findall(r"\bmake ([a-z]+)", file.read_text(encoding="utf-8"))) <= {*targets, "it"}, file.name
    assert os.access(root / ".ci/run", os.X_OK)
    layer = "local" if (root / "local").is_dir() else "cards"
    for line in (root / "CODEOWNERS").read_text(encoding="utf-8").splitlines():
        if line.startswith("/"):
            assert line.split()[0] in ("/CODEOWNERS",) or line.startswith(f"/{layer}/"), line
    bound = json.loads((root / ".vscode/settings.json").read_text(encoding="utf-8"))["yaml.schemas"]
    assert all((root / schema).is_file() for schema in bound) and len(bound) == len({*SINGLES["cards"].values(), *SINGLES["local"].values()}) + 5
    for text in (f.read_text(encoding="utf-8") for f in root.rglob("*") if f.is_file()):
        assert "{{" not in text.replace("${{", ""), "A mark of the starter was left."
