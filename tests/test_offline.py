"""What is kept for reading without a network, the bundle, the day of a build, and what changed lately."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import time
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from fixtures import PROJECT, VALID, build, lay, project, technique, write

from builder import bundle, compose, history, offline, references, when
from builder.cli import main
from builder.model import Department
from builder.problems import CouldNotRun
from support import built

CLOCK = PROJECT / "site_overrides/assets/javascripts/clock.js"
SCRIPT = PROJECT / "site_overrides/sw.js"
DAY = datetime(2026, 11, 20, 9, 30, 14, tzinfo=UTC)


def cards(root: Path, *arguments: str) -> Result:
    os.environ["NO_MKDOCS_2_WARNING"] = "1"
    return CliRunner(env={"SOURCE_DATE_EPOCH": str(int(DAY.timestamp()))}).invoke(main, ["--root", str(root), *arguments])


# Put before everything that a process runs: it may ask nothing of the network.
NO_NETWORK = """
import sys

def refuse(event, arguments):
    if event in ("socket.connect", "socket.bind", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        raise RuntimeError("The network is asked: " + event)

sys.addaudithook(refuse)
"""


def elsewhere(root: Path) -> tuple[list[str], dict]:
    """(words to put before a command, keywords for subprocess.run): another machine as far as a build can see, and one without a network."""
    (root / "first").mkdir()
    (root / "first/sitecustomize.py").write_text(NO_NETWORK, encoding="utf-8")
    cut_off = ["unshare", "--map-root-user", "--net"]  # git included; where the system lets us
    before = cut_off if shutil.which("unshare") and subprocess.run([*cut_off, "true"], capture_output=True, timeout=10).returncode == 0 else []
    environment = {**os.environ, "NO_MKDOCS_2_WARNING": "1", "SOURCE_DATE_EPOCH": str(int(DAY.timestamp())), "PYTHONPATH": f"{root / 'first'}:{PROJECT}", "PYTHONHASHSEED": "7",
                   "TZ": "Pacific/Kiritimati", "LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "COLUMNS": "40"}
    return before, {"env": environment, "cwd": root, "umask": 0o077, "capture_output": True, "text": True, "encoding": "utf-8", "timeout": 120}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two builds of the small library and its history on one day: a/site, a.zip here; b/site, b.zip as if on another machine."""
    root = tmp_path_factory.mktemp("offline")
    for name in ("a", "b"):
        kept = Repository(project(root / name))
        card = root / name / "cards/techniques/raised-infusion.yaml"
        now = card.read_bytes()
        card.write_bytes(now.replace(b"value: 60", b"value: 50", 1))
        kept.commit("2026-11-01T12:00:00Z")
        card.write_bytes(now)
        kept.commit("2026-11-10T12:00:00Z")
    result = cards(root / "a", "build", "--bundle", str(root / "a.zip"))
    assert result.exit_code == 0, result.output
    time.sleep(2.1)  # a zip counts time in steps of two seconds
    before, how = elsewhere(root)
    done = subprocess.run([*before, sys.executable, "-m", "builder", "--root", "b", "build", "--bundle", "b.zip"], **how)
    assert done.returncode == 0, done.stdout + done.stderr
    return root


def copy_of(site: Path) -> dict:
    """What sw.js says that it keeps."""
    return json.loads(re.match(r"const COPY = (\{.*?\});\n/\*", (site / "sw.js").read_text(encoding="utf-8"), re.S)[1])


# --- the service worker and the manifest ------------------------------------------------------------------------------


def test_the_worker_keeps_every_file_it_names_as_it_was_built(made: Path) -> None:
    site = made / "a/site"
    copy = copy_of(site)
    assert copy["made"] == "2026-11-20"
    for path, digest in copy["first"].items():
        assert digest == "sha256-" + base64.b64encode(hashlib.sha256((site / path).read_bytes()).digest()).decode(), path
    everything = {f.relative_to(site).as_posix() for f in site.rglob("*") if f.is_file()}
    left = {p for p in everything - {*copy["first"], *copy["rest"]} if offline.of_use(p)}
    assert left == {"404.html", "sw.js"}
    assert {*copy["first"]} & {*copy["rest"]} == set()
    assert all(p.startswith(("fields.html", "changes.html", "sources/", "ledgers/", "data/")) for p in copy["rest"])


def test_every_page_kept_at_first_finds_its_scripts_and_styles_there_too(made: Path) -> None:
    site = made / "a/site"
    first = copy_of(site)["first"]
    asked = 0
    for page in (p for p in first if p.endswith(".html")):
        text = (site / page).read_text(encoding="utf-8")
        for address in re.findall(r'(?:<script[^>]* src|<link rel="(?:stylesheet|icon)"[^>]* href)="([^"]+)"', text):
            asked += 1
            assert os.path.normpath(os.path.join(os.path.dirname(page), address)) in first, f"{page} needs {address}"
    assert asked > 50


def test_the_department_s_own_cards_are_all_kept_and_its_sources_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(references, "_set", lambda items: [""] * len(items))  # slow, and no path depends on it
    paths = [p.path.removesuffix(".md") + ".html" if p.path.endswith(".md") else p.path for p in compose.pages(built())]
    first, rest = map(set, offline.shared_out([*paths, "assets/javascripts/bundle.1.min.js.map", "assets/javascripts/lunr/x.js", "404.html", "sitemap.xml"]))
    library = built().linked.library
    wanted = {f"techniques/{id}.html" for id in library.techniques} | {f"pathways/{id}.html" for id in library.pathways}
    wanted |= {f"calculators/{id}.html" for id in library.calculators if id not in library.department.calculators_off}
    wanted |= {f"assets/data/brief-{id}.js" for id in library.pathways} | {f"assets/data/questions-{id}.js" for id in library.pathways}
    wanted |= {"index.html", "glossary.html", "brief.html", "selftest.html", "ledgers/index.html", "sources/index.html", "assets/data/search.js",
               "assets/data/search-words.js"}
    assert wanted <= first
    assert rest == {f"sources/{id}.html" for id in library.sources} | {p for p in paths if p.startswith(("ledgers/", "data/")) and p != "ledgers/index.html"} | {"fields.html"}
    assert first | rest == set(paths)


FILES = {"index.html": "sha256-a", "sources/x.html": "sha256-b"}


def version(script: str = "s", files: dict = FILES, made: str = "2026-11-20") -> str:
    return re.search(r'"version":"(\w{16})"', offline.worker(script, files, made, "c"))[1]


def test_a_copy_has_another_version_when_anything_in_it_differs() -> None:
    others = [version("t"), version(files={**FILES, "index.html": "sha256-c"}), version(files={**FILES, "sources/x.html": "sha256-c"}),
              version(files={**FILES, "glossary.html": "sha256-a"}), version(made="2026-11-21")]
    assert len({version(), *others}) == 1 + len(others)
    assert version(files=dict(reversed(FILES.items()))) == version(), "The order of the files counts for nothing."


def test_the_manifest_is_the_department_s_and_stays_within_the_site(made: Path) -> None:
    site = made / "a/site"
    manifest = json.loads((site / "manifest.webmanifest").read_text(encoding="utf-8"))
    assert manifest["name"] == "Test unit"
    assert (manifest["start_url"], manifest["scope"], manifest["display"]) == ("index.html", "./", "standalone")
    (icon,) = manifest["icons"]
    assert (site / icon["src"]).read_text(encoding="utf-8").startswith("<svg")
    light = (site / "assets/stylesheets/site.css").read_text(encoding="utf-8").split("}")[0]
    assert f"--sheet: {manifest['theme_color']};" in light
    assert f"--ground: {manifest['background_color']};" in light
    with pytest.raises(ValueError, match="--sheet"):
        offline.manifest("n", "d", "i.svg", "--ground: #fff;")


def test_nothing_kept_or_asked_for_names_another_host(made: Path) -> None:
    for text in ((made / "a/site/sw.js").read_text(encoding="utf-8"), (made / "a/site/manifest.webmanifest").read_text(encoding="utf-8"), CLOCK.read_text(encoding="utf-8")):
        assert not re.search(r"https?://|[\"'`]//", text)


def test_the_script_on_every_page_is_small() -> None:
    assert len(gzip.compress(CLOCK.read_bytes(), 9)) < 2048


def test_one_day_and_one_library_give_the_same_bytes_and_modes_on_any_machine(made: Path) -> None:
    """In another folder, time zone, locale and umask, with another order of sets."""

    def everything(site: Path) -> dict[str, tuple[int, bytes]]:
        return {f.relative_to(site).as_posix(): (f.stat().st_mode, f.read_bytes() if f.is_file() else b"") for f in [site, *site.rglob("*")]}

    a, b = everything(made / "a/site"), everything(made / "b/site")
    assert a.keys() == b.keys()
    assert [path for path in a if a[path] != b[path]] == []
    assert {"sw.js", "sitemap.xml.gz", "changes.html", "checksums.txt", ".htaccess", "data/changes.atom"} <= a.keys()
    assert b"Changed lately" in a["index.html"][1]
    assert {oct(mode) for mode, _ in b.values()} == {"0o40755", "0o100644"}, "A web server must be able to read them."
    assert (made / "a.zip").read_bytes() == (made / "b.zip").read_bytes()


def test_a_build_that_asked_anything_of_the_network_would_have_failed(tmp_path: Path) -> None:
    """`made` has built b without a network; here the bar to it is shown to hold."""
    _, how = elsewhere(tmp_path)
    done = subprocess.run([sys.executable, "-c", "import socket; socket.create_connection(('127.0.0.1', 9))"], **how)
    assert done.returncode == 1 and "The network is asked" in done.stderr


def test_every_page_says_when_this_copy_was_made(made: Path) -> None:
    pages = [f for f in (made / "a/site").rglob("*.html") if f.name != "404.html"]
    assert len(pages) > 15
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "This copy was made on 2026-11-20." in text, page
        assert text.count('data-made="2026-11-20" data-stale-after="30"') == 1, page


def test_a_running_server_installs_nothing(tmp_path: Path) -> None:
    """What is edited must not be kept; in a process of its own, for a running server loads the builder afresh."""
    project(tmp_path)
    code = ("from mkdocs.config import load_config; from mkdocs.commands import build\n"
            "config = load_config(config_file='mkdocs.yml', site_dir='out')\n"
            "config.plugins.on_startup(command='serve', dirty=False); build.build(config)")
    subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=True, capture_output=True, timeout=120, env={**os.environ, "NO_MKDOCS_2_WARNING": "1"})
    assert not (tmp_path / "out/sw.js").exists()
    assert not (tmp_path / "out/manifest.webmanifest").exists()
    page = (tmp_path / "out/index.html").read_text(encoding="utf-8")
    assert "data-made=" in page and "data-installs" not in page


def test_the_days_until_a_copy_is_stale_are_the_department_s(tmp_path: Path) -> None:
    schema = json.loads((PROJECT / "schema/department.schema.json").read_text(encoding="utf-8"))
    assert Department("n", "a", (), "o", 12, "c").stale_after_days == schema["properties"]["stale_after_days"]["default"]
    assert build(lay(tmp_path / "a")).linked.library.department.stale_after_days == 30
    text = (VALID / "department.yaml").read_text(encoding="utf-8")
    lay(tmp_path / "b")
    write(tmp_path / "b", "department.yaml", text + "stale_after_days: 7\n")
    assert build(tmp_path / "b").linked.library.department.stale_after_days == 7
    write(tmp_path / "b", "department.yaml", text + "stale_after_days: 0\n")
    assert [p.line for p in build(tmp_path / "b").problems] == [len(text.splitlines()) + 1]


# --- the day of a build -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "now", "dated"), [
    ("1795167014", "2027-01-01T00:00:00+00:00", "2026-11-20T09:30:14+00:00"),
    ("0", "2027-01-01T00:00:00+00:00", "1970-01-01T00:00:00+00:00"),
    ("", "2026-11-20T23:59:59+00:00", "2026-11-20T00:00:00+00:00"),
    (None, "2026-11-21T05:00:00+13:00", "2026-11-20T00:00:00+00:00"),
])
def test_a_build_is_dated_by_the_environment_or_by_the_day_in_utc(given: str | None, now: str, dated: str) -> None:
    environment = {} if given is None else {"SOURCE_DATE_EPOCH": given}
    assert when.dated(environment, datetime.fromisoformat(now)).isoformat() == dated


@pytest.mark.parametrize("given", ["today", "-5", "1.5", "1e9", " 5", "9" * 30])
def test_an_environment_that_names_no_second_is_refused(given: str, tmp_path: Path) -> None:
    with pytest.raises(CouldNotRun, match="whole number of seconds"):
        when.dated({"SOURCE_DATE_EPOCH": given}, DAY)
    result = CliRunner(env={"SOURCE_DATE_EPOCH": given}).invoke(main, ["--root", str(lay(tmp_path)), "build"])
    assert (result.exit_code, result.stdout) == (2, "")


# --- the bundle -------------------------------------------------------------------------------------------------------


def test_the_bundle_holds_the_site_in_one_folder_in_order_with_one_time(made: Path) -> None:
    site = made / "a/site"
    with zipfile.ZipFile(made / "a.zip") as archive:
        entries = archive.infolist()
        names = [e.filename.removeprefix("technique-cards/") for e in entries]
        assert all(e.filename.startswith("technique-cards/") for e in entries)
        assert names == ["START-HERE.txt", *sorted(names[1:])]
        assert {e.date_time for e in entries} == {(2026, 11, 20, 9, 30, 14)}
        assert {(e.create_system, e.external_attr >> 16, e.compress_type) for e in entries} == {(3, 0o100644, zipfile.ZIP_DEFLATED)}
        assert set(names[1:]) == {p for f in site.rglob("*") if f.is_file() and offline.of_use(p := f.relative_to(site).as_posix())} | {"checksums.txt"}
        assert {"index.html", "assets/data/search.js", "assets/data/search-words.js", "sw.js", "404.html"} <= set(names)
        for name in {*names[1:]} - {"checksums.txt"}:  # it has its own, of what is in it
            assert archive.read(f"technique-cards/{name}") == (site / name).read_bytes(), name
        assert b"made on 2026-11-20" in archive.read("technique-cards/START-HERE.txt")


def test_a_date_before_the_zip_format_s_own_beginning_is_its_beginning(tmp_path: Path) -> None:
    (tmp_path / "site").mkdir()
    (tmp_path / "site/index.html").write_text("x", encoding="utf-8")
    bundle.write(tmp_path / "site", tmp_path / "new/folder/a.zip", datetime(1970, 1, 1, tzinfo=UTC))
    with zipfile.ZipFile(tmp_path / "new/folder/a.zip") as archive:
        assert {e.date_time for e in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_a_bundle_that_cannot_be_written_leaves_the_old_one_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "site").mkdir()
    (tmp_path / "site/index.html").write_text("x", encoding="utf-8")
    (tmp_path / "a.zip").write_bytes(b"the old bundle")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(zipfile.ZipFile, "writestr", full)
    with pytest.raises(OSError, match="No space"):
        bundle.write(tmp_path / "site", tmp_path / "a.zip", DAY)
    assert (tmp_path / "a.zip").read_bytes() == b"the old bundle"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.zip", "site"], "Nothing is left beside the bundle."


@pytest.mark.parametrize(("name", "message"), [
    ("bundle", "must have a name that ends in .zip"),
    ("site/bundle.zip", "The bundle cannot be put into"),
    ("cards/bundle.zip", "The bundle cannot be put into"),
])
def test_a_bundle_is_refused_before_anything_is_built(tmp_path: Path, name: str, message: str) -> None:
    result = cards(project(tmp_path), "build", "--bundle", str(tmp_path / name))
    assert result.exit_code == 2
    assert message in result.stderr
    assert not (tmp_path / "site").exists()


def test_broken_cards_leave_the_old_bundle_whole(tmp_path: Path) -> None:
    project(tmp_path)
    write(tmp_path, "techniques/broken.yaml", technique("next: [nowhere]\n"))
    (tmp_path / "a.zip").write_bytes(b"the old bundle")
    assert cards(tmp_path, "build", "--bundle", str(tmp_path / "a.zip")).exit_code == 1
    assert (tmp_path / "a.zip").read_bytes() == b"the old bundle"


# --- what changed lately ----------------------------------------------------------------------------------------------

UNTIL = date(2026, 11, 20)


class Repository:
    """A repository of cards whose commits are made on chosen days."""

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(exist_ok=True)
        self.git("init", "-q", "-b", "main")

    def git(self, *arguments: str, at: str = "2026-11-01T12:00:00Z") -> str:
        who = {f"GIT_{role}_{what}": value for role in ("AUTHOR", "COMMITTER") for what, value in (("NAME", "T"), ("EMAIL", "t@example.org"), ("DATE", at))}
        outside = {k: v for k, v in os.environ.items() if not k.startswith("GIT_")}
        return subprocess.run(["git", *arguments], cwd=self.root, check=True, capture_output=True, text=True, timeout=30,
                              env={**outside, **who, "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull}).stdout

    def commit(self, at: str, **files: str | None) -> None:
        """files: technique id (or folder__id), with _ for -, -> text; None takes the file away."""
        for name, text in files.items():
            folder, _, id = name.rpartition("__")
            path = self.root / "cards" / (folder or "techniques") / (id.replace("_", "-") + ".yaml")
            path.parent.mkdir(parents=True, exist_ok=True)
            if text is None:
                path.unlink()
            else:
                path.write_text(text, encoding="utf-8")
        self.git("add", "-A")
        self.git("commit", "-q", "--allow-empty", "-m", "commit 123 456 as a message", at=at)


@pytest.fixture
def repository(tmp_path: Path) -> Repository:
    return Repository(tmp_path / "unit")


def lately(repository: Repository, until: date = UNTIL) -> list:
    return history.lately(repository.root, until)


def test_new_and_changed_cards_stand_under_their_last_day(repository: Repository) -> None:
    repository.commit("2026-11-01T12:00:00Z", endolaser="1", consent="1", pathways__case="1", calculators__dose="1", sources__smith="1")
    repository.commit("2026-11-03T12:00:00Z", endolaser="2", calculators__bubble="1", glossary="1")
    repository.commit("2026-11-03T15:00:00Z", calculators__bubble="2")
    assert lately(repository) == [
        ("2026-11-03", [("calculator", "bubble", "new"), ("technique", "endolaser", "changed"), ("technique", "glossary", "new")]),
        ("2026-11-01", [("calculator", "dose", "new"), ("pathway", "case", "new"), ("technique", "consent", "new")]),
    ]


def test_a_card_that_has_gone_is_not_told_and_a_renamed_one_is_no_new_one(repository: Repository) -> None:
    repository.commit("2026-11-01T12:00:00Z", old="a text\nof some\nlines\n", gone="1")
    repository.git("mv", "cards/techniques/old.yaml", "cards/techniques/renamed.yaml")
    repository.commit("2026-11-02T12:00:00Z", gone=None)
    assert lately(repository) == [("2026-11-02", [("technique", "renamed", "changed")])]


def test_days_are_of_utc_and_neither_too_old_nor_yet_to_come(repository: Repository) -> None:
    repository.commit("2026-08-21T12:00:00Z", too_old="1")
    repository.commit("2026-08-22T00:30:00Z", oldest="1")
    repository.commit("2026-11-19T23:00:00-05:00", evening="1")  # 20 November in UTC
    repository.commit("2026-11-21T12:00:00Z", tomorrow="1")
    assert lately(repository) == [("2026-11-20", [("technique", "evening", "new")]), ("2026-08-22", [("technique", "oldest", "new")])]


def test_at_most_eight_days_are_told_the_newest_first(repository: Repository) -> None:
    for day in range(1, 12):
        repository.commit(f"2026-11-{day:02}T12:00:00Z", **{f"card{day}": "1"})
    assert [day for day, _ in lately(repository)] == [f"2026-11-{day:02}" for day in range(11, 3, -1)]


def test_a_branch_counts_on_the_day_it_is_merged(repository: Repository) -> None:
    repository.commit("2026-11-01T12:00:00Z", endolaser="1")
    repository.git("switch", "-q", "-c", "raised")
    repository.commit("2026-11-02T12:00:00Z", endolaser="2")
    repository.commit("2026-11-03T12:00:00Z", consent="1")
    repository.git("switch", "-q", "main")
    repository.git("merge", "-q", "--no-ff", "-m", "merge", "raised", at="2026-11-10T12:00:00Z")
    assert lately(repository) == [("2026-11-10", [("technique", "consent", "new"), ("technique", "endolaser", "changed")])]


def test_a_copy_without_history_tells_nothing_and_one_with_some_only_what_it_knows(repository: Repository, tmp_path: Path) -> None:
    repository.commit("2026-11-01T12:00:00Z", endolaser="1", consent="1")
    repository.commit("2026-11-02T12:00:00Z", endolaser="2")
    repository.commit("2026-11-03T12:00:00Z", consent="2")
    for depth, told in ((1, []), (2, [("2026-11-03", [("technique", "consent", "changed")])])):
        repository.git("clone", "-q", "--depth", str(depth), repository.root.as_uri(), str(tmp_path / f"depth{depth}"))
        assert history.lately(tmp_path / f"depth{depth}", UNTIL) == told


def test_without_git_or_a_repository_nothing_is_told(repository: Repository, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert lately(repository) == [], "No commit yet."
    repository.commit("2026-11-01T12:00:00Z", endolaser="1")
    assert history.lately(lay(tmp_path / "plain"), UNTIL) == []
    assert lately(repository) != []
    monkeypatch.setenv("PATH", str(tmp_path))
    assert lately(repository) == []


def test_cards_in_a_folder_of_a_larger_repository_are_found_from_within_a_hook_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outer = Repository(tmp_path / "outer")
    inner = tmp_path / "outer/unit"
    (inner / "cards/techniques").mkdir(parents=True)
    (inner / "cards/techniques/endolaser.yaml").write_text("1", encoding="utf-8")
    outer.commit("2026-11-01T12:00:00Z", elsewhere="1")
    monkeypatch.setenv("GIT_DIR", str(tmp_path / "nowhere"))
    assert history.lately(inner, UNTIL) == [("2026-11-01", [("technique", "endolaser", "new")])]


def home(tmp_path: Path, told: list) -> str:
    return next(p.text for p in compose.pages(build(lay(tmp_path)), lately=told) if p.path == "index.md")


def test_the_first_page_tells_what_changed_day_by_day_in_words(tmp_path: Path) -> None:
    text = home(tmp_path, [
        ("2026-11-20", [("technique", "raised-infusion", "changed"), ("technique", "gone-since", "new"), ("calculator", "window-and-pressure", "new")]),
        ("2026-11-19", [("technique", "gone-since", "changed")]),
        ("2026-11-18", [("pathway", "trapped-blood", "new")]),
    ])
    part = text.split("## Changed lately")[1].split("\n## ")[0]
    assert re.findall(r"<h3><time>(.*?)</time>", part) == ["2026-11-20", "2026-11-18"]
    assert [re.sub(r"<[^>]+>", "", li) for li in re.findall(r"<li.*?</li>", part)] == [
        "changed Raised infusion", "new Window and pressure calculator", "new Blood trapped in front of the macula case"]
    assert re.findall(r'href="(.*?)"', part) == ["techniques/raised-infusion.html", "calculators/window-and-pressure.html", "pathways/trapped-blood.html"]
    assert "<details" not in part


def test_a_long_day_is_folded_under_its_counts(tmp_path: Path) -> None:
    lay(tmp_path)
    for n in range(6):
        write(tmp_path, f"techniques/t{n}.yaml", technique())
    told = [("2026-11-20", [("technique", f"t{n}", "new" if n < 4 else "changed") for n in range(6)])]
    text = next(p.text for p in compose.pages(build(tmp_path), lately=told) if p.path == "index.md")
    summary, rest = text.split("## Changed lately")[1].split("\n## ")[0].split("</summary>")
    assert re.sub(r"<[^>]+>", "", summary.split("<summary>")[1]) == "2026-11-20 4 new, 2 changed"
    assert rest.count("<li ") == 6


def test_with_nothing_to_tell_the_first_page_has_no_such_part(tmp_path: Path) -> None:
    assert "Changed lately" not in home(tmp_path, [])
    shutil.rmtree(tmp_path / "cards")
    assert "Changed lately" not in home(tmp_path, [("2026-11-20", [("technique", "gone-since", "new")])])


def test_the_first_page_counts_what_nobody_has_signed_and_lists_what_is_due(tmp_path: Path) -> None:
    part = home(tmp_path, []).split("## Review")[1].split("\n## ")[0]
    assert re.sub(r"<[^>]+>", "", re.search(r"<summary>(.*?)</summary>", part)[1]) == "Not yet signed off 1 of 2 technique cards"
    assert 'href="techniques/injection-first.html"' in part.split("Signed off")[0]
    assert '<span class="due" data-due="2027-05-20">' in part.split("Signed off")[1]
    assert "<div data-overdue hidden>" in part
