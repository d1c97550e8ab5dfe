"""`cards format`: one layout, the same words. What it keeps matters more than what it changes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner
from fixtures import PROJECT, lay
from hypothesis import given, settings
from hypothesis import strategies as st

from builder import compose
from builder.cli import main
from builder.formatting import formatted
from builder.model import Document
from builder.problems import Problem
from builder.read import FOLDERS, SINGLE, parse
from builder.starter import starter

KEYS = {s["$id"].removesuffix(".schema.json"): list(s.get("properties", ())) for s in compose.load_schemas(PROJECT)}


def cards(root: Path) -> list[tuple[Path, str]]:
    found = [(f, kind) for folder, kind in FOLDERS.items() for f in sorted((root / folder).glob("*.yaml"))]
    return found + [(root / single, kind) for single, kind in SINGLE.items()]


REAL = cards(PROJECT / "cards")


def lay_out(text: str, kind: str = "technique") -> str:
    made = formatted(text.encode(), "card.yaml", kind, "card", KEYS[kind])
    assert isinstance(made, bytes), made
    return made.decode()


def says(text: str | bytes, kind: str = "technique") -> str:
    """What a card says, key order aside; JSON tells 1, 1.0 and true apart."""
    document = parse(text if isinstance(text, bytes) else text.encode(), "card.yaml", kind, "card")
    assert isinstance(document, Document), document
    return json.dumps(document.data, sort_keys=True)


def comments(text: str) -> list[str]:
    """Every comment, found by the reader's own view of what is text: what stands outside of all nodes."""
    inside: set[int] = set()

    def look(node: yaml.Node) -> None:
        if isinstance(node, yaml.ScalarNode):
            inside.update(range(node.start_mark.index, node.end_mark.index))
        else:
            for child in node.value:
                for part in child if isinstance(child, tuple) else (child,):
                    look(part)

    look(yaml.compose(text, Loader=yaml.CSafeLoader))
    found, at = [], 0
    for line in text.split("\n"):
        for i, c in enumerate(line):
            if c == "#" and at + i not in inside and (i == 0 or line[i - 1] in " \t"):
                found.append(line[i:].rstrip())
                break
        at += len(line) + 1
    return sorted(found)


# --- the real cards ---------------------------------------------------------------------------------------------------


def test_every_real_card_is_in_the_layout() -> None:
    assert len(REAL) > 400
    others = [f.name for f, kind in REAL if formatted(f.read_bytes(), f.name, kind, f.stem, KEYS[kind]) != f.read_bytes()]
    assert others == [], "Run: cards format"


def text_lines(node: yaml.Node) -> set[int]:
    """Lines that are words: the later lines of a text of several."""
    if isinstance(node, yaml.ScalarNode):
        return set(range(node.start_mark.line + 1, node.end_mark.line + (node.end_mark.column > 0))) if node.style in ("|", ">") else set()
    return {n for child in node.value for part in (child if isinstance(child, tuple) else (child,)) for n in text_lines(part)}


def worse(text: str, rnd) -> str:
    """The same card as a careless hand would leave it: other line ends, deeper levels, keys in another order, spaces at line ends."""
    data = yaml.compose(text, Loader=yaml.CSafeLoader)
    starts = [key.start_mark.line for key, _ in data.value]
    lines = text.split("\n")
    head, parts = lines[: starts[0]], [lines[a:b] for a, b in zip(starts, [*starts[1:], len(lines)])]
    parts[-1] = parts[-1][:-1]  # the final line end
    texts = {lines[n] for n in text_lines(data)}
    rnd.shuffle(parts)
    wide = rnd.choice([1, 2])
    done = []
    for part in parts:
        for line in part:
            words = line.lstrip(" ")
            if wide == 2 and words.startswith("- ") and line not in texts:
                words = "-   " + words[2:]
            # Spaces at the end of a line belong to a folded text, so none are put there.
            done.append(" " * ((len(line) - len(line.lstrip(" "))) * wide) + words + ("" if line in texts or rnd.random() < 0.7 else "  "))
        done += [""] * rnd.choice([0, 0, 1, 3])
    end = rnd.choice(["\n", "\r\n"])
    return end.join([*head, *done]) + rnd.choice(["", end, end * 3])


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(REAL), st.randoms(use_true_random=False))
def test_a_real_card_made_untidy_says_the_same_afterwards_and_keeps_its_comments(card: tuple[Path, str], rnd) -> None:
    file, kind = card
    text = file.read_text(encoding="utf-8")
    untidy = worse(text, rnd)
    assert says(untidy, kind) == says(text, kind), "The test's own disorder must not change the card."
    tidy = lay_out(untidy, kind)
    assert says(tidy, kind) == says(text, kind)
    assert comments(tidy) == comments(text)
    assert lay_out(tidy, kind) == tidy
    # Everything but blank lines and comments is back where it was.
    assert [line for line in tidy.split("\n") if line] == [line for line in text.split("\n") if line]


def test_the_examples_of_the_rules_are_never_changed_in_what_they_say() -> None:
    """Broken cards too: what can be read at all says the same, what cannot is a problem, and nothing is raised."""
    seen = {True: 0, False: 0}
    for file in sorted((PROJECT / "tests/cards/invalid").glob("*.yaml")):
        raw = file.read_bytes()
        kind = raw.decode("utf-8", "replace").split("\n")[0].partition("kind: ")[2].strip()
        kind = kind if kind in KEYS else "technique"
        made = formatted(raw, file.name, kind, file.stem, KEYS[kind])
        seen[isinstance(made, bytes)] += 1
        if isinstance(made, bytes):
            assert says(made) == says(raw), file.name
            assert formatted(made, file.name, kind, file.stem, KEYS[kind]) == made, file.name
    assert all(seen.values())


# --- texts that nobody thought of --------------------------------------------------------------------------------------

WORDS = st.text(st.sampled_from("ab:#-'\"[]{}>| \n\t%°é\u2028,*&!?"), max_size=12)
VALUE = st.recursive(WORDS | st.integers(-9, 9) | st.booleans() | st.none() | st.floats(-5, 5),
                     lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "b c", "low", "x"]), inner, max_size=3), max_leaves=12)


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from([*KEYS["technique"], "other", "more"]), VALUE, min_size=1, max_size=6),
       st.sampled_from([2, 3, 4, 7]), st.sampled_from([None, True, False]), st.sampled_from([30, 100]), st.sampled_from([None, "'", '"', "|", ">"]))
def test_any_yaml_says_the_same_and_stays_as_it_is_the_second_time(data, indent, flow, width, style) -> None:
    text = yaml.dump(data, indent=indent, default_flow_style=flow, width=width, default_style=style, sort_keys=False, allow_unicode=True)
    made = formatted(text.encode(), "card.yaml", "technique", "card", KEYS["technique"])
    if isinstance(made, Problem):  # what the cards may not hold, a tag for instance
        assert isinstance(parse(text.encode(), "card.yaml", "technique", "card"), Problem)
        return
    assert says(made) == says(text)
    again = formatted(made, "card.yaml", "technique", "card", KEYS["technique"])
    assert again == made


@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from("title:ab \n-#>|[]\"'+2\t"), max_size=60))
def test_no_text_raises_or_changes_its_meaning(text: str) -> None:
    text = "title: x\n" + text
    made = formatted(text.encode(), "card.yaml", "technique", "card", KEYS["technique"])
    if isinstance(made, bytes):
        assert says(made) == says(text)
        assert formatted(made, "card.yaml", "technique", "card", KEYS["technique"]) == made


# --- one rule at a time --------------------------------------------------------------------------------------------------

UNTIDY = """\ufeff# yaml-language-server: $schema=../../schema/technique.schema.json
# About this file.

steps:
# the first step
-   do: Cut.   \r
    why: >-
        One line  with two spaces,
        and another.

    basis: [{source: a-2020, checked: abstract},
            {source: b-2021, checked: memory}]   # both read
-   do: 'Stop.'
    why: "It's done."
    basis: common practice



# what it is called
title: "A straight \\"quote\\""

summary: x
# the end"""

TIDY = """# yaml-language-server: $schema=../../schema/technique.schema.json
# About this file.

# what it is called
title: "A straight \\"quote\\""

summary: x
steps:
  # the first step
  - do: Cut.
    why: >-
      One line  with two spaces,
      and another.

    basis: [{source: a-2020, checked: abstract},
            {source: b-2021, checked: memory}]   # both read
  - do: 'Stop.'
    why: "It's done."
    basis: common practice
# the end
"""


def test_the_layout_is_exactly_this() -> None:
    made = lay_out(UNTIDY)
    assert says(made) == says(UNTIDY.encode())
    assert made == TIDY


@pytest.mark.parametrize("text, wanted", [
    ("title: a   \n", "title: a\n"),
    ("title: a", "title: a\n"),
    ("\n\ntitle: a\n\n\n\nsummary: b\n\n", "title: a\n\nsummary: b\n"),
    ("summary: b\ntitle: a\n", "title: a\nsummary: b\n"),
    ("other: 1\nsummary: b\nmine: 2\ntitle: a\n", "other: 1\ntitle: a\nsummary: b\nmine: 2\n"),  # a key of one's own stays behind its neighbour
    ("next:\n- a\n- b\n", "next:\n  - a\n  - b\n"),
    ("next:\n    -   a\n", "next:\n  - a\n"),
    ("review:\n     owner: x\n     every_months: 12\n", "review:\n  owner: x\n  every_months: 12\n"),
    ("summary: >-\n        one\n        two\n", "summary: >-\n  one\n  two\n"),
    ("next: [a,\n   b]\n", "next: [a,\n   b]\n"),
    ("title: “a” 'b' \"c\"\n", "title: “a” 'b' \"c\"\n"),  # quotes of either kind are the author's
])
def test_one_rule_at_a_time(text: str, wanted: str) -> None:
    assert lay_out(text) == wanted


@pytest.mark.parametrize("text", [
    "summary: >-\n  one  \n  two\n",  # spaces inside a folded text are part of it
    "summary: |+\n  one\n\n\n",  # blank lines that a text keeps
    "summary: |2-\n   one\n",  # an indentation that is given
    "summary: |\n  one",  # without a last line end, which would join the text
    'summary: "one \\\n  two"\n',
])
def test_what_belongs_to_a_text_is_left_alone(text: str) -> None:
    assert says(lay_out(text)) == says(text)
    assert lay_out(text) == text


# --- the command --------------------------------------------------------------------------------------------------------


def run(root: Path, *arguments: str):
    return CliRunner().invoke(main, ["--root", str(root), "format", *arguments])


def test_check_writes_nothing_and_the_command_mends(tmp_path: Path) -> None:
    lay(tmp_path)
    assert run(tmp_path).exit_code == 0
    file = tmp_path / "cards/techniques/raised-infusion.yaml"
    tidy = file.read_bytes()
    file.write_bytes(tidy + b"\n\n")
    looked = run(tmp_path, "--check")
    assert looked.exit_code == 1 and "cards/techniques/raised-infusion.yaml is not in the layout." in looked.output
    assert file.read_bytes() == tidy + b"\n\n"
    assert run(tmp_path).exit_code == 0 and file.read_bytes() == tidy
    again = run(tmp_path, "--check")
    assert (again.exit_code, again.output) == (0, "Every card is in the layout.\n")


def test_only_the_cards_that_are_named_are_looked_at(tmp_path: Path) -> None:
    lay(tmp_path)
    run(tmp_path)
    one, other = (tmp_path / "cards/techniques" / name for name in ("raised-infusion.yaml", "injection-first.yaml"))
    for file in (one, other):
        file.write_bytes(file.read_bytes() + b"\n\n")
    left = other.read_bytes()
    assert run(tmp_path, str(one)).exit_code == 0
    assert not one.read_bytes().endswith(b"\n\n") and other.read_bytes() == left
    assert run(tmp_path, "--check", str(one)).exit_code == 0
    assert run(tmp_path, "--check", str(tmp_path / "cards/techniques")).exit_code == 1
    assert run(tmp_path, str(tmp_path / "cards/nothing.yaml")).exit_code == 2


def test_a_card_that_cannot_be_read_is_told_and_left(tmp_path: Path) -> None:
    lay(tmp_path)
    file = tmp_path / "cards/techniques/raised-infusion.yaml"
    file.write_text("title: [a\n", encoding="utf-8")
    result = run(tmp_path)
    assert result.exit_code == 1 and "cards/techniques/raised-infusion.yaml:1:" in result.output
    assert file.read_text(encoding="utf-8") == "title: [a\n"


def test_a_card_that_is_a_link_to_elsewhere_is_not_written_through(tmp_path: Path) -> None:
    root = lay(tmp_path / "here", without=("techniques/raised-infusion.yaml",))
    outside = tmp_path / "outside.yaml"
    outside.write_text("title: a   \n", encoding="utf-8")
    (root / "cards/techniques/raised-infusion.yaml").symlink_to(outside)
    assert run(root).exit_code == 1
    assert outside.read_text(encoding="utf-8") == "title: a   \n"


@pytest.mark.parametrize("kind", [*FOLDERS.values()])
def test_a_starter_is_written_in_the_layout(kind: str) -> None:
    text = starter(kind, compose.load_schemas(PROJECT))
    assert lay_out(text, kind) == text
