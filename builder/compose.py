"""Runs the stages in order: read, validate, rules, link, calculate, render. The command line and the MkDocs hook call this."""

from __future__ import annotations

import json
from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from . import calculate, link, read, rules, validate
from .problems import CouldNotRun, Problem, in_order
from .units import Units


@dataclass(frozen=True, slots=True)
class Built:
    """What the cards amount to: the linked library, the calculators made ready, and every problem, in order.

    With problems the library holds only what is sound; pages are made from it only when there are none.
    """

    linked: link.Linked
    ready: Mapping[str, calculate.Ready]
    problems: list[Problem]
    units: Units


def build(root: Path) -> Built:
    """Everything below root/cards, checked. Raises CouldNotRun without cards or schemas."""
    schemas = validate.Schemas(load_schemas(root))
    units = Units()
    documents, problems, unsound = read.read(root)
    library, found = validate.validate(documents, schemas, unsound)
    problems += found
    problems += rules.check(library, units)
    linked, found = link.link(library)
    problems += found
    ready, found = calculate.prepare(library, units)
    problems += found
    return Built(linked, ready, in_order(problems), units)


def pages(built: Built, kept: MutableMapping[str, str] | None = None, lately: Sequence[Any] = ()) -> list[Any]:
    """Every render.Page of a library without problems.

    kept: references set by an earlier build (see references.in_style). lately: what was new or changed (see history.lately).
    """
    from . import references, render  # `cards check` need not wait for what only pages want

    examples = {id: calculate.worked(r) for id, r in built.ready.items()}
    tables = {id: calculate.tables(r) for id, r in built.ready.items()}
    set_out = references.in_style(built.linked.library.sources.values(), kept)
    return render.render(built.linked, built.ready, examples, tables, set_out, built.units, lately)


def load_schemas(root: Path) -> list[dict]:
    """The schemas of the project, or those that came with the package. Raises CouldNotRun."""
    folder = package_folder("schema", root)
    try:
        return [json.loads(f.read_text(encoding="utf-8")) for f in sorted(folder.glob("*.schema.json"))]
    except (OSError, ValueError) as error:
        raise CouldNotRun(f"A schema cannot be read: {error}") from error


def package_folder(name: str, root: Path) -> Path:
    """A folder of the project: beside the cards, else inside the installed package, else beside the package."""
    here = Path(__file__).resolve().parent
    for folder in (root / name, here / name, here.parent / name):
        if folder.is_dir():
            return folder
    raise CouldNotRun(f"The {name} folder is missing.")


def find_root(start: Path) -> Path:
    """The nearest folder at or above `start` that holds a cards folder. Raises CouldNotRun."""
    for folder in (start, *start.parents):
        if (folder / "cards").is_dir():
            return folder
    raise CouldNotRun("There is no cards folder here or above; run this inside the project.")
