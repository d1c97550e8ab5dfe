"""The rendered pages as files for another engine that reads mkdocs.yml, hook or no hook. Pure: texts and bytes in and out.

The folder then holds docs/ (the pages, their data, styles and scripts), theme/ (the site's templates) and mkdocs.yml,
which is the project's own without what needs the hook and with what the hook would have set.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import yaml

from .offline import WORKER

PAGES, TEMPLATES, CONFIG = "docs", "theme", "mkdocs.yml"
# The first line of the configuration, by which a folder of ours is known again.
MARK = "# Written by `cards write-pages`, which writes docs, theme and this file anew each time: change the project instead.\n"
# Of use only with the hook, or beside the cards.
_LEFT_OUT = ("hooks", "watch", "exclude_docs", "edit_uri_template")


def custom_dir(config: str) -> str | None:
    """The folder of templates that a mkdocs.yml names, as it stands there; None if it names none. Raises ValueError."""
    theme = _get(_mapping(config), "theme")
    found = _get(theme, "custom_dir") if isinstance(theme, yaml.MappingNode) else None
    return found.value if isinstance(found, yaml.ScalarNode) else None


def configuration(config: str, name: str, navigation: list[dict[str, str]], copy: Mapping[str, Any]) -> str:
    """The mkdocs.yml of the folder. Raises ValueError if the project's cannot be read.

    config: the text of the project's mkdocs.yml; a tag that is the engine's business (!ENV) stays as it is.
    name: of the department, or "". navigation: title -> path below docs/. copy: what the templates say of this copy
    (see extra.this_copy in site.py).
    """
    top = _mapping(config)
    for key in _LEFT_OUT:
        _remove(top, key)
    _set(top, {**({"site_name": name} if name else {}), "docs_dir": PAGES, "site_dir": "site", "nav": navigation})
    theme = _get(top, "theme")
    if isinstance(theme, yaml.MappingNode):
        # One engine has two looks, and our styles are written for the first; others pass over the key.
        _set(theme, {"custom_dir": TEMPLATES, "variant": "classic"} if _get(theme, "custom_dir") else {"variant": "classic"})
        # The engine knows no card behind a page, so that its link to edit one would lead nowhere.
        features = _get(theme, "features")
        if isinstance(features, yaml.SequenceNode):
            features.value = [f for f in features.value if f.value != "content.action.edit"]
    extra = _get(top, "extra")
    if not isinstance(extra, yaml.MappingNode):
        _set(top, {"extra": {}})
        extra = _get(top, "extra")
    _set(extra, {"this_copy": dict(copy)})
    return MARK + yaml.serialize(top, Dumper=yaml.SafeDumper, allow_unicode=True, width=120)


def files(config: str, pages: Iterable[tuple[str, str]], overrides: Mapping[str, bytes]) -> dict[str, bytes]:
    """Every file of the folder: path below it -> content.

    config: see `configuration`. pages: (path, text). overrides: path below the folder of templates -> content; what is
    a template or one of its drawings goes to theme/, what is a file of the site to docs/, and what lists the finished
    site's files is left out.
    """
    made = {CONFIG: config.encode()}
    for path, content in overrides.items():
        if path != WORKER:
            made[f"{TEMPLATES if path.endswith('.html') or path.startswith('.') else PAGES}/{path}"] = content
    return made | {f"{PAGES}/{path}": text.encode() for path, text in pages}


# --- YAML as it is written: nodes, so that no tag is followed ---------------------------------------------------------


def _mapping(text: str) -> yaml.MappingNode:
    try:
        top = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        raise ValueError(f"mkdocs.yml cannot be read: {error}") from error
    if not isinstance(top, yaml.MappingNode):
        raise ValueError("mkdocs.yml holds no settings.")
    return top


def _get(mapping: yaml.Node | None, key: str) -> yaml.Node | None:
    return next((v for k, v in mapping.value if k.value == key), None) if isinstance(mapping, yaml.MappingNode) else None


def _remove(mapping: yaml.MappingNode, key: str) -> None:
    mapping.value = [(k, v) for k, v in mapping.value if k.value != key]


def _set(mapping: yaml.MappingNode, values: Mapping[str, Any]) -> None:
    """Each in the place of what was there, or at the end."""
    for key, value in values.items():
        made = yaml.representer.SafeRepresenter(default_flow_style=False, sort_keys=False).represent_data({key: value}).value[0]
        if _get(mapping, key) is None:
            mapping.value = [*mapping.value, made]
        else:
            mapping.value = [made if k.value == key else (k, v) for k, v in mapping.value]
