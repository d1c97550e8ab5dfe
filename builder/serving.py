"""The running server of `cards serve`: it makes the site once, then only what an edit changes. With site.py the only module that imports mkdocs.

An edit is answered in two steps. The pages of the cards that changed, and those around them that can be made in a moment, are
made at once and the browsers told; every other file is then made anew in the background and put in place where it differs, so
that nothing depends on a guess at what an edit reaches. While a card is broken, the last good pages stay, and each shows what to put right.
"""

from __future__ import annotations

import gc
import hashlib
import html
import logging
import os
import shutil
import tempfile
import threading
import time
import traceback
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from mkdocs.commands import build
from mkdocs.config import load_config
from mkdocs.livereload import LiveReloadServer
from mkdocs.structure.files import InclusionLevel
from mkdocs.structure.pages import Page
from watchdog.events import EVENT_TYPE_CREATED, EVENT_TYPE_DELETED, EVENT_TYPE_MODIFIED, EVENT_TYPE_MOVED, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from .site import configuration, hook_of

log = logging.getLogger("mkdocs.serving")

QUIET = 0.7  # seconds before the background begins
AT_ONCE = 0.05  # seconds for the pages around a change; the rest waits for the background
MOST_LISTED = 20
HERE = "<!-- what to put right -->"  # where main.html lets a running server speak


class Preview:
    """The site as it is served, and how it follows the cards. `folder` holds it."""

    def __init__(self, root: Path, config_file: Path, folder: Path, address: str) -> None:
        self.folder, self.problems = folder, []
        self._root, self._config_file, self._address = root.resolve(), config_file, address
        self._seen: dict[str, bytes] = {}  # digest of the text that each file was made from
        self._documents: dict[str, Any] = {}  # by file
        self._round = 0  # counted up by each edit; the background stops when it has gone on
        self._writing = threading.Lock()
        self._others: dict[str, tuple[int, int]] = {}
        self.announce = lambda: None  # tells the browsers

    def all(self) -> None:
        """Everything from the beginning: at the start, and when something other than a card has changed."""
        self._round += 1
        config = load_config(**configuration(self._root, self._config_file), site_dir=str(self.folder), dev_addr=self._address)
        self._hook = hook_of(config)
        session = self._session = self._hook._session
        config.plugins.on_startup(command="serve", dirty=False)
        config.site_url = f"http://{config.dev_addr}/"
        self._others = self._stamps()
        with self._writing:
            build.build(config, serve_url=config.site_url)
        gc.freeze()  # looking through a large library for what could go would stop an edit for a second
        self.config, (self.files, self.nav, self.env) = config, session.engine
        self.problems, self._seen = session.problems, dict(session.digests)
        self._documents = session.documents
        self.whole = not session.problems

    def update(self) -> None:
        """After an edit. Raises nothing for what a card may hold."""
        if not self.whole or self._stamps() != self._others:
            self.all()
            return
        self._round += 1
        builder = self._hook._engine_free(reload=False)
        built = builder["compose"].build(self._root, kept=self._session.kept)
        self.problems = built.problems
        if built.problems:
            log.warning("%s", builder["problems"].as_text(built.problems))
            with self._writing:
                for page in builder["render"].problem_page(built.problems, first=False):
                    self._put(self._hook._packed(page))
                    self._seen[page.path] = b""  # it goes when all is well again
            return
        now, before = {d.file: d for d in built.linked.library.documents}, self._documents
        differ = [d for file in now.keys() | before.keys() if now.get(file) is not before.get(file) for d in (now.get(file), before.get(file)) if d]
        changed = {(d.kind, d.id) for d in differ}
        changed |= {("technique", name.partition("/")[0]) for d in differ if d.kind == "overrides" for name in d.data.get("quantities", {})}
        self._documents = now
        if changed & {("department", "department"), ("local-department", "department")}:  # its name stands on every page
            self.all()
            return
        plan = builder["compose"].plan(built, self._session.kept, self._session.lately, self._session.past or ())
        around = built.linked.around(changed)
        plan.sort(key=lambda p: (p.kind, p.id) not in changed if (p.kind, p.id) in changed | around else 2)
        self._remove({p.path for p in plan})
        until, done = time.monotonic() + AT_ONCE, 0
        for planned in plan:
            own = (planned.kind, planned.id)
            if own not in changed and (own not in around or time.monotonic() > until):
                break
            self._make(planned, self._round)
            done += 1
        threading.Thread(target=self._rest, args=(plan[done:], self._round), daemon=True).start()

    def _rest(self, plan: Iterable[Any], of: int) -> None:
        """Every other file, as long as no newer edit has come."""
        time.sleep(QUIET)  # the browser that shows the edited page is served first
        try:
            differ = [planned.path for planned in plan if self._round == of and self._make(planned, of)]
        except Exception:  # the server goes on; the next edit tries again
            if self._round == of:  # else the templates had gone on to the cards of a newer edit
                log.error("%s", traceback.format_exc())
            return
        if differ and self._round == of:
            log.info("Another %d pages and files now read differently.", len(differ))
            self.announce()

    def _make(self, planned: Any, of: int) -> bool:
        """Makes one file and puts it in place where it differs from what was there. Whether it did."""
        page = planned.make()
        digest = hashlib.sha256(page.text.encode()).digest()
        with self._writing:
            if self._round != of or self._seen.get(page.path) == digest:
                return False
            self._put(self._hook._packed(page))
            self._seen[page.path] = digest
        return True

    def _put(self, packed: Any) -> None:
        file = self.files.get_file_from_path(packed.path)
        if file is None:
            file = self._hook._generated(packed, self.config)
            file.inclusion = InclusionLevel.NOT_IN_NAV
            self.files.append(file)
        file.packed = packed.text
        if not packed.path.endswith(".md"):
            file.copy_file()
            return
        page = file.page or Page(None, file, self.config)
        build._populate_page(page, self.config, self.files)
        build._build_page(page, self.config, [], self.nav, self.env)

    def _remove(self, there: set[str]) -> None:
        """Takes away what is made from no card any more."""
        with self._writing:
            for path in self._seen.keys() - there:
                del self._seen[path]
                if (file := self.files.get_file_from_path(path)) is not None:
                    self.files.remove(file)
                    Path(file.abs_dest_path).unlink(missing_ok=True)

    def _stamps(self) -> dict[str, tuple[int, int]]:
        """What is watched beside the cards: builder, schemas, overrides and configuration. A change there makes everything anew."""
        found: dict[str, tuple[int, int]] = {}
        for place in self.beside():
            for file in [place] if place.is_file() else place.rglob("*"):
                if "__pycache__" not in file.parts and file.is_file():
                    stat = file.stat()
                    found[str(file)] = stat.st_mtime_ns, stat.st_size
        return found

    def beside(self) -> list[Path]:
        """Files and folders other than those of the cards."""
        return [p for p in (self._config_file, *(self._root / n for n in ("builder", "schema", "site_overrides"))) if p.exists()]

    def told(self) -> str:
        """What to put right, as HTML for the top of every page; nothing when all is well."""
        if not self.problems:
            return ""
        count = len(self.problems)
        items = "".join(f"<li><strong>{html.escape(p.file)}, line {p.line}.</strong> {html.escape(p.message)} <span class=\"note\">Fix: {html.escape(p.fix)}</span></li>"
                        for p in self.problems[:MOST_LISTED])
        more = f"<li>and {count - MOST_LISTED} more</li>" if count > MOST_LISTED else ""
        return (f'<div class="problem-line" role="status"><p><strong>The cards have {count} problem{"" if count == 1 else "s"}.</strong> '
                f'These are the last good pages. <a href="/problems.html">The whole list</a></p><ul>{items}{more}</ul></div>')


class _Server(LiveReloadServer):
    """MkDocs' server, which also says what to put right, and can tell the browsers of what was made in the background."""

    def __init__(self, preview: Preview, host: str, port: int) -> None:
        super().__init__(builder=preview.update, host=host, port=port, root=str(preview.folder))
        self._preview = preview
        self.build_delay = 0.05  # seconds without an event, after which an editor has done saving
        self.observer = Observer()  # told by the system; asking for the time of every card again and again takes longer than an edit

    def watch(self, path: str, func: None = None, *, recursive: bool = True) -> None:
        self._watched_paths[path] = 1
        self.observer.schedule(_Changes(self), path, recursive=recursive)

    def changed(self) -> None:
        with self._rebuild_cond:
            self._want_rebuild = True
            self._rebuild_cond.notify_all()

    def announce(self) -> None:
        with self._epoch_cond:
            now = round(time.monotonic() * 1000)
            if self._visible_epoch == self._wanted_epoch:  # else a build is under way, and announces itself
                self._visible_epoch = self._wanted_epoch = max(now, self._visible_epoch + 1)
                self._epoch_cond.notify_all()

    def _inject_js_into_html(self, content: bytes, epoch: int) -> bytes:
        return super()._inject_js_into_html(content.replace(HERE.encode(), self._preview.told().encode(), 1), epoch)


class _Changes(FileSystemEventHandler):
    """Passes on what changes a file. That one was opened and read, as every round does, is told as well, and is no change."""

    def __init__(self, server: _Server) -> None:
        self._server = server

    def on_any_event(self, event: FileSystemEvent) -> None:
        if not event.is_directory and "__pycache__" not in os.fsdecode(event.src_path) and event.event_type in (EVENT_TYPE_CREATED, EVENT_TYPE_DELETED, EVENT_TYPE_MODIFIED, EVENT_TYPE_MOVED):
            self._server.changed()


def serve_site(root: Path, config_file: Path, address: str) -> None:
    """Serve with live reload until stopped."""
    folder = Path(tempfile.mkdtemp(prefix="cards-"))
    try:
        preview = Preview(root, config_file, folder, address)
        preview.all()
        host, port = preview.config.dev_addr
        server = _Server(preview, host, port)
        preview.announce = server.announce
        missing = folder / "404.html"
        server.error_handler = lambda code: missing.read_bytes() if code in (404, 500) and missing.is_file() else None
        for place in (*(p for p in (root / "cards", root / "local") if p.is_dir()), *preview.beside()):
            server.watch(os.fspath(place))
        try:
            server.serve()
        except KeyboardInterrupt:
            log.info("Shutting down...")
        finally:
            server.shutdown()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
