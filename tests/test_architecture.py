"""The shape of the builder, as design.md draws it: who may import whom, and what no module may do."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator

import pytest
from fixtures import PROJECT

BUILDER = PROJECT / "builder"
MODULES = {
    ".".join(f.relative_to(BUILDER).with_suffix("").parts).removesuffix(".__init__"): ast.parse(f.read_text(encoding="utf-8"))
    for f in sorted(BUILDER.rglob("*.py"))
}
STAGES = {"read", "validate", "rules", "link", "calculate"}
SHARED = {"model", "problems", "units", "formula", "text"}
CALCULATE = {f"calculate.{part}" for part in ("dates", "ready", "making", "running", "examples")}

# What each module may import of the builder. A new module must be put here with its reason.
MAY_IMPORT: dict[str, set[str]] = {
    "model": set(),
    "problems": set(),
    "text": set(),
    "units": {"text"},
    "formula": {"text", "units"},
    **{stage: SHARED for stage in STAGES},
    # One stage in parts, each of which builds on those above it.
    "calculate.dates": set(),
    "calculate.ready": {"model", "formula"},
    "calculate.making": SHARED | {"calculate.dates", "calculate.ready"},
    "calculate.running": SHARED | {"calculate.dates", "calculate.ready"},
    "calculate.examples": SHARED | {"calculate.dates", "calculate.ready", "calculate.running"},
    "calculate": SHARED | CALCULATE,
    # Records with every link followed are what it draws: it takes link's dataclasses, and nothing that runs.
    "references": {"model"},
    # Sentences go into the data in the words of the pages, so it reads them as a page does.
    "opendata": {"model", "text", "units", "link", "signoff", "versions", "render.prose"},
    "signoff": {"model", "problems", "versions"},  # a sign-off is bound to the digest of the wording
    "versions": {"model", "text"},  # sheets, sign-off and what-changed all name a card by the same digest
    "changes": {"model", "text", "units", "versions", "signoff", "calculate"},  # takes calculate's record of a typical case, and says which sign-off no longer holds
    "changelog": {"changes"},  # draws its reports as a page and a feed
    "ledger": {"model", "link"},  # counts linked statements; pages and the command line both show it
    "render": {"render.pages"},
    "render.pages": {"model", "text", "units", "link", "ledger", "signoff", "versions", "render.axis", "render.brief", "render.fields", "render.lists", "render.questions", "render.searching", "render.prose", "render.calculator"},
    "render.axis": {"model", "units"},
    "render.lists": {"model", "link", "render.prose"},
    "render.fields": set(),  # schemas and plain data in, records out
    "render.brief": {"model", "text", "formula", "link", "signoff", "versions", "render.prose"},
    "render.questions": {"model", "link", "render.prose"},  # what the self-test asks, as pieces that a script can build
    "render.searching": {"model", "text", "units", "link", "render.prose"},
    "render.prose": {"model", "text", "units", "link"},
    "render.calculator": {"model", "text", "units", "formula"},
    "starter": {"model"},
    "repository": set(),  # texts in, texts out
    "local": {"model", "problems", "units"},  # a stage between validate and link that only a department with a local/ needs
    "formatting": {"model", "problems", "read"},  # a layout counts only if the card still reads the same
    "export": set(),  # takes plain values: what stands in a file is chosen where the file is asked for
    "when": {"problems"},
    "history": set(),  # plain data in, plain data out
    "offline": set(),  # plain data in, text out
    "carried": set(),  # text in, text out
    "hosting": set(),  # plain data in, text out
    "placing": set(),  # moves folders, and knows nothing of what is in them
    "bundle": {"offline", "hosting", "placing"},  # leaves out the files that the worker leaves out; has checksums of its own
    "compose": STAGES | SHARED | {"changes", "changelog", "local", "opendata", "references", "render", "signoff", "versions"},
    # The command line names the forms, folders and kinds that its options offer, and runs a calculator.
    "cli": SHARED | {"changes", "history", "compose", "bundle", "calculate", "export", "formatting", "when", "ledger", "local", "repository", "signoff", "starter", "read", "serving", "site", "writeout", "__init__"},
    "writeout": {"offline"},  # leaves out the worker, which lists the files of a finished site
    "serving": {"site"},  # asks the hook for what it loaded
    "site": set(),  # loads compose and the rest by name, so that a running server can load them afresh
    "__main__": {"cli"},
    "__init__": set(),
}


def imports(tree: ast.Module) -> Iterator[tuple[str, list[str], ast.stmt]]:
    """(module as written, names, statement) of every import; inside the package the module begins with a dot."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, [], node
        elif isinstance(node, ast.ImportFrom):
            yield "." * node.level + (node.module or ""), [a.name for a in node.names], node


def of_builder(name: str) -> set[str]:
    """The builder's own modules that a module imports, by their names inside the package."""
    package = [*name.split(".")] if (BUILDER / name.replace(".", "/")).is_dir() else name.split(".")[:-1]
    found: set[str] = set()
    for module, names, statement in imports(MODULES[name]):
        if not module.startswith("."):
            assert module.split(".")[0] != "builder", f"{name}, line {statement.lineno}: inside the package, imports are relative."
            continue
        level = len(module) - len(module.lstrip("."))
        base = [*package[: len(package) - (level - 1)], *filter(None, [module.lstrip(".")])]
        if module.lstrip("."):
            found.add(".".join(base))
        else:  # from . import x: a module, or a name of the package itself
            found |= {m if m in MODULES else ".".join(base) or "__init__" for m in (".".join([*base, n]) for n in names)}
    return found


def top_level(tree: ast.Module) -> set[str]:
    return {m.split(".")[0] for m, _, _ in imports(tree) if not m.startswith(".")}


def test_every_module_has_its_place_in_the_design() -> None:
    assert set(MODULES) == set(MAY_IMPORT), "Say in MAY_IMPORT what a new module may import, and why it exists in design.md."


@pytest.mark.parametrize("name", sorted(MODULES))
def test_a_module_imports_only_what_the_design_lets_it(name: str) -> None:
    assert of_builder(name) - MAY_IMPORT[name] == set()


def test_model_problems_and_text_need_nothing_but_the_standard_library() -> None:
    for name in ("model", "problems", "text"):
        assert top_level(MODULES[name]) <= set(sys.stdlib_module_names)


def test_stages_never_import_each_other() -> None:
    for stage in STAGES:
        assert of_builder(stage) & STAGES == set()


def test_render_takes_from_link_only_its_records() -> None:
    from dataclasses import is_dataclass

    from builder import link

    for name in ("render.pages", "render.prose", "render.calculator", "render.searching"):
        for module, names, _ in imports(MODULES[name]):
            if module.lstrip(".") == "link":
                assert all(is_dataclass(getattr(link, n)) for n in names)


def test_only_the_command_line_the_hook_and_compose_run_the_stages() -> None:
    for name, tree in MODULES.items():
        if name not in ("cli", "site", "serving", "compose"):
            assert "compose" not in of_builder(name), name
            assert not any(isinstance(n, ast.Constant) and n.value == "compose" for n in ast.walk(tree)), name


def test_only_the_command_line_writes_files_in_open_formats() -> None:
    assert {name for name in MODULES if "export" in of_builder(name)} == {"cli"}
    assert top_level(MODULES["export"]) <= set(sys.stdlib_module_names)


def test_only_the_hook_and_the_server_import_mkdocs() -> None:
    """The command line may name MkDocs's own exception, inside the function that has just run the hook."""
    for name, tree in MODULES.items():
        for module, names, statement in imports(tree):
            if module.split(".")[0] == "mkdocs" and name not in ("site", "serving"):
                assert name == "cli" and (module, names) == ("mkdocs.exceptions", ["MkDocsException"]), f"{name}, line {statement.lineno}"
                assert statement not in tree.body, "Only inside a function: `cards check` must not wait for MkDocs."


def test_pint_and_yaml_and_jsonschema_each_have_one_home() -> None:
    homes = {"pint": {"units"}, "jsonschema": {"validate"}, "yaml": {"read", "starter", "formatting", "writeout"}, "jinja2": {"render.pages"}, "click": {"cli"}}
    for package, home in homes.items():
        assert {n for n, tree in MODULES.items() if package in top_level(tree)} == home, package


# --- state --------------------------------------------------------------------------------------------------------

# MkDocs imports its hook once and gives it no place of its own for what must outlive one build of a running server.
STATE = {("site", "_session")}
# Tables written once and never changed; a name in capitals is a promise, kept by the test below.
MUTABLE = (ast.List, ast.Dict, ast.Set, ast.ListComp, ast.DictComp, ast.SetComp)


def assigned(tree: ast.Module) -> Iterator[tuple[str, ast.expr]]:
    for node in tree.body:
        if isinstance(node, ast.Assign):
            for target in node.targets:
                for name in ast.walk(target):
                    if isinstance(name, ast.Name):
                        yield name.id, node.value
        elif isinstance(node, ast.AnnAssign) and node.value is not None and isinstance(node.target, ast.Name):
            yield node.target.id, node.value


@pytest.mark.parametrize("name", sorted(MODULES))
def test_a_module_keeps_no_state(name: str) -> None:
    """Module-level lists, dicts and sets are constants in capitals, and no function changes, rebinds or caches one."""
    tree = MODULES[name]
    tables = set()
    for target, value in assigned(tree):
        if (name, target) in STATE or target == "__all__":
            continue
        if isinstance(value, MUTABLE):
            assert target.isupper() or target.strip("_").isupper(), f"{name}.{target} looks like a variable."
            tables.add(target)
    changing = {"append", "extend", "insert", "add", "update", "setdefault", "pop", "popitem", "clear", "remove", "discard", "sort"}
    for node in ast.walk(tree):
        assert not isinstance(node, ast.Global), f"{name}, line {getattr(node, 'lineno', 0)}: no function rebinds a module's name."
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
            assert not (node.func.value.id in tables and node.func.attr in changing), f"{name}, line {node.lineno}"
        if isinstance(node, (ast.Assign, ast.AugAssign, ast.Delete)):
            for target in node.targets if isinstance(node, (ast.Assign, ast.Delete)) else [node.target]:
                if isinstance(target, ast.Subscript) and isinstance(target.value, ast.Name):
                    assert target.value.id not in tables, f"{name}, line {node.lineno}"
    # A cache on a function at module level would outlive a run; inside a function it ends with it.
    for node in tree.body:
        for decorator in getattr(node, "decorator_list", ()):
            assert "cache" not in ast.unparse(decorator), f"{name}, line {node.lineno}: a cache is state."


def test_the_one_session_is_where_it_is_said_to_be() -> None:
    for module, target in STATE:
        assert target in {n for n, _ in assigned(MODULES[module])}, "Take it off the list."


@pytest.mark.parametrize("name", sorted(MODULES))
def test_importing_a_module_does_nothing(name: str) -> None:
    """Only definitions, constants and imports stand at module level."""
    for node in MODULES[name].body:
        allowed = isinstance(node, (ast.Import, ast.ImportFrom, ast.FunctionDef, ast.ClassDef, ast.Assign, ast.AnnAssign))
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        main = name == "__main__" and isinstance(node, ast.If)
        # MkDocs runs the hook as a file outside its package; it finds the package beside itself.
        hook = name == "site" and isinstance(node, ast.If) and "sys.path" in ast.unparse(node)
        assert allowed or docstring or main or hook, f"{name}, line {node.lineno}: {ast.unparse(node)[:60]}"


# --- what no module may do ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(MODULES))
def test_nothing_is_evaluated_and_nothing_prints_outside_the_command_line(name: str) -> None:
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in ("eval", "exec", "compile", "__import__", "os.system", "pickle.loads", "yaml.load", "yaml.unsafe_load"), f"{name}, line {node.lineno}"
            assert name == "history" or not called.startswith("subprocess."), f"{name}, line {node.lineno}: only history runs git."
            if name != "cli":
                assert called not in ("print", "click.echo", "sys.stdout.write", "sys.stderr.write", "sys.exit", "exit"), f"{name}, line {node.lineno}"


PURE = ("when", "signoff", "versions", "offline", "hosting", "model", "problems", "text", "units", "formula", "validate", "rules", "link", "calculate", *sorted(CALCULATE), "changes", "changelog", "export", "opendata", "starter", "local", "repository", "render.pages", "render.prose", "render.calculator", "render.searching", "render.fields", "formatting", "writeout")


@pytest.mark.parametrize("name", PURE)
def test_a_pure_module_touches_no_disk_clock_or_environment(name: str) -> None:
    assert top_level(MODULES[name]) & {"os", "pathlib", "shutil", "tempfile", "time", "random", "subprocess", "socket", "urllib", "logging"} == set()
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.Call):
            assert ast.unparse(node.func) not in ("open", "date.today", "datetime.now", "datetime.date.today", "input"), f"{name}, line {node.lineno}"


def test_the_builder_asks_nothing_of_the_network() -> None:
    for name, tree in MODULES.items():
        assert top_level(tree) & {"urllib", "http", "socket", "requests", "httpx", "ssl", "ftplib"} == set(), name


# --- the command line starts quickly --------------------------------------------------------------------------------

_MEASURE = """
import json, sys, time
start = time.process_time()
import builder.cli
print(json.dumps({"seconds": time.process_time() - start, "loaded": sorted(m for m in sys.modules if "." not in m)}))
"""


def _import_cli() -> dict:
    done = subprocess.run([sys.executable, "-c", _MEASURE], cwd=PROJECT, capture_output=True, text=True, check=True, timeout=60)
    return json.loads(done.stdout)


def test_the_command_line_starts_without_mkdocs_and_quickly() -> None:
    measured = [_import_cli() for _ in range(3)]
    assert "mkdocs" not in measured[0]["loaded"]
    assert "jinja2" not in measured[0]["loaded"], "Templates are needed only for a site."
    # Processor time of the best of three, so that a busy machine does not fail the test.
    assert min(m["seconds"] for m in measured) < 0.5


def test_importing_the_package_by_itself_loads_none_of_its_modules() -> None:
    code = "import sys, builder; print([m for m in sys.modules if m.startswith('builder.')])"
    done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


def test_every_module_says_at_its_top_why_it_exists() -> None:
    for name, tree in MODULES.items():
        assert ast.get_docstring(tree), f"builder/{name}.py has no docstring."


def test_every_public_function_and_class_is_described() -> None:
    bare = []
    for name, tree in MODULES.items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_") and ast.get_docstring(node) is None:
                # A dataclass that only holds fields says in its fields what it is.
                if not any("dataclass" in ast.unparse(d) for d in node.decorator_list):
                    bare.append(f"{name}.{node.name}")
    assert bare == []


def test_packages_are_listed_for_the_wheel() -> None:
    import tomllib

    listed = set(tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"])
    there = {"builder" if p == BUILDER else "builder." + ".".join(p.relative_to(BUILDER).parts) for p in (f.parent for f in BUILDER.rglob("__init__.py"))}
    assert there <= listed, "Add the new subpackage to [tool.setuptools] in pyproject.toml."


def test_no_module_is_left_over() -> None:
    """Every module is reached from the command line or from the hook, which loads the stages by name."""
    reached, todo = set(), ["__main__", "site", "carried", "compose", "render", "history", "hosting", "offline", "placing", "when"]
    while todo:
        name = todo.pop()
        if name not in reached:
            reached.add(name)
            todo += of_builder(name)
    assert set(MODULES) - reached == set()
