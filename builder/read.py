"""YAML files into plain data with a line and column for every node. The only module that reads cards from disk.

Nodes are composed by libyaml and turned into data here, so that nothing is guessed: only JSON's own forms
become numbers, true, false and null; everything else, dates included, stays the text that was written.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, MutableMapping
from pathlib import Path as FilePath
from typing import Any

import yaml

from .model import RESERVED_IDS, Document, Marks
from .problems import CouldNotRun, Problem
from .text import did_you_mean

LARGEST_FILE = 1_000_000  # bytes; the largest real card is under 50 kB
_OFTEN = 30  # characters; a unit, a mark or a source's name stands in many cards and is kept once
DEEPEST = 40  # levels of nesting; a sound card has under ten
FOLDERS = {"techniques": "technique", "pathways": "pathway", "calculators": "calculator", "pages": "page", "sources": "source"}
SINGLE = {"glossary.yaml": "glossary", "department.yaml": "department"}
CARDS, LOCAL = "cards", "local"
# The single files of each layer: local/ holds the same folders of cards, and what differs from the cards it lies over.
SINGLES = {CARDS: SINGLE, LOCAL: {"glossary.yaml": "glossary", "department.yaml": "local-department", "overrides.yaml": "overrides"}}

_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?\Z")
_WORDS = {"true": True, "false": False, "null": None, "": None}


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
    """libyaml's nodes without a guess at the type of a plain scalar, which `_scalar` decides: half of the composer's time."""

    def resolve(self, kind: Any, value: Any, implicit: Any) -> str:
        return _PLAIN_TAGS[kind]

    def descend_resolver(self, current_node: Any, current_index: Any) -> None:
        pass

    def ascend_resolver(self) -> None:
        pass


_PLAIN_TAGS = {yaml.ScalarNode: "tag:yaml.org,2002:str", yaml.SequenceNode: "tag:yaml.org,2002:seq", yaml.MappingNode: "tag:yaml.org,2002:map"}
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x84\x86-\x9f\ufffe\uffff]")
_MARK = re.compile(r"(?:^|[\s\[{,:?-])[!&]", re.M)
_FILE_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*\Z")


class _Refused(Exception):
    def __init__(self, mark: Any, rule: str, message: str, fix: str) -> None:
        self.place = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        self.rule, self.message, self.fix = rule, message, fix


def read(root: FilePath, layer: str = CARDS, kept: MutableMapping[str, Any] | None = None) -> tuple[list[Document], list[Problem], set[tuple[str, str]]]:
    """Read every card below root/cards, or below root/local.

    kept: what an earlier call read; a file that has not changed since comes out as the very same object.
    Returns the documents that are YAML mappings, the problems found, and the (kind, id) of files
    that could not be read. Raises CouldNotRun if there is no such folder.
    """
    if not hasattr(yaml, "CSafeLoader"):
        raise CouldNotRun("PyYAML was installed without libyaml, which reads some cards differently; install its wheel.")
    cards = root / layer
    if not cards.is_dir():
        raise CouldNotRun(f"There is no {layer} folder in {root.name or 'this folder'}; run this beside it.")
    documents: list[Document] = []
    problems: list[Problem] = []
    unsound: set[tuple[str, str]] = set()
    inside = cards.resolve()
    above = len(cards.as_posix()) - len(layer)
    for file, kind in _files(cards, problems):
        name = file.as_posix()[above:]
        seen = _seen(file) if kept is not None else None
        if seen and (before := kept.get(name)) and before[0] == seen:
            outcome = before[1]
        else:
            outcome = read_file(file, name, kind, inside)
            if seen:
                kept[name] = seen, outcome
        if isinstance(outcome, Problem):
            problems.append(outcome)
            unsound.add((kind, file.stem))
        else:
            documents.append(outcome)
    return documents, problems, unsound


def _seen(file: FilePath) -> tuple[int, ...] | None:
    """What tells that a file has changed: its time, size and place on the disk; None if it cannot be told."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_ino, found.st_dev


def read_file(file: FilePath, name: str, kind: str, inside: FilePath) -> Document | Problem:
    """One file as a Document, or the Problem that stopped it. Never raises for anything the file holds.

    inside: the folder that it must lie in, links followed.
    """
    try:
        real = file.resolve(strict=True) if file.is_symlink() else file
        if real is not file and not real.is_relative_to(inside):
            return Problem(name, 1, 1, "outside-cards", f"This file is a link to a place outside the {inside.name} folder.",
                           f"Put the file itself into {inside.name}/.")
        if not real.is_file():
            return Problem(name, 1, 1, "unreadable", "This is not an ordinary file.", "Replace it by a YAML file.")
        if real.stat().st_size > LARGEST_FILE:
            return Problem(name, 1, 1, "too-large",
                           f"The file is larger than {LARGEST_FILE // 1_000_000} MB; no card is.",
                           "Split it into one card a file, or remove what does not belong.")
        raw = real.read_bytes()
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or "a loop of links"
        return Problem(name, 1, 1, "unreadable", f"The file cannot be read: {reason}.",
                       "Check that it exists and that its permissions let you read it.")
    return parse(raw, name, kind, file.stem)


def parse(raw: bytes, name: str, kind: str, id: str) -> Document | Problem:
    """Bytes of a YAML file as a Document, or the Problem that stopped it."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - (raw.rfind(b"\n", 0, error.start) + 1) + 1
        return Problem(name, line, column, "encoding", "The file is not UTF-8 text at this place.",
                       "Save the file as UTF-8 (in the editor: Save with encoding).")
    # Most cards are printable but for their line ends, which is told in a hundredth of the time.
    if not text.replace("\n", "").isprintable() and (bad := _CONTROL.search(text)):
        line = text.count("\n", 0, bad.start()) + 1
        column = bad.start() - text.rfind("\n", 0, bad.start())
        return Problem(name, line, column, "control-character",
                       f"There is an invisible control character (U+{ord(bad[0]):04X}) here.", "Delete it.")
    try:
        root = _compose(text)
        if root is None:
            return Problem(name, 1, 1, "empty", "The file is empty.",
                           f"Write the card, or start again with: cards new {kind} {id}")
        if not isinstance(root, yaml.MappingNode):
            what = "a list" if isinstance(root, yaml.SequenceNode) else "a single value"
            raise _Refused(root.start_mark, "top-level", f"The file holds {what}; a card is made of 'key: value' lines.",
                           "Start with the first key, for example title:, at the left margin.")
        # Written as an escape ("\\0") a control character passes the look at the raw text.
        data = _build(root, set() if "&" in text else None, 1, "\\" in text)
        _refuse_marks(text)
    except _Refused as refused:
        line, column = refused.place
        if refused.rule == "alias":
            line, column = _first_alias(text) or (line, column)
        return Problem(name, line, column, refused.rule, refused.message, refused.fix)
    except yaml.YAMLError as error:
        return _yaml_problem(error, text, name)
    except (RecursionError, MemoryError, ValueError, OverflowError):
        return Problem(name, 1, 1, "yaml", "The file is nested or formed in a way that cannot be read.",
                       "Compare it with another card of the same kind.")
    return Document(name, kind, id, data, Marks(text, _compose))


def _compose(text: str) -> Any:
    loader = _Loader(text)
    try:
        return loader.get_single_node()
    finally:
        loader.dispose()


def _files(cards: FilePath, problems: list[Problem]) -> Iterator[tuple[FilePath, str]]:
    base, singles = cards.parent, SINGLES[cards.name]

    def problem(path: FilePath, rule: str, message: str, fix: str) -> None:
        problems.append(Problem(path.relative_to(base).as_posix(), 1, 1, rule, message, fix))

    for entry in sorted(os.scandir(cards), key=lambda e: e.name):
        path = FilePath(entry.path)
        if entry.name.startswith("."):
            continue
        if entry.name in singles:
            yield path, singles[entry.name]
        elif entry.name in FOLDERS:
            if path.is_symlink() and path.exists() and not path.resolve().is_relative_to(cards.resolve()):
                problem(path, "outside-cards", f"This folder is a link to a place outside the {cards.name} folder.",
                        f"Put the folder itself into {cards.name}/.")
            elif not path.is_dir():
                problem(path, "unexpected-file", f"'{entry.name}' should be a folder.", "Make it a folder of cards.")
            else:
                yield from _folder(path, FOLDERS[entry.name], problem)
        else:
            known = [*FOLDERS, *singles]
            problem(path, "unexpected-file",
                    f"The {cards.name} folder does not hold '{entry.name}'.{did_you_mean(entry.name, known)}",
                    f"It holds {', '.join(known)} and nothing else; move or rename it.")


def _folder(folder: FilePath, kind: str, problem: Any) -> Iterator[tuple[FilePath, str]]:
    for entry in sorted(os.scandir(folder), key=lambda e: e.name):
        path = FilePath(entry.path)
        if entry.name.startswith("."):
            continue
        if path.is_dir() or not entry.name.endswith(".yaml"):
            problem(path, "unexpected-file", f"'{entry.name}' is not a card: cards are files that end in .yaml, "
                    "with no folders below.", f"Rename it to end in .yaml, or move it out of {folder.parent.name}/.")
        elif not _FILE_ID.match(path.stem):
            problem(path, "file-name", f"'{entry.name}' cannot be an id: ids are lower-case letters and digits "
                    "joined by single hyphens.", "Rename the file, for example raised-pressure.yaml.")
        elif path.stem in RESERVED_IDS:
            problem(path, "file-name", f"'{entry.name}' cannot be an id: '{path.stem}' is the name of an index page, or of a device on Windows.",
                    f"Rename the file, for example {path.stem}-card.yaml.")
        else:
            yield path, kind


def _build(node: Any, seen: set[int] | None, depth: int, escapes: bool) -> Any:
    # A node met twice is an alias: refused, so that no file can expand and no number stands in two places. seen: None in a text
    # without an anchor, in which nothing can be met twice.
    if seen is not None:
        if id(node) in seen:
            raise _Refused(node.start_mark, "alias", "Anchors and aliases (& and *) are not used in cards.",
                           "Write the value out, or make it a quantity and link to it.")
        seen.add(id(node))
    if isinstance(node, yaml.ScalarNode):
        if escapes:
            _refuse_control(node)
        return _scalar(node)
    if depth > DEEPEST:
        raise _Refused(node.start_mark, "too-deep", "The file is nested too deeply to be a card.",
                       "Compare it with another card of the same kind.")
    if node.tag not in ("tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"):
        raise _Refused(node.start_mark, "yaml-tag", f"YAML tags such as {node.tag[:40]!r} are not used in cards.",
                       "Remove it; if the text itself starts with !, put it in double quotes.")
    if isinstance(node, yaml.SequenceNode):
        return [_build(item, seen, depth + 1, escapes) for item in node.value]
    built: dict[str, Any] = {}
    for key_node, value_node in node.value:
        if not isinstance(key_node, yaml.ScalarNode):
            raise _Refused(key_node.start_mark, "key-form", "A key must be a word, not a list or a mapping.",
                           "Check the punctuation: '? ', '[' or '{' may stand where a key was meant.")
        if escapes:
            _refuse_control(key_node)
        key = sys.intern(key_node.value)  # the same few words in every card
        if seen is not None:
            if id(key_node) in seen:
                raise _Refused(key_node.start_mark, "alias", "Anchors and aliases (& and *) are not used in cards.",
                               "Write the key out.")
            seen.add(id(key_node))
        if key in built:
            raise _Refused(key_node.start_mark, "duplicate-key",
                           f"The key '{key}' is given twice in the same place; one of the two would be lost.",
                           "Keep one, or rename the other.")
        if key == "<<":
            raise _Refused(key_node.start_mark, "alias", "Merge keys (<<) are not used in cards.",
                           "Write the values out.")
        built[key] = _build(value_node, seen, depth + 1, escapes)
    return built


def _refuse_marks(text: str) -> None:
    # A tag that names the value's own kind, and an anchor that nothing points to, leave no trace in the nodes.
    if ("!" not in text and "&" not in text) or not _MARK.search(text):
        return
    for token in yaml.scan(text, Loader=_Loader):
        if isinstance(token, yaml.TagToken):
            handle, suffix = token.value
            raise _Refused(token.start_mark, "yaml-tag", f"YAML tags such as {((handle or '') + suffix)[:40]!r} are not used in cards.",
                           "Remove it; if the text itself starts with !, put it in double quotes.")
        if isinstance(token, yaml.AnchorToken):
            raise _Refused(token.start_mark, "alias", "Anchors and aliases (& and *) are not used in cards.",
                           "Remove it; if the text itself starts with &, put it in double quotes.")


def _refuse_control(node: Any) -> None:
    if bad := _CONTROL.search(node.value):
        raise _Refused(node.start_mark, "control-character", f"An invisible control character (U+{ord(bad[0]):04X}) is written in this text.",
                       "Remove the escape (the backslash and what belongs to it).")


def _scalar(node: Any) -> Any:
    value = node.value
    if len(value) <= _OFTEN:
        value = sys.intern(value)
    if node.style:  # quoted or block text is text
        if node.tag not in ("tag:yaml.org,2002:str", "!"):
            raise _Refused(node.start_mark, "yaml-tag", f"YAML tags such as {node.tag[:40]!r} are not used in cards.",
                           "Remove it; if the text itself starts with !, put it in double quotes.")
        return value
    if not node.tag.startswith("tag:yaml.org,2002:") or node.tag == "tag:yaml.org,2002:binary":
        raise _Refused(node.start_mark, "yaml-tag", f"YAML tags such as {node.tag[:40]!r} are not used in cards.",
                       "Remove it; if the text itself starts with !, put it in double quotes.")
    if value in _WORDS:
        return _WORDS[value]
    if value == "~":
        return None
    if _NUMBER.match(value):
        if len(value) > 40:
            raise _Refused(node.start_mark, "number-form", "This number has too many digits to be a measured figure.",
                           "Round it, or put it in quotes if it is text.")
        if "." in value or "e" in value or "E" in value:
            number = float(value)
            if number in (float("inf"), float("-inf")):
                raise _Refused(node.start_mark, "number-form", "This number is too large.", "Check the exponent.")
            return number
        return int(value)
    return value


def _first_alias(text: str) -> tuple[int, int] | None:
    try:
        for token in yaml.scan(text, Loader=_Loader):
            if isinstance(token, yaml.AliasToken):
                return token.start_mark.line + 1, token.start_mark.column + 1
    except yaml.YAMLError:
        pass
    return None


def _yaml_problem(error: yaml.YAMLError, text: str, name: str) -> Problem:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    opened = getattr(error, "context_mark", None)
    what = str(getattr(error, "problem", "") or "")
    # What is left open is noticed on a later line; it is mended where it was opened.
    if opened is not None and opened.line < mark.line and ("expected ':'" in what or "end of stream" in what or "expected ','" in what):
        mark = opened
    line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
    lines = text.splitlines()
    here = lines[line - 1] if 0 < line <= len(lines) else ""
    if "\t" in here[: len(here) - len(here.lstrip())] or ("\\t" in what and "token" in what):
        return Problem(name, line, column, "tab", "A tab is used to indent this line; YAML allows only spaces.",
                       "Replace the tab by spaces (two a level).")
    if "nesting depth" in what:
        return Problem(name, line, column, "too-deep", "The file is nested too deeply to be a card.",
                       "Compare it with another card of the same kind.")
    if "expected a single document" in what or "but found another document" in what:
        return Problem(name, line, column, "yaml", "A second document starts here ('---').", "One card a file: remove the line.")
    if "mapping values are not allowed" in what:
        fix = "If the text has a colon in it, put the whole text in double quotes; otherwise check the indentation."
        message = "There is a colon here where no 'key: value' can stand."
    elif "could not find expected ':'" in what:
        message, fix = "A key stands here without its colon.", "Write key: value, or indent the line to continue the text above."
    elif "found undefined alias" in what or "alias" in what:
        return Problem(name, line, column, "alias", "Anchors and aliases (& and *) are not used in cards.",
                       "If the text starts with * or &, put it in double quotes.")
    elif "unexpected end of stream" in what or "end of the stream" in what or "while scanning a quoted" in str(error):
        message, fix = "A quotation mark or bracket is opened and never closed.", "Close it, or remove it."
    elif "expected ','" in what:
        message, fix = "A list in [ ] or a set in { } is not closed, or lacks a comma.", "Close it, or put the comma in."
    elif "expected key" in what:
        message = "This does not fit here: the text in quotes ends before it, or the line is indented unlike its neighbours."
        fix = "Put the whole text into one pair of quotes, or align the line."
    elif "cannot start any token" in what:
        message, fix = "A text may not start with this character.", "Put the whole text in double quotes."
    else:
        message, fix = f"The file cannot be read as YAML here ({what or 'unknown form'}).", \
            "Check the indentation, the colons and the quotation marks of this line and the one before."
    return Problem(name, line, column, "yaml", message, fix)
