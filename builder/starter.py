"""A commented starter file for a new card, written from its schema so that the two never differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from textwrap import wrap
from typing import Any

import yaml

from .model import LOCAL_KINDS, PLACEHOLDER, RESERVED_IDS

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*\Z")


def is_id(text: str) -> bool:
    return len(text) <= 80 and bool(_ID.match(text)) and text not in RESERVED_IDS


def starter(kind: str, schemas: Iterable[Mapping[str, Any]], folder: str = "schema") -> str:
    """The starter file of a kind: required keys with words to replace, optional keys as comments.

    Where no key is required the first stands as well, for an empty file is none. folder: where the editor finds the schemas.
    """
    by_id = {s["$id"]: s for s in schemas}
    schema = by_id[f"{kind}.schema.json"]
    up = "../" if kind in ("glossary", "department", *LOCAL_KINDS) else "../../"
    lines = [f"# yaml-language-server: $schema={up}{folder}/{kind}.schema.json", f"# {schema['title']}: replace the words below; a key behind '#' is optional.", ""]
    required = schema.get("required") or list(schema["properties"])[:1]
    for name, sub in schema["properties"].items():
        if name == "id":
            continue
        found = _Example(by_id, schema["$id"])
        lines += [f"# {line}" for line in wrap(found.description(sub), 100)]
        written = yaml.dump({name: found.of(sub)}, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100).rstrip().splitlines()
        lines += written if name in required else [f"# {line}" for line in written]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


class _Dumper(yaml.SafeDumper):
    """Lists stand two further in than their key, as `cards format` leaves them."""

    def increase_indent(self, flow: bool = False, indentless: bool = False) -> None:
        super().increase_indent(flow, False)


class _Example:
    """Example values for schema fields: the field's own `examples`, else the least that fits."""

    def __init__(self, by_id: Mapping[str, Any], base: str) -> None:
        self.by_id, self.base = by_id, base

    def description(self, schema: Mapping[str, Any]) -> str:
        return schema.get("description") or self._resolve(schema, self.base)[0].get("description", "")

    def _resolve(self, schema: Mapping[str, Any], base: str) -> tuple[Mapping[str, Any], str]:
        """The schema a reference leads to, and the document it stands in; what stands beside the reference goes first."""
        reference = schema.get("$ref")
        if not reference:
            return schema, base
        file, _, pointer = reference.partition("#")
        target: Any = self.by_id[file or base]
        for part in pointer.strip("/").split("/"):
            target = target[part]
        found, where = self._resolve(target, file or base)
        return {**found, **{k: v for k, v in schema.items() if k != "$ref"}}, where

    def of(self, schema: Mapping[str, Any], base: str = "") -> Any:
        schema, base = self._resolve(schema, base or self.base)
        if "examples" in schema:
            return schema["examples"][0]
        if "enum" in schema:
            return schema["enum"][0]
        kind = schema.get("type")
        match kind if isinstance(kind, str) else kind[0]:
            case "object":
                if "properties" not in schema:
                    return {"name": self.of(schema["additionalProperties"], base)}
                wanted = schema.get("required", [])
                return {k: self.of(v, base) for k, v in schema["properties"].items() if k in wanted}
            case "array":
                return [self.of(schema["items"], base)]
            case "number" | "integer":
                return schema.get("minimum", 1)
            case "boolean":
                return True
        words = schema.get("description", "words").rstrip(".")
        return f"{PLACEHOLDER} {words[0].lower()}{words[1:]}."
