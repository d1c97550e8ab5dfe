"""The running server: what it makes after an edit is what it would make from the beginning, and a broken card costs no page."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fixtures import PROJECT, project, technique, write

from builder.serving import AT_ONCE, MOST_LISTED, Preview

CARD = "techniques/raised-infusion"


class Watched(Preview):
    """A preview whose background work can be waited for."""

    def settle(self) -> None:
        for thread in [t for t in threading.enumerate() if t is not threading.current_thread() and t.daemon and "_rest" in t.name]:
            thread.join(30)
            assert not thread.is_alive()


@pytest.fixture(autouse=True)
def modules() -> Iterator[None]:
    """A server loads the builder afresh; the other tests of this process keep the classes they know."""
    import builder

    kept, names = {n: m for n, m in sys.modules.items() if n.startswith("builder.")}, dict(vars(builder))
    yield
    for name in [n for n in sys.modules if n.startswith("builder.")]:
        del sys.modules[name]
    sys.modules.update(kept)
    vars(builder).update(names)


@pytest.fixture
def preview(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Watched:
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")
    made = Watched(project(tmp_path / "unit"), tmp_path / "unit/mkdocs.yml", tmp_path / "site", "127.0.0.1:8000")
    made.all()
    return made


def files(folder: Path) -> dict[str, bytes]:
    """Every file of the site but the list of pages for search engines, which no preview needs."""
    return {p: f.read_bytes() for f in folder.rglob("*") if f.is_file() and not (p := f.relative_to(folder).as_posix()).startswith("sitemap")}


def edit(root: Path, where: str, old: str, new: str) -> None:
    file = root / "cards" / where
    text = file.read_text(encoding="utf-8")
    assert old in text, (where, old)
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


EDITS: dict[str, Callable[[Path], object]] = {
    "a number": lambda root: edit(root, f"{CARD}.yaml", "value: 60", "value: 55"),
    "a title": lambda root: edit(root, f"{CARD}.yaml", "title: Raised infusion", "title: Infusion, raised"),
    "a card added": lambda root: write(root, "techniques/another.yaml", technique("see_also: [raised-infusion]\n")),
    "the new card edited": lambda root: edit(root, "techniques/another.yaml", "One sentence.", "Another sentence."),
    "the new card gone": lambda root: (root / "cards/techniques/another.yaml").unlink(),
    "a term": lambda root: edit(root, "glossary.yaml", "meaning: ", "meaning: In other words, "),
    "a source": lambda root: edit(root, "sources/van-keer-2016-mopp.yaml", "title: ", "title: On "),
    "a calculator": lambda root: edit(root, "calculators/window-and-pressure.yaml", "question: ", "question: Well, "),
    "the department": lambda root: edit(root, "department.yaml", "name: ", "name: The other "),
}


def test_after_every_edit_the_site_is_what_it_would_be_from_the_beginning(preview: Watched, tmp_path: Path) -> None:
    root, before = tmp_path / "unit", files(preview.folder)
    for name, change in EDITS.items():
        change(root)
        preview.update()
        preview.settle()
        assert preview.problems == [], name
        after = files(preview.folder)
        assert after != before, f"{name}: nothing has changed"
        before = after
        if name in ("a number", "the new card edited", "a term"):  # the next edit's comparison covers this one
            continue
        again = Watched(root, root / "mkdocs.yml", tmp_path / "again", "127.0.0.1:8000")
        again.all()
        whole = files(again.folder)
        # The digest of all pages together is that of the start; it is for copies that are kept, and none is kept of a preview.
        same = lambda content: re.sub(rb'data-content="[0-9a-f]*"', b"", content)  # noqa: E731
        assert after.keys() == whole.keys(), name
        assert [p for p in whole if same(after[p]) != same(whole[p])] == [], name


def test_an_edit_makes_only_what_it_changes(preview: Watched, tmp_path: Path) -> None:
    times = {p: f.stat().st_mtime_ns for p in files(preview.folder) for f in [preview.folder / p]}
    EDITS["a number"](tmp_path / "unit")
    preview.update()
    preview.settle()
    made = {p for p, t in times.items() if (preview.folder / p).stat().st_mtime_ns != t}
    assert f"{CARD}.html" in made and "data/cards.json" in made
    assert not made & {"glossary.html", "404.html", "assets/stylesheets/site.css", "calculators/index.html", "sources/index.html"}


def test_a_broken_card_leaves_every_page_as_it_was_and_is_told_on_it(preview: Watched, tmp_path: Path) -> None:
    before = files(preview.folder)
    edit(tmp_path / "unit", f"{CARD}.yaml", "title: ", "titel: ")
    preview.update()
    after = files(preview.folder)
    assert {p for p in after if after[p] != before.get(p)} == {"problems.html"} and before.keys() <= after.keys()
    told = preview.told()
    assert "The cards have 2 problems." in told and "line 1" not in told and f"cards/{CARD}.yaml" in told and "Did you mean &#x27;title&#x27;?" in told
    assert b"titel" in after["problems.html"]
    edit(tmp_path / "unit", f"{CARD}.yaml", "titel: ", "title: ")
    preview.update()
    preview.settle()
    assert preview.told() == "" and files(preview.folder) == before


def test_a_hostile_name_is_told_as_words(preview: Watched, tmp_path: Path) -> None:
    edit(tmp_path / "unit", f"{CARD}.yaml", "stage: ", 'stage: "<script>alert(1)</script>" #')
    preview.update()
    assert preview.problems and "<script>" not in preview.told() and "&lt;script&gt;" in preview.told()


def test_of_very_many_problems_the_first_are_told(preview: Watched, tmp_path: Path) -> None:
    for n in range(MOST_LISTED + 5):
        write(tmp_path / "unit", f"techniques/broken-{n}.yaml", "title: [\n")
    preview.update()
    assert preview.told().count("<li>") == MOST_LISTED + 1 and "and 5 more" in preview.told()


def test_a_server_that_starts_on_broken_cards_shows_the_site_once_they_are_mended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_MKDOCS_2_WARNING", "1")
    root = project(tmp_path / "unit")
    edit(root, f"{CARD}.yaml", "title: ", "titel: ")
    # A hook of its own, as in a server of its own: the tests of this process share one.
    monkeypatch.setattr("mkdocs.config.config_options.Hooks._load_hook", _own_hook)
    preview = Watched(root, root / "mkdocs.yml", tmp_path / "site", "127.0.0.1:8000")
    preview.all()
    assert b"titel" in (preview.folder / "index.html").read_bytes()
    edit(root, f"{CARD}.yaml", "titel: ", "title: ")
    preview.update()
    assert preview.told() == "" and (preview.folder / f"{CARD}.html").is_file() and b"titel" not in (preview.folder / "index.html").read_bytes()


_hooks: dict[str, object] = {}


def _own_hook(self: object, name: str, path: str) -> object:
    import importlib.util

    if path not in _hooks:
        spec = importlib.util.spec_from_file_location("hook_of_a_test", path)
        _hooks[path] = module = importlib.util.module_from_spec(spec)
        sys.modules["hook_of_a_test"] = module
        spec.loader.exec_module(module)
    return _hooks[path]


# --- the whole command ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Callable[[str], str], Path]]:
    """(root of the cards, what gets a page, file of the log) of a running `cards serve`."""
    root = project(tmp_path_factory.mktemp("served"))
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    log = root.parent / "served.log"
    with open(log, "wb") as out:
        process = subprocess.Popen([sys.executable, "-m", "builder", "serve", "--address", f"127.0.0.1:{port}"], cwd=root, stdout=out, stderr=out,
                                   env={**os.environ, "NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(PROJECT)})

    def get(path: str) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/{path}", timeout=30) as answer:
            return answer.read().decode()

    try:
        for _ in range(600):
            try:
                get("index.html")
                break
            except OSError:
                assert process.poll() is None, log.read_text(encoding="utf-8")
                time.sleep(0.1)
        yield root, get, log
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            raise


def until(what: Callable[[], bool], seconds: float = 20) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_the_page_follows_the_card_and_a_reader_is_told_of_a_broken_one(server: tuple[Path, Callable[[str], str], Path]) -> None:
    root, get, _ = server
    page = f"{CARD}.html"
    assert "Raised infusion" in get(page) and "livereload(" in get(page)
    edit(root, f"{CARD}.yaml", "title: Raised infusion", "title: Raised at once")
    until(lambda: "Raised at once" in get(page))
    until(lambda: "Raised at once" in get("techniques/index.html"))
    edit(root, f"{CARD}.yaml", "steps:", "stepz:")
    until(lambda: "problem-line" in get(page))
    for path in (page, "index.html", "glossary.html"):
        told = get(path)
        assert "There is no" not in told and "Did you mean &#x27;steps&#x27;?" in told and "<h1" in told, path
    assert "Raised at once" in get(page), "The last good page stays."
    assert "stepz" in get("problems.html")
    edit(root, f"{CARD}.yaml", "stepz:", "steps:")
    until(lambda: "problem-line" not in get(page))


def test_reading_the_cards_is_taken_for_no_edit(server: tuple[Path, Callable[[str], str], Path]) -> None:
    root, get, log = server
    rounds = lambda: log.read_text(encoding="utf-8").count("Detected file changes")  # noqa: E731
    edit(root, f"{CARD}.yaml", "summary: ", "summary: Now, ")
    until(lambda: "Now, " in get(f"{CARD}.html"))
    time.sleep(2 * AT_ONCE)
    before = rounds()
    time.sleep(1)
    assert rounds() == before
