"""What the repository of a new department begins with: the kit of this one, fitted to its shape, and starter cards. Pure.

Two shapes: `own`, with cards of its own, and `layered`, which holds only local/ over the cards that come with the package.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

# Taken over as they are, but for what `files` fits. The workflow files call make and .ci/run, of which a new repository has its own.
KIT = (".editorconfig", ".gitignore", ".gitlab-ci.yml", ".pre-commit-config.yaml", "CODEOWNERS", ".github/pull_request_template.md")
KIT_FOLDERS = (".github/PULL_REQUEST_TEMPLATE", ".github/workflows", ".gitlab/merge_request_templates", ".vscode")
SCHEMAS = ".vscode/schema"


def kit_files(below: Callable[[str], Iterable[str]]) -> list[str]:
    """The paths of the kit in the repository it comes from. below: gives the files of a folder."""
    return [*KIT, *(path for folder in KIT_FOLDERS for path in below(folder))]


def files(name: str, layered: bool, kit: Mapping[str, str], starters: Mapping[str, Mapping[str, str]], version: str) -> dict[str, str]:
    """Path -> text of every file of the repository `name`.

    kit: path -> text of the kit's files, and of the schemas below SCHEMAS. starters: shape -> path -> text, where `dot-` at the
    beginning of a path stands for a dot, {{name}} for the department's name and {{version}} for the package's.
    """
    layer = "local" if layered else "cards"
    made = {path: _fitted(path, text, layer) for path, text in kit.items()}
    words = {"{{name}}": name.replace("-", " ").capitalize(), "{{version}}": version, "{{folder}}": name}
    for shape in ("both", "layered" if layered else "own"):
        for path, text in starters[shape].items():
            for mark, word in words.items():
                text = text.replace(mark, word)
            made["." + path.removeprefix("dot-") if path.startswith("dot-") else path] = text
    return made


def _fitted(path: str, text: str, layer: str) -> str:
    if path == "CODEOWNERS":  # only paths that are there
        return "".join(line for line in text.splitlines(True) if line.startswith(("#", "*", f"/{layer}/", "/CODEOWNERS")) or not line.strip())
    if path == ".vscode/settings.json":
        return text.replace('"./schema/', f'"./{SCHEMAS}/')
    if path == ".gitignore":
        return text.replace("!.vscode/settings.json\n", "!.vscode/settings.json\n!.vscode/schema/\n")
    return text
