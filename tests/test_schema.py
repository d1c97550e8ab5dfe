"""The schemas are sound JSON Schema 2020-12, and every field says what it is for: the editor, the starter file and the
messages of `cards check` all take their words from there."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from fixtures import PROJECT, VALID
from jsonschema import Draft202012Validator
from referencing import Registry
from referencing.jsonschema import DRAFT202012

from builder.model import CHECKED, KINDS, STAGES
from builder.read import parse

FILES = sorted((PROJECT / "schema").glob("*.json"))
SCHEMAS = {f.name: json.loads(f.read_text(encoding="utf-8")) for f in FILES}


def fields(schema: object, path: str = "") -> Iterator[tuple[str, dict]]:
    """Every property and every kind of list item or free key of a schema, with its path."""
    if isinstance(schema, dict):
        for name, sub in schema.items():
            if name == "properties" and isinstance(sub, dict):
                for key, field in sub.items():
                    if isinstance(field, dict):
                        yield f"{path}/{key}", field
            if name in ("items", "additionalProperties") and isinstance(sub, dict):
                yield f"{path}/{name}", sub
            # Conditions (if) are no fields of a card.
            if name not in ("if", "examples"):
                yield from fields(sub, f"{path}/{name}")
    elif isinstance(schema, list):
        for i, sub in enumerate(schema):
            yield from fields(sub, f"{path}/{i}")


def pointed(schema: dict, document: str) -> dict:
    """What a reference leads to; what stands beside it goes first."""
    if "$ref" not in schema:
        return schema
    file, _, pointer = schema["$ref"].partition("#")
    target = SCHEMAS[file or document]
    for part in pointer.strip("/").split("/"):
        target = target[part]
    return {**pointed(target, file or document), **schema}


def test_there_is_a_schema_for_every_kind_of_card() -> None:
    assert sorted(SCHEMAS) == sorted(f"{k}.schema.json" for k in (*KINDS, "common"))


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_a_schema_is_valid_json_schema_2020_12(name: str) -> None:
    schema = SCHEMAS[name]
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == name
    assert schema["title"] and schema["description"]
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_field_has_a_description_that_is_a_sentence(name: str) -> None:
    found = list(fields(SCHEMAS[name]))
    assert found
    without = [path for path, field in found if not pointed(field, name).get("description")]
    assert not without, "Say in one sentence what these fields are for: " + ", ".join(without)
    ragged = [path for path, field in found if not pointed(field, name)["description"].rstrip().endswith((".", ")"))]
    assert not ragged, "End these descriptions with a full stop; they are printed in messages: " + ", ".join(ragged)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_no_unknown_key_is_let_through(name: str) -> None:
    """Every set of named keys refuses others, so that a mistyped key is never lost in silence."""

    def open_objects(schema: object, path: str) -> Iterator[str]:
        if isinstance(schema, dict):
            if isinstance(schema.get("properties"), dict) and "if" not in path.split("/")[-1:] and schema.get("additionalProperties", True) is not False:
                yield path or "/"
            for key, sub in schema.items():
                yield from open_objects(sub, f"{path}/{key}")
        elif isinstance(schema, list):
            for i, sub in enumerate(schema):
                yield from open_objects(sub, f"{path}/{i}")

    assert list(open_objects({k: v for k, v in SCHEMAS[name].items() if k != "$defs"}, "") if name != "common.schema.json" else
                open_objects(SCHEMAS[name]["$defs"], "/$defs")) == []


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_reference_leads_somewhere(name: str) -> None:
    def references(schema: object) -> Iterator[str]:
        if isinstance(schema, dict):
            if "$ref" in schema:
                yield schema["$ref"]
            for sub in schema.values():
                yield from references(sub)
        elif isinstance(schema, list):
            for sub in schema:
                yield from references(sub)

    for reference in references(SCHEMAS[name]):
        assert pointed({"$ref": reference}, name), reference


def test_the_schemas_by_themselves_accept_the_valid_cards_and_refuse_broken_ones() -> None:
    """As an editor uses them, without the builder: references are followed by the library that reads them."""
    registry = Registry().with_resources((n, DRAFT202012.create_resource(s)) for n, s in SCHEMAS.items())
    kinds = {"techniques": "technique", "pathways": "pathway", "calculators": "calculator", "pages": "page", "sources": "source"}
    for file in sorted(VALID.rglob("*.yaml")):
        kind = kinds.get(file.parent.name, file.stem)
        validator = Draft202012Validator(SCHEMAS[f"{kind}.schema.json"], registry=registry)
        data = parse(file.read_bytes(), file.name, kind, file.stem).data
        assert [e.message for e in validator.iter_errors(data)] == [], file.name
        assert list(validator.iter_errors({**data, "mistyped": 1})), file.name
        for key in SCHEMAS[f"{kind}.schema.json"]["required"]:
            assert list(validator.iter_errors({k: v for k, v in data.items() if k != key})), (file.name, key)


def test_lists_of_words_are_the_same_in_schema_and_code() -> None:
    common = SCHEMAS["common.schema.json"]["$defs"]
    assert tuple(common["stage"]["enum"]) == STAGES
    assert tuple(common["checked"]["enum"]) == CHECKED


def test_a_claim_or_a_number_without_a_basis_is_refused_wherever_it_can_stand() -> None:
    """Every object that can carry a basis must carry one; a glossary term's meaning may be a plain definition."""
    optional = []
    for name, schema in SCHEMAS.items():
        stack = [(name, schema)]
        while stack:
            path, node = stack.pop()
            if isinstance(node, dict):
                if isinstance(node.get("properties"), dict) and "basis" in node["properties"] and "basis" not in node.get("required", ()):
                    optional.append(path)
                stack += [(f"{path}/{k}", v) for k, v in node.items()]
            elif isinstance(node, list):
                stack += [(f"{path}/{i}", v) for i, v in enumerate(node)]
    assert optional == ["glossary.schema.json/properties/terms/additionalProperties"]
