"""The MkDocs hook, and the two commands that run MkDocs. The only module that imports mkdocs.

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
import shutil
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from mkdocs.exceptions import Abort
from mkdocs.structure.files import File, Files

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

log = logging.getLogger("mkdocs.hooks.cards")


class _Session:
    """What must outlive one build of a running server. MkDocs gives a hook no other place for it."""

    def __init__(self) -> None:
        self.serving = False
        self.pages: list[Any] = []  # of the build now under way
        self.last_good: list[Any] = []
        self.navigation: list[Any] = []
        self.references: dict[str, str] = {}  # already set in the citation style
        self.past: list[Any] | None = None  # a running server shows the commits of its start
        self.site_name = ""
        self.stale_after_days = 30


_session = _Session()


def on_startup(command: str, dirty: bool) -> None:
    _session.serving = command == "serve"


def on_config(config: Any) -> Any:
    builder = _engine_free(reload=_session.serving)
    root = Path(config.extra.get("root") or Path(config.config_file_path).resolve().parent)
    if (root / "local").is_dir():
        config.watch.append(str(root / "local"))  # a running server follows it; named in mkdocs.yml it would have to be there
    try:
        made = builder["when"].dated(os.environ, datetime.now(UTC)).date()
        built = builder["compose"].build(root)
        problems = built.problems
    except builder["problems"].CouldNotRun as error:
        raise Abort(str(error)) from error
    config.extra["problem_count"] = len(problems)
    if not problems:
        _session.pages = _session.last_good = builder["compose"].pages(built, _session.references, builder["history"].lately(root, made), _past(builder, root, built, made))
        department = built.linked.library.department
        _session.site_name, _session.stale_after_days = department.name, department.stale_after_days
        _session.navigation = _navigation(_session.pages)
    elif _session.serving:
        log.warning("%s", builder["problems"].as_text(problems))
        listing = builder["render"].problem_page(problems, first=not _session.last_good)
        _session.pages = [*_session.last_good, *listing]
    else:
        log.error("%s", builder["problems"].as_text(problems))
        raise Abort("The cards have problems; nothing was built.")
    # A running server changes with every card: nothing of it is to be kept.
    config.extra["this_copy"] = {"made": made.isoformat(), "stale_after_days": _session.stale_after_days, "content": _digest(_session.pages),
                            "installs": not _session.serving}
    config.site_name = _session.site_name or config.site_name
    config.nav = _session.navigation or None
    return config


def _past(builder: dict[str, Any], root: Path, built: Any, made: Any) -> list[Any]:
    """What the last commits changed; read once by a running server, whose pages must not wait for it at every keystroke."""
    if _session.past is None or not _session.serving:
        _session.past = builder["compose"].changed(root, built, builder["history"].past(root, made))
    return _session.past


def on_files(files: Files, config: Any) -> Files:
    for page in _session.pages:
        made = File.generated(config, page.path, content=page.text)
        made.edit_uri = _edit_uri(page.card, Path(config.docs_dir).name)
        files.append(made)
    return files


def _edit_uri(card: str, docs: str) -> str | None:
    """Where a page's file is edited, from the folder of the cards; None for a page of many cards or of a card that came with the package.

    docs: the folder of this repository that the engine knows: cards, or local where the cards come with the package.
    """
    layer, _, inside = card.partition("/")
    return inside if layer == docs and inside else f"../{card}" if layer == "local" else None


def on_post_build(config: Any) -> None:
    """Puts the service worker and the manifest over the finished site: they name every file in it."""
    offline = _engine_free(reload=False)["offline"]
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
    files = {f.relative_to(site).as_posix(): _integrity(f.read_bytes()) for f in site.rglob("*") if f.is_file()}
    worker.write_text(offline.worker(script, files, copy["made"], copy["content"]), encoding="utf-8")


def _integrity(content: bytes) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content).digest()).decode()


def _digest(pages: list[Any]) -> str:
    """Of what the site says: two copies with one digest differ in nothing but their day."""
    said = hashlib.sha256()
    for page in pages:
        said.update(f"{page.path}\0{page.text}\0".encode())
    return said.hexdigest()[:12]


def _navigation(pages: list[Any]) -> list[Any]:
    """Index pages only: with every card in every page's menu the site would grow with the square of the cards."""
    there = {p.path for p in pages}
    wanted = [("Home", "index.md"), ("Techniques", "techniques/index.md"), ("Cases", "pathways/index.md"), ("Brief", "brief.md"),
              ("Calculators", "calculators/index.md"), ("Sources", "sources/index.md"), ("Glossary", "glossary.md")]
    return [{title: path} for title, path in wanted if path in there]


def _engine_free(reload: bool) -> dict[str, Any]:
    """The builder's modules; read afresh under a running server, where MkDocs would keep the first version."""
    if reload:
        package = importlib.import_module("builder")
        for name in [n for n in sys.modules if n.startswith("builder.") and n not in (__name__, "builder.cli", "builder.site", "builder.__main__")]:
            del sys.modules[name]
            # `from . import x` looks at the package's attribute before it imports.
            vars(package).pop(name.split(".")[1], None)
    return {name: importlib.import_module(f"builder.{name}") for name in ("compose", "history", "offline", "problems", "render", "when")}


# --- the commands that run MkDocs ---------------------------------------------------------------------------------


def build_site(root: Path, out: Path, config_file: Path) -> int:
    """Build into a folder beside `out`, then put it in place in one move. Returns the number of pages.

    A build that fails or is stopped leaves the site that was there. Raises Abort on problems.
    """
    from mkdocs.commands import build
    from mkdocs.config import load_config

    out = out.resolve()
    out.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    old = made.with_name(made.name + "-old")
    try:
        config = load_config(**configuration(root, config_file), site_dir=str(made / "site"), strict=True)
        config.plugins.on_startup(command="build", dirty=False)
        build.build(config)
        config.plugins.on_shutdown()
        if out.exists():
            os.replace(out, old)
        os.replace(made / "site", out)
    finally:
        shutil.rmtree(made, ignore_errors=True)
        if old.exists():
            if not out.exists():
                os.replace(old, out)
            shutil.rmtree(old, ignore_errors=True)
    return sum(1 for _ in out.rglob("*.html"))


def serve_site(root: Path, config_file: Path, address: str) -> None:
    """Serve with live reload until stopped."""
    from mkdocs.commands import serve

    serve.serve(**configuration(root, config_file), dev_addr=address, livereload=True)


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
