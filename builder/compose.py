"""Runs the stages in order: read, validate, rules, link, calculate, render. The command line and the MkDocs hook call this."""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from . import calculate, changelog, changes, link, read, rules, signoff, validate, versions
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


@dataclass(slots=True)
class Kept:
    """What one round of a running server leaves to the next, so that only what changed is looked at again."""

    files: dict[str, Any] = field(default_factory=dict)
    validated: dict[tuple[str, str], Any] = field(default_factory=dict)
    ruled: dict[tuple[str, str], Any] = field(default_factory=dict)
    linked: dict[Any, Any] = field(default_factory=dict)
    references: dict[str, str] = field(default_factory=dict)
    tools: tuple[Sequence[Mapping[str, Any]], validate.Schemas, Units] | None = None


def build(root: Path, today: date | None = None, kept: Kept | None = None) -> Built:
    """Everything below root/cards, checked. Raises CouldNotRun without cards or schemas.

    today: with it, a sign-off of a day to come is a problem. kept: of an earlier round, by the same schemas.
    """
    kept = kept or Kept()
    if kept.tools is None:
        declared = load_schemas(root)
        kept.tools = declared, validate.Schemas(declared), Units()
    declared, schemas, units = kept.tools
    documents, problems, unsound = read.read(root, kept.files)
    library, found = validate.validate(documents, schemas, unsound, kept.validated)
    problems += found
    problems += rules.check(library, units, kept.ruled)
    problems += signoff.check(library, today)
    linked, found = link.link(library, kept.linked)
    problems += found
    ready, found = calculate.prepare(library, units)
    problems += found
    return Built(linked, ready, in_order(problems), units, declared)


def plan(built: Built, kept: MutableMapping[str, str] | None = None, lately: Sequence[Any] = (), past: Sequence[changelog.Entry] = ()) -> list[Any]:
    """Every file of the site as a render.Planned, made only when it is asked for; for a library without problems.

    kept: references set by an earlier build (see references.in_style). lately: what was new or changed (see history.lately).
    past: what each of the last commits changed, newest first (see `changed`); without any there is no such page and no feed.
    """
    from . import opendata, references, render  # `cards check` need not wait for what only pages want

    linked = built.linked
    department, version = linked.library.department, versions.Versions(linked.library)
    where = {kind: f"cards/{folder}/ID.yaml" for folder, kind in read.FOLDERS.items()} | {kind: f"cards/{file}" for file, kind in read.SINGLE.items()}

    def fields() -> Any:
        written: dict[str, list[Any]] = {}  # what the page takes its examples from
        for d in linked.library.documents:
            if not (d.kind == "calculator" and d.id in department.calculators_off) and len(found := written.setdefault(d.kind, [])) < _EXAMPLES:
                found.append(d.data)
        return render.fields_page(built.schemas, written, where)

    more: dict[str, Any] = {"fields.md": ("Fields of a card", fields)}
    if past:
        more[f"{changelog.PAGE}.md"] = changelog.TITLE, lambda: render.Page(f"{changelog.PAGE}.md", changelog.page(past))
    made = render.plan(linked, built.ready, lambda id: calculate.worked(built.ready[id]), lambda id: calculate.tables(built.ready[id]),
                       references.in_style(linked.library.sources.values(), kept), built.units, version, lately, opendata.linked_data(linked, version), more)
    data = {path: functools.partial(make, linked, version) for path, make in opendata.FILES.items()}
    if past:
        data[changelog.FEED] = lambda: [changelog.feed(past, department.name)]
    return made + [render.Planned(path, lambda path=path, make=make: render.Page(path, "".join(make())), pieces=make) for path, make in data.items()]


_EXAMPLES = 500  # cards of a kind that the page of fields looks through for its examples


def pages(built: Built, kept: MutableMapping[str, str] | None = None, lately: Sequence[Any] = (), past: Sequence[changelog.Entry] = ()) -> Iterator[Any]:
    """Every file of the site as a render.Page, one after the other (see `plan`)."""
    return (planned.make() for planned in plan(built, kept, lately, past))


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
