"""What the repository says about the cards: which were new or changed lately. The only module that runs git."""

from __future__ import annotations

import os
import re
import subprocess
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

LOOK_BACK = 90  # days
MOST_DAYS = 8
_KINDS = {"techniques": "technique", "pathways": "pathway", "calculators": "calculator"}
_CARD = re.compile(r"cards/(techniques|pathways|calculators)/([a-z0-9-]+)\.yaml\Z")
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
                f"--since={(since - timedelta(days=1)).isoformat()}T00:00:00Z", "--", *(f"cards/{folder}" for folder in _KINDS))
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
    environment = {k: v for k, v in os.environ.items() if k not in _OF_A_HOOK}
    try:
        done = subprocess.run(["git", "-C", str(root), "--no-pager", "-c", "core.quotePath=false", "-c", "log.showSignature=false", *arguments],
                              capture_output=True, env={**environment, "GIT_OPTIONAL_LOCKS": "0", "LC_ALL": "C"}, timeout=20, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.decode("utf-8", "replace") if done.returncode == 0 else None
