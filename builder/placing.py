"""Puts what was built in its place in one move, so that a build that fails or is killed leaves the last good one whole.

What is being made lies in a workshop: a folder of its own beside the target, held by a lock that ends with the process. A
workshop that nobody holds is what a killed build left, and the next build sweeps it.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_OLD = "last"  # in a workshop: the site that was, on a system that cannot exchange two folders


@contextmanager
def workshop(target: Path) -> Iterator[Path]:
    """An empty folder beside `target`, to make it in; it is gone afterwards, and so are those of killed builds.

    target: absolute; the folder that holds it is made if need be.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    prefix = f".{target.name}-building-"
    folder, held = _made(prefix, target.parent)
    try:
        _sweep(prefix, target, folder)
        yield folder
    finally:
        _clear(folder, target)
        if held is not None:
            os.close(held)


def put(made: Path, target: Path) -> None:
    """`made`, a folder or a file in a workshop of `target`, takes its place; what was there is left in the workshop.

    A reader finds the one or the other whole at every instant, after a loss of power too. Only where the system cannot
    exchange two folders in one move is there an instant between two moves; if it is killed just there, the next build
    puts the last one back before it begins.
    """
    if made.is_dir():
        _write_out(made)
        if not target.exists():
            os.replace(made, target)
        elif not _exchanged(made, target):
            last = made.with_name(_OLD)
            os.replace(target, last)
            try:
                os.replace(made, target)
            except BaseException:
                os.replace(last, target)
                raise
    else:
        with open(made, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(made, target)
    _write_out_names(target.parent)


# --- workshops ------------------------------------------------------------------------------------------------------


def _made(prefix: str, parent: Path) -> tuple[Path, int | None]:
    """A new workshop and the handle that holds it, None where folders cannot be locked."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
        with suppress(BlockingIOError, FileNotFoundError):  # another build has just taken it for a dead one
            held = _hold(folder)
            if folder.is_dir():
                return folder, held
            if held is not None:
                os.close(held)


def _hold(folder: Path) -> int | None:
    """Locks the folder until the handle is closed or the process ends, however it ends; None where that cannot be done.

    Raises BlockingIOError if another process holds it.
    """
    try:
        import fcntl
    except ImportError:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise
    except OSError:  # a share that knows no locks
        os.close(handle)
        return None
    return handle


def _sweep(prefix: str, target: Path, own: Path) -> None:
    for folder in sorted(target.parent.glob(prefix.replace("[", "[[]") + "*")):
        if folder == own or folder.is_symlink() or not folder.is_dir() or not re.fullmatch(r"[a-z0-9_]{8}", folder.name.removeprefix(prefix)):
            continue
        with suppress(BlockingIOError, FileNotFoundError):  # at work, or gone meanwhile
            held = _hold(folder)
            if held is not None:
                _clear(folder, target)
                os.close(held)


def _clear(folder: Path, target: Path) -> None:
    """Takes a workshop away; not before the last good site, if it was left there, is back in its place."""
    last = folder / _OLD
    if last.exists() and not target.exists():
        os.replace(last, target)
    shutil.rmtree(folder, ignore_errors=True)


# --- what the system does -------------------------------------------------------------------------------------------


def _exchanged(a: Path, b: Path) -> bool:
    """Gives each the other's place in one move (Linux); False where that cannot be done, and nothing has moved."""
    exchange = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if os.name == "posix" else None
    if exchange is None:
        return False
    here, swap = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    if exchange(here, os.fsencode(a), here, os.fsencode(b), swap) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):  # an old kernel, or a file system that cannot
        return False
    raise OSError(code, os.strerror(code), str(b))


def _write_out(folder: Path) -> None:
    """Everything in the folder reaches the disk before its name does; one call for all, or a thousand pages would take seconds."""
    if os.name != "posix":
        return
    sync = getattr(ctypes.CDLL(None, use_errno=True), "syncfs", None)
    if sync is None:
        os.sync()
        return
    with _opened(folder) as handle:
        if sync(handle) != 0:  # since Linux 5.8 this tells of a page that could not be written
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code), str(folder))


def _write_out_names(folder: Path) -> None:
    """The names in a folder reach the disk; a share may not know how, and loses nothing but speed of recovery."""
    if os.name == "posix":
        with suppress(OSError), _opened(folder) as handle:
            os.fsync(handle)


@contextmanager
def _opened(folder: Path) -> Iterator[int]:
    handle = os.open(folder, os.O_RDONLY)
    try:
        yield handle
    finally:
        os.close(handle)
