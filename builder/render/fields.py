"""Every field a card can have, read from the schemas: what it is, whether it must be there, what it may hold, an example."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# The order of the page; a kind that is not named here comes after these.
KINDS = ("technique", "pathway", "calculator", "page", "source", "glossary", "department")
COMMON = "common.schema.json"
_SHORT = 90  # characters of an example
_TYPES = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true or false", "array": "list", "object": "group of fields"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field. path: its name with those above it. allowed: what it may hold, in words. part: (id, title) of the shared part that it holds."""

    path: tuple[str, ...]
    about: str
    required: bool
    allowed: tuple[str, ...]
    example: str
    part: tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class Section:
    """A kind of card, or a part that several kinds share. where: its files. rules: what the schema asks of several fields together."""

    id: str
    title: str
    about: str
    where: str
    rules: tuple[str, ...]
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class _Met:
    """A field on the way down: the section it stands in, its schema with references followed, and the part it refers to."""

    section: str
    path: tuple[str, ...]
    schema: Mapping[str, Any]
    base: str
    required: bool
    part: str


def sections(schemas: Iterable[Mapping[str, Any]], written: Mapping[str, Sequence[Any]], where: Mapping[str, str]) -> list[Section]:
    """Kinds of card, then the parts they share.

    schemas: every schema. written: kind -> the data of its cards, for examples. where: kind -> its file or folder.
    """
    look = _Look({s["$id"]: s for s in schemas})
    kinds = [id.removesuffix(".schema.json") for id, s in look.by_id.items() if "properties" in s]
    kinds.sort(key=lambda k: (KINDS.index(k) if k in KINDS else len(KINDS), k))
    for kind in kinds:
        for data in written.get(kind, ()):
            look.examples(kind, look.by_id[f"{kind}.schema.json"], f"{kind}.schema.json", data)
    found = [look.section(kind, look.by_id[f"{kind}.schema.json"], f"{kind}.schema.json", where.get(kind, "")) for kind in kinds]
    common = look.by_id.get(COMMON, {}).get("$defs", {})
    return found + [look.section(name, part, COMMON, "") for name, part in common.items() if _is_part(part)]


def _is_part(schema: Mapping[str, Any]) -> bool:
    """Does it have fields of its own, or lists of them?"""
    return "properties" in schema or "items" in schema.get("else", {})


def _title(name: str) -> str:
    return name.replace("_", " ").capitalize()


class _Look:
    def __init__(self, by_id: Mapping[str, Mapping[str, Any]]) -> None:
        self.by_id = by_id
        self.seen: dict[tuple[str, tuple[str, ...]], str] = {}

    def section(self, id: str, schema: Mapping[str, Any], base: str, where: str) -> Section:
        made = [self._field(m) for m in self._below(id, schema, base, ())]
        return Section(id, schema.get("title") or _title(id), schema.get("description", ""), where, tuple(_rules(schema)), tuple(made))

    def _resolve(self, schema: Mapping[str, Any], base: str) -> tuple[Mapping[str, Any], str, str]:
        """The schema with its reference followed, the document it stands in, and the name of the shared definition, if any."""
        reference = schema.get("$ref")
        if not reference:
            return schema, base, ""
        file, _, pointer = reference.partition("#")
        target: Any = self.by_id[file or base]
        for step in pointer.strip("/").split("/"):
            target = target[step]
        found, where, _ = self._resolve(target, file or base)
        name = pointer.rsplit("/", 1)[-1] if (file or base) == COMMON else ""
        return {**found, **{k: v for k, v in schema.items() if k != "$ref"}}, where, name

    def _children(self, schema: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any], bool]]:
        """(name, schema, required) of what stands right below; the items of a list and the values under free keys have their own sign."""
        for part in (schema, schema.get("else", {})):
            for name, sub in part.get("properties", {}).items():
                yield name, sub, name in part.get("required", ())
            if isinstance(part.get("items"), Mapping):
                yield "[]", part["items"], False
            if isinstance(part.get("additionalProperties"), Mapping):
                yield "KEY", part["additionalProperties"], False

    def _below(self, section: str, schema: Mapping[str, Any], base: str, path: tuple[str, ...]) -> Iterator[_Met]:
        for name, sub, required in self._children(schema):
            found, where, definition = self._resolve(sub, base)
            part = definition if definition and _is_part(found) else ""
            if name == "[]":
                # The items of a list belong to the field that holds it, unless they have fields of their own.
                if not part:
                    yield from self._below(section, found, where, path)
                continue
            here = (*path, name)
            if not part and isinstance(found.get("items"), Mapping):
                inner, _, inner_name = self._resolve(found["items"], where)
                part = inner_name if inner_name and _is_part(inner) else ""
            yield _Met(section, here, found, where, required, part)
            if not (definition and _is_part(found)):
                yield from self._below(section, found, where, here)

    def _field(self, m: _Met) -> Field:
        schema = m.schema
        example = schema["examples"][0] if "examples" in schema and not isinstance(schema["examples"][0], (dict, list)) else None
        shown = self.seen.get((m.section, m.path)) or (_written(example) if example is not None else "")
        if not shown and "enum" in schema:
            shown = _written(schema["enum"][0])
        if not shown and schema.get("examples") and _is_short(schema["examples"][0]):
            shown = _written(schema["examples"][0])
        return Field(m.path, schema.get("description", ""), m.required, tuple(self._allowed(schema, m.base)), shown, (m.part, _title(m.part)) if m.part else None)

    def _allowed(self, schema: Mapping[str, Any], base: str) -> Iterator[str]:
        kinds = schema.get("type", ())
        words = [_TYPES[k] for k in ([kinds] if isinstance(kinds, str) else kinds)]
        if words:
            yield " or ".join(words)
        if "enum" in schema:
            yield "one of: " + ", ".join(_written(v) for v in schema["enum"])
        for branch in (schema, schema.get("then", {})):
            if "const" in branch:
                yield f"the words: {branch['const']}" if branch is not schema else f"only: {_written(branch['const'])}"
            if "pattern" in branch:
                yield f"form: {branch['pattern']}"
        low, high = schema.get("minimum"), schema.get("maximum")
        if low is not None or high is not None:
            yield f"from {low} to {high}" if None not in (low, high) else f"at least {low}" if high is None else f"at most {high}"
        if "maxLength" in schema:
            yield f"at most {schema['maxLength']} characters"
        for least, most, noun in (("minItems", "maxItems", "item"), ("minProperties", "maxProperties", "entry")):
            few, many = schema.get(least) or schema.get("else", {}).get(least), schema.get(most)
            if few:
                yield f"at least {few} {noun if few == 1 else noun + 's' if noun == 'item' else 'entries'}"
            if many:
                yield f"at most {many} {noun if many == 1 else noun + 's' if noun == 'item' else 'entries'}"
        if schema.get("uniqueItems"):
            yield "nothing twice"
        if "default" in schema:
            yield f"{_written(schema['default'])} where nothing is said"
        if "properties" in schema.get("else", {}):
            yield from _rules(schema["else"])
        if isinstance(schema.get("items"), Mapping):
            item = self._resolve(schema["items"], base)[0]
            of_each = [*(_rules(item) if "properties" in item or "else" in item else self._allowed(item, base))]
            if of_each:
                yield f"each: {', '.join(of_each)}"
        if isinstance(schema.get("additionalProperties"), Mapping) and "propertyNames" in schema:
            yield "keys: " + self._resolve(schema["propertyNames"], base)[0].get("description", "").rstrip(".")
        if "properties" in schema:
            yield from _rules(schema)

    def examples(self, section: str, schema: Mapping[str, Any], base: str, data: Any, path: tuple[str, ...] = ()) -> None:
        """Takes the first short value that the cards have for each field."""
        if path and _is_short(data):
            self.seen.setdefault((section, path), _written(data))
        for name, sub, _ in self._children(schema):
            found, where, definition = self._resolve(sub, base)
            if definition and _is_part(found):
                inner, below = definition, ()
                values = data if name == "[]" else [data.get(name)] if isinstance(data, dict) and name != "KEY" else list(data.values()) if isinstance(data, dict) else []
                for value in values if isinstance(values, list) else []:
                    if value is not None:
                        if name not in ("[]", "KEY") and _is_short(value):
                            self.seen.setdefault((section, (*path, name)), _written(value))
                        self.examples(inner, found, where, value, below)
            elif name == "[]" and isinstance(data, list):
                for value in data:
                    if isinstance(value, dict):
                        self.examples(section, found, where, value, path)
            elif name == "KEY" and isinstance(data, dict):
                for key, value in data.items():
                    if key not in schema.get("properties", {}):
                        self.examples(section, found, where, value, (*path, name))
            elif isinstance(data, dict) and name in data:
                self.examples(section, found, where, data[name], (*path, name))


def _is_short(value: Any) -> bool:
    """Can it stand as an example: a scalar, or a list of them, that fits a line?"""
    if isinstance(value, list):
        return bool(value) and all(map(_is_short, value)) and len(_written(value)) <= _SHORT
    # A link means something only on the page it was written for.
    return value is not None and not isinstance(value, dict) and len(written := _written(value)) <= _SHORT and "](" not in written


def _written(value: Any) -> str:
    """As it would stand in a card."""
    if isinstance(value, str):
        return value
    if isinstance(value, list):
        return "[" + ", ".join(map(_written, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _rules(schema: Mapping[str, Any]) -> Iterator[str]:
    """What it asks of several fields together."""
    for word, opening in (("anyOf", "at least one of"), ("oneOf", "exactly one of")):
        sets = [" with ".join(s["required"]) for s in schema.get(word, ()) if "required" in s]
        if sets:
            yield f"{opening}: {', '.join(sets)}"
    for rule in schema.get("allOf", ()):
        asked, then = rule.get("if", {}), rule.get("then", {})
        if "required" in then:
            says = [f"without {name}" if sub is False else f"where {name} is {_written(sub['const'])}{'' if name in asked.get('required', ()) else ' or not given'}"
                    for name, sub in asked.get("properties", {}).items() if sub is False or "const" in sub]
            yield f"{' and '.join(says)}: {', '.join(then['required'])}"
