"""The pull-request kit: workflow files, owners, templates, hooks, editor settings and the field reference say what is so."""

from __future__ import annotations

import fnmatch
import itertools
import json
import os
import re
import shlex
from collections.abc import Iterator
from typing import Any

import click
import pytest
import yaml
from fixtures import PROJECT, build, lay
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from builder import compose
from builder.cli import main
from builder.read import FOLDERS, SINGLES
from builder.render import fields

GITHUB = sorted((PROJECT / ".github/workflows").glob("*.yml"))
GITLAB = PROJECT / ".gitlab-ci.yml"
HOOKS = PROJECT / ".pre-commit-config.yaml"
FORGE_FILES = [*GITHUB, GITLAB, HOOKS]
KINDS = {**FOLDERS, **SINGLES["local"], **SINGLES["cards"]}
SCHEMAS = {s["$id"]: s for s in compose.load_schemas(PROJECT)}


def loaded(path) -> Any:
    # The base loader keeps `on` a word.
    return yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)


def jobs(path) -> dict[str, dict]:
    data = loaded(path)
    return data["jobs"] if "jobs" in data else {k: v for k, v in data.items() if isinstance(v, dict) and "script" in v}


def scripts(path) -> list[str]:
    """Every shell line that a file of a forge or of the hooks runs."""
    if path == HOOKS:
        return [h["entry"] for r in loaded(path)["repos"] for h in r["hooks"]]
    runs = [s["run"] for j in jobs(path).values() for s in j.get("steps", ()) if "run" in s]
    return [line.strip() for text in [*runs, *(x for j in jobs(path).values() for x in j.get("script", ()))] for line in text.split("\n")]


def called(path, program: str) -> list[list[str]]:
    """The arguments of every call of a program, up to what belongs to the shell."""
    found = []
    for line in scripts(path):
        for part in map(str.strip, re.split(r"[;|]", line)):
            if (part + " ").startswith(program + " "):
                words = shlex.split(part)
                found.append(list(itertools.takewhile(lambda w: not w.startswith(">"), words[1:])))
    return found


# --- what the forges run ----------------------------------------------------------------------------------------------


def test_both_forges_check_preview_report_and_list_what_is_due() -> None:
    for files in (GITHUB, [GITLAB]):
        names = {c[0] for f in files for c in called(f, ".venv/bin/cards")}
        assert {"check", "format", "build", "changes", "due"} <= names
        assert any(called(f, ".ci/run") == [[]] for f in files)
    assert {c[0] for c in called(HOOKS, ".venv/bin/cards")} == {"check", "format"}


@pytest.mark.parametrize("path", FORGE_FILES, ids=lambda p: p.name)
def test_every_command_that_is_called_exists_with_these_options(path) -> None:
    calls = called(path, ".venv/bin/cards")
    assert calls
    for name, *arguments in calls:
        command = main.commands[name]
        command.make_parser(click.Context(command)).parse_args(list(arguments))  # raises on an option that is none
        for option in (p for p in command.params if isinstance(p.type, click.Choice)):
            for given, value in zip(arguments, arguments[1:]):
                if given in option.opts:
                    assert value in option.type.choices, (path.name, name, value)
    # Any other mention of the command would have escaped the look above.
    assert len(calls) == sum(len(re.findall(r"\bbin/cards\b", line)) for line in scripts(path))


@pytest.mark.parametrize("path", FORGE_FILES, ids=lambda p: p.name)
def test_every_target_of_make_that_is_called_exists(path) -> None:
    targets = set(re.findall(r"^\.PHONY: (.*)$", (PROJECT / "Makefile").read_text(encoding="utf-8"), re.M)[0].split())
    for words in called(path, "make"):
        assert words and set(words) <= targets, path.name


def test_the_script_of_the_forge_can_be_run() -> None:
    assert os.access(PROJECT / ".ci/run", os.X_OK)


def test_what_a_command_finds_is_not_lost_in_a_pipe() -> None:
    """A pipe gives the exit code of its last part, so that a due list or a failed check would pass."""
    for path in FORGE_FILES:
        for line in scripts(path):
            assert not re.search(r"bin/cards[^|]*\|(?!\|)", line), (path.name, line)


def test_actions_are_named_by_commit_and_only_the_comment_may_write() -> None:
    seen = 0
    for path in GITHUB:
        assert loaded(path)["permissions"] == {"contents": "read"}, path.name
        assert "pull_request_target" not in loaded(path)["on"]  # it would run a stranger's code with our rights
        for name, job in jobs(path).items():
            for step in job["steps"]:
                if "uses" in step:
                    seen += 1
                    assert re.fullmatch(r"actions/[a-z-]+@[0-9a-f]{40}", step["uses"]), step["uses"]
                    if step["uses"].startswith("actions/checkout"):
                        assert step["with"]["persist-credentials"] == "false"
            if "permissions" in job:
                assert name == "comment" and job["permissions"] == {"pull-requests": "write"}
                assert all("uses" not in s and "cards" not in s["run"] and "make" not in s["run"] for s in job["steps"])
    assert seen


def test_nothing_of_a_title_or_branch_is_pasted_into_a_shell_line() -> None:
    """An expression inside a script is replaced before the shell reads it: a name could then hold a command."""
    for path in GITHUB:
        assert not [line for line in scripts(path) if "${{" in line], path.name


def test_the_report_and_the_changed_lately_list_have_the_history_they_need() -> None:
    for path in GITHUB:
        for name, job in jobs(path).items():
            if any(word in str(job) for word in ("cards changes", "cards build", ".ci/run")):
                depth = [s["with"].get("fetch-depth") for s in job["steps"] if s.get("uses", "").startswith("actions/checkout")]
                assert depth == ["0"], (path.name, name)
    assert loaded(GITLAB)["variables"]["GIT_DEPTH"] == "0"


def test_the_job_that_holds_a_token_runs_nothing_of_the_change() -> None:
    job = loaded(GITLAB)["comment"]
    assert job["variables"]["GIT_STRATEGY"] == "none"
    assert [name for name, j in jobs(GITLAB).items() if "REPORT_TOKEN" in str(j)] == ["comment"]
    assert set(jobs(GITLAB)) <= {"cards", "tests", "preview", "changes", "comment", "due"}
    assert {j["stage"] for j in jobs(GITLAB).values()} <= set(loaded(GITLAB)["stages"])


def test_a_schedule_runs_the_due_list() -> None:
    assert any("schedule" in loaded(p)["on"] and called(p, ".venv/bin/cards") == [["due"]] for p in GITHUB)
    assert [r["if"] for r in loaded(GITLAB)["due"]["rules"]] == ['$CI_PIPELINE_SOURCE == "schedule"']


def test_the_hooks_fetch_nothing_and_fit_the_cards() -> None:
    data = loaded(HOOKS)
    assert [r["repo"] for r in data["repos"]] == ["local"]
    for hook in data["repos"][0]["hooks"]:
        assert hook["language"] == "system"
        assert all(re.search(hook["files"], f"{layer}/techniques/haemostasis.yaml") for layer in SINGLES)
        assert not re.search(hook["files"], "README.md")


# --- who looks, and what is asked -------------------------------------------------------------------------------------


def test_every_kind_of_card_has_owners_and_they_are_roles() -> None:
    rules: dict[str, list[str]] = {}
    for line in (PROJECT / "CODEOWNERS").read_text(encoding="utf-8").splitlines():
        if line.strip() and not line.startswith("#"):
            path, *owners = line.split()
            rules[path] = owners
    explained = "\n".join(x for x in (PROJECT / "CODEOWNERS").read_text(encoding="utf-8").splitlines() if x.startswith("#"))
    for path, owners in rules.items():
        assert owners and all(re.fullmatch(r"@department/[a-z-]+", o) for o in owners), path
        assert all(re.search(rf"^#   {o.partition('/')[2]} ", explained, re.M) for o in owners), f"Say at the top what the group of {path} is."
        # local/ is another department's: there is none here.
        assert path == "*" or (PROJECT / path.strip("/")).exists() or path.startswith("/local/"), path
    assert {f"/cards/{f}/" for f in FOLDERS} | {f"/cards/{f}" for f in SINGLES["cards"]} <= set(rules)
    assert {p.removeprefix("/local/").strip("/") for p in rules if p.startswith("/local/")} <= {"", *FOLDERS, *SINGLES["local"]}


def test_both_forges_have_the_same_templates_and_every_kind_has_one() -> None:
    one = {p.name: p.read_text(encoding="utf-8") for p in (PROJECT / ".github/PULL_REQUEST_TEMPLATE").glob("*.md")}
    one["Default.md"] = (PROJECT / ".github/pull_request_template.md").read_text(encoding="utf-8")
    other = {p.name: p.read_text(encoding="utf-8") for p in (PROJECT / ".gitlab/merge_request_templates").glob("*.md")}
    assert one == other, "Copy the one that is right over the other."
    assert {"technique.md", "pathway.md", "calculator.md", "source.md", "page.md"} <= set(one)
    for name, text in one.items():
        assert "- [ ]" in text, name
    for name in ("technique.md", "pathway.md", "calculator.md", "Default.md"):
        assert "What changes for a patient" in one[name]


# --- the editor --------------------------------------------------------------------------------------------------------


def test_every_folder_of_cards_is_bound_to_its_schema() -> None:
    bound = json.loads((PROJECT / ".vscode/settings.json").read_text(encoding="utf-8"))["yaml.schemas"]
    for schema in bound:
        assert (PROJECT / schema).is_file(), schema
    for layer, place, kind in [(layer, place, kind) for layer, singles in SINGLES.items() for place, kind in {**FOLDERS, **singles}.items()]:
        file = f"{layer}/{place}/x.yaml" if place in FOLDERS else f"{layer}/{place}"
        assert [s for s, patterns in bound.items() if any(fnmatch.fnmatch(file, p) for p in ([patterns] if isinstance(patterns, str) else patterns))] == [f"./schema/{kind}.schema.json"], file


def test_the_editor_asks_no_other_host_for_schemas() -> None:
    settings = json.loads((PROJECT / ".vscode/settings.json").read_text(encoding="utf-8"))
    assert settings["yaml.schemaStore.enable"] is False and settings["yaml.format.enable"] is False
    assert json.loads((PROJECT / ".vscode/extensions.json").read_text(encoding="utf-8"))["recommendations"]


def test_git_keeps_the_editor_s_files() -> None:
    ignored = (PROJECT / ".gitignore").read_text(encoding="utf-8").splitlines()
    for file in (PROJECT / ".vscode").iterdir():
        assert f"!.vscode/{file.name}" in ignored, f"Let .vscode/{file.name} through in .gitignore."


SNIPPETS = json.loads((PROJECT / ".vscode/cards.code-snippets").read_text(encoding="utf-8"))
# Where a snippet is put: the keys above it in a technique card.
PLACE = {"step": ["steps"], "quantity": ["quantities"], "range": ["quantities"], "claim": ["cautions"], "decision": ["decisions"],
         "pitfall": ["pitfalls"], "question": ["questions"], "citation": ["cautions", 0], "reported": ["quantities", "infusion", "reported"]}


def filled(body: list[str]) -> list[str]:
    """The texts a snippet gives when every field is left as it is, one for each choice it offers."""
    text = "\n".join(body)
    text = re.sub(r"\$\{\d+:([^}]*)\}", r"\1", text)
    choices = [m[1].split(",") for m in re.finditer(r"\$\{\d+\|([^|]*)\|\}", text)]
    texts = []
    for chosen in itertools.product(*choices):
        left = iter(chosen)
        texts.append(re.sub(r"\$\{\d+\|[^|]*\|\}", lambda _: next(left), text))
    return texts


def validator() -> Draft202012Validator:
    registry = Registry().with_resources((id, Resource.from_contents(s)) for id, s in SCHEMAS.items())
    return Draft202012Validator(SCHEMAS["technique.schema.json"], registry=registry)


def test_the_snippets_are_those_that_are_asked_for() -> None:
    assert {s["prefix"] for s in SNIPPETS.values()} == set(PLACE)
    assert all(s["scope"] == "yaml" for s in SNIPPETS.values())


@pytest.mark.parametrize("name", SNIPPETS)
def test_a_snippet_left_as_it_is_fits_the_schema(name: str) -> None:
    prefix = SNIPPETS[name]["prefix"]
    for text in filled(SNIPPETS[name]["body"]):
        assert "$" not in text
        card: Any = {"title": "A", "stage": "laser", "summary": "A.", "review": {"owner": "a", "every_months": 12},
                     "steps": [{"do": "A.", "why": "A.", "endpoint": "A.", "basis": "common practice"}],
                     "cautions": [{"text": "A.", "basis": "common practice"}], "questions": [{"ask": "A?", "answer": "A.", "basis": "common practice"}],
                     "quantities": {"infusion": {"label": "A", "value": 1, "unit": "mm", "basis": "common practice"}}}
        assert not list(validator().iter_errors(card)), "The card round the snippet must be sound."
        *above, last = PLACE[prefix]
        place = card
        for key in above:
            place = place[key]
        given = yaml.safe_load(text)
        place[last] = {**place[last], **given} if isinstance(given, dict) else given
        assert [e.message for e in validator().iter_errors(card)] == [], name


# --- the field reference -----------------------------------------------------------------------------------------------


def declared(schema: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], bool]]:
    """(path, required) of every field that stands in a schema itself; what a reference leads to is left to it."""
    if not isinstance(schema, dict):
        return
    for name, sub in schema.get("properties", {}).items():
        yield (*path, name), name in schema.get("required", ())
        yield from declared(sub, (*path, name))
    yield from declared(schema.get("items"), path)
    yield from declared(schema.get("additionalProperties"), (*path, "KEY"))
    yield from declared(schema.get("else"), path)


def test_the_reference_lists_every_field_of_every_schema() -> None:
    listed = {s.id: {f.path: f for f in s.fields} for s in fields.sections(SCHEMAS.values(), {}, {})}
    wanted = {id.removesuffix(".schema.json"): s for id, s in SCHEMAS.items() if "properties" in s}
    wanted |= {name: part for name, part in SCHEMAS["common.schema.json"]["$defs"].items() if "properties" in part}
    assert len(wanted) > 10 and set(wanted) <= set(listed)
    for id, schema in wanted.items():
        for path, required in declared(schema):
            assert path in listed[id], f"{id}: {' › '.join(path)} is not in the reference."
            assert listed[id][path].required == required, (id, path)
            assert listed[id][path].about and listed[id][path].allowed, (id, path)
    # What a schema defines for itself stands wherever it is used.
    for path, _ in declared(SCHEMAS["calculator.schema.json"]["$defs"]["constant"]):
        assert ("constants", "KEY", *path) in listed["calculator"]


def test_a_field_that_is_new_in_a_schema_is_in_the_reference_at_once() -> None:
    changed = json.loads(json.dumps(list(SCHEMAS.values())))
    technique = next(s for s in changed if s["$id"] == "technique.schema.json")
    technique["properties"]["steps"]["items"]["properties"]["watch"] = {"type": "integer", "minimum": 1, "maximum": 5, "description": "What to watch."}
    found = next(s for s in fields.sections(changed, {}, {}) if s.id == "technique")
    assert fields.Field(("steps", "watch"), "What to watch.", False, ("whole number", "from 1 to 5"), "", None) in found.fields


def test_the_reference_says_what_a_field_may_hold_and_shows_one() -> None:
    found = {(s.id, f.path): f for s in fields.sections(SCHEMAS.values(), {"technique": [{"title": "A title", "stage": "laser"}]}, {}) for f in s.fields}
    assert found["technique", ("title",)].example == "A title"
    stage = found["technique", ("stage",)]
    assert stage.required and stage.example == "laser" and "one of: preparation, access," in stage.allowed[1]
    assert "from 1 to 60" in found["review", ("every_months",)].allowed
    assert found["technique", ("quantities", "KEY")].part == ("quantity", "Quantity")
    assert "at least one of: value, low, high" in found["technique", ("quantities", "KEY")].allowed
    assert "where kind is choice: choices" in found["calculator", ("inputs", "KEY")].allowed
    assert found["department", ("stale_after_days",)].allowed[-1] == "30 where nothing is said"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    built = build(lay(tmp_path_factory.mktemp("kit")))
    assert built.problems == []
    return {p.path: p.text for p in compose.pages(built)}


def test_the_page_of_fields_is_linked_from_the_home_page_and_its_links_lead_somewhere(pages: dict[str, str]) -> None:
    assert 'href="fields.html"' in pages["index.md"]
    page = pages["fields.md"]
    ids = {*re.findall(r'\bid="([^"]+)"', page), *re.findall(r"\{ #(\S+) \}", page)}
    assert set(re.findall(r'href="#([^"]+)"', page)) <= ids
    assert len(re.findall(r'\bid="', page)) == len(set(re.findall(r'\bid="([^"]+)"', page)))
    for kind in {*FOLDERS.values(), *(k for singles in SINGLES.values() for k in singles.values())}:
        assert kind in ids
    assert "cards/techniques/ID.yaml" in page and "<code>steps › do</code>" in page


def test_the_guide_leads_to_the_kit() -> None:
    guide = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in ("fields.html", "CODEOWNERS", ".pre-commit-config.yaml", ".vscode/", ".gitlab-ci.yml", ".github/workflows/", "cards format", "cards changes", "cards due"):
        assert name in guide, name
