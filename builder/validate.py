"""JSON Schema errors in plain English, and sound data into the model."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping
from typing import Any

import jsonschema_rs

from .model import (
    KINDS, LOCAL_KINDS, Amount, Band, Basis, Calculator, Calendar, Choice, Citation, Claim, Constant, Decision, Department, Document, Example, Input,
    Library, OnlyWhen, Output, Page, Path, Pathway, PathwayStage, Pitfall, Plot, Quantity, Question, RefuseWhen, Reported, Review, Section, SignOff, Solve,
    Source, Step, Table, Technique, Term, Verdict, kept_or_made,
)
from .problems import CouldNotRun, Problem
from .text import did_you_mean

_TYPES = {"string": "text", "number": "a number", "integer": "a whole number", "object": "a set of 'key: value' lines",
          "array": "a list (lines starting with '- ')", "boolean": "true or false", "null": "nothing"}


def _wording(schema: Mapping[str, Any]) -> Any:
    """The validator whose errors are put into words."""
    # Loaded here: it takes a tenth of a second that a check of sound cards need not pay.
    from jsonschema import Draft202012Validator, validators

    # 1.0 is not taken for a whole number: it would reach the pages as 1.0.
    whole = Draft202012Validator.TYPE_CHECKER.redefine("integer", lambda _, x: isinstance(x, int) and not isinstance(x, bool))
    return validators.extend(Draft202012Validator, type_checker=whole)(schema)


_DRAFT = "https://json-schema.org/draft/2020-12/schema"


class _Whole:
    """The same for the compiled validator: a whole number is written without a decimal point."""

    def __init__(self, parent_schema: Any, value: Any, schema_path: Any) -> None:
        pass

    def validate(self, instance: Any) -> None:
        if not isinstance(instance, int) or isinstance(instance, bool):
            raise ValueError


def _whole_numbers(schema: Any) -> Any:
    """The schema with `type: integer` put as our own keyword."""
    if isinstance(schema, list):
        return [_whole_numbers(x) for x in schema]
    if not isinstance(schema, dict):
        return schema
    out = {k: _whole_numbers(v) for k, v in schema.items()}
    if out.get("type") == "integer":
        out |= {"type": "number", "whole": True}
    return out


class Schemas:
    """The schemas of one run: a validator for each kind of card, and the names of the fields that hold sentences."""

    def __init__(self, documents: Iterable[Mapping[str, Any]]) -> None:
        documents = list(documents)
        by_id = {d["$id"]: d for d in documents}
        missing = [k for k in (*KINDS, "common") if f"{k}.schema.json" not in by_id]
        if missing:
            raise CouldNotRun(f"The schema folder lacks {', '.join(missing)}.")
        # References are written out once: following them for every node of every card took most of the time.
        written = {k: _written_out(by_id[f"{k}.schema.json"], f"{k}.schema.json", by_id, 0) for k in KINDS}
        self._written, self._wording = written, {}
        # The compiled validator says in a hundredth of the time whether a card is sound; jsonschema words what is not.
        self.quick = {k: jsonschema_rs.validator_for({"$schema": _DRAFT, **_whole_numbers(s)}, keywords={"whole": _Whole}) for k, s in written.items()}
        self.text_fields = frozenset(name for d in documents for name in _text_fields(d))


    def errors(self, kind: str, data: Any) -> Iterable[Any]:
        """What is wrong with the data of a card that is not sound."""
        if kind not in self._wording:
            self._wording[kind] = _wording(self._written[kind])
        return self._wording[kind].iter_errors(data)


def _written_out(schema: Any, document: str, by_id: Mapping[str, Any], depth: int) -> Any:
    """The schema with every reference replaced by what it leads to; what stands beside a reference goes first."""
    if depth > 60:
        raise CouldNotRun("The schemas refer to each other in a circle.")
    if isinstance(schema, list):
        return [_written_out(x, document, by_id, depth + 1) for x in schema]
    if not isinstance(schema, dict):
        return schema
    out = {k: _written_out(v, document, by_id, depth + 1) for k, v in schema.items() if k not in ("$ref", "$defs", "$id")}
    if "$ref" in schema:
        file, _, pointer = schema["$ref"].partition("#")
        target: Any = by_id[file or document]
        for part in pointer.strip("/").split("/"):
            target = target[part]
        out = {**_written_out(target, file or document, by_id, depth + 1), **out}
    return out


def _text_fields(schema: Any) -> Iterator[str]:
    if isinstance(schema, dict):
        for name, sub in schema.get("properties", {}).items() if isinstance(schema.get("properties"), dict) else ():
            if isinstance(sub, dict) and str(sub.get("$ref", "")).endswith("$defs/text"):
                yield name
        for sub in schema.values():
            yield from _text_fields(sub)
    elif isinstance(schema, list):
        for sub in schema:
            yield from _text_fields(sub)


def validate(documents: Iterable[Document], schemas: Schemas, unsound: Iterable[tuple[str, str]] = (), kept: MutableMapping[str, Any] | None = None) -> tuple[Library, list[Problem]]:
    """The library of sound cards, and every problem the schemas find. Unsound cards are left out and named.

    kept: what an earlier call found for each document; a document that is the very same object is not looked at again.
    """
    kept = {} if kept is None else kept
    problems: list[Problem] = []
    bad = set(unsound)
    sound: dict[str, list[tuple[Document, Any]]] = {k: [] for k in KINDS}
    for document in documents:
        whole, record, found = kept_or_made(kept, document.file, document, lambda: _looked_at(document, schemas))
        if whole is None:
            problems += found
            bad.add((document.kind, document.id))
        else:
            sound[document.kind].append((whole, record))
    of = lambda kind: {d.id: record for d, record in sound[kind]}  # noqa: E731
    library = Library(
        techniques=of("technique"), pathways=of("pathway"), calculators=of("calculator"), pages=of("page"), sources=of("source"),
        terms=dict(sorted(((key, term) for _, terms in sound["glossary"] for key, term in terms.items()), key=lambda t: t[0])),
        department=next((record for _, record in sound["department"]), None),
        documents=tuple(d for kind in KINDS for d, _ in sound[kind]),
        unsound=frozenset(bad),
    )
    return library, problems


def _looked_at(document: Document, schemas: Schemas) -> tuple[Document | None, Any, list[Problem]]:
    """A sound document with its texts and nodes, and its record; or None, None and its problems."""
    errors = () if schemas.quick[document.kind].is_valid(document.data) else schemas.errors(document.kind, document.data)
    found = [_problem(e, document, key) for e in errors for key in _unknown_keys(e)]
    if errors != () and not found:  # the two validators differ only over a line break at the end of an id
        found = [Problem(document.file, 1, 1, "form", "An id or a name ends in a line break.", "Remove \\n from the quoted text.")]
    if found:
        return None, None, found
    texts: list[tuple[Path, str]] = []
    nodes: list[tuple[Path, dict]] = []
    _walk(document.data, (), schemas.text_fields, True, texts, nodes)
    whole = Document(document.file, document.kind, document.id, document.data, document.marks, tuple(texts), tuple(nodes))
    return whole, _RECORDS[document.kind](whole), []


def _walk(data: Any, path: Path, fields: frozenset[str], sentences: bool, texts: list[tuple[Path, str]], nodes: list[tuple[Path, dict]]) -> None:
    """Finds the sentences (not in a citation, which is bibliography) and the nodes of a document, in order."""
    if isinstance(data, dict):
        if "unit" in data or "also_in" in data or ("source" in data and "checked" in data):
            nodes.append((path, data))
        for key, value in data.items():
            if isinstance(value, str):
                if sentences and key in fields:
                    texts.append(((*path, key), value))
            elif isinstance(value, (dict, list)):
                _walk(value, (*path, key), fields, sentences and key != "basis", texts, nodes)
    else:
        for i, value in enumerate(data):
            if isinstance(value, (dict, list)):
                _walk(value, (*path, i), fields, sentences, texts, nodes)


# --- errors in plain English -------------------------------------------------------------------------------------


def _unknown_keys(error: Any) -> list[str]:
    """The keys an error is about: each unknown one gets a problem of its own."""
    if error.validator != "additionalProperties":
        return [""]
    unknown = [k for k in error.instance if k not in error.schema.get("properties", {})]
    return unknown[:20]  # a file of nothing else is no card; the first ones say so


def _problem(error: Any, document: Document, key: str) -> Problem:
    path: Path = tuple(error.absolute_path)
    rule, message, fix, place = _say(error, path, document, key)
    return Problem(document.file, *place, rule, message, fix)


def _say(error: Any, path: Path, document: Document, unknown: str) -> tuple[str, str, str, tuple[int, int]]:
    marks, value, wanted = document.marks, error.instance, error.validator_value
    here, description = _where(path, document.kind), error.schema.get("description", "")
    at = marks.value(path)
    match error.validator:
        case "required":
            key = next(k for k in wanted if k not in value and f"'{k}'" in error.message)
            meaning = _describe(error, key)
            if key == "basis":
                return ("missing-basis", f"{here} has no basis: nothing says what it rests on.",
                        "Add basis: common practice, or a list of citations {source, at, checked}.", at)
            return "missing-key", f"{here} lacks '{key}'. {meaning}".strip(), f"Add {key}: to {_lower(here)}.", at
        case "additionalProperties":
            known = list(error.schema.get("properties", {}))
            return ("unknown-key", f"{here} has no key '{_short(unknown)}'.{did_you_mean(unknown, known)}",
                    f"The keys are {', '.join(known)}.", marks.key((*path, unknown)))
        case "propertyNames" | "pattern" | "format":
            return _say_pattern(error, path, document, here)
        case "type":
            kinds = wanted if isinstance(wanted, list) else [wanted]
            if value is None and path[-1:] == ("basis",):
                return ("missing-basis", f"{here} is empty: nothing says what the claim rests on.",
                        "Write common practice, or a list of citations {source, at, checked}.", at)
            if value is None:
                return ("empty-value", f"{here} is empty.", f"Write {_either(kinds)}, or remove the key. {description}".strip(), at)
            found = _TYPES[_type_of(value)]
            return ("wrong-type", f"{here} should be {_either(kinds)}, not {found}.",
                    (f"{description} " if description else "") + _type_hint(kinds, value), at)
        case "enum":
            listed = ", ".join(map(str, wanted))
            return ("not-a-choice", f"{here} cannot be '{_short(value)}'.{did_you_mean(str(value), map(str, wanted))}",
                    f"Use one of: {listed}.", at)
        case "const":
            return ("basis-form", f"{here} is '{_short(value)}'; in words it can only be 'common practice'.",
                    "Write common practice, or a list of citations {source, at, checked}.", at)
        case "anyOf" if {"required": ["value"]} in wanted:
            return ("missing-number", f"{here} has no number.", "Give value, or low and high (low alone means at least).", at)
        case "anyOf":
            return "missing-key", f"{here} has neither a family name nor a literal name.", "Add family: or literal:.", at
        case "oneOf":
            return ("formula-or-solve", f"{here} needs either a formula or a solve, and not both.", "Write one of the two.", at)
        case "minLength" | "minItems" | "minProperties":
            least = f"at least {wanted} " if wanted != 1 else ""
            thing = {"minLength": "characters", "minItems": "items", "minProperties": "entries"}[error.validator]
            if path and path[-1] == "basis":
                return ("missing-basis", f"{here} is an empty list.", "Write common practice, or add a citation.", at)
            if wanted == 1:
                return "empty-value", f"{here} is empty.", f"Fill it in, or remove the key. {description}".strip(), at
            return "too-short", f"{here} needs {least}{thing}.", description or "Add what is missing.", at
        case "maxLength" | "maxItems" | "maxProperties":
            thing = {"maxLength": "characters", "maxItems": "items", "maxProperties": "entries"}[error.validator]
            return ("too-long", f"{here} has {len(value):,} {thing}; the most is {wanted:,}.", "Shorten it, or split it in two.", at)
        case "minimum" | "maximum":
            side = "at least" if error.validator == "minimum" else "at most"
            return "out-of-range", f"{here} is {value}; it must be {side} {wanted}.", description or "Correct the number.", at
        case "uniqueItems":
            twice = next(v for i, v in enumerate(value) if v in value[:i])
            last = max(i for i, v in enumerate(value) if v == twice)
            return "listed-twice", f"{here} lists '{_short(twice)}' twice.", "Remove one of them.", marks.value((*path, last))
    return "schema", f"{here}: {error.message}", description or "Compare it with another card of the same kind.", at


def _say_pattern(error: Any, path: Path, document: Document, here: str) -> tuple[str, str, str, tuple[int, int]]:
    value, pattern = _short(error.instance), str(error.validator_value)
    description = error.schema.get("description", "")
    # An error about a key's own spelling carries the path of the mapping that holds the key.
    if "propertyNames" in error.absolute_schema_path:
        return ("key-form", f"The key '{value}' in {_lower(here)} is not formed as one.",
                description or "Use lower-case letters and digits joined by hyphens.", document.marks.key((*path, error.instance)))
    place = document.marks.value(path)
    if pattern.startswith("^[0-9]{4}"):
        return "date-form", f"{here} is '{value}', which is not a date.", "Write it YYYY-MM-DD.", place
    if pattern.startswith("^quantity:"):
        return ("link-form", f"{here} is '{value}', which is neither a number nor a quantity.",
                "Write a number, or quantity:card/key (with .low or .high for a range).", place)
    return "form", f"{here} is '{value}', which is not of the right form.", description, place


def _describe(error: Any, key: str) -> str:
    sub = error.schema.get("properties", {}).get(key, {})
    return sub.get("description", "")


def _where(path: Path, kind: str) -> str:
    if not path:
        if kind in LOCAL_KINDS:
            return "The file of overrides" if kind == "overrides" else "The local department"
        return f"The {kind}" + ("" if kind in ("glossary", "department") else " card" if kind == "technique" else "")
    names = [str(p + 1) if isinstance(p, int) else p for p in path]
    return "'" + " › ".join(names) + "'"


def _lower(here: str) -> str:
    return here[0].lower() + here[1:]


def _type_of(value: Any) -> str:
    if isinstance(value, bool):
        return "boolean"
    return {str: "string", int: "number", float: "number", list: "array", dict: "object", type(None): "null"}[type(value)]


def _either(kinds: list[str]) -> str:
    return " or ".join(_TYPES[k] for k in kinds)


def _type_hint(kinds: list[str], value: Any) -> str:
    if "string" in kinds and isinstance(value, (int, float, bool)):
        return "Put it in double quotes if it is meant as text."
    if kinds == ["integer"] and isinstance(value, float):
        return "Write it without a decimal point."
    if kinds in (["number"], ["integer"]) and isinstance(value, str):
        return "Write the number alone, with a decimal point and no unit or quotes."
    if kinds == ["array"]:
        return "Start each item with '- '."
    if kinds == ["boolean"]:
        return "Write true or false, without quotes."
    if kinds == ["object"]:
        return "Write its keys on indented lines."
    return "Compare it with another card of the same kind."


def _short(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


# --- sound data into the model -----------------------------------------------------------------------------------


def _basis(data: Any) -> Basis:
    if isinstance(data, str):
        return Basis()
    return Basis(tuple(Citation(c["source"], c["checked"], c.get("at", ""), c.get("note", "")) for c in data))


def _claims(data: Mapping[str, Any], key: str) -> tuple[Claim, ...]:
    return tuple(Claim(c["text"], _basis(c["basis"])) for c in data.get(key, ()))


def _decisions(data: Mapping[str, Any]) -> tuple[Decision, ...]:
    return tuple(Decision(d["if"], d["then"], _basis(d["basis"]), d.get("why", "")) for d in data.get("decisions", ()))


def _review(data: Mapping[str, Any]) -> Review:
    review = data["review"]
    signed = review.get("signed_off")
    return Review(review["owner"], review["every_months"], SignOff(**signed) if signed else None)


def _amount(data: Mapping[str, Any]) -> Amount:
    return Amount(data["unit"], data.get("value"), data.get("low"), data.get("high"))


def _quantity(card: str, key: str, data: Mapping[str, Any]) -> Quantity:
    reported = tuple(Reported(_amount(r), r["in"], _basis(r["basis"]), r.get("note", "")) for r in data.get("reported", ()))
    return Quantity(card, key, data["label"], _amount(data), _basis(data["basis"]), data.get("key", True), data.get("why", ""), reported)


def _technique(d: Document) -> Technique:
    x = d.data
    return Technique(
        id=d.id, file=d.file, title=x["title"], stage=x["stage"], summary=x["summary"], review=_review(x),
        also_called=tuple(x.get("also_called", ())),
        quantities={k: _quantity(d.id, k, q) for k, q in x.get("quantities", {}).items()},
        when=_claims(x, "when"), not_when=_claims(x, "not_when"), equipment=_claims(x, "equipment"),
        steps=tuple(Step(s["do"], s["why"], s["endpoint"], _basis(s["basis"])) for s in x["steps"]),
        decisions=_decisions(x),
        pitfalls=tuple(Pitfall(p["sign"], p["respond"], _basis(p["basis"])) for p in x.get("pitfalls", ())),
        cautions=_claims(x, "cautions"), evidence=_claims(x, "evidence"),
        questions=tuple(Question(q["ask"], q["answer"], _basis(q["basis"])) for q in x["questions"]),
        next=tuple(x.get("next", ())), see_also=tuple(x.get("see_also", ())),
    )


def _pathway(d: Document) -> Pathway:
    x = d.data
    stages = tuple(
        PathwayStage(s["stage"], s["aim"], tuple(s["cards"]), tuple(s.get("calculators", ())), _claims(s, "have"),
                     _decisions(s), _claims(s, "stop_if"))
        for s in x["stages"]
    )
    return Pathway(d.id, d.file, x["title"], x["summary"], _review(x), stages, _claims(x, "when"), tuple(x.get("also_called", ())))


def _constant(name: str, data: Any) -> Constant:
    if isinstance(data, str):
        return Constant(name, quantity=data.removeprefix("quantity:"))
    return Constant(name, data["label"], data["value"], data["unit"], _basis(data["basis"]))


def _input(name: str, x: Mapping[str, Any]) -> Input:
    choices = {
        k: Choice(k, c["label"], {n: _constant(n, v) for n, v in c.get("sets", {}).items()})
        for k, c in x.get("choices", {}).items()
    }
    kind = x.get("kind") or ("choice" if choices else "number")
    return Input(name, x["label"], kind, x.get("unit", ""), tuple(x.get("also_in", ())), x.get("low"), x.get("high"),
                 x.get("start"), x.get("decimals"), x.get("why_range", ""), choices, x.get("help", ""))


def _output(name: str, x: Mapping[str, Any]) -> Output:
    s = x.get("solve")
    solve = Solve(s["for"], s["in"], s["equals"], tuple(s["between"])) if s else None
    return Output(name, x["label"], _basis(x["basis"]), x.get("kind", "number"), x.get("unit", ""), x.get("decimals"),
                  x.get("formula", ""), solve, OnlyWhen(**x["only_when"]) if "only_when" in x else None, x.get("group", ""), x.get("note", ""))


def _calculator(d: Document) -> Calculator:
    x = d.data
    plot = x.get("plot")
    return Calculator(
        id=d.id, file=d.file, title=x["title"], question=x["question"], summary=x["summary"], review=_review(x),
        inputs={n: _input(n, i) for n, i in x["inputs"].items()}, outputs={n: _output(n, o) for n, o in x["outputs"].items()},
        stage=x.get("stage", ""), also_called=tuple(x.get("also_called", ())), used_by=tuple(x["used_by"]),
        constants={n: _constant(n, c) for n, c in x.get("constants", {}).items()},
        refuse_when=tuple(RefuseWhen(r["when"], r["say"]) for r in x.get("refuse_when", ())),
        verdicts=tuple(Verdict(v["when"], v["level"], v["say"], _basis(v["basis"])) for v in x.get("verdicts", ())),
        plot=Plot(plot["across"], tuple(plot["show"]), tuple(plot.get("marks", ())), tuple(Band(**b) for b in plot.get("bands", ()))) if plot else None,
        tables=tuple(Table(t["title"], {n: tuple(v) for n, v in t["rows"].items()}, tuple(t["show"]), t.get("given", {})) for t in x.get("tables", ())),
        calendar=Calendar(x["calendar"]["title"], x["calendar"]["from"], x["calendar"]["to"]) if "calendar" in x else None,
        beside=tuple(x.get("beside", ())),
        diagram=x.get("diagram", ""), roles=x.get("roles", {}), notes=_claims(x, "notes"), not_for=_claims(x, "not_for"),
        examples=tuple(Example(e["given"], e["expect"], e["within"], e["result"], _basis(e["basis"]), e.get("label", ""))
                       for e in x["examples"]),
    )


def _source(d: Document) -> Source:
    own = ("id", "checked", "checked_note", "incomplete", "superseded_by", "withdrawn")
    csl = {k: v for k, v in d.data.items() if k not in own}
    return Source(d.id, d.file, csl, d.data["checked"], d.data.get("checked_note", ""), tuple(d.data.get("incomplete", ())),
                  d.data.get("superseded_by", ""), d.data.get("withdrawn", ""))


def _page(d: Document) -> Page:
    x = d.data
    sections = tuple(Section(s["title"], _claims(s, "claims")) for s in x["sections"])
    return Page(d.id, d.file, x["title"], x["summary"], _review(x), sections, tuple(x.get("also_called", ())))


def _term(key: str, x: Mapping[str, Any]) -> Term:
    return Term(key, x["term"], x["meaning"], x.get("abbreviation", ""), x.get("american", ""), tuple(x.get("also_called", ())),
                _basis(x["basis"]) if "basis" in x else None)


def _department(x: Mapping[str, Any]) -> Department:
    return Department(x["name"], x["about"], tuple(x["list_days"]), x["review_owner"], x["review_every_months"], x["contact"],
                      tuple(x.get("calculators_off", ())), x.get("stale_after_days", 30), x.get("licence", ""))


_RECORDS: dict[str, Callable[[Document], Any]] = {
    "technique": _technique, "pathway": _pathway, "calculator": _calculator, "page": _page, "source": _source,
    "glossary": lambda d: {key: _term(key, term) for key, term in d.data["terms"].items()},
    "department": lambda d: _department(d.data),
    # Taken apart by the local layer.
    "local-department": lambda d: None,
    "overrides": lambda d: None,
}
