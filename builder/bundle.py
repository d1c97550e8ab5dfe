"""The built site as one zip, the same bytes for the same site and date."""

from __future__ import annotations

import hashlib
import os
import zipfile
from datetime import datetime
from pathlib import Path

from .hosting import CHECKSUMS, checksums
from .offline import of_use
from .placing import put, workshop

FOLDER = "technique-cards"
_EARLIEST = (1980, 1, 1, 0, 0, 0)  # the zip format knows no earlier time
_START = """\
Technique cards, a copy made on {day}.

Unpack the whole folder first, then open index.html in a browser. It needs no network and no server.
Look for a newer copy from time to time: each page says when it was made.
"""


def write(site: Path, target: Path, made: datetime) -> int:
    """Everything in the folder `site` into the zip `target`, in one move. Returns the number of files.

    made: the time that every file in it carries, in UTC.
    """
    stamp = max(made.timetuple()[:6], _EARLIEST)
    files = sorted((f.relative_to(site).as_posix(), f) for f in site.rglob("*") if f.is_file())
    texts = [("START-HERE.txt", _START.format(day=made.date()).replace("\n", "\r\n").encode())]
    texts += [(path, f.read_bytes()) for path, f in files if of_use(path)]
    texts[1:] = sorted([*texts[1:], (CHECKSUMS, checksums({path: hashlib.sha256(text).digest() for path, text in texts}).encode())])
    target = target.resolve()
    with workshop(target) as folder:
        making = folder / "bundle.zip"
        with zipfile.ZipFile(making, "w") as archive:
            for path, text in texts:
                entry = zipfile.ZipInfo(f"{FOLDER}/{path}", stamp)
                entry.create_system = 3  # or the system it is made on would be written into it
                entry.external_attr = 0o100644 << 16
                entry.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(entry, text, compresslevel=9)
        os.chmod(making, 0o644)
        put(making, target)
    return len(texts)
