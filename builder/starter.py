"""A commented starter file for a new card, written from its schema so that the two never differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from textwrap import wrap
from typing import Any

import yaml

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*\Z")


def is_id(text: str) -> bool:
    return len(text) <= 80 and bool(_ID.match(text))


def starter(kind: str, schemas: Iterable[Mapping[str, Any]]) -> str:
    """The starter file of a kind: required keys with words to replace, optional keys as comments."""
    by_id = {s["$id"]: s for s in schemas}
    schema = by_id[f"{kind}.schema.json"]
    up = "../" if kind in ("glossary", "department") else "../../"
    lines = [f"# yaml-language-server: $schema={up}schema/{kind}.schema.json", f"# {schema['description']}",
             "# Replace every word below; keys after '#' are optional.", ""]
    required = schema.get("required", [])
    for name, sub in schema["properties"].items():
        if name == "id":
            continue
        full = _resolve(sub, by_id)
        lines += [f"# {line}" for line in wrap(sub.get("description") or full.get("description", ""), 100)]
        written = yaml.safe_dump({name: _example(full, by_id, name)}, sort_keys=False, allow_unicode=True, width=100).rstrip().splitlines()
        lines += written if name in required else [f"# {line}" for line in written]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _resolve(schema: Mapping[str, Any], by_id: Mapping[str, Any], base: str = "common.schema.json") -> Mapping[str, Any]:
    reference = schema.get("$ref")
    if not reference:
        return schema
    file, _, pointer = reference.partition("#")
    target: Any = by_id[file or base]
    for part in pointer.strip("/").split("/"):
        target = target[part]
    # What stands beside the reference (its own description, an example) goes before what it refers to.
    return {**_resolve(target, by_id, file or base), **{k: v for k, v in schema.items() if k != "$ref"}}


def _example(schema: Mapping[str, Any], by_id: Mapping[str, Any], name: str) -> Any:
    schema = _resolve(schema, by_id)
    if "examples" in schema:
        return schema["examples"][0]
    if "enum" in schema:
        return schema["enum"][0]
    kind = schema.get("type")
    if isinstance(kind, list):
        kind = "string" if "string" in kind else kind[0]
    match kind:
        case "object":
            if "properties" not in schema:
                return {"name": _example(schema["additionalProperties"], by_id, name)}
            wanted = schema.get("required", [])
            return {k: _example(v, by_id, k) for k, v in schema["properties"].items() if k in wanted}
        case "array":
            return [_example(schema["items"], by_id, name)]
        case "number" | "integer":
            return schema.get("minimum", 1)
        case "boolean":
            return True
    return f"Write the {name.replace('_', ' ')} here."
