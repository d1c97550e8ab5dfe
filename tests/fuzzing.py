"""What the short fuzz tests of `make test` and the long ones of `make fuzz` share: the cases, and what must hold of each.

A target is a check of bytes: it returns if all is well and raises if not. Hypothesis and libFuzzer make the bytes, each in its
own way; what one finds, the other can run.
"""

from __future__ import annotations

import ast
import json
import math
import re
import signal
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from unittest import mock
from xml.etree import ElementTree

import lxml.html
import markdown
import yaml
from fixtures import INVALID, PROJECT, VALID, units
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from builder import calculate, compose, formula, link, rules, validate
from builder.formula import CONSTANTS, FUNCTIONS, LIST_DAYS, Convert, Expr, FormulaError, Key, Name, Num, Op, Type, check, converted, evaluate, javascript, mathml, parse
from builder.model import Document
from builder.problems import Problem, in_order
from builder.read import FOLDERS, SINGLE
from builder.read import parse as parse_yaml
from builder.render import pages
from builder.text import faults, plain, to_html

LONGEST = 2.0  # seconds of work a case may take

REFERENCES = compose.Kept()  # the processor sets each source once


def cases(number: int) -> settings:
    """The same cases on every run."""
    return settings(max_examples=number, derandomize=True, deadline=None, database=None, suppress_health_check=list(HealthCheck))


# --- what a case may not do -----------------------------------------------------------------------------------------


class TooSlow(Exception):
    """A case took longer than LONGEST."""


@contextmanager
def in_time() -> Iterator[None]:
    """Ends a case that hangs, wherever it hangs: the clock counts work, not waiting. For the main thread."""
    def late(*_: object) -> None:
        raise TooSlow(f"More than {LONGEST:g} s.")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, LONGEST)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


class Forbidden(Exception):
    """A card made the builder write a file, start a program, open a connection or run code."""


_WATCH = {"on": False, "code": False}
_NEVER = ("os.", "shutil.", "subprocess.", "socket.", "ctypes.", "urllib.", "tempfile.", "pty.", "webbrowser.")
_HARMLESS = {"os.listdir", "os.scandir", "os.putenv", "os.unsetenv"}


def _audit(event: str, arguments: tuple) -> None:
    if not _WATCH["on"]:
        return
    if event == "open" and (isinstance(arguments[1], str) and set(arguments[1]) & set("wxa+")):
        raise Forbidden(f"{event} {arguments[0]!r}")
    if event.startswith(_NEVER) and event not in _HARMLESS or event in ("exec", "import") and _WATCH["code"]:
        raise Forbidden(f"{event} {arguments[:1]!r}")


@contextmanager
def watched(code: bool = False) -> Iterator[None]:
    """Python's own audit tells of every file, program and connection. code: nor may anything be executed or imported."""
    if not _WATCH.get("set"):
        sys.addaudithook(_audit)  # cannot be taken away again, so it is switched
        _WATCH["set"] = True
    _WATCH.update(on=True, code=code)
    try:
        yield
    finally:
        _WATCH.update(on=False, code=False)


# --- what a page may hold -------------------------------------------------------------------------------------------

# Every element and attribute that the templates, the formulas and the Markdown engine write for sound cards; none runs anything.
# A new one in a template is added here.
ELEMENTS = frozenset("""a button caption circle cite code dd details div dl dt em figure form g h1 h2 h3 input label li line math mfrac mi mn mo mrow
    msqrt msup mtable mtd mtext mtr nav noscript ol option output p path section select small span strong summary svg table tbody td text th thead tr
    ul""".split())
ATTRIBUTES = frozenset("""autocomplete class cx cy d display for hidden href id inputmode mathvariant name novalidate r rel role scope selected tabindex
    title type value viewbox x x1 x2 y y1 y2""".split())
_SCHEME = re.compile(r"[a-zA-Z][a-zA-Z0-9+.-]*:")


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.faults += _element_faults(tag, dict(attributes))

    def handle_comment(self, data: str) -> None:
        self.faults.append(f"a comment: {data[:40]!r}")

    def handle_decl(self, decl: str) -> None:
        self.faults.append(f"a declaration: {decl[:40]!r}")

    unknown_decl = handle_pi = handle_decl


def _element_faults(tag: str, attributes: dict[str, str | None]) -> Iterator[str]:
    if tag not in ELEMENTS:
        yield f"<{tag}> is no element of the templates"
    for name, value in attributes.items():
        if not (name in ATTRIBUTES or name.startswith(("data-", "aria-"))):
            yield f"<{tag} {name}=...> is no attribute of the templates"
        if name in ("href", "src", "action", "formaction", "xlink:href", "data"):
            # A browser leaves out white space and controls before it looks for a scheme.
            address = re.sub(r"[\x00-\x20\x7f-\xa0]", "", value or "")
            if address.startswith("//") or (m := _SCHEME.match(address)) and m[0].lower() not in ("https:", "http:", "mailto:"):
                yield f"<{tag} {name}={address[:40]!r}>"


@lru_cache(4096)
def markup_faults(html: str) -> tuple[str, ...]:
    """What in a piece of HTML is none of the builder's making, by two readers that know nothing of it."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    found = reader.faults
    if html.strip():
        for element in lxml.html.fragment_fromstring(html, create_parent="div").iter():
            found += _element_faults(element.tag, dict(element.attrib)) if isinstance(element.tag, str) else [f"a comment or the like: {element.text!r}"]
    return tuple(dict.fromkeys(found))


@cache
def _engine() -> markdown.Markdown:
    declared = yaml.safe_load((PROJECT / "mkdocs.yml").read_text(encoding="utf-8"))["markdown_extensions"]
    named = [(e, {}) if isinstance(e, str) else next(iter(e.items())) for e in declared]
    return markdown.Markdown(extensions=["toc", "tables", "fenced_code", *(n for n, _ in named)], extension_configs={n: c for n, c in named if c})


@lru_cache(4096)
def as_html(page: str) -> str:
    """A page's Markdown as the site's engine makes it HTML; the front matter is left out."""
    body = page.split("\n---\n", 1)[1] if page.startswith("---\n") else page
    return _engine().reset().convert(body)


_PATH = re.compile(r"(?:[a-z0-9_-]+/)*[a-z0-9_-]+(?:\.[a-z0-9]+)+\Z")
_DATA = re.compile(r'"(?:[^"\\\x00-\x1f\u2028\u2029]|\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4}))*"')
# What is left of a calculator's script once its texts are out: our own words, the names of the formulas, numbers, signs.
_LOOSE = re.compile(r"[^A-Za-z0-9_.$\s(){}\[\]:;,=+*/<>!&|?'%-]")


_DESCRIBED = re.compile(r'\n<script type="application/ld\+json">([^<]*)</script>\n\Z')


def page_faults(page: pages.Page) -> Iterator[str]:
    """What is wrong with one file of the site: its name, its markup, what its script holds."""
    if not _PATH.match(page.path) or ".." in page.path:
        yield f"The file name {page.path!r}"
    if page.path.endswith(".md"):
        title = page.text.split("\n", 2)[1] if page.text.startswith("---\n") else ""
        if re.search(r"<[A-Za-z/!?]|&#?\w+;", title):  # the engine's templates print it as it is
            yield f"Markup in the front matter: {title[:80]!r}"
        text, described = page.text, _DESCRIBED.search(page.text)
        if described and page.path.startswith("techniques/"):  # data that no browser runs: it must be that, and end where it says
            json.loads(described[1])
            text = text[: described.start()]
        yield from markup_faults(as_html(text))
    elif page.path.endswith((".js", ".json")):
        if "</script" in page.text.lower() or "<!--" in page.text:
            yield "The end of a script within one"
        if page.path.endswith(".json"):
            json.loads(page.text)
        else:
            rest = _DATA.sub("0", re.sub(r"\A//[^\n]*\n", "", page.text))  # the first line is a comment with the file's own name
            if loose := _LOOSE.search(rest):
                yield f"Loose text in a script: {rest[loose.start():][:40]!r}"


# --- whole cards ----------------------------------------------------------------------------------------------------


@cache
def schemas() -> validate.Schemas:
    return validate.Schemas(compose.load_schemas(PROJECT))


def _kind(file: Path) -> str:
    return FOLDERS.get(file.parent.name) or SINGLE[file.name]


@cache
def valid() -> tuple[tuple[str, str, str, bytes], ...]:
    """(path, kind, id, bytes) of the valid library."""
    return tuple((f"cards/{f.relative_to(VALID).as_posix()}", _kind(f), f.stem, f.read_bytes()) for f in sorted(VALID.rglob("*.yaml")))


@cache
def sound(name: str) -> Document:
    """A card of the valid library."""
    return next(parse_yaml(raw, n, kind, id) for n, kind, id, raw in valid() if n == name)


def whole_check(name: str, kind: str, id: str, raw: bytes) -> list[Problem]:
    """The whole check of the valid library with one file's bytes changed; it is rendered when it is clean."""
    start = time.process_time()
    parsed = parse_yaml(raw, name, kind, id)
    documents = [sound(n) for n, *_ in valid() if n != name]
    problems: list[Problem] = []
    unsound = set()
    if isinstance(parsed, Problem):
        problems.append(parsed)
        unsound.add((kind, id))
    else:
        documents.append(parsed)
    library, found = validate.validate(documents, schemas(), unsound)
    problems += found
    problems += rules.check(library, units())
    linked, found = link.link(library)
    problems += found
    ready, found = calculate.prepare(library, units())
    problems += found
    made = [] if problems else list(compose.pages(compose.Built(linked, ready, [], units()), REFERENCES))
    assert time.process_time() - start < LONGEST, "Too slow for one file."
    for page in made:
        assert not (wrong := list(page_faults(page))), (page.path, wrong)
    for p in in_order(problems):
        assert p.line >= 1 and p.column >= 1 and p.message and p.fix
        assert raw.count(b"\n") + raw.count(b"\r") + 2 >= p.line or p.file != name
    return problems


# --- formulas -------------------------------------------------------------------------------------------------------


@cache
def types() -> dict[str, Type]:
    """The names a formula of the fuzz tests may use."""
    number = lambda unit: Type("number", units().dimension(unit))  # noqa: E731
    return {"iop": number("mmHg"), "kilo": number("kPa"), "wait": number("day"), "hours": number("clock hour"), "x": number("ratio"), "on": Type("date"),
            "eye": Type("choice", keys=("right", "left"))}


VALUES = {"iop": 20.0, "kilo": 1.0, "wait": 3.0, "hours": 2.0, "x": 0.5, "on": 20000, "eye": "right", LIST_DAYS: (1, 4)}
_WORDS_OF_SCRIPT = re.compile(rf'\s*(?:v\.(?:{"|".join([*VALUES, LIST_DAYS])})(?!\w)|Math\.(?:{"|".join([*(f for f in FUNCTIONS), "pow", "PI"])})(?!\w)|ok(?=\()|listDay(?=\()'
                              r'|"(?:right|left)"|\d+(?:\.\d+)?(?:e[-+]?\d+)?|&&|\|\||[=!]==|[<>]=?|[-+*/(),?:!])')
_NODES = (ast.Expression, ast.Constant, ast.Name, ast.Load, ast.BinOp, ast.UnaryOp, ast.BoolOp, ast.Compare, ast.Call, ast.operator, ast.unaryop, ast.boolop, ast.cmpop)
_OPERATORS = {"+", "-", "*", "/", "**", "neg", "and", "or", "not", "<", "<=", ">", ">=", "==", "!=", *FUNCTIONS}
_EQUATION = {"mrow", "mi", "mn", "mo", "mtext", "mfrac", "msup", "msqrt", "mtable", "mtr", "mtd", "msub", "mroot", "mspace", "mstyle", "mpadded"}
# (source, JavaScript, value) of the formulas accepted lately, for the look at whether a browser's engine agrees.
ACCEPTED: list[tuple[str, str, float | bool]] = []
KEPT = 4_000


def _parts(e: Expr) -> Iterator[Expr]:
    yield e
    for arg in e.args if isinstance(e, Op) else (e.arg,) if isinstance(e, Convert) else ():
        yield from _parts(arg)


def steady(tree: Expr, value: float | bool) -> bool:
    """Whether the value stays if every function is a hair off: only then can two machines be asked to agree."""
    for hair in (1 + 1e-14, 1 - 1e-14):
        inexact = {n: (lambda *a, f=formula._PYTHON[n]: f(*a) * hair) for n in ("exp", "log", "log10", "sin", "cos", "tan", "asin", "acos", "atan", "**")}
        with mock.patch.dict(formula._PYTHON, inexact):
            other = evaluate(tree, VALUES)
        if isinstance(value, bool) != isinstance(other, bool) or not agree(value, other, 1e-9):
            return False
    return True


def agree(one: float | bool, other: float | bool | None, within: float) -> bool:
    """The same truth, the same number, or no answer in both (None: what a browser without an answer gives)."""
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if other is None or not math.isfinite(one) or not math.isfinite(other):
        return not math.isfinite(one) and (other is None or not math.isfinite(other))
    return abs(one - other) <= within * max(1, abs(one))


def formula_check(source: str) -> bool:
    """Whether a text is a formula; raises if it is neither that nor told of, or does more than a formula may."""
    try:
        # Of the standard library's parser nothing is executed; the audit would tell.
        with watched(code=True), warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            tree, found = check(parse(source), types(), units())
    except FormulaError as error:
        assert not said, "Python's own remarks on a formula are nothing for a surgeon's terminal."
        assert error.message and error.fix and 0 <= error.column <= len(source.encode(errors="replace")) + 1
        return False
    # Two looks of our own at what was let through: at Python's tree and at ours.
    for node in ast.walk(ast.parse(source.strip(), mode="eval")):
        assert isinstance(node, _NODES), f"{type(node).__name__} is not of the language."
        assert not isinstance(node, ast.Call) or isinstance(node.func, ast.Name) and node.func.id in FUNCTIONS and not node.keywords
        assert not isinstance(node, ast.Name) or node.id in {*types(), *CONSTANTS, *FUNCTIONS}, node.id
        assert not isinstance(node, ast.Constant) or type(node.value) in (int, float, str)
    for part in _parts(tree):
        assert isinstance(part, (Num, Key, Name, Op, Convert))
        assert not isinstance(part, Op) or part.op in _OPERATORS
        assert not isinstance(part, Key) or part.key in ("right", "left")
        assert not isinstance(part, Num) or math.isfinite(part.value)
    with watched(code=True):
        value = evaluate(tree, VALUES)
    # A choice by itself is no result: `converted` refuses it below.
    assert type(value) in (bool, int, float) or found.kind == "choice" and value in ("right", "left"), value
    script = javascript(tree)
    assert not (rest := _WORDS_OF_SCRIPT.sub("", script)).strip(), f"{rest!r} is not of the language."
    equation = ElementTree.fromstring(f"<math>{mathml(tree, lambda n: f'<mi>{escape(n)}</mi>', lambda n, k: f'<mi>{escape(k)}</mi>')}</math>")
    assert {e.tag for e in equation.iter()} <= {*_EQUATION, "math"}
    assert not any(e.attrib.keys() - {"mathvariant", "stretchy", "fence", "columnalign"} for e in equation.iter())
    if len(ACCEPTED) < KEPT and found.kind != "choice" and steady(tree, value):
        ACCEPTED.append((source, script, value))
    for unit in ("mmHg", "kPa", "ratio", "day"):
        try:
            converted(tree, found, unit, units())
            assert found.kind == "number"
        except FormulaError as error:
            assert error.rule == "dimension"
    return True


# --- calculators ----------------------------------------------------------------------------------------------------


@cache
def ready() -> calculate.Ready:
    """The calculator of the valid library."""
    library, _ = validate.validate([sound(n) for n, *_ in valid()], schemas())
    return next(iter(calculate.prepare(library, units())[0].values()))


def answers_check(text: str) -> None:
    """Lines name=value as typed for a calculator: numbers or refusals, and nothing worked out beside a refusal."""
    given = dict(line.partition("=")[::2] for line in text.split("\n") if "=" in line)
    result = calculate.run(ready(), given, date(2026, 11, 25))
    assert bool(result.refusals) != bool(result.values)
    for refusal in result.refusals:
        assert refusal.name in {*ready().inputs, *ready().declared.outputs, *given} and refusal.message
    for name, value in result.values.items():
        if isinstance(value, float) and math.isnan(value):
            assert name in result.withheld
            continue
        entered = ready().inputs.get(name)
        if entered and entered.declared.kind == "number":
            assert entered.low <= value <= entered.high, name
            assert name not in given or given[name].isascii() or re.search(r"[\u2212µ²³°·]", given[name]), "The browser reads no such digits."
    for o in ready().declared.outputs.values():
        if result.values:
            calculate.words(o, result.values[o.name])


# --- sentences ------------------------------------------------------------------------------------------------------

CONTROLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufffe\uffff\ud800-\udfff]")


def sentence_check(text: str) -> None:
    """A text brings no markup of its own, closes what it opens, and loses no word."""
    text = CONTROLS.sub("", text)  # the reader refuses them, so no sentence holds one
    made = to_html(text, lambda x: f'<a href="#{x.target}"></a>')
    assert "<" not in re.sub(r"</?(?:em|strong)>|<a href=\"#[A-Za-z0-9_./-]*\">|</a>", "", made)
    assert made.count("<em>") == made.count("</em>")
    assert made.count("<strong>") == made.count("</strong>")
    plain(text)
    found = list(faults(text))
    for fault in found:
        assert 0 <= fault.start <= len(text)
        assert fault.message and fault.fix
    if not found:
        assert not markup_faults(made), markup_faults(made)
        shown = re.sub(r"<[^>]*>", "", to_html(text, lambda x: escape(x.words, quote=False)))
        for entity, character in (("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&")):
            shown = shown.replace(entity, character)
        # Stars may have become emphasis; nothing else may be lost.
        assert "".join(shown.split()).replace("*", "") == "".join(plain(text).split()).replace("*", "")


# --- the reader -----------------------------------------------------------------------------------------------------

_HEADER = re.compile(rb"# kind: ([a-z]+)")


def _as_card(raw: bytes) -> tuple[str, str, str, bytes]:
    """The card of the valid library that the bytes stand in for: of the kind their first line names, as in tests/cards/invalid."""
    m = _HEADER.match(raw)
    kind = m[1].decode() if m else "technique"
    return next(((n, k, i, raw) for n, k, i, _ in valid() if k == kind), (*valid()[-1][:3], raw))


def reader_check(raw: bytes) -> None:
    """Any bytes are a document or a problem with a place; a document's words are the file's."""
    name, kind, id, _ = _as_card(raw)
    with watched(code=True):
        parsed = parse_yaml(raw, name, kind, id)
    if isinstance(parsed, Problem):
        found = [parsed]
    else:
        json.dumps(parsed.data, allow_nan=False).encode("utf-8")
        found = validate.validate([parsed], schemas())[1]
    for p in found:
        assert p.line >= 1 and p.column >= 1 and p.message and p.fix
        f"{p.message} {p.fix}".encode("utf-8")


def card_check(raw: bytes) -> None:
    """Any bytes in the place of a card are told of or become sound pages, and nothing is touched on the way."""
    with watched():
        whole_check(*_as_card(raw))


# --- strategies -----------------------------------------------------------------------------------------------------

CARDS = [v for v in valid() if v[1] != "source"]

YAML_BITS = ["&a ", "*a", "!!str ", "!x ", "? ", ": ", "- ", "[", "]", "{", "}", "'", '"', "|\n", ">\n", "#", "%", "@", "`", "\t", "\n", "\r", "\x00",
             "\u2028", "\ufeff", "\U0001f441", "~", "null", "true", "1e999", "0x1F", "12:30:45", "---\n", "...\n", "<<: ", "<b>", "](card:x)", "[](quantity:wait)",
             "[](quantity:injection-first/window.low)", "[](term:tamponade)", "[](value:iop)", "[](page:about-the-cards)", "withheld", "list_day(opens)", "holds: iop > limit", "{low: mean, high: iop, label: x}", "common practice", "5 mmHg", "basis:", "\\0", "iop ** 99", "1.0", "-1", "",
             # words that would be markup if they were not kept from it
             "<script>alert(1)</script>", "\" onfocus=alert(1) x=\"", "' onx=1 '", "{: onclick=x }", "{ .a onclick=x }", "\"\\n\\n# {: onclick=x}\"", "](javascript:x)", "<javascript:x>", "&ltscript&gt",
             "\"\\ud800\"", "\"\\u202e\"", "\"\\u200b\"", "\"\\x85\"", "[a]: javascript:x", "*[a]: b", "\"\\n    code\"", "\"\\n: b\"", "-->", "</title>", "{{ 7 * 7 }}", "{% raw %}", "9" * 50, ".inf", ".nan", "1e400", "../../x"]


@st.composite
def mutated(draw: st.DrawFn) -> tuple[str, str, str, bytes]:
    """A sound card with some of its bytes, lines or words changed as an editor's slips change them."""
    name, kind, id, raw = draw(st.sampled_from(CARDS))
    text = raw.decode()
    for _ in range(draw(st.integers(1, 4))):
        lines = text.split("\n")
        i = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["insert", "cut", "line out", "line twice", "indent", "swap", "value", "add", "byte"])):
            case "insert":
                at = draw(st.integers(0, len(text)))
                text = text[:at] + draw(st.sampled_from(YAML_BITS)) + text[at:]
            case "cut":
                at = draw(st.integers(0, len(text)))
                text = text[:at] + text[at + draw(st.integers(1, 40)):]
            case "line out":
                text = "\n".join(lines[:i] + lines[i + 1:])
            case "line twice":
                text = "\n".join(lines[: i + 1] + lines[i:])
            case "indent":
                lines[i] = " " * draw(st.integers(0, 8)) + lines[i].lstrip() if draw(st.booleans()) else "\t" + lines[i]
                text = "\n".join(lines)
            case "swap":
                j = draw(st.integers(0, len(lines) - 1))
                lines[i], lines[j] = lines[j], lines[i]
                text = "\n".join(lines)
            case "value":
                lines[i] = re.sub(r":( .*)?$", lambda _: ": " + draw(st.sampled_from(YAML_BITS)), lines[i], count=1)
                text = "\n".join(lines)
            case "add":
                # One text with more in it stays sound more often than one with something else.
                more = json.dumps(" " + draw(st.sampled_from(YAML_BITS)), ensure_ascii=draw(st.booleans()))
                lines[i] = re.sub(r": ([A-Z][^{}\[\]\"':#]*)$", lambda m: f': "{m[1]}{more[1:]}', lines[i], count=1)
                text = "\n".join(lines)
            case "byte":
                at = draw(st.integers(0, max(0, len(text) - 1)))
                return name, kind, id, text[:at].encode(errors="replace") + bytes([draw(st.integers(0, 255))]) + text[at + 1 :].encode(errors="replace")
    return name, kind, id, text.encode(errors="replace")


_PIECES = ["<", ">", "&", "&lt;", "*", "**", "[", "](", ")", "](card:a)", "[](term:b)", "javascript:", "\\", "`", "\n", "\n\n", "\x00", "\x000\x00", "<script>",
           "<b onclick=1>", "word", " ", "µ", "-", "1.", "5 mm", "\u2028", "'", '"']
sentences = st.lists(st.sampled_from(_PIECES) | st.text(max_size=6), max_size=20).map("".join)

_TOKENS = ["iop", "wait", "on", "eye", "hours", "pi", "x", "0", "1", "2.5", "1e9", "1e-9", "1e400", "0.5", "1_000", "0x10", "1j", "+", "-", "*", "/", "**", "%", "//", "(", ")",
           ",", "<", "<=", "==", "!=", " and ", " or ", "or ", " not ", " if ", " else ", " in ", " is ", "lambda x: x", "min(", "max(", "abs(", "sqrt(", "exp(", "log(", "sin(",
           "asin(", "acos(", "tan(", "atan(", "log10(", "floor(", "ceil(", "list_day(", "list_day(on)", "where(", "True", "None", "...", "'right'", '"left"', "'\\d'", "f'{x}'", "b'x'", "[1]", "{}", ".real", "__import__('os')", ":=", "@", "~", "é", " ", "\n", "#"]
formulas = st.lists(st.sampled_from(_TOKENS), min_size=1, max_size=14).map("".join) | st.text(max_size=30)

_numbers = st.sampled_from(["x", "0", "2", "0.5", "100", "1e300", "(iop / kilo)", "(wait / wait)", "sin(hours)", "floor(iop / kilo)"])
_inner: Callable[[st.SearchStrategy[str]], st.SearchStrategy[str]] = lambda inner: st.one_of(  # noqa: E731
    st.tuples(inner, st.sampled_from(["+", "-", "*", "/", "**"]), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
    st.tuples(st.sampled_from(["sqrt", "exp", "abs", "log", "log10", "sin", "cos", "tan", "asin", "acos", "atan", "floor", "ceil", "-"]), inner).map(lambda t: f"{t[0]}({t[1]})"),
    st.tuples(st.sampled_from(["min", "max"]), inner, inner).map(lambda t: f"{t[0]}({t[1]}, {t[2]})"),
    st.tuples(inner, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), inner, st.sampled_from(["", " and eye == 'right'", " or not x < 1"]), inner, inner).map(
        lambda t: f"where({t[0]} {t[1]} {t[2]}{t[3]}, {t[4]}, {t[5]})"),
    st.tuples(inner, st.sampled_from(["**2", "**-3", "**0.5", "**300", "**1e9"])).map("".join))
# Formulas that fit, so that there is something to work out.
well_formed = st.recursive(_numbers, _inner, max_leaves=8)
powers = st.recursive(st.sampled_from(["iop", "kilo", "x", "hours", "2", "0.5", "100"]), _inner, max_leaves=8)

_TYPED = ["120", "80", "0", "-1", "1,5", "1.234,5", "1,000", "1e3", "1e999", "12 mmHg", "16 kPa", "16kPa", "5 mm", "right", "left", "Right", "2026-11-25", "2026-02-30", "1899-12-31",
          "9999-12-31", "today", "", " ", "nan", "inf", "-inf", "١٢٠", "１２０", "−5", "+5", ".5", "5.", "1_000", "0x10", "µ", "\x00", "1" * 400]
typed = st.lists(st.tuples(st.sampled_from([*ready().inputs, "other"]), st.sampled_from(_TYPED) | st.text(max_size=8)), max_size=8).map(
    lambda pairs: "\n".join(f"{n}={v}" for n, v in pairs))


# --- targets --------------------------------------------------------------------------------------------------------


def _text(check: Callable[[str], object]) -> Callable[[bytes], None]:
    return lambda raw: (check(raw.decode("utf-8", "ignore")), None)[1]


def _bytes(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    return strategy.map(lambda text: text.encode("utf-8", "ignore"))


def _headed(card: tuple[str, str, str, bytes]) -> bytes:
    return f"# kind: {card[1]}\n".encode() + card[3]


@dataclass(frozen=True)
class Target:
    """check: raises on bytes that break the builder. cases: what Hypothesis tries. seeds: what libFuzzer starts from."""

    check: Callable[[bytes], None]
    cases: st.SearchStrategy[bytes]
    seeds: Callable[[], list[bytes]]
    longest: int = 400  # bytes


def _cards() -> list[bytes]:
    return [_headed(v) for v in valid()] + [f.read_bytes() for f in sorted(INVALID.glob("*.yaml"))]


def _strings(data: object) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    for value in data.values() if isinstance(data, dict) else data if isinstance(data, list) else ():
        yield from _strings(value)


def _sentences() -> list[bytes]:
    return sorted({s.encode() for n, *_ in valid() for s in _strings(sound(n).data) if " " in s})


def _formulas() -> list[bytes]:
    own = [o.formula for o in ready().declared.outputs.values() if o.formula]
    return [f.encode() for f in (*own, "where(eye == 'right', iop + kilo, 2 * iop)", "list_day(on + wait)", "sin(hours) ** 2 < x", "min(iop, kilo, 0) - abs(iop)")]


TARGETS: dict[str, Target] = {
    "reader": Target(reader_check, st.binary(max_size=400) | mutated().map(_headed), _cards, 20_000),
    "sentence": Target(_text(sentence_check), _bytes(sentences), _sentences, 1_200),
    "formula": Target(_text(formula_check), _bytes(well_formed | formulas | powers), _formulas),
    "answers": Target(_text(answers_check), _bytes(typed), lambda: [b"systolic=16 kPa\niop=1,5\ninjected=2026-11-20", b"eye=left\ndiastolic=80"]),
    "card": Target(card_check, mutated().map(_headed), _cards, 20_000),
}


def dictionary() -> list[str]:
    """The words of the card language, from the schemas and the builder itself: what chance would seldom put together."""
    def words(schema: object) -> Iterator[str]:
        if isinstance(schema, dict):
            yield from (f"{k}:" for k in schema.get("properties", ()))
            yield from (str(x) for x in schema.get("enum", ()))
            for value in schema.values():
                yield from words(value)
        elif isinstance(schema, list):
            for value in schema:
                yield from words(value)

    from builder.text import SCHEMES
    from builder.units import TABLE

    found = [*words(compose.load_schemas(PROJECT)), *YAML_BITS, *_TOKENS, *_PIECES, *_TYPED, *TABLE, *(f"[]({s}:" for s in SCHEMES), *(f"{f}(" for f in FUNCTIONS), *types(),
             *(f"{n}=" for n in ready().inputs)]
    return sorted({w for w in found if w and len(w.encode("utf-8", "ignore")) <= 60})
