"""Runs the stages in order: read, validate, rules, the local layer, link, calculate, render. The command line and the MkDocs hook call this."""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from . import calculate, changelog, changes, link, local, read, rules, signoff, validate, versions
from .model import Document, Library
from .problems import CouldNotRun, Problem, in_order
from .units import Units


@dataclass(frozen=True, slots=True)
class Built:
    """What the cards amount to: the linked library, the calculators made ready, and every problem, in order.

    With problems the library holds only what is sound; pages are made from it only when there are none.
    plain: the library without its local layer; the same object where there is none. tried: the calculators whose worked examples
    were tried with the numbers of the cards below, for the layer puts its own in their place.
    """

    linked: link.Linked
    ready: Mapping[str, calculate.Ready]
    problems: list[Problem]
    units: Units
    schemas: Sequence[Mapping[str, Any]] = ()
    plain: Library = field(default_factory=Library)
    tried: Mapping[str, calculate.Ready] = field(default_factory=dict)


@dataclass(slots=True)
class Kept:
    """What one round of a running server leaves to the next, so that only what changed is looked at again."""

    files: dict[str, Any] = field(default_factory=dict)
    validated: dict[str, Any] = field(default_factory=dict)
    ruled: dict[str, Any] = field(default_factory=dict)
    linked: dict[Any, Any] = field(default_factory=dict)
    ready: dict[str, Any] = field(default_factory=dict)
    references: dict[str, str] = field(default_factory=dict)
    templates: Any = None
    tools: tuple[Sequence[Mapping[str, Any]], validate.Schemas, Units] | None = None


def build(root: Path, today: date | None = None, kept: Kept | None = None) -> Built:
    """Everything below root/cards with root/local over it, checked. Raises CouldNotRun without cards or schemas.

    Without root/cards the layer lies over the cards that came with the package.

    today: with it, a sign-off of a day to come is a problem. kept: of an earlier round, by the same schemas.
    """
    kept = kept or Kept()
    if kept.tools is None:
        declared = load_schemas(root)
        kept.tools = declared, validate.Schemas(declared), Units()
    declared, schemas, units = kept.tools
    documents, problems, unsound = _read(root, kept.files)
    plain, found = validate.validate(documents, schemas, unsound, kept.validated)
    problems += found
    problems += rules.check(plain, units, kept.ruled)
    library, found = local.layered(plain, units)
    problems += found
    problems += signoff.check(library, today)
    linked, found = link.link(library, kept.linked)
    problems += found
    ready, tried, found = _prepared(library, plain, units, kept.ready)
    problems += found
    return Built(linked, ready, in_order(problems), units, declared, plain, tried)


def _read(root: Path, kept: MutableMapping[str, Any]) -> tuple[list[Document], list[Problem], set[tuple[str, str]]]:
    """The cards and the layer over them."""
    documents, problems, unsound = read.read(base_of(root), kept=kept)
    if (root / read.LOCAL).is_dir():
        more, found, refused = read.read(root, read.LOCAL, kept)
        more, taken = local.apart(documents, more)
        documents = sorted([*documents, *more], key=lambda d: d.id)
        problems, unsound = [*problems, *found, *taken], unsound | refused
    return documents, problems, unsound


def _prepared(library: Library, plain: Library, units: Units, kept: MutableMapping[str, Any]) -> tuple[Mapping[str, calculate.Ready], Mapping[str, calculate.Ready], list[Problem]]:
    """Calculators made ready with the numbers of this department, those tried with the numbers they came with, and the problems of both."""
    ready, found = calculate.prepare(library, units, kept)
    touched = local.under_local_values(library, plain)
    if not touched:
        return ready, {}, found
    tried, told = calculate.prepare(replace(plain, calculators={id: plain.calculators[id] for id in touched}), units)
    files = {plain.calculators[id].file for id in touched}
    return ready, tried, [*(p for p in found if p.file not in files), *told, *local.broken(found, told, library, touched)]


def plan(built: Built, kept: Kept | None = None, lately: Sequence[Any] = (), past: Sequence[changelog.Entry] = ()) -> list[Any]:
    """Every file of the site as a render.Planned, made only when it is asked for; for a library without problems.

    kept: references set and templates loaded by an earlier build. lately: what was new or changed (see history.lately).
    past: what each of the last commits changed, newest first (see `changed`); without any there is no such page and no feed.
    """
    from . import opendata, references, render  # `cards check` need not wait for what only pages want

    kept, linked = kept or Kept(), built.linked
    kept.templates = kept.templates or render.templates()
    department, version = linked.library.department, versions.Versions(linked.library)
    where = {kind: f"cards/{folder}/ID.yaml" for folder, kind in read.FOLDERS.items()} | {kind: f"cards/{file}" for file, kind in read.SINGLE.items()}
    where |= {kind: f"local/{file}" for file, kind in read.SINGLES[read.LOCAL].items() if kind not in where}

    def fields() -> Any:
        written: dict[str, list[Any]] = {}  # what the page takes its examples from
        for d in linked.library.documents:
            if not (d.kind == "calculator" and d.id in department.calculators_off) and len(found := written.setdefault(d.kind, [])) < _EXAMPLES:
                found.append(d.data)
        return render.fields_page(built.schemas, written, where)

    more: dict[str, Any] = {"fields.md": ("Fields of a card", fields)}
    if past:
        more[f"{changelog.PAGE}.md"] = changelog.TITLE, lambda: render.Page(f"{changelog.PAGE}.md", changelog.page(past))
    made = render.plan(linked, built.ready, lambda id: calculate.worked(built.tried.get(id, built.ready[id])), lambda id: calculate.tables(built.ready[id]),
                       references.in_style(linked.library.sources.values(), kept.references), built.units, version, lately, opendata.linked_data(linked, version), more, built.tried, kept.templates)
    data = {path: functools.partial(make, linked, version) for path, make in opendata.FILES.items()}
    if past:
        data[changelog.FEED] = lambda: [changelog.feed(past, department.name)]
    return made + [render.Planned(path, lambda path=path, make=make: render.Page(path, "".join(make())), pieces=make) for path, make in data.items()]


_EXAMPLES = 100  # cards of a kind that the page of fields looks through for its examples


def pages(built: Built, kept: Kept | None = None, lately: Sequence[Any] = (), past: Sequence[changelog.Entry] = ()) -> Iterator[Any]:
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
    newer, entries, seen = built.plain, [], set()

    def version(name: str, plain: Library) -> changes.Version:
        return changes.Version(name, local.layered(plain, built.units)[0])

    for commit, moment, subject, files in past:
        # Where the cards here hold what is not committed yet, the commit's own text counts.
        unlike = {p: new for p, (_, new) in files.items() if p not in seen and (root / p).is_file() and (root / p).read_bytes() != new}
        newer = _with(newer, unlike, schemas)
        older = _with(newer, {p: old for p, (old, _) in files.items()}, schemas)
        entries.append(changelog.Entry(commit, moment, subject, changes.compare(version("before", older), version("after", newer))))
        newer = older
        seen.update(files)
    return entries


def _with(library: Library, files: Mapping[str, bytes | None], schemas: validate.Schemas) -> Library:
    """The library with some of its files as they were; None is a file that is not there."""
    if not files:
        return library
    documents, gone, unsound = [], set(), set()
    for path, content in files.items():
        layer, _, inside = path.partition("/")
        folder, _, name = inside.rpartition("/")
        kind = read.FOLDERS.get(folder) if folder else read.SINGLES[layer].get(name)
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
    if ("glossary", "glossary") in gone:  # terms are taken anew from every glossary, that of the other layer too
        documents += [d for d in library.documents if d.kind == "glossary" and d.file not in files]
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


def package_file(name: str) -> Path:
    """A file of the repository's top that travels with the package: in its kit folder, else beside the package. Raises CouldNotRun."""
    here = Path(__file__).resolve().parent
    for path in (here / "kit" / name, here.parent / name):
        if path.exists():
            return path
    raise CouldNotRun(f"The file {name} is missing from the package.")


def package_files(folder: str) -> list[str]:
    """Every file below a folder of the kit, by its path in the repository."""
    top = package_file(folder)
    return [f"{folder}/{f.relative_to(top).as_posix()}" for f in sorted(top.rglob("*")) if f.is_file()]


def starter_files(shape: str) -> dict[str, str]:
    """Path -> text of the files that a new repository of this shape (both, own, layered) begins with; for the paths see repository.files."""
    top = Path(__file__).resolve().parent / "departments" / shape
    return {f.relative_to(top).as_posix(): f.read_text(encoding="utf-8") for f in sorted(top.rglob("*")) if f.is_file()}


def base_of(root: Path) -> Path:
    """The folder whose cards/ a department builds on: its own, else where a local layer lies over the package's, the package."""
    if (root / read.CARDS).is_dir() or not (root / read.LOCAL).is_dir():
        return root
    return package_folder(read.CARDS, root).parent


def is_root(folder: Path) -> bool:
    """Whether a folder holds cards, or a local layer over those of the package. Many a folder is named local; ours says whose it is."""
    return (folder / read.CARDS).is_dir() or any((folder / read.LOCAL / name).is_file() for name in ("department.yaml", "overrides.yaml"))


def find_root(start: Path) -> Path:
    """The nearest folder at or above `start` that holds cards, or a local layer over those of the package. Raises CouldNotRun."""
    for folder in (start, *start.parents):
        if is_root(folder):
            return folder
    raise CouldNotRun("There is no cards folder here or above; run this inside the project.")
