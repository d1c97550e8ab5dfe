"""What the repository says about the cards: which were new or changed lately, and how they read then. The only module that runs git."""

from __future__ import annotations

import os
import re
import subprocess
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

LOOK_BACK = 90  # days
MOST_DAYS = 8
_KINDS = {"techniques": "technique", "pathways": "pathway", "calculators": "calculator"}
_LAYERS = ("cards", "local")
_CARD = re.compile(r"(?:cards|local)/(techniques|pathways|calculators)/([a-z0-9-]+)\.yaml\Z")
# A build started by a git hook inherits the hook's own repository.
_OF_A_HOOK = ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE", "GIT_PREFIX", "GIT_COMMON_DIR", "GIT_OBJECT_DIRECTORY")


def lately(root: Path, until: date) -> list[tuple[str, list[tuple[str, str, str]]]]:
    """[(day, [(kind, id, "new" or "changed")])], newest day first, at most MOST_DAYS of the LOOK_BACK days up to `until`.

    A day (of UTC) is when the change came into the branch that is built. A card stands under its last day only. Empty
    without git, and where a copy without history cannot tell a new card from an old one.
    """
    edge = _edge_of_shallow_copy(root)
    since = until - timedelta(days=LOOK_BACK)
    # A merge counts once, on its own day: readers saw nothing of the branch before.
    told = _git(root, "log", "--first-parent", "-m", "-M", "--relative", "--name-status", "--format=commit %H %ct",
                f"--since={(since - timedelta(days=1)).isoformat()}T00:00:00Z", "--", *(f"{layer}/{folder}" for layer in _LAYERS for folder in _KINDS))
    if edge is None or told is None:
        return []
    last: dict[tuple[str, str], tuple[date, str]] = {}
    commit, day = "", until
    for line in told.splitlines():
        if line.startswith("commit "):
            commit, seconds = line.split()[1:]
            day = datetime.fromtimestamp(int(seconds), UTC).date()
            continue
        status, *paths = line.split("\t")
        if not paths or commit in edge or not since <= day <= until:
            continue
        # Of a renamed file git names both paths; of any other, one.
        words = ("gone", "changed") if len(paths) == 2 else ({"A": "new", "D": "gone"}.get(status, "changed"),)
        for path, word in zip(paths, words, strict=True):
            if found := _CARD.match(path):
                card = (_KINDS[found.group(1)], found.group(2))
                if card not in last or (word == "new" and last[card] == (day, "changed")):  # written and mended on one day: new
                    last[card] = (day, word)
    days: dict[date, list[tuple[str, str, str]]] = {}
    for (kind, id), (day, word) in last.items():
        if word != "gone":
            days.setdefault(day, []).append((kind, id, word))
    return [(day.isoformat(), sorted(days[day])) for day in sorted(days, reverse=True)[:MOST_DAYS]]


def has_git(root: Path) -> bool:
    """Whether the cards stand in a git repository, and git is there to read it."""
    return _git(root, "rev-parse", "--git-dir") is not None


def commit(root: Path, ref: str) -> str | None:
    """The full name of the commit that a branch, tag or commit means; None if the repository knows none."""
    if ref.startswith("-"):  # git would take it for an option
        return None
    found = _git(root, "rev-parse", "--verify", "--quiet", f"{ref}^{{commit}}")
    return found.strip() if found else None


def cards_of(root: Path, commit: str) -> dict[str, bytes] | None:
    """Path below `root` -> content of every plain file in the cards and local folders of a commit; None if git refuses.

    Links are left out: what one of an old commit leads to is not of that commit.
    """
    told = _git(root, "ls-tree", "-r", "-z", commit, "--", *_LAYERS)
    if told is None:
        return None
    # mode, type, object, path
    files = [(entry.partition("\t")[2], entry.split()[2]) for entry in told.split("\0") if entry.startswith("100")]
    content = _blobs(root, sorted({name for _, name in files}))
    return None if content is None else {path: content[name] for path, name in files if not {"", ".", ".."} & set(path.split("/"))}


def past(root: Path, until: date, most: int = 20, most_files: int = 400) -> list[tuple[str, datetime, str, dict[str, tuple[bytes | None, bytes | None]]]]:
    """[(commit, moment, subject, {path below `root`: (content before, content after)})] of the last commits that touched cards, newest first.

    Along the first parent, up to the day `until`; at most `most` commits, and as many as touched `most_files` files in all, so
    that the cost has a bound. None is a file that was not there. Empty without git or where the history is cut off.
    """
    edge = _edge_of_shallow_copy(root)
    log = _git(root, "log", "--first-parent", "-m", "--no-renames", "--relative", "--raw", "--no-abbrev", f"--max-count={most}", "--format=commit %H %ct %s",
               f"--until={until.isoformat()}T23:59:59Z", "--", *_LAYERS)
    if edge is None or not log:
        return []
    found: list[tuple[str, datetime, str, dict[str, tuple[str, str]]]] = []
    for line in log.splitlines():
        if line.startswith("commit "):
            name, seconds, *subject = line.removeprefix("commit ").split(" ", 2)
            if name in edge:
                break
            found.append((name, datetime.fromtimestamp(int(seconds), UTC), "".join(subject), {}))
        elif line.startswith(":") and found:
            facts, _, path = line.partition("\t")
            old, new = (x if mode.lstrip(":").startswith("100") else "" for mode, x in zip(facts.split()[:2], facts.split()[2:4], strict=True))
            found[-1][3][path] = old, new
    kept, files = [], 0
    for entry in found:
        files += len(entry[3])
        if files > most_files:
            break
        kept.append(entry)
    wanted = sorted({x for *_, paths in kept for pair in paths.values() for x in pair if x})
    content = _blobs(root, wanted)
    return [] if content is None else [(name, moment, subject, {p: (content.get(a), content.get(b)) for p, (a, b) in paths.items()}) for name, moment, subject, paths in kept]


def _blobs(root: Path, names: list[str]) -> dict[str, bytes] | None:
    """Object name -> its content; None if git refuses."""
    content = _run(root, "cat-file", "--batch", given="".join(f"{name}\n" for name in names).encode()) if names else b""
    if content is None:
        return None
    found, at = {}, 0
    for name in names:
        end = content.index(b"\n", at)
        size = int(content[at:end].split()[2])
        found[name] = content[end + 1 : end + 1 + size]
        at = end + 1 + size + 1
    return found


def _edge_of_shallow_copy(root: Path) -> set[str] | None:
    """The commits whose parents this copy lacks, so that all their files look new; None where there is no repository."""
    place = _git(root, "rev-parse", "--git-path", "shallow")
    if place is None:
        return None
    try:
        return set((root / place.strip()).read_text(encoding="ascii").split())
    except FileNotFoundError:
        return set()


def _git(root: Path, *arguments: str) -> str | None:
    """What git prints; None if there is no git, no repository, or it refuses."""
    printed = _run(root, *arguments)
    return None if printed is None else printed.decode("utf-8", "replace")


def _run(root: Path, *arguments: str, given: bytes = b"") -> bytes | None:
    environment = {k: v for k, v in os.environ.items() if k not in _OF_A_HOOK}
    try:
        done = subprocess.run(["git", "-C", str(root), "--no-pager", "-c", "core.quotePath=false", "-c", "log.showSignature=false", *arguments],
                              input=given, capture_output=True, env={**environment, "GIT_OPTIONAL_LOCKS": "0", "LC_ALL": "C"}, timeout=20, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None
