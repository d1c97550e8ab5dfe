"""What a schema cannot say. One small function a rule; each rule has a card in tests/cards/invalid/ that fails it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, MutableMapping
from datetime import date
from typing import Any

from .model import CHECKED, PLACEHOLDER, Document, Library, Path, kept_or_made
from .problems import Problem
from .text import faults, links, parts
from .units import Units

_DIGIT = re.compile(r"\d")
_WITH_NUMBERS = ("technique", "calculator", "overrides")

RuleOfDocument = Callable[[Document, Units], Iterator[Problem]]
RuleOfLibrary = Callable[[Library, Units], Iterator[Problem]]


def check(library: Library, units: Units, kept: MutableMapping[str, Any] | None = None) -> list[Problem]:
    """Every rule on the whole library.

    kept: what an earlier call found in each document; one that is the very same object is not looked at again.
    """
    kept, found = {} if kept is None else kept, []
    for d in library.documents:
        found += kept_or_made(kept, d.file, d, lambda: [problem for rule in OF_A_DOCUMENT for problem in rule(d, units)])
    return found + [problem for rule in OF_THE_LIBRARY for problem in rule(library, units)]


def id_is_file_name(d: Document, units: Units) -> Iterator[Problem]:
    """id-differs: the id, where it is written, is the file name."""
    given = d.data.get("id")
    if given is not None and given != d.id:
        yield _at(d, ("id",), "id-differs", f"The id is '{given}' but the file is named '{d.id}.yaml'; the file name is the id.",
                  f"Remove the id, or rename the file to {given}.yaml.")


def sentences_are_plain(d: Document, units: Units) -> Iterator[Problem]:
    """raw-html, script-link, link-form, text-language, one-paragraph: a sentence is plain text and links."""
    for path, text in d.texts:
        for fault in faults(text):
            place = d.marks.within(path, text[fault.start : fault.start + 24], text[: fault.start])
            yield Problem(d.file, *place, fault.rule, fault.message, fault.fix)


def numbers_are_quantities(d: Document, units: Units) -> Iterator[Problem]:
    """number-in-prose: a number with a unit is written once, as a quantity, and linked to."""
    for path, text in d.texts:
        if not _DIGIT.search(text) or not units.in_prose.search(text):
            continue
        before = ""
        for part in parts(text):
            plain = part if isinstance(part, str) else part.words
            for m in units.in_prose.finditer(plain):
                yield Problem(d.file, *d.marks.within(path, m[1], before + plain[: m.start(1)]), "number-in-prose",
                              f"'{m[1]}' is a number with a unit inside a sentence.",
                              "Make it a quantity with a basis and link to it: [](quantity:key).")
            before += plain


def units_are_known(d: Document, units: Units) -> Iterator[Problem]:
    """unknown-unit: every unit is one the builder knows."""
    for path, name in _units(d):
        if not units.known(name):
            near = units.suggestion(name)
            yield _at(d, path, "unknown-unit", f"'{name}' is not a unit the builder knows."
                      + (f" Did you mean '{near}'?" if near else ""),
                      f"Write {near}." if near else "See the list of units in DEVELOPERS.md; a new one is added in builder/units.py.")


def reported_figures_compare(d: Document, units: Units) -> Iterator[Problem]:
    """wrong-dimension: a published figure measures the same thing as the department's own."""
    if d.kind != "technique":
        return
    for key, q in d.data.get("quantities", {}).items():
        for i, r in enumerate(q.get("reported", ())):
            if units.known(q["unit"]) and units.known(r["unit"]) and not units.same_dimension(q["unit"], r["unit"]):
                yield _at(d, ("quantities", key, "reported", i, "unit"), "wrong-dimension",
                          f"The published figure is in {r['unit']} but the quantity '{key}' is in {q['unit']}; they do not measure the same thing.",
                          f"Give the figure in a unit of the same kind as {q['unit']}, or make it a quantity of its own.")


def reported_figures_are_answered(d: Document, units: Units) -> Iterator[Problem]:
    """reported-without-why: a key number beside other people's figures says why the department uses its own."""
    if d.kind != "technique":
        return
    for key, q in d.data.get("quantities", {}).items():
        if "reported" in q and "why" not in q and q.get("key", True):
            yield Problem(d.file, *d.marks.key(("quantities", key)), "reported-without-why",
                          f"The key number '{key}' stands beside published figures, but does not say why the department uses its own.",
                          "Add why: one or two sentences. For a figure that is only cited, write key: false.")


def initials_stand_apart(d: Document, units: Units) -> Iterator[Problem]:
    """initials-joined: a citation processor takes initials written together for one name, and prints only the first."""
    if d.kind != "source":
        return
    for role in ("author", "editor"):
        for i, person in enumerate(d.data.get(role, ())):
            given = person.get("given", "")
            if len(given) > 1 and given.isalpha() and given.isupper():
                yield _at(d, (role, i, "given"), "initials-joined", f"The initials '{given}' are written together; the reference would show only '{given[0]}'.",
                          f'Write given: "{" ".join(c + "." for c in given)}"')


def other_units_convert(d: Document, units: Units) -> Iterator[Problem]:
    """wrong-dimension: the other units of an input convert to its own."""
    if d.kind != "calculator":
        return
    for name, x in d.data["inputs"].items():
        for i, other in enumerate(x.get("also_in", ())):
            if units.known(other) and units.known(x.get("unit", "")) and not units.same_dimension(other, x["unit"]):
                yield _at(d, ("inputs", name, "also_in", i), "wrong-dimension",
                          f"'{other}' does not convert to {x['unit']}.", f"List only units of the same kind as {x['unit']}.")


def ranges_run_upwards(d: Document, units: Units) -> Iterator[Problem]:
    """range-order, two-numbers: low is below high, and a single value stands alone."""
    for path, x in _amounts(d):
        low, high = x.get("low"), x.get("high")
        if "value" in x and (low is not None or high is not None):
            yield _at(d, path, "two-numbers", "This has both a value and a low or high.", "Give value alone, or low and high.")
        elif isinstance(low, (int, float)) and isinstance(high, (int, float)) and low >= high:
            yield _at(d, (*path, "low"), "range-order", f"The range runs downwards: low {low} is not below high {high}.",
                      "Swap the two, or give a single value.")


def dates_exist(d: Document, units: Units) -> Iterator[Problem]:
    """no-such-date: a written date is one of the calendar."""
    signings = {("review", "signed_off"): d.data.get("review", {}).get("signed_off", {})}
    if d.kind == "overrides":
        signings = {("signed_off", card): x for card, x in d.data.get("signed_off", {}).items()}
    for place, signed in signings.items():
        if "on" not in signed:
            continue
        try:
            date.fromisoformat(signed["on"])
        except ValueError:
            yield _at(d, (*place, "on"), "no-such-date", f"'{signed['on']}' is not a day of the calendar.", "Correct the date.")
    for key in ("issued", "accessed") if d.kind == "source" else ():
        for i, parts in enumerate(d.data.get(key, {}).get("date-parts", ())):
            try:
                date(*parts, *(1, 1)[len(parts) - 1 :])  # month and day may be left out
            except (TypeError, ValueError, OverflowError):
                yield _at(d, (key, "date-parts", i), "no-such-date", f"'{key}' is {', '.join(map(str, parts))}: there is no such {_part(len(parts))}.",
                          "Write year, month and day in this order, as figures; leave out what is not known.")


def _part(count: int) -> str:
    return ("year", "month", "day")[count - 1]


def order_has_an_end(library: Library, units: Units) -> Iterator[Problem]:
    """next-cycle: following `next` from card to card never comes back."""
    following = {c.id: [n for n in c.next if n in library.techniques] for c in library.techniques.values()}
    done: set[str] = set()
    told: set[frozenset[str]] = set()
    for first in following:
        if first in done:
            continue
        trail, stack = [first], [iter(following[first])]
        while stack:
            step = next(stack[-1], None)
            if step is None:
                done.add(trail.pop())
                stack.pop()
            elif step in trail:
                circle = trail[trail.index(step):]
                if frozenset(circle) not in told:
                    told.add(frozenset(circle))
                    d = _document(library, "technique", circle[-1])
                    at = list(d.data["next"]).index(step)
                    yield _at(d, ("next", at), "next-cycle", f"'next' runs in a circle: {' -> '.join([*circle, step])}.",
                              "Remove one of these links; use see_also for cards that only belong together.")
            elif step not in done:
                trail.append(step)
                stack.append(iter(following[step]))


def stages_stand_once(d: Document, units: Units) -> Iterator[Problem]:
    """stage-twice: a pathway passes through each stage once."""
    if d.kind != "pathway":
        return
    seen: set[str] = set()
    for i, stage in enumerate(d.data["stages"]):
        if stage["stage"] in seen:
            yield _at(d, ("stages", i, "stage"), "stage-twice", f"The stage '{stage['stage']}' stands twice in this pathway.",
                      "Join the two entries.")
        seen.add(stage["stage"])


def marks_are_not_upgraded(library: Library, units: Units) -> Iterator[Problem]:
    """checked-upgrade: a citation does not claim to have read more than was read of its source."""
    for d, path, citation in citations(library):
        source = library.sources.get(citation["source"])
        if source and CHECKED.index(citation["checked"]) < CHECKED.index(source.checked):
            yield _at(d, (*path, "checked"), "checked-upgrade",
                      f"This says '{citation['checked']}', but of '{source.id}' only the {source.checked} was confirmed.",
                      f"Write checked: {source.checked}, or read the source and change its own mark.")


def department_is_described(library: Library, units: Units) -> Iterator[Problem]:
    """no-department: the site needs to know whose practice this is."""
    if library.department is None and ("department", "department") not in library.unsound:
        yield Problem("cards/department.yaml", 1, 1, "no-department", "There is no cards/department.yaml, so the site has no name.",
                      "Make one: cards new department department")


def values_belong_to_verdicts(d: Document, units: Units) -> Iterator[Problem]:
    """value-outside-verdict: [](value:name) means something only in the verdict of a calculator."""
    for path, text in d.texts:
        for link in links(text) if "value:" in text else ():
            if link.scheme == "value" and not (d.kind == "calculator" and path[0] == "verdicts"):
                yield Problem(d.file, *d.marks.within(path, "value:" + link.target, text[: link.start]), "value-outside-verdict",
                              "A value: link stands outside a calculator's verdict.", "Link to a quantity instead.")


def labels_are_plain(d: Document, units: Units) -> Iterator[Problem]:
    """raw-html, link-outside-sentence: a title, label or note is words alone; the engine would take a tag in a title for one."""
    if not any(d.marks.text.count(mark) > sum(text.count(mark) for _, text in d.texts) for mark in ("](", "<", "&", "\\")):
        return  # what would be wrong stands in sentences only; a backslash may write any of it
    sentences = {path for path, _ in d.texts}
    for path, text in _strings(d.data, ()):
        if path in sentences:
            continue
        if "](" in text and next(links(text), None):
            yield _at(d, path, "link-outside-sentence", "A link can only stand in a sentence, not in a title, label or note.", "Write the words alone.")
        for fault in faults(text) if "<" in text or "&" in text else ():
            if fault.rule == "raw-html":
                yield Problem(d.file, *d.marks.within(path, text[fault.start : fault.start + 24], text[: fault.start]), fault.rule, fault.message, fault.fix)


def starter_words_are_replaced(d: Document, units: Units) -> Iterator[Problem]:
    """unfinished: no sentence of a starter file (cards new) is left as it came."""
    if PLACEHOLDER.split()[0] not in d.marks.text and "\\" not in d.marks.text:
        return
    for path, text in _strings(d.data, ()):
        if text.startswith(PLACEHOLDER):
            yield _at(d, path, "unfinished", f"This is still the starter's text: '{text[:50]}'.", "Write your own words, or remove the key.")


OF_A_DOCUMENT: tuple[RuleOfDocument, ...] = (
    id_is_file_name, sentences_are_plain, numbers_are_quantities, units_are_known, reported_figures_compare, reported_figures_are_answered,
    initials_stand_apart, other_units_convert, ranges_run_upwards, dates_exist, stages_stand_once, values_belong_to_verdicts, labels_are_plain,
    starter_words_are_replaced,
)
OF_THE_LIBRARY: tuple[RuleOfLibrary, ...] = (order_has_an_end, marks_are_not_upgraded, department_is_described)


def citations(library: Library) -> Iterator[tuple[Document, Path, dict]]:
    """Every citation of the library with its document and path."""
    for d in library.documents:
        if d.kind != "source":
            yield from ((d, path, c) for path, c in d.nodes if path[-2:-1] == ("basis",) and "source" in c and "checked" in c)


def _strings(data: object, path: Path) -> Iterator[tuple[Path, str]]:
    if isinstance(data, str):
        yield path, data
    elif isinstance(data, (dict, list)):
        for key, value in data.items() if isinstance(data, dict) else enumerate(data):
            yield from _strings(value, (*path, key))


def _document(library: Library, kind: str, id: str) -> Document:
    return next(d for d in library.documents if (d.kind, d.id) == (kind, id))


def _units(d: Document) -> Iterator[tuple[Path, str]]:
    if d.kind not in _WITH_NUMBERS:
        return
    for path, x in d.nodes:
        if isinstance(x.get("unit"), str):
            yield (*path, "unit"), x["unit"]
        if isinstance(x.get("also_in"), list):
            yield from (((*path, "also_in", i), u) for i, u in enumerate(x["also_in"]))


def _amounts(d: Document) -> Iterator[tuple[Path, dict]]:
    if d.kind in _WITH_NUMBERS:
        # Inputs are looked at when the calculator is made ready.
        yield from ((path, x) for path, x in d.nodes if "unit" in x and "basis" in x)


def _at(d: Document, path: Path, rule: str, message: str, fix: str) -> Problem:
    return Problem(d.file, *d.marks.value(path), rule, message, fix)
