"""Hostile files, words and names: what a card's author, a fork or a slip may put into cards/ never breaks a build or reaches a page as code."""

from __future__ import annotations

import copy
import json
import os
import re
import time
from collections import deque
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import lxml.html
import pytest
from fixtures import PROJECT, build, lay, project, technique, units, write
from fuzzing import as_html, schemas, sound, valid

from builder import calculate, formatting, formula, read, rules, text, validate
from builder import units as unit_words
from builder.calculate import dates, running
from builder.formula import FormulaError, parse
from builder.problems import Problem
from builder.read import parse as parse_yaml
from builder.render.pages import heading

# --- files ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [
    lambda path: os.mkfifo(path), lambda path: path.symlink_to("/dev/zero"), lambda path: path.symlink_to("/dev/stdin"), lambda path: path.mkdir(),
    lambda path: path.symlink_to("../../../../../../../etc/hostname"), lambda path: path.symlink_to(path.parent, target_is_directory=True),
], ids=["pipe", "endless device", "terminal", "folder", "link out", "link to its folder"])
def test_what_is_no_ordinary_file_is_told_of_and_not_opened(tmp_path: Path, make) -> None:
    make(lay(tmp_path) / "cards/techniques/made.yaml")
    start = time.monotonic()
    problems = [p for p in build(tmp_path).problems if p.file == "cards/techniques/made.yaml"]
    assert [p.rule for p in problems] in (["unreadable"], ["outside-cards"], ["unexpected-file"])
    assert time.monotonic() - start < 10


@pytest.mark.parametrize("name", ["a\nb.yaml", "..yaml", "con.yaml", "аux.yaml", "a\u200bb.yaml", "a\u202egpj.yaml", "A.yaml", "a.yaml.yaml", "$(id).yaml", "-rf.yaml",
                                  "index.yaml", "é.yaml", "\udcff.yaml", "a" * 240 + " .yaml"])
def test_a_file_name_that_is_no_id_makes_no_page(tmp_path: Path, name: str) -> None:
    before = set(build(lay(tmp_path)).linked.library.techniques)
    (tmp_path / "cards/techniques" / name).write_text(technique(), encoding="utf-8")
    made = build(tmp_path)
    assert set(made.linked.library.techniques) == before
    assert [p.rule for p in made.problems] == ([] if name.startswith(".") else ["file-name"])  # hidden files are nobody's cards


NUMBERS = ["1e400", "-1e400", "9" * 39, "9" * 50, "9" * 5000, "0x1F", "0o17", ".inf", "-.inf", ".nan", "1_000", "12:30:45", "1e-400", "-0", "0e0", "+1", "1.", ".5", "01", "NaN"]


@pytest.mark.parametrize("number", NUMBERS)
def test_a_number_is_finite_or_told_of(number: str) -> None:
    name, kind, id, raw = next(v for v in valid() if b"quantities:" in v[3] and b"value:" in v[3])
    changed = re.sub(rb"value: [-0-9.]+", b"value: " + number.encode(), raw, count=1)
    assert changed != raw
    parsed = parse_yaml(changed, name, kind, id)
    if not isinstance(parsed, Problem):
        found = validate.validate([*(sound(n) for n, *_ in valid() if n != name), parsed], schemas())[1]
        written = next(iter(q["value"] for q in parsed.data["quantities"].values() if "value" in q))
        assert found or abs(float(written)) < 1e300
        json.dumps(parsed.data, allow_nan=False)


@pytest.mark.parametrize("source", ["9**9**9**9", '"a"*10**9', "(" * 190 + "x" + ")" * 190, "-" * 390 + "x", "not " * 99 + "x", "+".join(["x"] * 200), "x" + "**x" * 120, "x<" * 199 + "x",
                                    "min(" * 90 + "x" + ")" * 90, "[" * 200, "x.__class__", "(lambda: x)()", "x if x else x", "__import__('os')", "f'{x}'", "x[0]", "{x}", "x := 1", "*x", "x and",
                                    "1e308*1e308", "0/0", "x\0", "\ufeffx", "x;x", "x\nx", "await x", "yield", "ｘ", "𝐱", "'\\N{DIGIT ONE}'", "0" * 399, "9" * 400])
def test_a_hostile_formula_is_worked_out_or_refused_at_once(source: str) -> None:
    start = time.process_time()
    try:
        tree, _ = formula.check(parse(source), {"x": formula.Type("number", units().plain())}, units())
        formula.evaluate(tree, {"x": 2.0})
        formula.javascript(tree)
    except FormulaError as error:
        assert error.message and error.fix
    assert time.process_time() - start < 0.5


# --- patterns -------------------------------------------------------------------------------------------------------


def _patterns() -> Iterator[tuple[str, re.Pattern[str], int]]:
    """(where, pattern, longest text it is asked): every pattern a card's text meets, those inside functions among them."""
    for module in (read, text, rules, formula, unit_words, calculate, dates, running, formatting, validate):
        for name, value in vars(module).items():
            if isinstance(value, re.Pattern):
                # A sentence has at most 1,200 characters; what reads whole files meets a megabyte.
                yield f"{module.__name__}.{name}", value, 100_000 if module in (read, formatting) else 5_000
    yield "units.in_prose", unit_words.in_prose(), 1_200
    yield "text._link_fault", re.compile(r"(?i)[\s\x00-\x1f]*(javascript|data|vbscript|file)\s*:\Z"), 5_000
    for file in sorted((PROJECT / "schema").glob("*.json")):
        for pattern in sorted(set(re.findall(r'"pattern": "((?:[^"\\]|\\.)*)"', file.read_text(encoding="utf-8")))):
            yield f"{file.name} {pattern}", re.compile(json.loads(f'"{pattern}"')), 5_000


PATTERNS = list(_patterns())
_BITS = ["a", "0", " ", "-", "*", "**", "**a ", "*a ", "[", "](", "[](", "[](a", "[](()", "(a)", "[a](", "<", "&a", "&#", "\n", "\t", "a-", "0,", "0.", "1,1", "1 - 1 ", "1 to 1", "1\u00a0", "mm", "1e", "=",
         ":", "a:", "{", "'", '"', "!", "- ", "\\", "10.1000/", "https://", "quantity:a/", ".", "_", "#", "/// ", "1 or "]


@pytest.mark.parametrize(("where", "pattern", "longest"), PATTERNS, ids=[p[0] for p in PATTERNS])
def test_no_pattern_takes_long_on_any_text_it_can_meet(where: str, pattern: re.Pattern[str], longest: int) -> None:
    """Searched for from every place of a long text of repetitions that nearly fit: a pattern that goes back and forth would take for ever."""
    for bit in _BITS:
        for end in ("", "\x00", ")", "!"):
            hostile = bit * (longest // len(bit)) + end
            start = time.process_time()
            if pattern.pattern.endswith("\\Z"):  # of a whole word: asked once, at its start
                pattern.match(hostile)
            else:
                deque(pattern.finditer(hostile), maxlen=0)
            assert time.process_time() - start < 0.5, (where, bit, end)


def test_there_are_patterns_to_look_at() -> None:
    assert len(PATTERNS) > 25


# --- words that would be markup ---------------------------------------------------------------------------------------

# Each passes the check as part of a label or title: raw HTML and entities are refused there (tests/cards/invalid).
WORDS = [' " onx=1 \'', " ' onx=1 ", " {: onx=1 }", " { onx=1 }", "\n\n# {: onx=1}", " ](javascript:x)", "\n[a]: javascript:x", " [a][a]", "\n    code", " &ltb onx=1&gt", "\n- a\n: b",
         " {{ 7*7 }}{% x %}", " --> <!", " \u2028\u0085", " `x`", " \\{: onx=1 }", " \u202e\u200b", "\n***\n> a", "\n|a|b|\n|-|-|\n|c|d|"]


# The keys whose values are words, not ids, units, formulas or dates.
_WORDED = {"title", "summary", "label", "question", "help", "why_range", "say", "otherwise", "note", "in", "at", "text", "do", "why", "endpoint", "if", "then", "sign", "respond", "ask", "answer",
           "owner", "name", "about", "contact", "licence", "term", "meaning", "abbreviation", "american", "aim", "family", "given", "literal", "publisher", "container-title", "checked_note",
           "withdrawn", "genre"}


def _places(data: object, path: tuple = ()) -> Iterator[tuple]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        if isinstance(value, str):
            yield (*path, key)
        else:
            yield from _places(value, (*path, key))


def _with_words(data: dict, words: list[str], fits) -> tuple[dict, int]:
    """The card with hostile words behind every text that may hold them; a text that must be of one form stays. And how many it took."""
    taken = 0
    for path in [p for p in _places(data) if p[0] != "review" and p[-1] in _WORDED]:
        for word in words:
            trial = copy.deepcopy(data)
            at = trial
            for key in path[:-1]:
                at = at[key]
            at[path[-1]] += word
            if fits(trial):
                data, taken = trial, taken + 1
                break  # lengths are limited: one in each place
        words = words[1:] + words[:1]
    return data, taken


class _Attributes(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, str, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [(tag, name, value or "") for name, value in attrs] or [(tag, "", "")]


@pytest.mark.parametrize("title", ["A\n> b", "A\n\n# B {: onx=1}", "A\n    b", "A\n- b", "A\r\n: b", "A\u2028***", "A\n---\nB"])
def test_a_title_is_one_line_of_one_heading(title: str) -> None:
    made = as_html(f"# {heading(title)}\n\nText.\n")
    assert re.findall(r"<(\w+)", made) == ["h1", "a", "p"], made
    assert "onx" not in re.sub(r">[^<]*<", "><", made).replace("onx1", "")


def _all_of(root: Path) -> dict[str, float]:
    return {str(p.relative_to(root)): p.lstat().st_mtime_ns for p in sorted(root.rglob("*")) if "site" not in p.relative_to(root).parts[:1]}


def test_no_words_of_a_card_become_code_in_the_finished_site(tmp_path: Path) -> None:
    """Every label, title and sentence of a whole library carries words that would be markup if they were let; then the engine builds the site."""
    from builder.site import build_site

    os.environ["NO_MKDOCS_2_WARNING"] = "1"
    root = project(tmp_path / "project")
    taken = 0
    for name, kind, id, _ in valid():
        def fits(data: dict) -> bool:
            raw = json.dumps(data, ensure_ascii=False).encode()
            parsed = parse_yaml(raw, name, kind, id)
            if isinstance(parsed, Problem):
                return False
            library, found = validate.validate([parsed], schemas())
            return not found and not any(True for d in library.documents for rule in (rules.sentences_are_plain, rules.labels_are_plain) for _ in rule(d, units()))

        data, n = _with_words(copy.deepcopy(sound(name).data), list(WORDS), fits)
        taken += n
        write(root, name.removeprefix("cards/"), json.dumps(data, ensure_ascii=False))
    broken = {p.file for p in build(root).problems}
    assert not broken, [p.message for p in build(root).problems]
    assert taken > 100
    before = _all_of(tmp_path / "project")
    build_site(root, root / "site", root / "mkdocs.yml")
    assert _all_of(tmp_path / "project") == before, "A build writes into its own folder alone."
    pages = sorted((root / "site").rglob("*.html"))
    assert len(pages) > 15
    for page in pages:
        markup = page.read_text(encoding="utf-8")
        found = _Attributes(markup).found
        for element in lxml.html.document_fromstring(markup).iter():
            if isinstance(element.tag, str):
                found += [(element.tag, k, v) for k, v in element.attrib.items()]
        for tag, attribute, value in found:
            assert not attribute.lower().startswith("on"), (page.name, tag, attribute, value)
            assert attribute not in ("href", "src", "action") or not re.match(r"\s*(?:javascript|data|vbscript)\s*:", value, re.I), (page.name, tag, value)
            assert tag not in ("iframe", "object", "embed", "base", "applet"), (page.name, tag)
        own = [v for t, a, v in found if t == "script" and a == "src"]
        assert all(not re.match(r"[a-z]+:|//", v) for v in own), page.name
