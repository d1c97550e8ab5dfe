"""Runs the stages in order: read, validate, rules, link, calculate, render. The command line and the MkDocs hook call this."""

from __future__ import annotations

import json
from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from . import calculate, changelog, changes, link, read, rules, signoff, validate
from .model import Library
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
    schemas: Sequence[Mapping[str, Any]] = ()


def build(root: Path, today: date | None = None) -> Built:
    """Everything below root/cards, checked. Raises CouldNotRun without cards or schemas.

    today: with it, a sign-off of a day to come is a problem.
    """
    declared = load_schemas(root)
    schemas = validate.Schemas(declared)
    units = Units()
    documents, problems, unsound = read.read(root)
    library, found = validate.validate(documents, schemas, unsound)
    problems += found
    problems += rules.check(library, units)
    problems += signoff.check(library, today)
    linked, found = link.link(library)
    problems += found
    ready, found = calculate.prepare(library, units)
    problems += found
    return Built(linked, ready, in_order(problems), units, declared)


def pages(built: Built, kept: MutableMapping[str, str] | None = None, lately: Sequence[Any] = (), past: Sequence[changelog.Entry] = ()) -> list[Any]:
    """Every render.Page of a library without problems.

    kept: references set by an earlier build (see references.in_style). lately: what was new or changed (see history.lately).
    past: what each of the last commits changed, newest first (see `changed`); without any there is no such page and no feed.
    """
    from . import opendata, references, render  # `cards check` need not wait for what only pages want

    examples = {id: calculate.worked(r) for id, r in built.ready.items()}
    tables = {id: calculate.tables(r) for id, r in built.ready.items()}
    set_out = references.in_style(built.linked.library.sources.values(), kept)
    where = {kind: f"cards/{folder}/ID.yaml" for folder, kind in read.FOLDERS.items()} | {kind: f"cards/{file}" for file, kind in read.SINGLE.items()}
    off = built.linked.library.department.calculators_off
    written: dict[str, list[Any]] = {}  # what the page of fields takes its examples from
    for d in built.linked.library.documents:
        if not (d.kind == "calculator" and d.id in off):
            written.setdefault(d.kind, []).append(d.data)
    made = render.render(built.linked, built.ready, examples, tables, set_out, built.units, lately, opendata.linked_data(built.linked),
                         [render.fields_page(built.schemas, written, where), *([render.Page(f"{changelog.PAGE}.md", changelog.page(past))] if past else [])])
    made += [render.Page(path, text) for path, text in opendata.files(built.linked).items()]
    if past:
        made.append(render.Page(changelog.FEED, changelog.feed(past, built.linked.library.department.name)))
    return made


def navigation(pages: Sequence[Any]) -> list[dict[str, str]]:
    """The menu, title to path. Index pages only: with every card in every page's menu the site would grow with the square of the cards."""
    there = {p.path for p in pages}
    wanted = [("Home", "index.md"), ("Techniques", "techniques/index.md"), ("Cases", "pathways/index.md"), ("Brief", "brief.md"),
              ("Calculators", "calculators/index.md"), ("Sources", "sources/index.md"), ("Glossary", "glossary.md")]
    return [{title: path} for title, path in wanted if path in there]


def cases(built: Built) -> dict[str, list[calculate.Case]]:
    """The typical cases of every calculator that can be run, worked out."""
    return {id: calculate.cases(r) for id, r in built.ready.items()}


def changed(root: Path, built: Built, past: Sequence[tuple[str, datetime, str, Mapping[str, tuple[bytes | None, bytes | None]]]]) -> list[changelog.Entry]:
    """What each of the last commits changed (see history.past): the cards are taken back one commit after the other.

    Only the files that a commit touched are read anew. Results of calculators are left out: they would cost a build a commit.
    """
    schemas = validate.Schemas(built.schemas)
    newer, entries, seen = built.linked.library, [], set()
    for commit, moment, subject, files in past:
        # Where the cards here hold what is not committed yet, the commit's own text counts.
        unlike = {p: new for p, (_, new) in files.items() if p not in seen and (root / p).is_file() and (root / p).read_bytes() != new}
        newer = _with(newer, unlike, schemas)
        older = _with(newer, {p: old for p, (old, _) in files.items()}, schemas)
        entries.append(changelog.Entry(commit, moment, subject, changes.compare(changes.Version("before", older), changes.Version("after", newer))))
        newer = older
        seen.update(files)
    return entries


def _with(library: Library, files: Mapping[str, bytes | None], schemas: validate.Schemas) -> Library:
    """The library with some of its files as they were; None is a file that is not there."""
    if not files:
        return library
    documents, gone, unsound = [], set(), set()
    for path, content in files.items():
        folder, _, name = path.removeprefix("cards/").rpartition("/")
        kind = read.FOLDERS.get(folder) if folder else read.SINGLE.get(name)
        if kind is None or not name.endswith(".yaml"):
            continue
        id = name.removesuffix(".yaml")
        gone.add((kind, id))
        if content is not None:
            document = read.parse(content, path, kind, id)
            if isinstance(document, Problem):
                unsound.add((kind, id))
            else:
                documents.append(document)
    part, _ = validate.validate(documents, schemas, unsound)
    kinds = {kind: f"{folder}" for folder, kind in read.FOLDERS.items()}
    return replace(
        library,
        **{name: dict(sorted({**{id: r for id, r in getattr(library, name).items() if (kind, id) not in gone}, **getattr(part, name)}.items()))
           for kind, name in kinds.items()},
        terms=part.terms if ("glossary", "glossary") in gone else library.terms,
        department=part.department if ("department", "department") in gone else library.department,
        documents=(*(d for d in library.documents if (d.kind, d.id) not in gone), *part.documents),
        unsound=frozenset(x for x in library.unsound if x not in gone) | part.unsound,
    )


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
