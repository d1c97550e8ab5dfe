"""The MkDocs hook, and the command that builds with it. With serving.py the only module that imports mkdocs.

`mkdocs build` and `mkdocs serve` work by themselves through the hook: the cards are read in on_config, the pages
enter as generated files in on_files. On broken cards a build stops with the list of problems; a running server keeps
the last good pages, with the list one click away.
"""

from __future__ import annotations

import base64
import hashlib
import importlib
import io
import json
import logging
import os
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mkdocs.exceptions import Abort
from mkdocs.structure.files import File, Files

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

log = logging.getLogger("mkdocs.hooks.cards")


class _Store:
    """Texts on the disk instead of in memory, which those of a large library would fill: a file without a name, which ends with the process."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._file = tempfile.TemporaryFile(dir=folder)

    def put(self, pieces: Iterable[bytes]) -> _Place:
        start = self._file.seek(0, os.SEEK_END)
        for piece in pieces:
            self._file.write(piece)
        return _Place(self, start, self._file.tell() - start)

    def get(self, start: int, length: int) -> bytes:
        self._file.seek(start)
        return self._file.read(length)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a text stands in a store."""

    store: _Store
    start: int
    length: int

    def read(self) -> bytes:
        return self.store.get(self.start, self.length)


@dataclass(frozen=True, slots=True)
class _Packed:
    """A file of the site before the engine, and where its text is kept."""

    path: str
    card: str
    text: _Place


class _Generated(File):
    """A file whose text is fetched each time it is asked for."""

    packed: _Place

    @property
    def content_bytes(self) -> bytes:
        return self.packed.read()

    @property
    def content_string(self) -> str:
        return self.content_bytes.decode("utf-8")

    def copy_file(self, dirty: bool = False) -> None:
        target = Path(self.abs_dest_path)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(self.content_bytes)


class _Session:
    """What must outlive one build of a running server. MkDocs gives a hook no other place for it."""

    def __init__(self) -> None:
        self.serving = False
        self.built: Any = None  # what the command line has checked already; taken once
        self.pages: list[_Packed] = []  # of the build now under way
        self.last_good: list[_Packed] = []
        self.content = ""  # digest of what the pages say
        self.navigation: list[Any] = []
        self.past: list[Any] | None = None  # a running server shows the commits of its start
        self.lately: list[Any] = []
        # For a running server, which makes anew only what changed:
        self.kept: Any = None  # what the stages keep from one round to the next
        self.problems: list[Any] = []
        self.digests: dict[str, bytes] = {}  # path -> digest of the text it was made from
        self.documents: dict[str, Any] = {}
        self.engine: tuple[Any, Any, Any] = (None, None, None)  # files, navigation and templates
        self.site_name = ""
        self.stale_after_days = 30
        self.carried: Any = None  # the module, at hand for every page
        self.runs: list[str] = []  # of the page being converted
        self.converted: dict[str, _Place] = {}  # pages converted and not yet written
        self.store: Any = None  # of the build now under way
        self.total = 0  # pages of the build now under way
        self.done = 0
        self.progress: Callable[[str, int, int], None] = lambda what, done, of: None


_session = _Session()


def on_startup(command: str, dirty: bool) -> None:
    _session.serving = command == "serve"


def on_config(config: Any) -> Any:
    builder = _engine_free(reload=_session.serving)
    _session.carried = builder["carried"]
    root = Path(config.extra.get("root") or Path(config.config_file_path).resolve().parent)
    if (root / "local").is_dir():
        config.watch.append(str(root / "local"))  # a running server follows it; named in mkdocs.yml it would have to be there
    try:
        made = builder["when"].dated(os.environ, datetime.now(UTC)).date()
        if _session.serving:
            _session.kept = builder["compose"].Kept()
        built, _session.built = _session.built or builder["compose"].build(root, kept=_session.kept), None
        problems = _session.problems = built.problems
    except builder["problems"].CouldNotRun as error:
        raise Abort(str(error)) from error
    _session.store = _Store(Path(config.site_dir).resolve().parent)
    config.extra["serving"], config.extra["problem_count"] = _session.serving, len(problems)
    if not problems:
        _session.lately = builder["history"].lately(root, made)
        plan = builder["compose"].plan(built, _session.kept, _session.lately, _past(builder, root, built, made))
        department = built.linked.library.department
        if _session.serving:
            _session.documents = {d.file: d for d in built.linked.library.documents}
        del built  # what the pages say is in them; the cards need not stay in memory beside them
        _session.pages = _session.last_good = _rendered(plan)
        _session.site_name, _session.stale_after_days = department.name, department.stale_after_days
        _session.navigation = builder["compose"].navigation(_session.pages)
    elif _session.serving:
        log.warning("%s", builder["problems"].as_text(problems))
        listing = [_packed(p) for p in builder["render"].problem_page(problems, first=not _session.last_good)]
        _session.pages = [*_session.last_good, *listing]
    else:
        log.error("%s", builder["problems"].as_text(problems))
        raise Abort("The cards have problems; nothing was built.")
    # A running server changes with every card: nothing of it is to be kept.
    config.extra["this_copy"] = {"made": made.isoformat(), "stale_after_days": _session.stale_after_days, "content": _session.content,
                            "installs": not _session.serving}
    config.site_name = _session.site_name or config.site_name
    config.nav = _session.navigation or None
    return config


def _past(builder: dict[str, Any], root: Path, built: Any, made: Any) -> list[Any]:
    """What the last commits changed; read once by a running server, whose pages must not wait for it at every keystroke."""
    if _session.past is None or not _session.serving:
        _session.past = builder["compose"].changed(root, built, builder["history"].past(root, made))
    return _session.past


def _rendered(plan: list[Any]) -> list[_Packed]:
    """Every file of the plan, made one after the other; what is made is let go, and what it was made of after the last."""
    said, pages = hashlib.sha256(), []
    _session.digests = {}
    plan.reverse()
    total = len(plan)
    while plan:
        planned = plan.pop()
        if planned.pieces and not _session.serving:
            digest, packed = _in_pieces(planned)
        else:
            page = planned.make()
            raw = page.text.encode()
            digest, packed = hashlib.sha256(raw).digest(), _Packed(page.path, page.card, _session.store.put([raw]))
            del page, raw
        said.update(planned.path.encode() + digest)
        _session.digests[planned.path] = digest
        pages.append(packed)
        _session.progress("Rendering", len(pages), total)
    _session.content = said.hexdigest()[:12]  # two copies with one digest differ in nothing but their day
    return pages


def _in_pieces(planned: Any) -> tuple[bytes, _Packed]:
    """The digest of a large file and the file, never as one text."""
    said = hashlib.sha256()

    def pieces() -> Iterator[bytes]:
        for piece in planned.pieces():
            raw = piece.encode()
            said.update(raw)
            yield raw

    kept = _session.store.put(pieces())
    return said.digest(), _Packed(planned.path, "", kept)


def _packed(page: Any) -> _Packed:
    return _Packed(page.path, page.card, _session.store.put([page.text.encode()]))


def on_files(files: Files, config: Any) -> Files:
    _session.total, _session.done = sum(p.path.endswith(".md") for p in _session.pages), 0
    for page in _session.pages:
        files.append(_generated(page, config))
    return files


def _generated(page: _Packed, config: Any) -> _Generated:
    made = _Generated(page.path, None, config.site_dir, config.use_directory_urls)
    made.generated_by, made.packed = "the cards", page.text
    made.edit_uri = _edit_uri(page.card, Path(config.docs_dir).name)
    return made


def _edit_uri(card: str, docs: str) -> str | None:
    """Where a page's file is edited, from the folder of the cards; None for a page of many cards or of a card that came with the package.

    docs: the folder of this repository that the engine knows: cards, or local where the cards come with the package.
    """
    layer, _, inside = card.partition("/")
    return inside if layer == docs and inside else f"../{card}" if layer == "local" else None


def on_nav(nav: Any, config: Any, files: Files) -> Any:
    _session.engine = files, nav, None
    return nav


def on_env(env: Any, config: Any, files: Files) -> Any:
    _session.engine = (*_session.engine[:2], env)
    return env


def on_page_markdown(markdown: str, page: Any, config: Any, files: Files) -> str:
    """Takes the blocks of HTML past the Markdown processor, which would read every tag of them to change none."""
    text, _session.runs = _session.carried.taken_out(markdown)
    return text


def on_page_content(html: str, page: Any, config: Any, files: Files) -> str:
    """Puts the blocks back. The engine converts all pages before it writes the first: meanwhile they are kept on the disk."""
    whole = _session.carried.put_back(html, _session.runs)
    _session.converted[page.file.src_uri] = _session.store.put([whole.encode()])
    _session.progress("Converting", len(_session.converted), _session.total)
    page.markdown = ""
    return ""


def on_page_context(context: Any, page: Any, config: Any, nav: Any) -> Any:
    page.content = _session.converted.pop(page.file.src_uri).read().decode()
    return context


def on_post_page(output: str, page: Any, config: Any) -> str:
    page.content = ""
    _session.done += 1
    _session.progress("Writing", _session.done, _session.total)
    return output


def on_post_build(config: Any) -> None:
    """Puts the service worker, the manifest and the hosts' settings over the finished site: they name every file in it."""
    parts = _engine_free(reload=False)
    offline, hosting = parts["offline"], parts["hosting"]
    site = Path(config.site_dir)
    worker = site / offline.WORKER
    script = worker.read_text(encoding="utf-8")
    worker.unlink()
    copy = config.extra["this_copy"]
    if not copy["installs"]:
        return
    style = (site / "assets/stylesheets/site.css").read_text(encoding="utf-8")
    manifest = offline.manifest(config.site_name, config.site_description, config.theme["favicon"], style)
    (site / offline.MANIFEST).write_text(manifest, encoding="utf-8")
    digests: dict[str, bytes] = {}
    try:
        scripts = hosting.inline_scripts(_read(site, digests))
        settings = hosting.configuration([*digests, offline.WORKER], scripts, config.site_url or "")
    except ValueError as error:
        raise Abort(str(error)) from error
    worker.write_text(offline.worker(script, {p: _integrity(d) for p, d in digests.items()}, copy["made"], copy["content"]), encoding="utf-8")
    for path, text in settings.items():
        (site / path).parent.mkdir(exist_ok=True)
        (site / path).write_text(text, encoding="utf-8")
    for path in (offline.WORKER, *settings):
        digests[path] = hashlib.sha256((site / path).read_bytes()).digest()
    (site / hosting.CHECKSUMS).write_text(hosting.checksums(digests), encoding="utf-8")


def _read(site: Path, digests: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Reads every file of the site once: puts its digest into `digests`, and yields the pages."""
    for file in site.rglob("*"):
        if file.is_file():
            path, content = file.relative_to(site).as_posix(), file.read_bytes()
            digests[path] = hashlib.sha256(content).digest()
            if path.endswith(".html"):
                yield path, content


def _integrity(digest: bytes) -> str:
    return "sha256-" + base64.b64encode(digest).decode()


def _engine_free(reload: bool) -> dict[str, Any]:
    """The builder's modules; read afresh under a running server, where MkDocs would keep the first version."""
    if reload:
        package = importlib.import_module("builder")
        for name in [n for n in sys.modules if n.startswith("builder.") and n not in (__name__, "builder.cli", "builder.serving", "builder.site", "builder.__main__")]:
            del sys.modules[name]
            # `from . import x` looks at the package's attribute before it imports.
            vars(package).pop(name.split(".")[1], None)
    return {name: importlib.import_module(f"builder.{name}") for name in ("carried", "compose", "history", "hosting", "offline", "placing", "problems", "render", "when")}


# --- the command that builds -------------------------------------------------------------------------------------


def build_site(root: Path, out: Path, config_file: Path, checked: list[Any] | None = None, progress: Callable[[str, int, int], None] | None = None) -> int:
    """Build into a folder beside `out`, then put it in place in one move. Returns the number of pages.

    checked: the cards, if the command line has found them sound already; the list is emptied, so that nothing holds them once the
    pages are made. progress: told what is done, how many pages of how many.
    A build that fails or is killed leaves the site that was there. Raises Abort on problems.
    """
    from mkdocs.commands import build
    from mkdocs.config import load_config

    placing = _engine_free(reload=False)["placing"]
    out = out.resolve()
    mask = os.umask(0o022)  # a host must be able to read what anyone builds
    try:
        with placing.workshop(out) as made:
            config = load_config(**configuration(root, config_file), site_dir=str(made / "site"), strict=True)
            hook = hook_of(config)._session
            hook.built, hook.progress = checked.pop() if checked else None, progress or hook.progress
            config.plugins.on_startup(command="build", dirty=False)
            build.build(config)
            config.plugins.on_shutdown()
            placing.put(made / "site", out)
    finally:
        os.umask(mask)
    return sum(1 for _ in out.rglob("*.html"))


def hook_of(config: Any) -> Any:
    """The hook as MkDocs runs it: it loads a copy of this module of its own."""
    return next(module for module in config.hooks.values() if hasattr(module, "_session"))


class _Kept(io.BytesIO):
    """A file that a running server reads anew before each build, whoever has closed it."""

    def close(self) -> None:
        pass


def configuration(root: Path, config_file: Path) -> dict[str, Any]:
    """What load_config of MkDocs takes for the cards of `root`: its own mkdocs.yml, else that of the package, its paths made whole."""
    if config_file.parent.resolve() == root.resolve():
        return {"config_file": str(config_file)}
    from mkdocs.utils.yaml import yaml_load

    with config_file.open("rb") as file:
        config = yaml_load(file)
    overrides = _engine_free(reload=False)["compose"].package_folder("site_overrides", root)
    config.update(docs_dir=str(root / ("cards" if (root / "cards").is_dir() else "local")), hooks=[str(Path(__file__).resolve())], watch=[],
                  theme={**config["theme"], "custom_dir": str(overrides)}, extra={**config["extra"], "root": str(root)})
    # JSON is YAML.
    return {"config_file": _Kept(json.dumps(config).encode()), "config_file_path": str(config_file)}
