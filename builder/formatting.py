"""The one layout of a card file: spaces, line ends, indentation, blank lines and the order of its top-level keys.

Works on lines, so that comments, folded texts and the choice between `[a, b]` and a list of lines stay as they were
written. A step that would change what the file says is left out, so the outcome always reads the same.
"""

from __future__ import annotations

import bisect
import json
import re
from collections.abc import Callable, Sequence
from typing import Any

import yaml

from .model import Document
from .problems import Problem
from .read import parse

STEP = 2  # spaces a level
_ROUNDS = 8  # a step left out in one round may fit in the next; real files need two
_HEAD = re.compile(r"[|>]([-+0-9]*)")


class _Leave(Exception):
    """This form is rare enough to be left as it is."""


def formatted(raw: bytes, name: str, kind: str, id: str, keys: Sequence[str]) -> bytes | Problem:
    """The file in the one layout, as UTF-8 bytes; the same bytes if it already has it. A file that cannot be read gives its Problem.

    keys: the top-level keys of the kind, in the order of its schema. A key that is not among them stays behind the
    one it follows.
    """
    def says(text: str) -> str | None:
        document = parse(text.encode(), name, kind, id)
        # JSON tells 1, 1.0 and true apart, which Python takes for equal.
        return json.dumps(document.data, sort_keys=True) if isinstance(document, Document) else None

    first = parse(raw, name, kind, id)
    if isinstance(first, Problem):
        return first
    wanted = json.dumps(first.data, sort_keys=True)
    text = raw.decode("utf-8-sig")
    ends = text.replace("\r\n", "\n").replace("\r", "\n")
    text = ends if says(ends) == wanted else text
    steps: tuple[Callable[[_Lines], list[str]], ...] = (_without_trailing_spaces, _indented, lambda x: _in_order(x, keys), _blank_lines)
    for _ in range(_ROUNDS):
        before = text
        for step in steps:
            try:
                now = "\n".join(step(_Lines(text)))
            except _Leave:
                continue
            if now != text and says(now) == wanted:
                text = now
        if text == before:
            break
    return text.encode()


class _Lines:
    """A text as lines, its YAML nodes, and which lines are words rather than layout."""

    def __init__(self, text: str) -> None:
        self.text, self.lines = text, text.split("\n")
        self.root = yaml.compose(text, Loader=yaml.CSafeLoader)
        self.starts = [0]
        for line in self.lines[:-1]:
            self.starts.append(self.starts[-1] + len(line) + 1)
        self.folded: dict[int, Any] = {}  # lines of a block text (after > or |) -> its node
        self.running: set[int] = set()  # lines after the first of any other value
        self.quoted: set[int] = set()  # every line of a text in quotes that has more than one
        self._look(self.root)

    def at(self, index: int) -> tuple[int, int]:
        """(line, column) of a place in the text, both from 0. YAML knows more line ends than we split at."""
        line = bisect.bisect_right(self.starts, index) - 1
        return line, index - self.starts[line]

    def start(self, node: Any) -> tuple[int, int]:
        return self.at(node.start_mark.index)

    def last(self, node: Any) -> int:
        return self.at(max(node.start_mark.index, node.end_mark.index - 1))[0]

    def block(self, node: Any) -> bool:
        """Is it a collection of lines (not [ ] or { })?"""
        return not isinstance(node, yaml.ScalarNode) and not node.flow_style

    def head(self, node: Any) -> str:
        """What stands after > or |: how the text ends, or a given indentation."""
        found = _HEAD.match(self.text, node.start_mark.index)
        if not found:
            raise _Leave
        return found[1]

    def _look(self, node: Any) -> None:
        if self.block(node):
            for child in node.value:
                for part in child if isinstance(child, tuple) else (child,):
                    self._look(part)
            return
        first, last = self.start(node)[0], self.last(node)
        if isinstance(node, yaml.ScalarNode) and node.style in ("|", ">"):
            if "+" not in self.head(node):
                while last > first and not self.lines[last].strip():
                    last -= 1
            self.folded.update(dict.fromkeys(range(first + 1, last + 1), node))
        elif last > first:
            self.running.update(range(first + 1, last + 1))
            self._quotes(node)

    def _quotes(self, node: Any) -> None:
        if isinstance(node, yaml.ScalarNode):
            if node.style in ("'", '"') and self.last(node) > self.start(node)[0]:
                self.quoted.update(range(self.start(node)[0], self.last(node) + 1))
            return
        for child in node.value:
            for part in child if isinstance(child, tuple) else (child,):
                self._quotes(part)


def _without_trailing_spaces(x: _Lines) -> list[str]:
    return [line if i in x.folded or i in x.quoted else line.rstrip(" \t") for i, line in enumerate(x.lines)]


def _blank_lines(x: _Lines) -> list[str]:
    """Never two in a row, none at the start or end; one line end closes the file."""
    kept: list[str] = []
    words = False
    for i, line in enumerate(x.lines):
        inside = i in x.folded or i in x.running
        if inside or line.strip():
            kept.append(line)
            words = inside
        elif kept and (words or kept[-1].strip()):
            kept.append("")
            words = False
    while kept and not kept[-1].strip() and not words:
        kept.pop()
    return [*kept, ""]


def _indented(x: _Lines) -> list[str]:
    """Two spaces a level, lists two further in than their key, one space after the dash."""
    if not x.block(x.root):
        raise _Leave
    places: dict[int, dict[int, int]] = {}  # line -> column of what begins there -> column wanted
    moved: dict[int, int] = {}  # line that continues a value -> how far it moves
    texts: dict[int, int] = {}  # line of a block text -> column wanted for the text

    def put(node: Any, column: int) -> int:
        line, now = x.start(node)
        places.setdefault(line, {})[now] = column
        return column - now

    def value(node: Any, column: int, by: int, holder: int) -> None:
        """A value whose own lines stand at `column`; `by`: how far what it follows has moved; holder: the line of its key or dash."""
        if x.block(node):
            entries(node, column)
        elif isinstance(node, yaml.ScalarNode) and node.style in ("|", ">"):
            if any(c.isdigit() for c in x.head(node)):
                raise _Leave
            texts.update(dict.fromkeys((i for i, n in x.folded.items() if n is node), column))
        else:
            first = x.start(node)[0]
            if first > holder:
                by = put(node, column)
            moved.update(dict.fromkeys(range(first + 1, x.last(node) + 1), by))

    def entries(node: Any, column: int) -> None:
        if isinstance(node, yaml.MappingNode):
            for key, child in node.value:
                line, now = x.start(key)
                if x.lines[line][:now].rstrip().endswith("?"):
                    raise _Leave
                value(child, column + STEP, put(key, column), line)
            return
        dash = x.start(node)[1]
        for item in node.value:
            line, now = x.start(item)
            if not x.lines[line][:now].rstrip(" ").endswith("-"):  # what the dash brings stands on a later line, or nowhere
                raise _Leave
            at = len(x.lines[line][:now].rstrip(" ")) - 1
            if at != dash:
                raise _Leave
            places.setdefault(line, {})[dash] = column
            by = put(item, column + STEP) if now > dash + 1 else 0
            value(item, column + STEP, by, line)

    entries(x.root, 0)
    own = {i: min(now) for i, now in places.items()}
    done: list[str] = []
    ahead = sorted(places)
    for i, line in enumerate(x.lines):
        bare = line.lstrip(" ")
        if i in texts:
            node = x.folded[i]
            old = next(len(t) - len(t.lstrip(" ")) for j in sorted(k for k, n in x.folded.items() if n is node) if (t := x.lines[j]).strip(" "))
            space = len(line) - len(bare)
            done.append(" " * (space - old + texts[i]) + bare if bare or space > old else "")
        elif i in places:
            columns = sorted(places[i])
            if line[: columns[0]].strip(" "):
                raise _Leave
            new = " " * places[i][columns[0]]
            for here, following in zip(columns, [*columns[1:], None]):
                part = line[here:following]
                new += part if following is None else part.rstrip(" ").ljust(places[i][following] - places[i][here])
            done.append(new)
        elif i in moved:
            done.append(" " * max(0, len(line) - len(bare) + moved[i]) + bare if bare else "")
        elif bare.startswith("#") and ahead:
            # A comment goes with the line below it.
            near = ahead[min(bisect.bisect_left(ahead, i), len(ahead) - 1)]
            by = places[near][own[near]] - own[near]
            done.append(" " * max(0, len(line) - len(bare) + by) + bare)
        else:
            done.append(line)
    return done


def _in_order(x: _Lines, keys: Sequence[str]) -> list[str]:
    """Top-level keys in the schema's order, each with the comments and the blank line above it."""
    if not isinstance(x.root, yaml.MappingNode) or not x.block(x.root) or not x.root.value:
        raise _Leave
    rank = {key: n for n, key in enumerate(keys)}
    starts: list[int] = []
    ranks: list[int] = []
    for key, _ in x.root.value:
        line, column = x.start(key)
        if column:
            raise _Leave
        ranks.append(rank.get(key.value, ranks[-1] if ranks else -1))
        above = line
        while starts and above - 1 > starts[-1] and above - 1 not in x.folded and above - 1 not in x.running and _between(x.lines[above - 1]):
            above -= 1
        starts.append(above)
    # The head of the file ends at its first blank line, or at its first key.
    head = starts[0]
    starts[0] = next((i + 1 for i in range(head) if not x.lines[i].strip()), head)
    last = len(x.lines)
    while last > x.start(x.root.value[-1][0])[0] + 1 and last - 1 not in x.folded and last - 1 not in x.running and _between(x.lines[last - 1]):
        last -= 1
    if ranks == sorted(ranks):
        return x.lines
    parts = [x.lines[a:b] for a, b in zip(starts, [*starts[1:], last])]
    moved = [line for n in sorted(range(len(parts)), key=ranks.__getitem__) for line in parts[n]]
    return [*x.lines[: starts[0]], *moved, *x.lines[last:]]


def _between(line: str) -> bool:
    """Blank, or a comment at the margin: it belongs to the key below."""
    return not line.strip() or line.startswith("#")
