"""The small valid library of the tests, laid into a temporary folder, whole or with one file changed.

`tests/cards/valid/` is what stands in a cards folder. `tests/cards/invalid/RULE.yaml` is one file that breaks RULE; its
first line, `# kind: technique`, says what it is: a technique, pathway, calculator, page or source joins the valid ones under
its own name, a glossary or department takes the place of theirs.
"""

from __future__ import annotations

import functools
import os
import shutil
from datetime import date
from pathlib import Path
from unittest import mock

from builder import compose
from builder.units import Units

TESTS = Path(__file__).resolve().parent
PROJECT = TESTS.parent
VALID = TESTS / "cards" / "valid"
INVALID = TESTS / "cards" / "invalid"
GOLDEN = TESTS / "golden"
FOLDER = {"technique": "techniques", "pathway": "pathways", "calculator": "calculators", "page": "pages", "source": "sources"}

# The day on which the tests read the cards.
TODAY = date(2026, 11, 25)
# RENEW=1 writes the expected files anew from what the builder says now; read the difference before you keep it.
RENEW = bool(os.environ.get("RENEW"))

units = functools.cache(Units)


def build(root: Path) -> compose.Built:
    """compose.build with one set of units for all tests: making it takes most of a small build."""
    with mock.patch.object(compose, "Units", units):
        return compose.build(root, TODAY)


def lay(root: Path, *, without: tuple[str, ...] = (), **changed: str | bytes) -> Path:
    """The valid library below root/cards. without: files to leave out. changed: see `write`."""
    shutil.copytree(VALID, root / "cards")
    for name in without:
        (root / "cards" / name).unlink()
    for kind_and_id, text in changed.items():
        write(root, kind_and_id, text)
    return root


def write(root: Path, where: str, text: str | bytes) -> Path:
    """A file of the library; where: its path below cards/, or one that begins with cards/ or local/."""
    path = root / where if where.startswith(("cards/", "local/")) else root / "cards" / where
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def local_department(root: Path, name: str = "Another unit") -> Path:
    """A local layer that says whose it is, over the library below root/cards or, without that, over the package's cards."""
    write(root, "local/department.yaml", f"name: {name}\nabout: A unit with values of its own, for the tests only.\n")
    return root


def project(root: Path) -> Path:
    """A whole project round the valid library, so that its site can be built."""
    lay(root)
    for name in ("schema", "builder", "site_overrides"):
        (root / name).symlink_to(PROJECT / name, target_is_directory=True)
    shutil.copy(PROJECT / "mkdocs.yml", root)
    return root


TECHNIQUE = """\
title: A card for the tests
stage: laser
summary: One sentence.
{extra}steps:
  - {{do: Do it., why: It helps., endpoint: It is done., basis: common practice}}
cautions: [{{text: Be careful., basis: common practice}}]
questions: [{{ask: Why?, answer: It helps., basis: common practice}}]
review: {{owner: consultant, every_months: 12}}
"""


def technique(extra: str = "") -> str:
    """The text of a small sound technique card, with some lines put in before its steps."""
    return TECHNIQUE.format(extra=extra)


def small_site(root: Path, out: Path, changed: dict[str, str]) -> Path:
    """The site of the valid library, with some files below cards/ written anew, built into `out`."""
    from builder.site import build_site

    os.environ["NO_MKDOCS_2_WARNING"] = "1"
    project(root)
    for where, text in changed.items():
        write(root, where, text)
    build_site(root, out, root / "mkdocs.yml")
    return out
