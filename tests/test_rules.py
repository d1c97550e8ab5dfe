"""Every rule the builder can tell of has a card that breaks it, and the exact words in which it is told.

To add a rule: write tests/cards/invalid/RULE.yaml (RULE-2.yaml for another of its messages), run
`RENEW=1 python -m pytest tests/test_rules.py`, and read RULE.expected.txt: it is what a surgeon will see.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from fixtures import FOLDER, INVALID, PROJECT, RENEW, build, lay, local_department, technique, write

from builder import link, read
from builder.model import LOCAL_KINDS
from builder.problems import Problem, as_text

CASES = sorted(p.stem for p in INVALID.glob("*.yaml"))


def rule_of(case: str) -> str:
    return re.sub(r"-\d+\Z", "", case)


def target(case: str, text: str) -> str:
    """Where a failing file stands, by the kind in its first line."""
    first = re.match(r"# kind: ([\w-]+)( in local)?\n", text)
    assert first, f"The first line of {case}.yaml must say what it is, for example: # kind: technique, or # kind: technique in local"
    kind = first[1]
    layer = "local" if first[2] or kind in LOCAL_KINDS else "cards"
    return f"{layer}/{FOLDER[kind]}/{case}.yaml" if kind in FOLDER else f"{layer}/{kind.removeprefix('local-')}.yaml"


def run(root: Path, case: str) -> tuple[str, list[Problem]]:
    text = (INVALID / f"{case}.yaml").read_text(encoding="utf-8")
    where = target(case, text)
    lay(root)
    if where.startswith("local/"):
        local_department(root)
    write(root, where, text)
    return where, build(root).problems


def test_the_valid_library_has_no_problem(tmp_path: Path) -> None:
    built = build(lay(tmp_path))
    assert as_text(built.problems) == ""
    library = built.linked.library
    for records in (library.techniques, library.pathways, library.calculators, library.pages, library.sources, library.terms):
        assert records, "The valid library must hold every kind of card."
    assert set(built.ready) == set(library.calculators)


@pytest.mark.parametrize("case", CASES)
def test_a_failing_card_is_told_in_these_words(tmp_path: Path, case: str) -> None:
    file, problems = run(tmp_path, case)
    elsewhere = [p for p in problems if p.file != file]
    assert not elsewhere, "A fault is told once, at its own file:\n" + as_text(elsewhere)
    told = as_text(problems) + "\n"
    expected = INVALID / f"{case}.expected.txt"
    if RENEW:
        expected.write_text(told, encoding="utf-8")
    assert told == expected.read_text(encoding="utf-8")
    assert {p.rule for p in problems} == {rule_of(case)}, "A failing card breaks one rule, the one it is named after."


# --- what a YAML file of the repository cannot hold ----------------------------------------------------------------


@dataclass(frozen=True)
class Made:
    """A fault made by code: what is done to the valid library, and the problem that is told. root: of the library."""

    name: str
    make: object
    file: str
    line: int
    column: int
    rule: str
    message: str
    fix: str

    @property
    def problem(self) -> Problem:
        return Problem(self.file, self.line, self.column, self.rule, self.message, self.fix)


def _file(where: str, content: bytes):
    return lambda root: write(root, where, content)


def _link(where: str, to: str):
    def make(root: Path) -> None:
        path = root / "cards" / where
        if path.is_dir():
            path.rename(root / "moved")
        path.symlink_to(to)

    return make


def _folder_linked_out(root: Path) -> None:
    (root / "cards/sources").rename(root / "elsewhere")
    (root / "cards/sources").symlink_to(root / "elsewhere", target_is_directory=True)


def _file_for_folder(root: Path) -> None:
    (root / "cards/pathways/trapped-blood.yaml").unlink()
    (root / "cards/pathways").rmdir()
    write(root, "pathways", b"title: A case\n")


def _folder_for_file(root: Path) -> None:
    (root / "cards/glossary.yaml").unlink()
    (root / "cards/glossary.yaml").mkdir()


def _no_department(root: Path) -> None:
    (root / "cards/department.yaml").unlink()


def _outside(root: Path) -> None:
    (root / "outside.yaml").write_text(technique(), encoding="utf-8")
    (root / "cards/techniques/outside.yaml").symlink_to(root / "outside.yaml")


def _local(without_department: bool = False, **files: str):
    def make(root: Path) -> None:
        if not without_department:
            local_department(root)
        for where, text in files.items():
            write(root, where, text)

    return make


_OVER = """quantities: {%s/raised: {value: 50, unit: mmHg, instead_of: {value: 60, unit: mmHg}, why: We use less., basis: common practice}}\n"""
_OWN = technique("quantities: {raised: {label: Raised infusion pressure, value: 60, unit: mmHg, basis: common practice}}\n")

# Ten values, each doubled again and again by aliases: two to the power of thirty if it were written out.
_BOMB = b"title: &a0 [x, x]\n" + b"".join(b"k%d: &a%d [*a%d, *a%d]\n" % (i, i, i - 1, i - 1) for i in range(1, 31))
_UTF8 = "Save the file as UTF-8 (in the editor: Save with encoding)."
_NOT_UTF8 = "The file is not UTF-8 text at this place."
_DEEP = "Compare it with another card of the same kind."

MADE = [
    Made("bad-utf-8", _file("techniques/made.yaml", technique().encode() + "also_called: [Öl]\n".encode("latin-1")),
         "cards/techniques/made.yaml", 9, 15, "encoding", _NOT_UTF8, _UTF8),
    Made("utf-16", _file("techniques/made.yaml", technique().encode("utf-16")), "cards/techniques/made.yaml", 1, 1, "encoding", _NOT_UTF8, _UTF8),
    Made("nul-byte", _file("techniques/made.yaml", technique().replace("One sentence", "One\0sentence").encode()),
         "cards/techniques/made.yaml", 3, 13, "control-character", "There is an invisible control character (U+0000) here.", "Delete it."),
    Made("ten-megabytes", _file("techniques/made.yaml", b"title: " + b"x" * 10_000_000), "cards/techniques/made.yaml", 1, 1, "too-large",
         "The file is larger than 1 MB; no card is.", "Split it into one card a file, or remove what does not belong."),
    Made("no-bytes", _file("techniques/made.yaml", b""), "cards/techniques/made.yaml", 1, 1, "empty", "The file is empty.",
         "Write the card, or start again with: cards new technique made"),
    Made("alias-bomb", _file("techniques/made.yaml", _BOMB), "cards/techniques/made.yaml", 2, 10, "alias",
         "Anchors and aliases (& and *) are not used in cards.", "Write the value out, or make it a quantity and link to it."),
    Made("hundred-thousand-brackets", _file("techniques/made.yaml", b"title: " + b"[" * 100_000), "cards/techniques/made.yaml", 1, 1007, "too-deep",
         "The file is nested too deeply to be a card.", _DEEP),
    Made("link-out-of-cards", _outside, "cards/techniques/outside.yaml", 1, 1, "outside-cards",
         "This file is a link to a place outside the cards folder.", "Put the file itself into cards/."),
    Made("folder-out-of-cards", _folder_linked_out, "cards/sources", 1, 1, "outside-cards",
         "This folder is a link to a place outside the cards folder.", "Put the folder itself into cards/."),
    Made("link-to-nothing", _link("techniques/made.yaml", "nowhere.yaml"), "cards/techniques/made.yaml", 1, 1, "unreadable",
         "The file cannot be read: No such file or directory.", "Check that it exists and that its permissions let you read it."),
    Made("not-a-file", _folder_for_file, "cards/glossary.yaml", 1, 1, "unreadable", "This is not an ordinary file.", "Replace it by a YAML file."),
    Made("not-a-folder", _file_for_folder, "cards/pathways", 1, 1, "unexpected-file", "'pathways' should be a folder.", "Make it a folder of cards."),
    Made("unknown-folder", _file("technique/made.yaml", b""), "cards/technique", 1, 1, "unexpected-file",
         "The cards folder does not hold 'technique'. Did you mean 'techniques'?",
         "It holds techniques, pathways, calculators, pages, sources, glossary.yaml, department.yaml and nothing else; move or rename it."),
    Made("not-yaml", _file("techniques/made.yml", b""), "cards/techniques/made.yml", 1, 1, "unexpected-file",
         "'made.yml' is not a card: cards are files that end in .yaml, with no folders below.",
         "Rename it to end in .yaml, or move it out of cards/."),
    Made("not-an-id", _file("techniques/Raised Pressure.yaml", b""), "cards/techniques/Raised Pressure.yaml", 1, 1, "file-name",
         "'Raised Pressure.yaml' cannot be an id: ids are lower-case letters and digits joined by single hyphens.",
         "Rename the file, for example raised-pressure.yaml."),
    Made("a-card-of-the-layer-named-as-one-below", _local(**{"local/techniques/raised-infusion.yaml": technique()}), "local/techniques/raised-infusion.yaml", 1, 1,
         "local-id-taken", "The cards this department builds on have a technique card 'raised-infusion' already.",
         "Give yours another name, or change values of theirs in local/overrides.yaml."),
    Made("a-layer-without-a-name", _local(True, **{"local/overrides.yaml": _OVER % "raised-infusion"}), "local/department.yaml", 1, 1, "local-unnamed",
         "There is no local/department.yaml, so the site would carry the name of the department whose cards these are.", "Make one: cards new department"),
    Made("an-override-of-an-own-card", _local(**{"local/overrides.yaml": _OVER % "own", "local/techniques/own.yaml": _OWN}), "local/overrides.yaml", 1, 14,
         "override-of-own", "The card 'own' is your own: its value needs no other over it.", "Change the value in local/techniques/own.yaml, and remove this."),
    Made("a-strange-file-in-the-layer", _local(**{"local/notes.txt": ""}), "local/notes.txt", 1, 1, "unexpected-file",
         "The local folder does not hold 'notes.txt'.",
         "It holds techniques, pathways, calculators, pages, sources, glossary.yaml, department.yaml, overrides.yaml and nothing else; move or rename it."),
    Made("index-as-id", _file("techniques/index.yaml", technique().encode()), "cards/techniques/index.yaml", 1, 1, "file-name",
         "'index.yaml' cannot be an id: 'index' is the name of an index page, or of a device on Windows.",
         "Rename the file, for example index-card.yaml."),
    Made("device-as-id", _file("techniques/con.yaml", technique().encode()), "cards/techniques/con.yaml", 1, 1, "file-name",
         "'con.yaml' cannot be an id: 'con' is the name of an index page, or of a device on Windows.", "Rename the file, for example con-card.yaml."),
    Made("no-department", _no_department, "cards/department.yaml", 1, 1, "no-department",
         "There is no cards/department.yaml, so the site has no name.", "Make one: cards new department department"),
]


@pytest.mark.parametrize("made", MADE, ids=lambda m: m.name)
def test_a_fault_that_yaml_text_cannot_hold_is_told_in_these_words(tmp_path: Path, made: Made) -> None:
    made.make(lay(tmp_path))
    problems = build(tmp_path).problems
    # Without the folder of sources every citation leads nowhere; all else stands alone.
    told = [p for p in problems if p.file == made.file] if made.rule == "outside-cards" or made.name == "not-a-folder" else problems
    assert as_text(told) == as_text([made.problem])


def test_a_loop_of_links_is_told_as_unreadable(tmp_path: Path) -> None:
    _link("techniques/made.yaml", "made.yaml")(lay(tmp_path))
    (problem,) = build(tmp_path).problems
    assert (problem.file, problem.rule) == ("cards/techniques/made.yaml", "unreadable")  # the reason's wording is Python's


def test_a_folder_that_is_a_loop_of_links_is_told(tmp_path: Path) -> None:
    _link("pathways", "pathways")(lay(tmp_path))
    (problem,) = build(tmp_path).problems
    assert (problem.file, problem.rule) == ("cards/pathways", "unexpected-file")


def test_a_circle_of_next_over_several_cards_is_told_once(tmp_path: Path) -> None:
    lay(tmp_path)
    for one, other in (("one", "two"), ("two", "three"), ("three", "one")):
        write(tmp_path, f"techniques/{one}.yaml", technique(f"next: [{other}]\n"))
    (problem,) = build(tmp_path).problems
    assert (problem.rule, problem.file, problem.line, problem.column) == ("next-cycle", "cards/techniques/three.yaml", 4, 8)
    assert problem.message == "'next' runs in a circle: one -> two -> three -> one."


def test_a_way_of_failing_that_has_no_words_of_its_own_still_says_where_and_what(tmp_path: Path) -> None:
    """rule `schema`: a keyword newly used in a schema is told plainly before someone writes words for it."""
    lay(tmp_path)
    (tmp_path / "schema").mkdir()
    for file in (PROJECT / "schema").glob("*.json"):
        text = file.read_text(encoding="utf-8")
        text = text.replace('"maximum": 60,', '"maximum": 60, "multipleOf": 5,') if file.name == "department.schema.json" else text
        (tmp_path / "schema" / file.name).write_text(text, encoding="utf-8")
    (problem,) = build(tmp_path).problems
    assert as_text([problem]).startswith("cards/department.yaml:6:22: 'review_every_months': 12 is not a multiple of 5 [schema]\n    Fix: ")


# --- nothing is left out -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Saying:
    """One place in the builder that tells of a problem: its rule and its message as a pattern."""

    place: str
    rule: str
    pattern: str


# What only stands guard; no file is known that leads there.
GUARDS = {
    "The file is nested or formed in a way that cannot be read.",  # a reader that fails in a way of its own
    "The formula cannot be read.",  # Python's parser giving up on at most 400 characters
}


def sayings() -> Iterator[Saying]:
    """Every problem that the source code of the stages can make."""
    for module in ("read", "validate", "rules", "local", "link", "calculate/making", "calculate/examples", "signoff", "text", "formula"):
        tree = ast.parse((PROJECT / "builder" / f"{module}.py").read_text(encoding="utf-8"))
        for function in (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)):
            inner = {id(x) for f in ast.walk(function) if isinstance(f, ast.FunctionDef) and f is not function for x in ast.walk(f)}
            for node in ast.walk(function):
                if id(node) in inner:
                    continue
                found = _arguments(node)
                if found:
                    rule, message = found
                    for name in _rules(rule):
                        for pattern in _patterns(message, function):
                            yield Saying(f"builder/{module}.py:{node.lineno}", name, pattern)


def _arguments(node: ast.AST) -> tuple[ast.expr | None, ast.expr] | None:
    """(rule, message) of a node that makes a problem, a fault or a formula error; rule None: the default of FormulaError."""
    if isinstance(node, ast.Return) and isinstance(node.value, ast.Tuple) and len(node.value.elts) == 4:
        rule, message = node.value.elts[:2]
        return (rule, message) if isinstance(rule, ast.Constant) else None
    if not isinstance(node, ast.Call):
        return None
    name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr if isinstance(node.func, ast.Attribute) else ""
    match name:
        case "Problem" | "_at" | "problem":
            return node.args[-3], node.args[-2]
        case "_Refused" | "_fault" | "CalculatorFault":
            return node.args[1], node.args[2]
        case "Fault":
            return node.args[0], node.args[1]
        case "FormulaError":
            named = next((k.value for k in node.keywords if k.arg == "rule"), None)
            return named or (node.args[3] if len(node.args) > 3 else ast.Constant("formula")), node.args[0]
    return None


def _rules(node: ast.expr) -> list[str]:
    match node:
        case ast.Constant(value=str(name)):
            return [name]
        case ast.JoinedStr(values=[ast.Constant(value=str(start)), ast.FormattedValue()]):
            return [start + kind for kind in link._NAMES]  # f"unknown-{scheme}"
    return []  # passed on from a fault that is told of at its own place


def _patterns(node: ast.expr, function: ast.FunctionDef) -> list[str]:
    match node:
        case ast.Constant(value=str(text)):
            return [re.escape(text)]
        case ast.JoinedStr(values=values):
            return ["".join(re.escape(v.value) if isinstance(v, ast.Constant) else ".*" for v in values)]
        case ast.BinOp(left=left):
            return [p + ".*" for p in _patterns(left, function)]
        case ast.IfExp(body=one, orelse=other):
            return _patterns(one, function) + _patterns(other, function)
        case ast.Name(id=name):
            return [p for value in _assigned(name, function) for p in _patterns(value, function)]
    return []


def _assigned(name: str, function: ast.FunctionDef) -> Iterator[ast.expr]:
    for node in ast.walk(function):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name) and target.id == name:
                    yield node.value
                elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    yield from (v for t, v in zip(target.elts, node.value.elts) if isinstance(t, ast.Name) and t.id == name)


TOLD = re.compile(r"^(?:cards|local)/[^:]*:\d+:\d+: (?P<message>.*) \[(?P<rule>[a-z-]+)\]$", re.M)


def told() -> set[tuple[str, str]]:
    """(rule, message) of every problem the failing cards are expected to give."""
    texts = [p.read_text(encoding="utf-8") for p in INVALID.glob("*.expected.txt")]
    found = {(m["rule"], m["message"]) for text in texts for m in TOLD.finditer(text)}
    return found | {(m.rule, m.message) for m in MADE} | {("schema", "'review_every_months': 12 is not a multiple of 5")}


def test_every_rule_in_the_code_has_a_card_that_breaks_it() -> None:
    rules = {s.rule for s in sayings()}
    assert len(rules) > 60, "The search through the code has lost its way."
    broken = {rule for rule, _ in told()}
    assert rules - broken == set(), "Write tests/cards/invalid/RULE.yaml for these rules."
    assert broken - rules == set(), "No code tells of these rules: the cards are left over, or the search misses a place."


def test_every_message_in_the_code_has_a_card_that_gets_it() -> None:
    spoken = told()
    missing = [
        f"{s.place} [{s.rule}] {s.pattern}" for s in sayings()
        if not any(rule == s.rule and re.fullmatch(s.pattern, message, re.S) for rule, message in spoken)
        and not any(re.fullmatch(s.pattern, guard) for guard in GUARDS)
    ]
    assert not missing, "Write a further card, RULE-2.yaml, for each of these messages:\n" + "\n".join(missing)


def test_every_expected_text_has_its_card_and_is_named_after_a_rule_it_tells() -> None:
    expected = {p.name.removesuffix(".expected.txt"): p for p in INVALID.glob("*.expected.txt")}
    assert sorted(expected) == CASES
    for case, path in expected.items():
        assert f"[{rule_of(case)}]" in path.read_text(encoding="utf-8")


def test_each_rule_of_rules_py_names_in_its_docstring_what_it_tells() -> None:
    from builder.rules import OF_A_DOCUMENT, OF_THE_LIBRARY

    named = {name.strip() for rule in (*OF_A_DOCUMENT, *OF_THE_LIBRARY) for name in rule.__doc__.partition(":")[0].split(",")}
    assert named <= {s.rule for s in sayings()}, "A docstring in rules.py names a rule that no code tells of."


def test_every_kind_of_fault_of_reading_leaves_the_rest_checked(tmp_path: Path) -> None:
    """One unreadable file does not hide the faults of another, and links to it are not called unknown."""
    lay(tmp_path)
    write(tmp_path, "techniques/raised-infusion.yaml", b"\xff")
    write(tmp_path, "techniques/other.yaml", technique("next: [nowhere]\n"))
    assert [(p.file, p.rule) for p in build(tmp_path).problems] == [
        ("cards/techniques/other.yaml", "unknown-card"), ("cards/techniques/raised-infusion.yaml", "encoding")]


def test_kinds_of_folder_are_those_of_the_reader() -> None:
    assert {kind: folder for folder, kind in read.FOLDERS.items()} == FOLDER
