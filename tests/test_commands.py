"""`cards new`, `cards compute` and `cards build` through the real command, and `mkdocs build` by itself."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import icalendar
import pytest
import yaml
from click.testing import CliRunner, Result
from fixtures import FOLDER, PROJECT, VALID, build, lay, project, technique, units, write

from builder import compose, export, starter, validate
from builder.cli import main
from builder.model import KINDS as EVERY_KIND
from builder.model import LOCAL_KINDS, PLACEHOLDER
from builder.read import parse

KINDS = [k for k in EVERY_KIND if k not in LOCAL_KINDS]  # for those of a local layer see test_local.py
SINGLE = {"glossary": "glossary.yaml", "department": "department.yaml"}


@pytest.fixture(autouse=True)
def _one_set_of_units(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compose, "Units", units)
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")


def cards(root: Path, *arguments: str) -> Result:
    result = CliRunner().invoke(main, ["--root", str(root), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


# --- cards new ------------------------------------------------------------------------------------------------------


def place(root: Path, kind: str, id: str) -> Path:
    return root / "cards" / (SINGLE.get(kind) or f"{FOLDER[kind]}/{id}.yaml")


@pytest.mark.parametrize("kind", KINDS)
def test_a_starter_file_passes_all_but_what_it_asks_to_be_written(tmp_path: Path, kind: str) -> None:
    lay(tmp_path, without=(SINGLE[kind],) if kind in SINGLE else ())
    result = cards(tmp_path, "new", kind, "brand-new")
    file = place(tmp_path, kind, "brand-new")
    shown = file.relative_to(tmp_path).as_posix()
    assert (result.exit_code, result.stdout) == (0, f"Wrote {shown}. Fill it in, then run: cards check\n")
    problems = [p for p in build(tmp_path).problems if p.file == shown]
    # `unfinished` is the starter's own text. The example ids are this project's, so in another library they lead nowhere:
    # a starter cannot know which cards there are.
    assert {p.rule for p in problems} <= {"unfinished", "unknown-card"}
    if kind != "glossary":  # its examples are finished terms
        assert "unfinished" in {p.rule for p in problems}, "A starter left as it came must not pass for a card."


@pytest.mark.parametrize("kind", KINDS)
def test_a_starter_file_says_what_each_key_is_for_and_its_optional_keys_fit_too(kind: str) -> None:
    schemas = compose.load_schemas(PROJECT)
    text = starter.starter(kind, schemas)
    schema = next(s for s in schemas if s["$id"] == f"{kind}.schema.json")
    up = "../" if kind in SINGLE else "../../"
    assert text.startswith(f"# yaml-language-server: $schema={up}schema/{kind}.schema.json\n")
    for key in schema["properties"]:
        if key == "id":  # the file name is the id
            continue
        line = re.search(rf"^(# )?{re.escape(key)}:", text, re.M)
        assert line, f"The starter leaves out {key}."
        assert bool(line[1]) == (key not in schema["required"]), f"{key}: only optional keys stand behind '#'."
        assert text[: line.start()].rstrip("\n").rpartition("\n")[2].startswith("# "), f"{key} stands there without a comment."
    # With every optional key taken in, the file still fits its schema.
    optional = "|".join(re.escape(k) for k in schema["properties"] if k not in schema["required"])
    whole = re.sub(rf"^# ((?:{optional}):.*(?:\n# .*)*)", lambda m: re.sub(r"^# ", "", m[0], flags=re.M), text, flags=re.M) if optional else text
    document = parse(whole.encode(), "x.yaml", kind, "brand-new")
    assert set(document.data) == set(schema["properties"]) - {"id"}
    _, problems = validate.validate([document], validate.Schemas(schemas))
    # A few fields shut each other out: an output has a formula or a solve, an input is a number or a choice.
    assert [p for p in problems if p.rule != "formula-or-solve"] == []


def test_a_starter_is_the_same_whoever_writes_it() -> None:
    schemas = compose.load_schemas(PROJECT)
    assert starter.starter("technique", schemas) == starter.starter("technique", list(reversed(schemas)))
    assert PLACEHOLDER in starter.starter("technique", schemas)


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path, kind: str) -> None:
    lay(tmp_path)
    id = {"technique": "raised-infusion", "pathway": "trapped-blood", "calculator": "window-and-pressure", "page": "about-the-cards", "source": "arevalo-2008", **SINGLE}[kind].split(".")[0]
    file = place(tmp_path, kind, id)
    before = file.read_bytes()
    result = cards(tmp_path, "new", kind, id)
    assert (result.exit_code, result.stderr) == (2, f"Could not run: {file.relative_to(tmp_path).as_posix()} is already there.\n")
    assert file.read_bytes() == before


@pytest.mark.parametrize("id", ["Raised", "a b", "a_b", "-a", "a-", "a--b", "../a", "a/b", "a.yaml", "é", "", "a" * 81, "a\n", "index", "con", "lpt1"])
def test_an_id_that_cannot_be_a_file_name_is_refused(tmp_path: Path, id: str) -> None:
    lay(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    result = cards(tmp_path, "new", "technique", "--", id)
    assert result.exit_code == 2
    assert "cannot be an id" in result.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_an_unknown_kind_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    result = cards(lay(tmp_path), "new", "tecnique", "one")
    assert result.exit_code == 2
    assert all(kind in result.stderr for kind in KINDS)


# --- cards compute --------------------------------------------------------------------------------------------------

GIVEN = ("injected=2028-02-24", "theatre=2028-03-01", "iop=20", "eye=left")


def compute(root: Path, *arguments: str) -> Result:
    return cards(root, "compute", *arguments)


def test_compute_gives_results_verdicts_and_sources_as_json(tmp_path: Path) -> None:
    result = compute(lay(tmp_path), "window-and-pressure", *GIVEN, "--format", "json")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert list(answer) == ["calculator", "title", "inputs", "outputs", "verdicts", "citations", "caution"]
    values = {n: o["value"] for n, o in answer["outputs"].items()}
    # Worked by hand in the card's own example: 80 + 40/3, two thirds of it less 20, and the limit of 30 met at 32.222.
    assert values["opens"] == "2028-02-28" and values["closes"] == "2028-03-05"
    assert [round(values[n], 3) for n in ("interval", "mean", "perfusion", "iop_at_limit", "port")] == [6, 93.333, 42.222, 32.222, 2.5]
    assert answer["outputs"]["perfusion"]["basis"] == [{"source": "van-keer-2016-mopp", "checked": "full text"}]
    assert answer["inputs"]["eye"]["value"] == "left"
    assert {c["id"] for c in answer["citations"]} == {"demers-wachs-statpearls-map", "van-keer-2016-mopp"}
    assert [v["level"] for v in answer["verdicts"]] == ["note"]
    assert answer["verdicts"][0]["say"] == "Perfusion stays above the limit up to 32.2 in the Left eye."


def test_a_withheld_result_is_nothing_with_its_sentence(tmp_path: Path) -> None:
    lay(tmp_path)
    below = (*GIVEN[:2], "iop=40")
    answer = json.loads(compute(tmp_path, "window-and-pressure", *below, "--format", "json").stdout)
    # 2/3 of 93.333 less 40 is 22.222, under the limit of 30; the share rests on what is withheld, and goes with it.
    for name in ("to_spare", "spared"):
        shown = answer["outputs"][name]
        assert (shown["value"], shown["shown"], shown["withheld"]) == (None, "–", "There is none to spare below the limit."), name
    assert round(answer["outputs"]["iop_at_limit"]["value"], 3) == 32.222, "What does not rest on it is told."
    assert not [n for n, o in answer["outputs"].items() if "withheld" in o and n not in ("to_spare", "spared")]
    lines = compute(tmp_path, "window-and-pressure", *below).stdout.splitlines()
    assert "  Pressure to spare: –  There is none to spare below the limit." in lines
    above = json.loads(compute(tmp_path, "window-and-pressure", *GIVEN, "--format", "json").stdout)
    assert round(above["outputs"]["to_spare"]["value"], 3) == 12.222 and "withheld" not in above["outputs"]["to_spare"]


def entry(text: str) -> icalendar.Event:
    """The one entry of a calendar file, as an independent reader of RFC 5545 finds it."""
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", ""), "Lines end in CRLF."
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n")), "A line has at most 75 octets."
    calendar = icalendar.Calendar.from_ical(text)
    assert (calendar["VERSION"], calendar.errors) == ("2.0", [])
    assert calendar["PRODID"]
    (event,) = calendar.walk("VEVENT")
    assert event.errors == []
    return event


def test_a_calendar_file_holds_the_whole_window(tmp_path: Path) -> None:
    lay(tmp_path)
    result = CliRunner().invoke(main, ["--root", str(tmp_path), "compute", "window-and-pressure", *GIVEN, "--format", "ics"])
    assert (result.exit_code, result.stderr) == (0, "")
    event = entry(result.stdout_bytes.decode())
    # Days 4 to 10 after 24 February of a leap year; the end of an all-day entry is the day after it (RFC 5545, 3.6.1; recalled).
    assert (event.decoded("DTSTART"), event.decoded("DTEND")) == (date(2028, 2, 28), date(2028, 3, 6))
    assert str(event["SUMMARY"]) == "Window, for the tests; 1 of 1"
    assert "the responsible surgeon decide" in str(event["DESCRIPTION"])
    assert event["UID"] and abs(event.decoded("DTSTAMP") - datetime.now(UTC)) < timedelta(minutes=5)
    assert "left" not in result.stdout and "20" not in str(event["SUMMARY"]), "No input goes into the file."


@pytest.mark.parametrize(("title", "first", "last"), [
    ("Ünïcode – long enough that it must be folded, several times, inside characters of two octets: ÄÖÜäöüßéèêÄÖÜäöüß; \\ end", date(2027, 12, 30), date(2028, 1, 1)),
    ("👁" * 40, date(2028, 2, 29), date(2028, 2, 29)), ("a, b; c\\n \\ d", date(1900, 1, 1), date(2200, 12, 31)), ("x" * 300, date(2028, 3, 1), date(2028, 3, 2)),
])
def test_a_calendar_file_reads_back_as_it_was_written(title: str, first: date, last: date) -> None:
    stamp = datetime(2028, 1, 2, 3, 4, 5, tzinfo=UTC)
    event = entry(export.calendar_file(title, first, last, "a-1@technique-cards", stamp, "One.\nTwo, three."))
    assert (str(event["SUMMARY"]), str(event["DESCRIPTION"]), str(event["UID"])) == (title, "One.\nTwo, three.", "a-1@technique-cards")
    assert (event.decoded("DTSTART"), event.decoded("DTEND"), event.decoded("DTSTAMP")) == (first, last + timedelta(days=1), stamp)


def changed(root: Path, old: str, new: str) -> None:
    file = root / "cards/calculators/window-and-pressure.yaml"
    text = (VALID / "calculators/window-and-pressure.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_there_is_no_calendar_file_without_two_days_in_order(tmp_path: Path) -> None:
    lay(tmp_path)
    for old, new, given, message in [
        ("calendar: {title: \"Window, for the tests; 1 of 1\", from: opens, to: closes}\n", "", GIVEN, "The calculator 'window-and-pressure' has no calendar file."),
        ("from: opens, to: closes}", "from: closes, to: opens}", GIVEN, "There is no calendar file for these inputs: the last day comes before the first."),
        # The window shrunk to its first two days, Friday 3 and Saturday 4 March 2028: no list of Mondays and Thursdays falls in it.
        ("from: opens, to: closes}", "from: opens, to: list}", ("injected=2028-02-28", "theatre=2028-03-03"), "There is no calendar file for these inputs: No list falls inside the window."),
    ]:
        changed(tmp_path, old, new)
        if "to: list" in new:
            short = tmp_path / "cards/techniques/injection-first.yaml"
            short.write_text(short.read_text(encoding="utf-8").replace("high: 10", "high: 5", 1), encoding="utf-8")
            file = tmp_path / "cards/calculators/window-and-pressure.yaml"
            # The worked example's own window shrinks with it.
            file.write_text(file.read_text(encoding="utf-8").replace('closes: "2028-03-05"', 'closes: "2028-02-29"'), encoding="utf-8")
        result = compute(tmp_path, "window-and-pressure", *given, "--format", "ics")
        assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"Could not run: {message}\n")


def test_a_refused_input_gives_no_calendar_file(tmp_path: Path) -> None:
    result = compute(lay(tmp_path), "window-and-pressure", "iop=500", "--format", "ics")
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", "iop: Outside the range 0 to 120 mmHg. No console gives it.\n")


def test_compute_gives_the_same_as_text(tmp_path: Path) -> None:
    result = compute(lay(tmp_path), "window-and-pressure", *GIVEN)
    assert result.exit_code == 0
    for line in ("Window and pressure", "  Window opens: 2028-02-28  [common practice]", "  Mean arterial pressure: 93.3\u00a0mmHg  [demers-wachs-statpearls-map, secondary]",
                 "  Upper temporal port: 2:30  [common practice]", "  Injection to theatre: 6\u00a0days  [common practice]"):
        assert line in result.stdout.splitlines()
    assert "NOTE: Perfusion stays above the limit" in result.stdout
    assert "the responsible surgeon decide" in result.stdout


def test_a_value_may_carry_a_unit_the_input_accepts(tmp_path: Path) -> None:
    lay(tmp_path)
    # 1 mmHg is 133.322387415 Pa exactly by definition (BIPM, The International System of Units, 8th edition, table 8; recalled).
    for text, mmhg in (("2.66644774830kPa", 20), ("2.66644774830 kPa", 20), ("20 mmHg", 20), ("20", 20), ("20,0", 20)):
        answer = json.loads(compute(tmp_path, "window-and-pressure", *GIVEN[:2], f"iop={text}", "--format", "json").stdout)
        assert answer["inputs"]["iop"]["value"] == pytest.approx(mmhg, rel=1e-6), text


@pytest.mark.parametrize(("given", "name", "message"), [
    ("iop=500", "iop", "Outside the range 0 to 120 mmHg. No console gives it."),
    ("iop=50kPa", "iop", "Outside the range 0 to 15.9987 kPa. No console gives it."),
    ("iop=", "iop", "Write a number."),
    ("iop=high", "iop", "'high' is not a number."),
    ("iop=nan", "iop", "'nan' is not a number."),
    ("iop=٢٠", "iop", "'٢٠' is not a number."),  # the browser reads 0 to 9 alone
    ("iop=1e999", "iop", "Outside the range 0 to 120 mmHg. No console gives it."),
    ("iop=20 mm", "iop", "'mm' is not a unit of this field; use mmHg or cmH2O or kPa."),
    ("eye=rigth", "eye", "'rigth' is not one of: right, left. Did you mean 'right'?"),
    ("theatre=2028-02-30", "theatre", "'2028-02-30' is not a date between 1900 and 2200; write it YYYY-MM-DD."),
    ("theatre=1.3.2028", "theatre", "'1.3.2028' is not a date between 1900 and 2200; write it YYYY-MM-DD."),
    ("theater=2028-03-01", "theater", "There is no input 'theater'. Did you mean 'theatre'?"),
    ("systolic=70", "systolic", "The systolic pressure must be above the diastolic; check both readings."),
])
def test_a_refused_input_exits_with_1_and_says_why(tmp_path: Path, given: str, name: str, message: str) -> None:
    lay(tmp_path)
    result = compute(tmp_path, "window-and-pressure", given)
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", f"{name}: {message}\n")
    result = compute(tmp_path, "window-and-pressure", given, "--format", "json")
    assert result.exit_code == 1
    assert json.loads(result.stdout) == {"calculator": "window-and-pressure", "refused": [{"name": name, "message": message}]}


def test_every_refused_input_is_told_at_once(tmp_path: Path) -> None:
    result = compute(lay(tmp_path), "window-and-pressure", "iop=500", "eye=middle", "theatre=soon")
    assert [line.partition(":")[0] for line in result.stderr.splitlines()] == ["theatre", "iop", "eye"]


@pytest.mark.parametrize(("arguments", "message"), [
    (("window-and-presure",), "There is no calculator 'window-and-presure'. Did you mean 'window-and-pressure'?"),
    (("zzz",), "There is no calculator 'zzz'. There are: window-and-pressure."),
    (("window-and-pressure", "iop"), "'iop' is not name=value."),
    (("window-and-pressure", "iop=1", "iop=2"), "'iop' is given twice."),
    (("window-and-pressure", "--on", "today"), "'today' is not a date; write it YYYY-MM-DD."),
])
def test_what_cannot_be_computed_at_all_exits_with_2(tmp_path: Path, arguments: tuple[str, ...], message: str) -> None:
    result = compute(lay(tmp_path), *arguments)
    assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"Could not run: {message}\n")


def test_a_faulty_calculator_is_not_computed(tmp_path: Path) -> None:
    lay(tmp_path)
    file = tmp_path / "cards/calculators/window-and-pressure.yaml"
    for wrong in (("formula: theatre - injected", "formula: theatre - injectd"), ("question:", "qestion:")):
        file.write_text((VALID / "calculators/window-and-pressure.yaml").read_text(encoding="utf-8").replace(*wrong), encoding="utf-8")
        result = compute(tmp_path, "window-and-pressure")
        assert (result.exit_code, result.stderr) == (2, "Could not run: The calculator 'window-and-pressure' has problems; run: cards check\n")


def test_dates_left_out_start_from_the_day_given_by_on(tmp_path: Path) -> None:
    answer = json.loads(compute(lay(tmp_path), "window-and-pressure", "--on", "2026-12-30", "--format", "json").stdout)
    assert (answer["inputs"]["injected"]["value"], answer["inputs"]["theatre"]["value"]) == ("2026-12-30", "2027-01-04")
    answer = json.loads(compute(tmp_path, "window-and-pressure", "--format", "json").stdout)
    assert answer["inputs"]["injected"]["value"] == date.today().isoformat()


def test_a_calculator_the_department_has_switched_off_is_not_computed(tmp_path: Path) -> None:
    lay(tmp_path)
    with (tmp_path / "cards/department.yaml").open("a", encoding="utf-8") as file:
        file.write("calculators_off: [window-and-pressure]\n")
    result = compute(tmp_path, "window-and-pressure")
    assert (result.exit_code, result.stderr) == (2, "Could not run: The department has switched off the calculator 'window-and-pressure'.\n")


# --- cards build ----------------------------------------------------------------------------------------------------


def snapshot(folder: Path) -> dict[str, bytes]:
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


class _Words(HTMLParser):
    """The words of a page as a reader sees them, and those of its main heading."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words = self.heading = ""
        self._in_heading = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._in_heading = self._in_heading or tag == "h1"

    def handle_endtag(self, tag: str) -> None:
        self._in_heading = self._in_heading and tag != "h1"

    def handle_data(self, data: str) -> None:
        self.words += data
        self.heading += data if self._in_heading else ""


def old_site(root: Path) -> Path:
    """A site as an earlier build left it."""
    (root / "site/assets/data").mkdir(parents=True)
    (root / "site/assets/data/search.js").write_text("the old search", encoding="utf-8")
    (root / "site/index.html").write_text("the old site", encoding="utf-8")
    (root / "site/old.html").write_text("an old page", encoding="utf-8")
    return root / "site"


def test_a_build_puts_the_whole_site_in_place_of_the_old_one(tmp_path: Path) -> None:
    project(tmp_path)
    # Words that would be markup, or a template, if they were taken for it.
    title = 'P < Q & "R" {{ 7*7 }} *x* [y]'
    write(tmp_path, "techniques/marked.yaml", technique(f"also_called: ['{title}']\n").replace("title: A card for the tests", f"title: '{title}'"))
    site = old_site(tmp_path)
    result = cards(tmp_path, "build")
    assert result.exit_code == 0, result.output
    made = snapshot(site)
    assert "old.html" not in made
    for page in ("index.html", "techniques/raised-infusion.html", "techniques/index.html", "pathways/trapped-blood.html", "calculators/window-and-pressure.html",
                 "calculators/index.html", "pages/about-the-cards.html", "sources/iso-9626-2016.html", "sources/index.html", "glossary.html", "assets/calculators/window-and-pressure.js"):
        assert page in made, page
    assert not [f for f in made if f.endswith((".yaml", ".md", ".py"))], "Cards are data, never published as they are."
    pages = sum(1 for f in made if f.endswith(".html"))
    assert result.stdout.splitlines()[0] == f"Built {pages} pages from 3 technique cards, 1 calculators and 4 sources into {site}."
    assert sorted(p.name for p in tmp_path.iterdir()) == ["builder", "cards", "mkdocs.yml", "schema", "site", "site_overrides"], "Nothing is left beside the site."
    card = _Words(made["techniques/marked.html"].decode())
    assert card.heading.removesuffix("¶") == title
    assert f"also called {title}" in " ".join(card.words.split())
    assert str(tmp_path) not in "".join(c.decode(errors="ignore") for c in made.values()), "The site names a place of this machine."


def test_broken_cards_build_nothing_and_leave_the_old_site_whole(tmp_path: Path) -> None:
    project(tmp_path)
    site = old_site(tmp_path)
    before = snapshot(site)
    write(tmp_path, "techniques/broken.yaml", technique("next: [nowhere]\n"))
    result = cards(tmp_path, "build")
    assert result.exit_code == 1
    assert result.stdout.startswith("cards/techniques/broken.yaml:4:8: There is no technique card 'nowhere'.")
    assert result.stderr == "Nothing was built.\n"
    assert snapshot(site) == before


@pytest.mark.parametrize("broken", ["mkdocs", "disk", "bug", "stopped"])
def test_a_build_that_fails_half_way_leaves_the_old_site_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str) -> None:
    from mkdocs.commands import build as mkdocs_build
    from mkdocs.exceptions import BuildError

    project(tmp_path)
    site = old_site(tmp_path)
    before = snapshot(site)
    failure = {"mkdocs": BuildError("a page is wrong"), "disk": OSError(28, "No space left on device"), "bug": RuntimeError("bug"), "stopped": KeyboardInterrupt()}[broken]

    def half_way(config: object) -> None:
        folder = Path(config["site_dir"])
        folder.mkdir(parents=True)
        (folder / "index.html").write_text("half a site", encoding="utf-8")
        raise failure

    monkeypatch.setattr(mkdocs_build, "build", half_way)
    result = CliRunner().invoke(main, ["--root", str(tmp_path), "build"])
    assert result.exit_code != 0
    if broken in ("mkdocs", "disk"):
        assert (result.exit_code, result.stderr.partition(":")[0]) == (2, "Could not run")
    assert snapshot(site) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["builder", "cards", "mkdocs.yml", "schema", "site", "site_overrides"]


def test_the_old_site_comes_back_if_the_new_one_cannot_be_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from mkdocs.commands import build as mkdocs_build

    project(tmp_path)
    site = old_site(tmp_path)
    before = snapshot(site)
    monkeypatch.setattr(mkdocs_build, "build", lambda config: None)  # makes no site, so that the last move fails
    assert cards(tmp_path, "build").exit_code == 2
    assert snapshot(site) == before


@pytest.mark.parametrize("out", [".", "..", "cards", "cards/techniques", "cards/new"])
def test_the_site_is_never_put_over_the_project_or_into_the_cards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, out: str) -> None:
    root = project(tmp_path / "unit")
    before = snapshot(root / "cards")
    monkeypatch.chdir(root)
    result = CliRunner().invoke(main, ["build", "--out", out])
    assert result.exit_code == 2
    assert result.stderr.startswith("Could not run: The site cannot be put into")
    assert snapshot(root / "cards") == before


def test_the_site_is_never_put_over_a_folder_that_holds_something_else(tmp_path: Path) -> None:
    root = project(tmp_path / "unit")
    (tmp_path / "photographs").mkdir()
    (tmp_path / "photographs/holiday.jpg").write_bytes(b"x")
    for out in (tmp_path / "photographs", root / "schema"):
        before = snapshot(out)
        result = cards(root, "build", "--out", str(out))
        assert result.exit_code == 2
        assert "holds other files" in result.stderr
        assert snapshot(out) == before


# --- mkdocs by itself -------------------------------------------------------------------------------------------------


def mkdocs(folder: Path, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(out)], cwd=folder, capture_output=True, text=True,
                          encoding="utf-8", timeout=120, env={**os.environ, "NO_MKDOCS_2_WARNING": "1"})


def test_mkdocs_builds_the_real_site_by_itself_without_a_warning(tmp_path: Path) -> None:
    done = mkdocs(PROJECT, tmp_path / "site")
    assert done.returncode == 0, done.stderr
    assert "WARNING" not in done.stderr
    for kind, folder in FOLDER.items():
        there = {f.stem for f in (tmp_path / "site" / folder).glob("*.html")} - {"index"}
        off = yaml.safe_load((PROJECT / "cards/department.yaml").read_text(encoding="utf-8")).get("calculators_off", [])
        assert there == {f.stem for f in (PROJECT / "cards" / folder).glob("*.yaml")} - set(off), f"Every {kind} has its page."


def test_mkdocs_by_itself_stops_on_broken_cards_with_the_same_list(tmp_path: Path) -> None:
    project(tmp_path)
    write(tmp_path, "techniques/broken.yaml", technique("next: [nowhere]\n"))
    done = mkdocs(tmp_path, tmp_path / "site")
    assert done.returncode == 1
    assert "cards/techniques/broken.yaml:4:8: There is no technique card 'nowhere'. [unknown-card]" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "site").exists()
