"""A build that fails, is killed or runs out of room leaves the last good site, and the last good bundle, whole."""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from fixtures import PROJECT, project

from builder import bundle, placing
from builder.cli import main

ENVIRONMENT = {**os.environ, "NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(PROJECT)}


def digest(folder: Path) -> str:
    said = hashlib.sha256()
    for file in sorted(folder.rglob("*")):
        said.update(file.relative_to(folder).as_posix().encode() + b"\0" + (file.read_bytes() if file.is_file() else b"/") + b"\0")
    return said.hexdigest()


def site_of(folder: Path, words: str, pages: int = 3) -> Path:
    (folder / "assets/data").mkdir(parents=True)
    (folder / "assets/data/search.js").write_text(words, encoding="utf-8")
    for n in range(pages):
        (folder / f"page{n}.html").write_text(words, encoding="utf-8")
    return folder


def left(target: Path) -> list[str]:
    """What stands beside the target that is not the target."""
    return sorted(p.name for p in target.parent.iterdir() if p.name.startswith(f".{target.name}-"))


def child(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Runs this code in a process of its own, with `placing`, `os`, `signal`, `Path` and its arguments as `given`."""
    start = "import os, signal, sys\nfrom pathlib import Path\nfrom builder import placing\ngiven = sys.argv[1:]\ndie = lambda *a: os.kill(os.getpid(), signal.SIGKILL)\n"
    return subprocess.run([sys.executable, "-c", start + code, *map(str, arguments)], env=ENVIRONMENT, capture_output=True, text=True, timeout=30)


PUT = """
target = Path(given[0])
with placing.workshop(target) as room:
    made = room / "site"
    made.mkdir()
    (made / "index.html").write_text("new")
    {before}
    placing.put(made, target)
    {after}
"""


# --- killed -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return project(tmp_path_factory.mktemp("killed") / "unit")


WHEN: dict[str, Callable[[Path], bool]] = {
    "as soon as it has begun to build": lambda room: True,
    "while the pages are written": lambda room: sum(1 for _ in (room / "site").glob("*/*.html")) > 8,
}


@pytest.mark.parametrize("when", WHEN)
def test_a_build_that_is_killed_leaves_the_last_site_whole(unit: Path, when: str) -> None:
    site = unit / "site"
    if not site.exists():
        site_of(site, "the last good site")
    before = digest(site)
    building = subprocess.Popen([sys.executable, "-m", "builder", "--root", str(unit), "build"], env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 30
    while building.poll() is None and time.monotonic() < until:
        mine = [room for room in unit.glob(".site-building-*") if WHEN[when](room)]
        if mine:
            break
    building.kill()
    assert building.wait(10) == -signal.SIGKILL, "It was over before it could be killed."
    assert digest(site) == before
    assert left(site), "Nothing was left to sweep: it was killed too early."
    with placing.workshop(site.resolve()):  # as the next build begins
        assert len(left(site)) == 1
    assert left(site) == [] and digest(site) == before


@pytest.mark.parametrize("before, after, words", [("die()", "", "old"), ("", "die()", "new"), ("placing._exchanged = die", "", "old"), ("placing._write_out_names = die", "", "new")])
def test_killed_just_before_or_after_the_move_one_site_or_the_other_is_whole(tmp_path: Path, before: str, after: str, words: str) -> None:
    target = site_of(tmp_path / "site", "old")
    (target / "index.html").write_text("old", encoding="utf-8")
    assert child(PUT.format(before=before, after=after), target).returncode == -signal.SIGKILL
    assert (target / "index.html").read_text(encoding="utf-8") == words
    with placing.workshop(target):
        pass
    assert left(target) == [] and (target / "index.html").read_text(encoding="utf-8") == words


NO_EXCHANGE = """
placing._exchanged = lambda a, b: False
moves, move = [], os.replace
def replace(a, b):
    moves.append((a, b))
    if len(moves) == 2: die()
    move(a, b)
os.replace = replace
"""


def test_where_folders_cannot_be_exchanged_the_next_build_puts_the_last_site_back(tmp_path: Path) -> None:
    target = site_of(tmp_path / "site", "old")
    before = digest(target)
    assert child(NO_EXCHANGE + PUT.format(before="", after=""), target).returncode == -signal.SIGKILL
    assert not target.exists(), "It was to be killed between the two moves."
    with placing.workshop(target) as room:
        assert digest(target) == before, "The site is back before anything else is done."
        assert left(target) == [room.name]


def test_a_move_that_fails_puts_the_last_site_back_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = site_of(tmp_path / "site", "old")
    before, move = digest(target), os.replace
    monkeypatch.setattr(placing, "_exchanged", lambda a, b: False)

    def replace(a: Path, b: Path) -> None:
        if b == target and a.name == "site":
            raise PermissionError(errno.EACCES, "Permission denied", str(b))
        move(a, b)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(PermissionError), placing.workshop(target) as room:
        placing.put(site_of(room / "site", "new"), target)
    assert digest(target) == before and left(target) == []


def test_there_is_no_instant_without_a_whole_site(tmp_path: Path) -> None:
    """A reader opens a page again and again while the site is put in place again and again."""
    target = site_of(tmp_path / "site", "0")
    seen, missing, stop = set(), [], threading.Event()

    def read() -> None:
        while not stop.is_set():
            try:
                seen.add((target / "page0.html").read_text(encoding="utf-8"))
            except OSError as error:
                missing.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        for n in range(1, 30):
            with placing.workshop(target) as room:
                placing.put(site_of(room / "site", str(n)), target)
    finally:
        stop.set()
        reader.join()
    assert missing == [] and len(seen) > 3


# --- sweeping ---------------------------------------------------------------------------------------------------------


def test_only_what_a_dead_build_of_this_site_left_is_swept(tmp_path: Path) -> None:
    target = site_of(tmp_path / "site", "old")
    kept = [".site-building-a", ".site-building-notes-of-1", ".site-building-ABCDEFGH", ".site-abcdefgh", ".other-building-abcdefgh", ".site.v2-building-abcdefgh"]
    for name in kept:
        site_of(tmp_path / name, "someone's")
    (tmp_path / ".site-building-filefile").write_text("someone's", encoding="utf-8")
    (tmp_path / ".site-building-linklink").symlink_to(site_of(tmp_path / "elsewhere", "someone's"), target_is_directory=True)
    site_of(tmp_path / ".site-building-deadbeef" / "site", "half")
    with placing.workshop(target) as working:
        with placing.workshop(target) as other:
            assert working.is_dir() and other.is_dir(), "A build that is at work is left alone."
        assert working.is_dir()
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*kept, ".site-building-filefile", ".site-building-linklink", "elsewhere", "site"])
    assert (tmp_path / "elsewhere/page0.html").exists()


def test_a_name_with_signs_in_it_is_no_pattern(tmp_path: Path) -> None:
    target = tmp_path / "s[it]e*"
    (tmp_path / ".s[it]e*-building-deadbeef").mkdir()
    (tmp_path / ".sie-building-deadbeef").mkdir()
    with placing.workshop(target) as room:
        placing.put(site_of(room / "site", "new"), target)
    assert sorted(p.name for p in tmp_path.iterdir()) == [".sie-building-deadbeef", "s[it]e*"]


def test_where_folders_cannot_be_locked_nothing_is_swept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl

    def refuse(*_: object) -> None:
        raise OSError(errno.EBADF, "Bad file descriptor")

    target = tmp_path / "site"
    (tmp_path / ".site-building-deadbeef").mkdir()
    monkeypatch.setattr(fcntl, "flock", refuse)
    with placing.workshop(target) as room:
        placing.put(site_of(room / "site", "new"), target)
    assert left(target) == [".site-building-deadbeef"] and target.is_dir()


def test_a_link_stays_a_link_and_what_it_leads_to_is_replaced(tmp_path: Path) -> None:
    real = site_of(tmp_path / "disk/site", "old")
    (tmp_path / "site").symlink_to(real, target_is_directory=True)
    with placing.workshop((tmp_path / "site").resolve()) as room:
        placing.put(site_of(room / "site", "new"), (tmp_path / "site").resolve())
    assert (tmp_path / "site").is_symlink() and (real / "page0.html").read_text(encoding="utf-8") == "new"


# --- no room ----------------------------------------------------------------------------------------------------------

# The largest file that the process may write, in bytes: the first page fits, the theme's script does not.
LITTLE = "import resource, runpy, sys\nresource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\nsys.argv = ['cards', *sys.argv[1:]]\nrunpy.run_module('builder', run_name='__main__')"


def test_a_disk_without_room_leaves_site_and_bundle_whole_and_is_told_plainly(unit: Path) -> None:
    site = unit / "site"
    if not site.exists():
        site_of(site, "the last good site")
    before = digest(site)
    (unit / "a.zip").write_bytes(b"the last good bundle")
    done = subprocess.run([sys.executable, "-c", LITTLE, "--root", str(unit), "build", "--bundle", str(unit / "a.zip")], env=ENVIRONMENT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2, done.stderr
    assert done.stderr.splitlines()[-1].startswith("Could not run: File too large") and "The site that was there is as it was." in done.stderr
    assert "Traceback" not in done.stderr
    assert digest(site) == before and (unit / "a.zip").read_bytes() == b"the last good bundle"
    assert left(site) == [] and left(unit / "a.zip") == []


@pytest.mark.parametrize("step", ["a page", "the hook"])
def test_a_full_disk_at_any_step_leaves_the_last_site_whole(unit: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    from mkdocs import utils

    site = unit / "site"
    if not site.exists():
        site_of(site, "the last good site")
    before = digest(site)

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "page.html")

    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")
    if step == "a page":
        monkeypatch.setattr(utils, "write_file", full)
    else:
        from builder import hosting

        monkeypatch.setattr(hosting, "checksums", full)
    result = CliRunner().invoke(main, ["--root", str(unit), "build"])
    assert result.exit_code == 2, result.output
    assert result.stderr.splitlines()[-1] == "Could not run: No space left on device (page.html). The site that was there is as it was."
    assert digest(site) == before and left(site) == []


def test_a_disk_that_says_only_at_the_end_that_it_kept_nothing_leaves_the_last_site_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = site_of(tmp_path / "site", "old")
    before = digest(target)

    def full(folder: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(folder))

    monkeypatch.setattr(placing, "_write_out", full)
    with pytest.raises(OSError, match="No space left"), placing.workshop(target) as room:
        placing.put(site_of(room / "site", "new"), target)
    assert digest(target) == before and left(target) == []


# --- the bundle -------------------------------------------------------------------------------------------------------


def test_a_bundle_that_is_killed_leaves_the_last_one_whole(tmp_path: Path) -> None:
    site = site_of(tmp_path / "site", "new")
    target = tmp_path / "a.zip"
    target.write_bytes(b"the last good bundle")
    code = "import zipfile\nfrom datetime import datetime\nfrom builder import bundle\nzipfile.ZipFile.close = die\nbundle.write(Path(given[0]), Path(given[1]), datetime(2026, 11, 20))"
    assert child(code, site, target).returncode == -signal.SIGKILL
    assert target.read_bytes() == b"the last good bundle" and len(left(target)) == 1
    bundle.write(site, target, datetime(2026, 11, 20, tzinfo=UTC))
    assert zipfile.ZipFile(target).testzip() is None and left(target) == []
    assert target.stat().st_mode & 0o777 == 0o644
