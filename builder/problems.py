"""What is wrong with the cards, and the three forms in which it is told."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing to put right.

    file: path with forward slashes, from the folder that holds cards/.
    line, column: counted from 1.
    rule: short name of the rule that was broken.
    message: what is wrong, in words a surgeon understands.
    fix: what to do about it.
    """

    file: str
    line: int
    column: int
    rule: str
    message: str
    fix: str


class CouldNotRun(Exception):
    """The check itself could not be carried out (exit code 2): no cards folder, unreadable schema."""


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Problems sorted by file, line and column, each once."""
    return sorted(set(problems))


def as_text(problems: list[Problem]) -> str:
    """For a person at a terminal: place, message and fix, then a count."""
    lines = []
    for p in problems:
        lines.append(f"{p.file}:{p.line}:{p.column}: {p.message} [{p.rule}]")
        lines.append(f"    Fix: {p.fix}")
    files = len({p.file for p in problems})
    if problems:
        lines.append(f"{_count(len(problems), 'problem')} in {_count(files, 'file')}.")
    return "\n".join(lines)


def as_json(problems: list[Problem]) -> str:
    """A JSON list of {file, line, column, rule, message, fix}."""
    return json.dumps([asdict(p) for p in problems], indent=2, ensure_ascii=False)


def as_ci(problems: list[Problem]) -> str:
    """Workflow-command annotations, one a line, that a forge shows beside the changed line."""
    return "\n".join(
        f"::error file={_property(p.file)},line={p.line},col={p.column},title={_property(p.rule)}"
        f"::{_data(f'{p.message} Fix: {p.fix}')}"
        for p in problems
    )


FORMATS = {"text": as_text, "json": as_json, "ci": as_ci}


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}{'' if n == 1 else 's'}"


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")
