"""`cards check` through the real command: exit codes, places, forms and filters, and never a traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from fixtures import PROJECT, build, lay, technique, units, write

from builder import compose
from builder.cli import main
from builder.problems import Problem, as_ci, as_json, as_text, in_order

KEYS = ["file", "line", "column", "rule", "message", "fix"]


@pytest.fixture(autouse=True)
def _one_set_of_units(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compose, "Units", units)


def cards(root: Path, *arguments: str) -> Result:
    result = CliRunner().invoke(main, ["--root", str(root), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def process(root: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "builder", *arguments], cwd=root, capture_output=True, text=True,
                          encoding=environment.get("PYTHONIOENCODING", "utf-8").replace("ascii", "utf-8"),  # click takes UTF-8 for ASCII
                          env={**os.environ, "PYTHONPATH": str(PROJECT), **environment}, timeout=60)


# One card a fault, all laid at once: (file below cards/, its text, [(line, column, rule)]).
def _claim(text: str, basis: str = "common practice") -> bytes:
    return technique(f"equipment:\n  - text: {text}\n    basis: {basis}\n").encode()


HOSTILE: dict[str, tuple[bytes, list[tuple[int, int, str]]]] = {
    "duplicate-key": (technique("stage: laser\n").encode(), [(4, 1, "duplicate-key")]),
    "tab": (b"title: A\nsteps:\n\t- do: Do it.\n", [(3, 1, "tab")]),
    "bad-utf-8": (b"title: A\nsummary: caf\xe9\n", [(2, 13, "encoding")]),
    "alias-bomb": (b"a: &a [x, x]\n" + b"".join(b"b%d: [*a, *a, *a]\n" % i for i in range(1000)), [(2, 6, "alias")]),
    "ten-megabytes": (b"title: A\n" * 1_200_000, [(1, 1, "too-large")]),
    "empty": (b"", [(1, 1, "empty")]),
    "list-on-top": (b"- title: A\n", [(1, 1, "top-level")]),
    "nul-byte": (b"title: A\nsummary: One\x00sentence.\n", [(2, 13, "control-character")]),
    "unknown-key": (technique("equipmnt: []\n").encode(), [(4, 1, "unknown-key")]),
    "unknown-unit": (technique("quantities:\n  one: {label: One, value: 1, unit: mmhg, basis: common practice}\n").encode(), [(5, 37, "unknown-unit")]),
    "wrong-dimension": (technique("quantities:\n  one: {label: One, value: 1, unit: mmHg, basis: common practice, "
                                  "reported: [{value: 1, unit: mm, in: eyes, basis: common practice}], why: It serves.}\n").encode(), [(5, 95, "wrong-dimension")]),
    "unknown-id": (technique("see_also: [raised-infusoin]\n").encode(), [(4, 12, "unknown-card")]),
    "number-in-prose": (_claim("Raise it to 60 mmHg at once."), [(5, 23, "number-in-prose")]),
    "raw-html": (_claim("Do <em>not</em> wait."), [(5, 14, "raw-html")]),
    "script-link": (_claim("See [here](javascript:alert(1))."), [(5, 15, "script-link")]),
    "missing-basis": (technique("equipment:\n  - text: Drops.\n").encode(), [(5, 5, "missing-basis")]),
    "absent-source": (_claim("Drops.", "[{source: nobody-1999, checked: memory}]"), [(6, 22, "unknown-source")]),
    "cycle-in-next": (technique("next: [cycle-in-next]\n").encode(), [(4, 8, "next-cycle")]),
    "id-not-the-file-name": (technique("id: another\n").encode(), [(4, 5, "id-differs")]),
}


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    lay(tmp_path / "unit")
    for name, (content, _) in HOSTILE.items():
        write(tmp_path / "unit", f"techniques/{name}.yaml", content)
    (tmp_path / "secret.yaml").write_text(technique(), encoding="utf-8")
    (tmp_path / "unit/cards/techniques/link-out.yaml").symlink_to(tmp_path / "secret.yaml")
    return tmp_path / "unit"


EXPECTED = sorted([(f"cards/techniques/{n}.yaml", *place) for n, (_, places) in HOSTILE.items() for place in places]
                  + [("cards/techniques/link-out.yaml", 1, 1, "outside-cards")])


def test_every_fault_is_told_at_once_in_order_at_its_line_and_column(hostile: Path) -> None:
    result = cards(hostile, "check", "--format", "json")
    assert result.exit_code == 1
    problems = json.loads(result.stdout)
    assert [(p["file"], p["line"], p["column"], p["rule"]) for p in problems] == EXPECTED
    assert all(list(p) == KEYS for p in problems)
    assert all(p["message"] and p["fix"] for p in problems)
    assert all("Traceback" not in p["message"] and "Error" not in p["message"] for p in problems)


def test_the_nearest_known_word_is_named(hostile: Path) -> None:
    messages = {p["rule"]: p["message"] for p in json.loads(cards(hostile, "check", "--format", "json").stdout)}
    assert "Did you mean 'equipment'?" in messages["unknown-key"]
    assert "Did you mean 'raised-infusion'?" in messages["unknown-card"]
    assert "Did you mean 'mmHg'?" in messages["unknown-unit"]


def test_a_real_process_exits_with_1_and_prints_no_traceback(hostile: Path) -> None:
    done = process(hostile, "check")
    assert done.returncode == 1
    assert done.stderr == ""
    assert "Traceback" not in done.stdout
    assert done.stdout.rstrip().endswith(f"{len(EXPECTED)} problems in {len(EXPECTED)} files.")
    assert all(f"{file}:{line}:{column}: " in done.stdout for file, line, column, _ in EXPECTED)


def test_a_clean_library_exits_with_0(tmp_path: Path) -> None:
    done = process(lay(tmp_path), "check")
    assert (done.returncode, done.stdout, done.stderr) == (0, "No problems.\n", "")


def test_without_a_cards_folder_it_could_not_run(tmp_path: Path) -> None:
    done = process(tmp_path, "check")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("Could not run: There is no cards folder here or above")


def test_an_unreadable_schema_could_not_run(tmp_path: Path) -> None:
    lay(tmp_path)
    (tmp_path / "schema").mkdir()
    (tmp_path / "schema/common.schema.json").write_text("{", encoding="utf-8")
    result = cards(tmp_path, "check")
    assert result.exit_code == 2
    assert result.stderr.startswith("Could not run: A schema cannot be read")
    (tmp_path / "schema/common.schema.json").write_text('{"$id": "common.schema.json"}', encoding="utf-8")
    result = cards(tmp_path, "check")
    assert (result.exit_code, result.stderr) == (2, "Could not run: The schema folder lacks technique, pathway, calculator, page, source, glossary, department, overrides, local-department.\n")


def test_a_file_name_that_is_not_text_does_not_stop_the_printing(tmp_path: Path) -> None:
    path = os.fsencode(lay(tmp_path)) + b"/cards/techniques/\xff\xfe.yaml"
    Path(os.fsdecode(path)).write_bytes(technique().encode())
    for form in ("text", "json"):
        done = process(tmp_path, "check", "--format", form)
        assert done.returncode == 1, done.stderr
        assert done.stderr == ""


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_a_terminal_that_cannot_show_every_character_still_gets_the_problems(tmp_path: Path, encoding: str) -> None:
    lay(tmp_path)
    write(tmp_path, "techniques/greek.yaml", technique("also_called: [2]\nequipment: [{text: Not 5 µm\u2009\u03b2., basis: common practice}]\n"))
    done = process(tmp_path, "check", PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (1, "")
    assert "techniques/greek.yaml" in done.stdout


# --- PATH -----------------------------------------------------------------------------------------------------------


def test_paths_limit_what_is_told(hostile: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(hostile)
    one = json.loads(CliRunner().invoke(main, ["check", "cards/techniques/tab.yaml", "--format", "json"]).stdout)
    assert [p["file"] for p in one] == ["cards/techniques/tab.yaml"]
    two = json.loads(CliRunner().invoke(main, ["check", "cards/techniques/tab.yaml", "cards/techniques/empty.yaml", "--format", "json"]).stdout)
    assert [p["file"] for p in two] == ["cards/techniques/empty.yaml", "cards/techniques/tab.yaml"]
    folder = json.loads(CliRunner().invoke(main, ["check", "cards/techniques", "--format", "json"]).stdout)
    assert len(folder) == len(EXPECTED)
    link = json.loads(CliRunner().invoke(main, ["check", "cards/techniques/link-out.yaml", "--format", "json"]).stdout)
    assert [p["rule"] for p in link] == ["outside-cards"]
    clean = CliRunner().invoke(main, ["check", "cards/sources"])
    assert (clean.exit_code, clean.stdout) == (0, "No problems.\n")


def test_a_path_from_inside_the_cards_folder_works(hostile: Path) -> None:
    done = process(hostile / "cards" / "techniques", "check", "tab.yaml", "--format", "json")
    assert [p["file"] for p in json.loads(done.stdout)] == ["cards/techniques/tab.yaml"]


def test_a_missing_path_and_one_outside_could_not_run(tmp_path: Path) -> None:
    lay(tmp_path / "unit")
    missing = cards(tmp_path / "unit", "check", str(tmp_path / "unit/cards/techniques/nowhere.yaml"))
    assert missing.exit_code == 2
    assert "does not exist" in missing.stderr
    outside = cards(tmp_path / "unit", "check", str(tmp_path))
    assert outside.exit_code == 2
    assert "is outside unit" in outside.stderr


def test_a_path_that_is_no_card_could_not_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise `cards check README.md` would call a file clean that it never looked at."""
    lay(tmp_path)
    (tmp_path / "README.md").write_text("# Cards\n", encoding="utf-8")
    (tmp_path / "cards-old").mkdir()
    monkeypatch.chdir(tmp_path)
    for path in ("README.md", "cards-old"):
        result = CliRunner().invoke(main, ["check", path])
        assert (result.exit_code, result.stdout) == (2, "")
        assert result.stderr == f"Could not run: {path} is not a card; cards are in the folder cards.\n"
    done = process(tmp_path, "check", "README.md")
    assert (done.returncode, done.stdout) == (2, "")
    for path in (".", "cards", "cards/pages"):
        result = CliRunner().invoke(main, ["check", path])
        assert (result.exit_code, result.stdout) == (0, "No problems.\n"), path


def test_a_name_that_begins_like_another_is_not_taken_for_it(tmp_path: Path) -> None:
    lay(tmp_path)
    write(tmp_path, "techniques/tab.yaml", technique("next: [nowhere]\n"))
    write(tmp_path, "techniques/tab-2.yaml", technique("next: [nowhere]\n"))
    result = cards(tmp_path, "check", str(tmp_path / "cards/techniques/tab.yaml"), "--format", "json")
    assert [p["file"] for p in json.loads(result.stdout)] == ["cards/techniques/tab.yaml"]


def test_a_folder_whose_name_begins_like_another_is_not_taken_for_it(tmp_path: Path) -> None:
    lay(tmp_path)
    write(tmp_path, "source/one.yaml", b"")
    write(tmp_path, "sources/two.yaml", b"")
    result = cards(tmp_path, "check", str(tmp_path / "cards/source"), "--format", "json")
    assert [p["file"] for p in json.loads(result.stdout)] == ["cards/source"]


# --- forms ----------------------------------------------------------------------------------------------------------

AWKWARD = Problem("cards/techniques/a,b:c.yaml", 3, 7, "unknown-unit", "'50%' is\nno unit\r; see 100 % of it: 'µm', \"quoted\".", "Write %.")


def test_the_three_forms_of_a_clean_library(tmp_path: Path) -> None:
    lay(tmp_path)
    assert [cards(tmp_path, "check", "--format", f).stdout for f in ("text", "json", "ci")] == ["No problems.\n", "[]\n", "\n"[:0]]


def test_ci_annotations_keep_to_one_line_and_escape_what_the_form_itself_uses() -> None:
    assert as_ci([AWKWARD]) == (
        "::error file=cards/techniques/a%2Cb%3Ac.yaml,line=3,col=7,title=unknown-unit"
        "::'50%25' is%0Ano unit%0D; see 100 %25 of it: 'µm', \"quoted\". Fix: Write %25.")


def test_ci_form_through_the_command(tmp_path: Path) -> None:
    lay(tmp_path)
    write(tmp_path, "techniques/odd.yaml", technique('see_also: ["raised\\r\\ninfusion"]\n'))
    write(tmp_path, "techniques/odd-2.yaml", technique('quantities: {one: {label: One, value: 1, unit: "50%", basis: common practice}}\n'))
    write(tmp_path, "techniques/odd-3.yaml", technique('next: ["raised-infusion\\n"]\n'))
    lines = cards(tmp_path, "check", "--format", "ci").stdout.splitlines()
    assert len(lines) == len(build(tmp_path).problems) == 3
    assert [line.partition(",line=")[0] for line in lines] == [f"::error file=cards/techniques/{name}.yaml" for name in ("odd-2", "odd-3", "odd")]
    assert "'50%25'" in lines[0]
    assert "'raised%0D%0Ainfusion'" in lines[2], "A line break of the card must not end the annotation."


def test_json_form_is_json_whatever_the_message_holds() -> None:
    assert json.loads(as_json([AWKWARD])) == [{k: getattr(AWKWARD, k) for k in KEYS}]


def test_text_form_gives_place_message_rule_fix_and_a_count() -> None:
    other = Problem("cards/a.yaml", 1, 1, "tab", "A tab.", "Remove it.")
    assert as_text([other]) == "cards/a.yaml:1:1: A tab. [tab]\n    Fix: Remove it.\n1 problem in 1 file."
    assert as_text([other, AWKWARD]).endswith("2 problems in 2 files.")
    assert as_text([]) == ""


def test_problems_come_by_file_then_line_then_column_each_once() -> None:
    made = [Problem(f, line, column, "r", "m", "x") for f in ("b", "a") for line in (10, 9) for column in (2, 1)]
    ordered = in_order([*made, *made])
    assert [(p.file, p.line, p.column) for p in ordered] == [(f, line, c) for f in "ab" for line in (9, 10) for c in (1, 2)]


# --- places in awkward texts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "place"), [
    ("    text: Go to 5 mm, not 15 mm.", [(6, 17), (6, 27)]),
    ("    text: >-\n      Go to\n      5 mm, not 5\n      mm.", [(8, 7), (8, 17)]),
    ("    text: |\n      Go to 5 mm.", [(7, 13)]),
    ("    text: 'It''s 5 mm.'", [(6, 18)]),
    ('    text: "Is it 5 mm? Then 5 mm."', [(6, 18), (6, 29)]),
    ("    text: See [](card:raised-infusion) for 5 mm.", [(6, 44)]),
    ("    text: Über 5 mm, *5 mm*.", [(6, 16), (6, 23)]),
])
def test_a_number_is_found_where_it_stands_however_the_text_is_written(tmp_path: Path, text: str, place: list[tuple[int, int]]) -> None:
    lay(tmp_path)
    write(tmp_path, "techniques/odd.yaml", technique(f"equipment:\n  - basis: common practice\n{text}\n"))
    problems = build(tmp_path).problems
    assert {p.rule for p in problems} == {"number-in-prose"}
    assert [(p.line, p.column) for p in problems] == place


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_places_do_not_depend_on_line_endings_or_a_byte_order_mark(tmp_path: Path, ending: str) -> None:
    lay(tmp_path)
    text = technique("see_also: [nowhere]\n").replace("\n", ending)
    write(tmp_path, "techniques/odd.yaml", b"\xef\xbb\xbf" + text.encode())
    (problem,) = build(tmp_path).problems
    assert (problem.line, problem.column) == (4, 12)
