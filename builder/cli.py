"""The command line: `cards`. The only place that prints and exits."""

from __future__ import annotations

import codecs
import gc
import hashlib
import json
import logging
import os
import shutil
import sys
import tempfile
import time
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import click

from . import __version__, bundle, calculate, compose, export, formatting, history, ledger, local, repository, signoff, starter, when, writeout
from .model import KINDS, PRACTICE, Amount, Basis, Document, Library, SignOff
from .problems import FORMATS, CouldNotRun, Problem
from .read import CARDS, FOLDERS, LOCAL, SINGLES, parse, read_file
from .text import did_you_mean
from .units import amount

CLEAN, PROBLEMS, COULD_NOT_RUN = 0, 1, 2


class _Commands(click.Group):
    """Turns what could not be run into a plain sentence and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")  # a terminal that lacks a character gets a question mark, no traceback
        try:
            return super().invoke(ctx)
        except CouldNotRun as error:
            click.echo(f"Could not run: {error}", err=True)
            ctx.exit(COULD_NOT_RUN)
        except OSError as error:
            click.echo(f"Could not run: {error.strerror or error} {error.filename or ''}".rstrip(), err=True)
            ctx.exit(COULD_NOT_RUN)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="cards")
@click.option("--root", type=click.Path(file_okay=False, path_type=Path), help="Folder that holds cards/ or local/ (default: here or above).")
@click.pass_context
def main(ctx: click.Context, root: Path | None) -> None:
    """Check, build and serve the department's technique cards."""
    ctx.obj = root


def _root(ctx: click.Context) -> Path:
    given = ctx.obj
    if given is not None and not compose.is_root(given):
        raise CouldNotRun(f"There is no cards folder in {given}.")
    return given.resolve() if given is not None else compose.find_root(Path.cwd())


@main.command()
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option("--format", "form", type=click.Choice(sorted(FORMATS)), default="text", help="text for people, json for machines, ci for a forge.")
@click.pass_context
def check(ctx: click.Context, paths: tuple[Path, ...], form: str) -> None:
    """Report every problem in the cards, or only those in PATHS.

    Exit code 0: clean; 1: problems; 2: could not run.
    """
    root = _root(ctx)
    wanted = [_inside(p, root) for p in paths]
    problems = _checked(root).problems
    if wanted:
        problems = [p for p in problems if _is_in(p.file, wanted)]
    out = FORMATS[form](problems)
    if out:
        click.echo(out)
    if not problems and form == "text":
        click.echo("No problems.")
    ctx.exit(PROBLEMS if problems else CLEAN)


def _checked(root: Path) -> compose.Built:
    """The cards, checked. All that is made here stays, so that looking through it for what could go took a fifth of the time."""
    gc.disable()
    try:
        return compose.build(root, date.today())
    finally:
        gc.freeze()
        gc.set_threshold(50_000, 20, 20)  # and what is made from it goes by itself, but for a little
        gc.enable()


def _is_in(file: str, wanted: list[str]) -> bool:
    """Whether a file is one of those wanted, or lies in a folder that is."""
    return any(file == w or file.startswith(w + "/") or w == "." for w in wanted)


def _inside(path: Path, root: Path) -> str:
    if not path.exists():
        raise CouldNotRun(f"{path} does not exist.")
    # Not resolved: a card that is a link out of the folder is reported under its own name.
    absolute = Path(os.path.abspath(path))
    if not absolute.is_relative_to(root):
        raise CouldNotRun(f"{path} is outside {root.name}.")
    inside = absolute.relative_to(root).as_posix()
    if inside != "." and inside.split("/")[0] not in (CARDS, LOCAL):
        raise CouldNotRun(f"{path} is not a card; cards are in the folder cards.")
    return inside


@main.command()
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for the site (default: site).")
@click.option("--bundle", "zipped", type=click.Path(dir_okay=False, path_type=Path), metavar="ZIP", help="Also put the site into one zip, to be unpacked and opened anywhere.")
@click.pass_context
def build(ctx: click.Context, out: Path | None, zipped: Path | None) -> None:
    """Check the cards, then build the whole site; it is put in place in one move."""
    root = _root(ctx)
    made = when.dated(os.environ, datetime.now(UTC))
    built = _checked(root)
    if built.problems:
        click.echo(FORMATS["text"](built.problems))
        click.echo("Nothing was built.", err=True)
        ctx.exit(PROBLEMS)
    site = _site()
    target = out if out is not None else root / "site"
    if target.resolve() == root or root.is_relative_to(target.resolve()) or any(target.resolve().is_relative_to(root / layer) for layer in (CARDS, LOCAL)):
        raise CouldNotRun(f"The site cannot be put into {target}.")
    if target.is_dir() and any(target.iterdir()) and not (target / "assets/data/search.js").is_file():  # what is there is replaced whole
        raise CouldNotRun(f"{target} holds other files; name a new folder, an empty one, or one that holds the site.")
    if zipped is not None:
        place = zipped.resolve()
        if zipped.suffix.lower() != ".zip":
            raise CouldNotRun(f"The bundle {zipped} must have a name that ends in .zip.")
        if place.is_relative_to(target.resolve()) or any(place.is_relative_to(root / layer) for layer in (CARDS, LOCAL)):
            raise CouldNotRun(f"The bundle cannot be put into {zipped.parent}.")
    from mkdocs.exceptions import MkDocsException

    library = built.linked.library
    told = [f"from {len(library.techniques)} technique cards, {len(library.calculators)} calculators and {len(library.sources)} sources",
            *ledger.ledger(built.linked).in_words()]
    checked = [built]
    del built, library  # they are let go once the pages are made
    try:
        pages = site.build_site(root, target, _config_file(root), checked, _Progress())
    except MkDocsException as error:
        raise CouldNotRun(str(error)) from error
    except OSError as error:  # a full disk, above all
        raise CouldNotRun(f"{error.strerror or error} ({error.filename2 or error.filename or target}). The site that was there is as it was.") from error
    click.echo(f"Built {pages} pages {told[0]} into {click.format_filename(target)}.")
    click.echo(f"SHA-256 of its checksums.txt: {hashlib.sha256((target / 'checksums.txt').read_bytes()).hexdigest()}")
    if zipped is not None:
        files = bundle.write(target, zipped, made)
        click.echo(f"Put {files} files into {click.format_filename(zipped)}.")
    for line in told[1:]:
        click.echo(line)


class _Progress:
    """One line on the terminal that says how far a long build has come; nothing where no one looks."""

    def __init__(self) -> None:
        self._shown, self._last = sys.stderr.isatty(), 0.0

    def __call__(self, what: str, done: int, of: int) -> None:
        if self._shown and (done == of or time.monotonic() - self._last > 0.1):
            self._last = time.monotonic()
            last = what == "Writing" and done == of
            click.echo("\r\x1b[K" + ("" if last else f"{what} {done:,} of {of:,}"), err=True, nl=False)


@main.command()
@click.option("--address", default="127.0.0.1:8000", show_default=True, help="Where the site is served.")
@click.pass_context
def serve(ctx: click.Context, address: str) -> None:
    """Serve the site with live reload. Broken cards are listed in the browser."""
    root = _root(ctx)
    from mkdocs.exceptions import MkDocsException

    _site()  # sets MkDocs' log up
    from . import serving

    try:
        serving.serve_site(root, _config_file(root), address)
    except MkDocsException as error:
        raise CouldNotRun(str(error)) from error


def _site() -> Any:
    os.environ.setdefault("NO_MKDOCS_2_WARNING", "1")
    from . import site

    logger = logging.getLogger("mkdocs")
    if not logger.handlers:
        handler = logging.StreamHandler()
        handler.setFormatter(logging.Formatter("%(levelname)s: %(message)s"))
        logger.addHandler(handler)
        logger.setLevel(logging.INFO if "serve" in sys.argv else logging.WARNING)
        logger.propagate = False
    return site


def _config_file(root: Path) -> Path:
    """The repository's own configuration of the engine, or the package's, so that cards alone are enough."""
    config = root / "mkdocs.yml"
    return config if config.is_file() else compose.package_file("mkdocs.yml")


@main.command("write-pages")
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
@click.pass_context
def write_pages(ctx: click.Context, folder: Path) -> None:
    """Write the pages, their data and a mkdocs.yml into DIR, for another engine than MkDocs.

    That engine needs no hook. In a folder that this command made, docs, theme and mkdocs.yml are written anew and
    anything else stays.
    """
    root = _root(ctx)
    made = when.dated(os.environ, datetime.now(UTC)).date()
    built = _checked(root)
    if built.problems:
        click.echo(FORMATS["text"](built.problems))
        click.echo("Nothing was written.", err=True)
        ctx.exit(PROBLEMS)
    target = folder.resolve()
    project = _config_file(root).read_text(encoding="utf-8")
    try:
        named = writeout.custom_dir(project)
    except ValueError as error:
        raise CouldNotRun(str(error)) from error
    templates = (root / named if (root / named).is_dir() else compose.package_folder(named, root)) if named else None
    if root.is_relative_to(target) or any(target.is_relative_to(f.resolve()) for f in (root / "cards", templates) if f):
        raise CouldNotRun(f"The pages cannot be put into {folder}.")
    if target.is_dir() and any(target.iterdir()) and not _is_written_out(target):
        raise CouldNotRun(f"{folder} holds other files; name a new folder, an empty one, or one that holds pages written before.")
    department = built.linked.library.department
    pages = [*compose.pages(built, None, history.lately(root, made), compose.changed(root, built, history.past(root, made)))]
    # Without a service worker nothing compares the contents of two copies.
    copy = {"made": made.isoformat(), "stale_after_days": department.stale_after_days, "content": "", "installs": False}
    config = writeout.configuration(project, department.name, compose.navigation(pages), copy)
    overrides = {f.relative_to(templates).as_posix(): f.read_bytes() for f in sorted(templates.rglob("*")) if f.is_file()} if templates else {}
    _put_in_place(target, writeout.files(config, [(p.path, p.text) for p in pages], overrides))
    click.echo(f"Wrote {sum(p.path.endswith('.md') for p in pages)} pages into {click.format_filename(folder)}. "
               "Whatever builds them: count the pages that come out, for an engine may call a site without any a success.")


def _is_written_out(folder: Path) -> bool:
    try:
        return (folder / writeout.CONFIG).read_bytes().startswith(writeout.MARK.encode())
    except OSError:
        return False


def _put_in_place(target: Path, files: dict[str, bytes]) -> None:
    """Write all beside the target first, then move each part into it; the configuration, by which it is known again, last."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as name:
        new, old = Path(name, "new"), Path(name, "old")
        for path, content in files.items():
            file = new / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(content)
        old.mkdir()
        target.mkdir(exist_ok=True)
        for part in (writeout.PAGES, writeout.TEMPLATES, writeout.CONFIG):
            if part != writeout.CONFIG and (target / part).exists():
                os.replace(target / part, old / part)
            if (new / part).exists():
                os.replace(new / part, target / part)


@main.command("format")
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option("--check", "only_look", is_flag=True, help="Write nothing; say which cards are not in the layout.")
@click.pass_context
def format_cards(ctx: click.Context, paths: tuple[Path, ...], only_look: bool) -> None:
    """Put every card, or only those in PATHS, into the one layout. Comments and what a card says stay.

    Exit code 0: in the layout, or put into it; 1: with --check, some are not, or a card cannot be read; 2: could not run.
    """
    root = _root(ctx)
    wanted = [_inside(p, root) for p in paths]
    keys = {s["$id"].removesuffix(".schema.json"): list(s.get("properties", ())) for s in compose.load_schemas(root)}
    files = []
    for layer, singles in SINGLES.items():
        files += [(f, kind) for folder, kind in FOLDERS.items() for f in sorted((root / layer / folder).glob("*.yaml"))]
        files += [(f, kind) for single, kind in singles.items() if (f := root / layer / single).exists()]
    looked, others, problems = 0, 0, []
    for file, kind in files:
        name = file.relative_to(root).as_posix()
        if wanted and not _is_in(name, wanted):
            continue
        looked += 1
        document = read_file(file, name, kind, inside=(root / name.split("/")[0]).resolve())
        made = document if isinstance(document, Problem) else formatting.formatted(raw := file.read_bytes(), name, kind, file.stem, keys[kind])
        if isinstance(made, Problem):
            problems.append(made)
        elif made != raw:
            others += 1
            if not only_look:
                file.write_bytes(made)
            click.echo(f"{name} {'is not in the layout' if only_look else 'is put into the layout'}.")
    if wanted and not looked:
        raise CouldNotRun("There is no card there.")
    if problems:
        click.echo(FORMATS["text"](problems))
    if only_look and others:
        click.echo("Put them into it with: cards format")
    if not problems and not others:
        click.echo("Every card is in the layout.")
    ctx.exit(PROBLEMS if problems or (only_look and others) else CLEAN)


@main.command()
@click.argument("kind", type=click.Choice([k for k in KINDS if k != "local-department"]))
@click.argument("id", required=False)
@click.option("--local", "in_local", is_flag=True, help="Write it into local/, over the cards; so it is where there is no cards folder.")
@click.option("--layered", is_flag=True, help="With a new department: only local/, over the cards that come with the package.")
@click.pass_context
def new(ctx: click.Context, kind: str, id: str | None, in_local: bool, layered: bool) -> None:
    """Write a commented starter file for a card of KIND, named ID.

    `new department NAME`, outside any repository of cards or with a folder in NAME (../eye-unit), sets up a new repository
    there: one with its own cards, or with --layered one that lays its values over the cards of this package.
    """
    root = _root_if_any(ctx)
    if kind == "department" and (layered or root is None or (id is not None and Path(id).name != id)):
        _new_repository(id, layered)
        return
    root = _root(ctx)
    layer = LOCAL if in_local or kind == "overrides" or not (root / CARDS).is_dir() else CARDS
    single = {v.removeprefix("local-"): k for k, v in SINGLES[layer].items()}
    folder = {v: k for k, v in FOLDERS.items()}
    if id is None and kind not in single:
        raise CouldNotRun(f"Name it as well: cards new {kind} ID")
    if id is not None and not starter.is_id(id):
        raise CouldNotRun(f"'{id}' cannot be an id: use lower-case letters and digits joined by single hyphens, and no name of an index page or of a device on Windows.")
    inside = single[kind] if kind in single else f"{folder[kind]}/{id}.yaml"
    if layer == LOCAL and kind not in single and (compose.base_of(root) / CARDS / inside).exists():
        raise CouldNotRun(f"The cards below have a {kind} '{id}' already; give yours another name.")
    path = root / layer / inside
    schemas = ".vscode/schema" if (root / ".vscode/schema").is_dir() and not (root / "schema").is_dir() else "schema"
    text = starter.starter("local-department" if (kind, layer) == ("department", LOCAL) else kind, compose.load_schemas(root), schemas)
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise CouldNotRun(f"{path.relative_to(root).as_posix()} is already there.") from None
    click.echo(f"Wrote {path.relative_to(root).as_posix()}. Fill it in, then run: cards check")


def _root_if_any(ctx: click.Context) -> Path | None:
    try:
        return _root(ctx)
    except CouldNotRun:
        if ctx.obj is not None:
            raise
        return None


def _new_repository(name: str | None, layered: bool) -> None:
    """A folder for a department, in one move: nothing of it is there if something went wrong."""
    if not name:
        raise CouldNotRun("Name the new folder as well: cards new department NAME")
    target = Path(os.path.abspath(name))
    if not starter.is_id(target.name):
        raise CouldNotRun(f"'{target.name}' cannot be the folder: use lower-case letters and digits joined by single hyphens.")
    if not target.parent.is_dir():
        raise CouldNotRun(f"There is no folder {target.parent}.")
    if target.exists():
        raise CouldNotRun(f"{name} is already there.")
    try:
        around = compose.find_root(target.parent)
    except CouldNotRun:
        pass
    else:
        raise CouldNotRun(f"The new folder would lie inside {around.name}, which holds cards itself; name one beside it, for example ../{target.name}")
    texts = {path: compose.package_file(path).read_text(encoding="utf-8") for path in repository.kit_files(compose.package_files)}
    texts |= {f".vscode/schema/{s['$id']}": json.dumps(s, indent=2, ensure_ascii=False) + "\n" for s in compose.load_schemas(target)}
    starters = {shape: compose.starter_files(shape) for shape in ("both", "layered" if layered else "own")}
    made = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        for path, text in repository.files(target.name, layered, texts, starters, __version__).items():
            file = made / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8", newline="\n")
            if text.startswith("#!"):
                file.chmod(0o755)
        made.chmod(0o755)  # a temporary folder is its maker's alone
        os.rename(made, target)
    finally:
        shutil.rmtree(made, ignore_errors=True)
    click.echo(f"Set up {name}. Read {name}/README.md, then, inside it: cards check")


@main.command("sign-off")
@click.argument("ids", nargs=-1, required=True, metavar="ID ...")
@click.option("--by", "role", required=True, metavar="ROLE", help="The role that read the card and answers for it; never a person's name.")
@click.option("--on", "day", metavar="DATE", help="The day it was read (default: today).")
@click.pass_context
def sign_off(ctx: click.Context, ids: tuple[str, ...], role: str, day: str | None) -> None:
    """Write into each card named that ROLE answers for its present wording.

    Every card is named by its own id, or KIND/ID where two kinds share one; there is no way to sign all at once.
    """
    root = _root(ctx)
    on = _today(day)
    if on > date.today():
        raise CouldNotRun(f"{on} has not come yet; a card is signed off on the day it was read.")
    role = role.strip()
    if not role or len(role) > LONGEST_ROLE or not role.isprintable():
        raise CouldNotRun(f"The role must be one line of 1 to {LONGEST_ROLE} characters.")
    library = _sound(root).linked.library
    found = [_one_card(id, library) for id in ids]
    if twice := next((id for id, card in zip(ids, found, strict=True) if found.count(card) > 1), None):
        raise CouldNotRun(f"'{twice}' is named twice.")
    documents = {(d.kind, d.id): d for d in library.documents}
    # What this department signs of the cards it builds on stands in its own layer: they are another's, or come with the package.
    over = {f"{kind}/{r.id}": signoff.made(r, library, on, role) for kind, r in found if library.built_on and not local.is_local(r.file)}
    # All are worked out before any is written.
    changes = {root / r.file: _signed_text(root / r.file, documents[kind, r.id], signoff.made(r, library, on, role)) for kind, r in found if f"{kind}/{r.id}" not in over}
    if over:
        changes[root / local.OVERRIDES] = _signed_over(root, documents.get(("overrides", "overrides")), over)
    for path, text in changes.items():
        path.write_bytes(text)
    for kind, record in found:
        click.echo(f"Signed off {kind}/{record.id}, {record.title}: {on} by the {role}.")


LONGEST_ROLE = 80  # as in the schema


def _signed_text(path: Path, document: Document, signed: SignOff) -> bytes:
    """The file with the sign-off in it. Raises CouldNotRun if anything else in the card would change."""
    before, mark = path.read_bytes(), codecs.BOM_UTF8
    if before.removeprefix(mark).decode("utf-8", "replace") != document.marks.text:
        raise CouldNotRun(f"{document.file} was changed meanwhile; nothing was signed off.")
    after = (mark if before.startswith(mark) else b"") + signoff.written(document, signed).encode()
    again = parse(after, document.file, document.kind, document.id)
    wanted = {**document.data, "review": {**document.data["review"], "signed_off": {"on": signed.on, "by": signed.by, "digest": signed.digest}}}
    if not isinstance(again, Document) or again.data != wanted:
        raise CouldNotRun(f"The review of {document.file} is written in a form that cannot be filled in; write it as in a starter file (cards new).")
    return after


def _signed_over(root: Path, document: Document | None, signed: dict[str, SignOff]) -> bytes:
    """local/overrides.yaml with the sign-offs in it. Raises CouldNotRun if anything else in it would change."""
    path = root / local.OVERRIDES
    before = path.read_bytes() if path.exists() else b""
    if before.decode("utf-8", "replace") != (document.marks.text if document else ""):
        raise CouldNotRun(f"{local.OVERRIDES} was changed meanwhile, or cannot be read; nothing was signed off.")
    after = signoff.written_over(before.decode(), document, signed).encode()
    again = parse(after, local.OVERRIDES, "overrides", "overrides")
    data = document.data if document else {}
    wanted = {**data, "signed_off": {**data.get("signed_off", {}), **{name: {"on": s.on, "by": s.by, "digest": s.digest} for name, s in signed.items()}}}
    if not isinstance(again, Document) or again.data != wanted:
        raise CouldNotRun(f"{local.OVERRIDES} is written in a form that cannot be filled in; write signed_off: as a line of its own at the left margin.")
    return after


def _one_card(name: str, library: Library) -> tuple[str, signoff.Record]:
    found = signoff.named(name, library)
    if len(found) == 1:
        return found[0]
    if found:
        raise CouldNotRun(f"'{name}' is {' and '.join(f'{kind}/{record.id}' for kind, record in found)}; name the one you mean.")
    if any(c in name for c in "*?[]") or name in ("all", "."):
        raise CouldNotRun(f"'{name}' names no card: each card is signed off by its own id, once it has been read.")
    known = [f"{kind}/{record.id}" if "/" in name else record.id for kind, record in signoff.signable(library)]
    raise CouldNotRun(f"There is no card '{name}'.{did_you_mean(name, known)}")


def _sound(root: Path, also: tuple[str, ...] = ()) -> compose.Built:
    """The cards, checked; faults of a sign-off itself, and of the rules in `also`, are let pass. Raises CouldNotRun for any other problem."""
    built = _checked(root)
    if any(p.rule not in (*signoff.RULES, *also) for p in built.problems):
        raise CouldNotRun("The cards have problems; run: cards check")
    return built


@main.command("due")
@click.option("--on", "day", metavar="DATE", help="Take this as today (default: today).")
@click.option("--format", "form", type=click.Choice(["text", "json", "ics"]), default="text", help="ics: a calendar with the day that each card is due.")
@click.option("--strict", is_flag=True, help="A card that was never signed off counts as well.")
@click.pass_context
def due(ctx: click.Context, day: str | None, form: str, strict: bool) -> None:
    """List the cards whose sign-off has lapsed, is overdue, is soon due or was never given, and local values whose card has changed.

    Exit code 0: none lapsed, overdue or left behind; 1: some are; 2: could not run.
    """
    on = _today(day)
    library = _sound(_root(ctx), (local.BASE_CHANGED,)).linked.library
    found, behind = signoff.standings(library, on), local.left_behind(library)
    if form == "ics":
        click.echo(_review_calendar(found, on, behind), nl=False)
    elif form == "json":
        listed = {state: [_standing_data(s) for s in found if s.state == state] for state in signoff.TOLD}
        click.echo(json.dumps({"on": on.isoformat(), "soon_days": signoff.SOON_DAYS, **listed,
                               **({"base_changed": [_behind_words(q) for q in behind]} if library.built_on else {})}, indent=2, ensure_ascii=False))
    else:
        if behind:
            click.echo("\n".join([f"Base changed under a local value ({len(behind)}):", *(f"  {_behind_words(q)}" for q in behind), ""]))
        click.echo(_due_text(found, on))
    counted = {signoff.LAPSED, signoff.OVERDUE, *([signoff.NEVER] if strict else [])}
    ctx.exit(PROBLEMS if behind or any(s.state in counted for s in found) else CLEAN)


def _behind_words(q: Any) -> str:
    base, read, mine = map(_in_words, (q.base, q.read, q.amount))
    return f"{q.card}/{q.key}, {q.label}: the card now gives {base}; the local value {mine} was written when it gave {read}."


def _standing_data(s: signoff.Standing) -> dict[str, Any]:
    signed = s.record.review.signed_off
    return {"kind": s.kind, "id": s.record.id, "title": s.record.title, "file": s.record.file, "owner": s.record.review.owner,
            "signed_off": {"on": signed.on, "by": signed.by} if signed else None, "due": s.due.isoformat() if s.due else None}


def _due_text(found: list[signoff.Standing], on: date) -> str:
    heads = {
        signoff.LAPSED: "Sign-off lapsed, for the card has changed since",
        signoff.OVERDUE: "Overdue for review",
        signoff.SOON: f"Due for review within {signoff.SOON_DAYS} days",
        signoff.NEVER: "Never signed off",
    }
    lines = []
    for state, head in heads.items():
        group = [s for s in found if s.state == state]
        if group:
            lines += [f"{head} ({len(group)}):", *(f"  {s.kind}/{s.record.id}: {s.record.title}. {_signed_words(s)}Kept by the {s.record.review.owner}." for s in group), ""]
    in_date = sum(s.state in (signoff.CURRENT, signoff.SOON) for s in found)
    return "\n".join([*lines, f"On {on}, {in_date} of {len(found)} card{'' if len(found) == 1 else 's'} signed off and in date."])


def _signed_words(s: signoff.Standing) -> str:
    signed = s.record.review.signed_off
    if signed is None:
        return ""
    return f"Signed off {signed.on} by the {signed.by}{', ' + signed.of if signed.of else ''}. " + ("" if s.state == signoff.LAPSED else f"Due {s.due}. ")


def _review_calendar(found: list[signoff.Standing], on: date, behind: list[Any]) -> str:
    """Each signed card on the day it is due; what has lapsed, and the count of what was never signed, on the day asked about."""
    entries = []
    for s in found:
        if s.state != signoff.NEVER:
            title, day = ("Sign-off lapsed", on) if s.state == signoff.LAPSED else ("Review due", s.due)
            entries.append(export.Entry(f"{title}: {s.record.title}", day, day, f"review-{s.kind}-{s.record.id}@technique-cards",
                                        f"{s.kind}/{s.record.id}. {_signed_words(s)}Kept by the {s.record.review.owner}."))
    if behind:
        entries.append(export.Entry(f"Base changed under {len(behind)} local value{'' if len(behind) == 1 else 's'}", on, on, "base-changed@technique-cards",
                                    "\n".join(map(_behind_words, behind))))
    if never := [s for s in found if s.state == signoff.NEVER]:
        names = "\n".join(f"{s.kind}/{s.record.id}" for s in never)
        entries.append(export.Entry(f"Never signed off: {len(never)} card{'' if len(never) == 1 else 's'}", on, on, "never-signed-off@technique-cards", names))
    if not entries:
        raise CouldNotRun("There is no card to be signed off, so there is nothing to put into a calendar.")
    return export.calendar_of(entries, "review", datetime.now(UTC))


@main.command()
@click.argument("calculator")
@click.argument("values", nargs=-1, metavar="name=value ...")
@click.option("--on", "today", metavar="DATE", help="Take this as today for dates left out (default: today).")
@click.option("--format", "form", type=click.Choice(["text", "json", "ics"]), default="text", help="ics: the calendar file of a calculator that has one.")
@click.pass_context
def compute(ctx: click.Context, calculator: str, values: tuple[str, ...], today: str | None, form: str) -> None:
    """Work out CALCULATOR with the given inputs; inputs left out take their start value.

    A value may carry a unit the input accepts, for example iop=8kPa.
    """
    built = compose.build(_root(ctx))
    ready = built.ready.get(calculator)
    library = built.linked.library
    if ready is None:
        broken = calculator in library.calculators or ("calculator", calculator) in library.unsound
        ids = sorted({*library.calculators, *(id for kind, id in library.unsound if kind == "calculator")})
        known = did_you_mean(calculator, ids) or f" There are: {', '.join(ids) or 'none'}."
        raise CouldNotRun(f"The calculator '{calculator}' has problems; run: cards check" if broken else f"There is no calculator '{calculator}'.{known}")
    if library.department and calculator in library.department.calculators_off:
        raise CouldNotRun(f"The department has switched off the calculator '{calculator}'.")
    result = calculate.run(ready, _given(values), _today(today))
    if result.refusals:
        if form == "json":
            click.echo(json.dumps({"calculator": calculator, "refused": [{"name": r.name, "message": r.message} for r in result.refusals]},
                                  indent=2, ensure_ascii=False))
        else:
            for r in result.refusals:
                click.echo(f"{r.name}: {r.message}", err=True)
        ctx.exit(PROBLEMS)
    if form == "ics":
        click.echo(_calendar(ready, result), nl=False)
        return
    answer = _answer(ready, result, library)
    click.echo(json.dumps(answer, indent=2, ensure_ascii=False) if form == "json" else _answer_text(answer))


def _calendar(ready: calculate.Ready, result: calculate.Result) -> str:
    c = ready.declared
    if c.calendar is None:
        raise CouldNotRun(f"The calculator '{c.id}' has no calendar file.")
    ends = (c.calendar.first, c.calendar.last)
    for name in ends:
        if name in result.withheld:
            raise CouldNotRun(f"There is no calendar file for these inputs: {result.withheld[name]}")
    first, last = (date.fromisoformat(calculate.as_date(result.values[n])) for n in ends)
    if last < first:
        raise CouldNotRun("There is no calendar file for these inputs: the last day comes before the first.")
    return export.calendar_file(c.calendar.title, first, last, f"{c.id}-{first:%Y%m%d}-{last:%Y%m%d}@technique-cards", datetime.now(UTC), CAUTION)


@main.command()
@click.argument("ref")
@click.argument("other", required=False, metavar="[REF]")
@click.option("--format", "form", type=click.Choice(["markdown", "json"]), default="markdown", help="markdown for people, json for machines.")
@click.pass_context
def changes(ctx: click.Context, ref: str, other: str | None, form: str) -> None:
    """What changed clinically from the git version REF to another, or to the cards as they are here.

    Exit code 0: the report stands, whatever it says; 2: could not run.
    """
    from . import changes as report  # its own name is the command's

    root = _root(ctx)
    if not history.has_git(root):
        raise CouldNotRun("These cards are not kept in git, or git is not installed, so there is no earlier version to compare with.")
    found = {name: _commit(root, name) for name in (ref, other) if name is not None}  # both, before the first is read

    def version(name: str, built: compose.Built) -> report.Version:
        return report.Version(name, built.linked.library, compose.cases(built))

    before = version(ref, _built_at(root, ref, found[ref]))
    after = version(other, _built_at(root, other, found[other])) if other is not None else version("the cards here", compose.build(root))
    made = report.compare(before, after)
    click.echo(report.to_json(made) if form == "json" else report.to_markdown(made))


def _commit(root: Path, ref: str) -> str:
    found = history.commit(root, ref)
    if found is None:
        raise CouldNotRun(f"There is no version '{ref}' in this repository. Name a branch, a tag or a commit; a copy without its whole "
                          "history gets the rest by: git fetch --unshallow")
    return found


def _built_at(root: Path, ref: str, commit: str) -> compose.Built:
    """The cards of a commit, read by the rules and schemas of today, so that both versions are seen with the same eyes."""
    files = history.cards_of(root, commit)
    if not files:
        raise CouldNotRun(f"The version '{ref}' has no cards folder." if files is not None else f"git could not read the version '{ref}'.")
    with tempfile.TemporaryDirectory(prefix="cards-") as folder:
        old = Path(folder)
        for name, content in files.items():
            path = old / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        if (root / "schema").is_dir():
            shutil.copytree(root / "schema", old / "schema")
        return compose.build(old)


def _given(values: tuple[str, ...]) -> dict[str, str]:
    given: dict[str, str] = {}
    for value in values:
        name, equals, text = value.partition("=")
        if not equals:
            raise CouldNotRun(f"'{value}' is not name=value.")
        if name in given:
            raise CouldNotRun(f"'{name}' is given twice.")
        given[name] = text
    return given


def _today(given: str | None) -> date:
    try:
        return date.fromisoformat(given) if given else date.today()
    except ValueError:
        raise CouldNotRun(f"'{given}' is not a date; write it YYYY-MM-DD.") from None


def _answer(ready: calculate.Ready, result: calculate.Result, library: Any) -> dict[str, Any]:
    c = ready.declared
    cited: dict[str, Any] = {}

    def basis(b: Basis) -> Any:
        for citation in b.citations:
            cited[citation.source] = {"id": citation.source, **library.sources[citation.source].csl}
        return [{"source": x.source, "checked": x.checked, **({"at": x.at} if x.at else {}), **({"note": x.note} if x.note else {})} for x in b.citations] or PRACTICE

    def value(name: str, kind: str) -> Any:
        if name in result.withheld:
            return None
        return calculate.as_date(result.values[name]) if kind == "date" else result.values[name]

    local_values = [{"quantity": f"{q.card}/{q.key}", "label": q.label, "value": _in_words(q.amount), "base": _in_words(q.base), "why": q.why}
                    for q in local.values(library) if f"{q.card}/{q.key}" in c.taken]
    answer = {
        "calculator": c.id, "title": c.title,
        "inputs": {n: {"label": x.label, "value": result.choices[n] if n in result.choices else value(n, x.kind), "unit": x.unit,
                       "shown": calculate.given_shown(x, result)} for n, x in c.inputs.items()},
        "outputs": {n: {"label": o.label, "value": value(n, o.kind), "unit": o.unit, "shown": calculate.words(o, result.values[n]), "basis": basis(o.basis),
                        **({"withheld": result.withheld[n]} if n in result.withheld else {})}
                    for n, o in c.outputs.items()},
        **({"local": local_values} if local_values else {}),
        "verdicts": [{"level": v.level, "say": calculate.spoken(v.say, ready, result, library), "basis": basis(v.basis)} for v in result.verdicts],
    }
    return {**answer, "citations": list(cited.values()), "caution": CAUTION}


CAUTION = "For trained staff. Local policy and the responsible surgeon decide; check each figure at its source."


def _in_words(a: Amount) -> str:
    return amount(a.unit, a.value, a.low, a.high).replace("\u00a0", " ")


def _answer_text(answer: dict[str, Any]) -> str:
    lines = [answer["title"], ""]
    lines += [f"  {x['label']}: {x['shown']}" for x in answer["inputs"].values()]
    lines.append("")
    lines += [f"  {o['label']}: {o['shown']}  " + (o["withheld"] if "withheld" in o else f"[{_standing(o['basis'])}]") for o in answer["outputs"].values()]
    lines += [f"  Local value: {x['label']}, {x['value']}; base {x['base']}. {x['why']}" for x in answer.get("local", ())]
    lines += [f"\n{v['level'].upper()}: {v['say']} [{_standing(v['basis'])}]" for v in answer["verdicts"]]
    return "\n".join([*lines, "", answer["caution"]])


def _standing(basis: Any) -> str:
    return basis if isinstance(basis, str) else "; ".join(f"{b['source']}, {b['checked']}" for b in basis)
