"""Library -> {path: Markdown}. Headings are Markdown; what stands beneath them is HTML with one block a heading."""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ..link import Linked, Statement
from ..model import STAGES, Calculator, Library, Pathway, QuantityFromBase, Source, Technique, Term
from ..signoff import due, lapsed
from ..text import plain
from ..units import Units, unit_shown
from ..versions import Versions
from . import brief, fields, lists, questions, searching
from . import calculator as calc
from ..ledger import Ledger, ledger
from .axis import axis
from .prose import MARKS, MEANINGS, Prose, short_name

_encoded = json.JSONEncoder(ensure_ascii=False).encode
WORDS_A_MINUTE = 200
ROWS_A_PAGE = 1500  # of a ledger
# Pages on which the browser remembers what was read; main.html adds the style and script.
REMEMBERING = {"styles": ["memory"], "scripts": ["memory", "marks"]}


@dataclass(frozen=True, slots=True)
class Page:
    """One file of the site before the engine: its path, its text, and the card it comes from ("" if from many)."""

    path: str
    text: str
    card: str = ""


@dataclass(frozen=True, slots=True)
class Planned:
    """A file of the site that is made when it is asked for. kind, id: the record it is the page of, "" for a page of many."""

    path: str
    make: Callable[[], Page]
    kind: str = ""
    id: str = ""
    pieces: Callable[[], Iterable[str]] | None = None  # of a large file, the text of what `make` gives, piece by piece


def plan(linked: Linked, ready: Mapping[str, Any], examples: Callable[[str], list], tables: Callable[[str], list], references: Mapping[str, str],
         units: Units, version: Versions, lately: Sequence[tuple[str, list[tuple[str, str, str]]]] = (), linked_data: Callable[[str], str] | None = None,
         more: Mapping[str, tuple[str, Callable[[], Page]]] | None = None, tried: Collection[str] = (),
         loaded: Environment | None = None) -> list[Planned]:
    """Every page, every calculator's script, and the data of the search: each is made only when it is asked for.

    ready: calculator id -> a calculator made ready (see calculate.Ready).
    examples: gives a calculator's worked examples with the results that were found (see calculate.worked).
    tables: gives a calculator's tables of typical cases, filled (see calculate.tables).
    references: source id -> its reference in the citation style, plain text (see references.in_style).
    version: gives the version of a card. lately: what was new or changed, day by day (see history.lately).
    linked_data: gives what a technique's page says of itself to a machine, as JSON-LD (see opendata.linked_data).
    more: path -> title and maker of the pages that are made of something other than the cards, to be found by the search like the rest.
    loaded: as `templates` loads them; without, they are loaded anew. tried: calculators whose worked examples were worked out with the numbers of the cards below the local layer.
    """
    library, more = linked.library, more or {}
    env = loaded or templates()
    env.globals.update(linked_data=linked_data, changes="changes.html" if "changes.md" in more else "")
    env.globals.update(references_of=references, axis=lambda q: axis(q, units.factor))
    minutes: dict[str, int] = {}  # asked for on every list of cards

    def minutes_of(t: Technique) -> int:
        if t.id not in minutes:
            minutes[t.id] = reading_minutes(t)
        return minutes[t.id]

    env.globals.update(minutes_of=minutes_of, versions=_Versions(linked, version), lapsed=lambda record: lapsed(record, library))
    on = {id: r for id, r in ready.items() if id not in library.department.calculators_off}
    made: list[Planned] = []
    indexes: list[tuple[str, str]] = []  # (path in the site, title) of the pages of no card

    def index(path: str, title: str, make: Callable[[], Page]) -> None:
        made.append(Planned(path, make))
        indexes.append((path.removesuffix(".md") + ".html", title))

    def each(kind: str, folder: str, records: Mapping[str, Any], make: Callable[[Any], Page]) -> None:
        made.extend(Planned(f"{folder}/{id}.md", functools.partial(make, r), kind, id) for id, r in records.items())

    def data(path: str, make: Callable[[], str], card: str = "") -> None:
        made.append(Planned(path, lambda: Page(path, make(), card)))

    index("index.md", library.department.name, lambda: _home(env, linked, on, lately))
    index("techniques/index.md", "Techniques", lambda: _techniques(env, linked))
    index("sources/index.md", "Sources", lambda: _sources(env, linked))
    index("glossary.md", "Glossary", lambda: _glossary(env, linked))
    index("pathways/index.md", "Cases", lambda: _pathways(env, linked))
    index("calculators/index.md", "Calculators", lambda: _calculators(env, linked, on))
    each("technique", "techniques", library.techniques, lambda t: _technique(env, linked, t, on))
    each("pathway", "pathways", library.pathways, lambda p: _pathway(env, linked, p, on))
    each("calculator", "calculators", on, lambda r: _calculator(env, linked, r, examples(r.declared.id), tables(r.declared.id), r.declared.id in tried))
    each("page", "pages", library.pages, lambda p: _page_of_claims(env, linked, p))
    each("source", "sources", library.sources, lambda s: _source(env, linked, s))
    for path, title, make in _ledgers(env, linked):
        index(path, title, make)
    if pathways := sorted(library.pathways.values(), key=lambda p: p.title):
        index("brief.md", "The brief", lambda: _brief(env, linked, pathways))
        for p in pathways:
            data(f"assets/data/brief-{p.id}.js", lambda p=p: brief.script(brief.data(linked, p, on)), p.file)
        index("selftest.md", "Self-test", lambda: _self_test(env, linked, pathways))
        for p in pathways:
            data(f"assets/data/questions-{p.id}.js", lambda p=p: questions.script(questions.data(linked, p)), p.file)
    for path, (title, make) in more.items():
        index(path, title, make)
    for id, r in on.items():
        data(f"assets/calculators/{id}.js", lambda r=r: calc.script(r), r.declared.file)
    found = functools.cache(lambda: searching.files(linked, on, indexes))
    for path in searching.PATHS:
        data(path, lambda path=path: found()[path])
    return made


class _Versions(dict):
    """Card id -> its version, and the sources it rests on that no longer count: the card a reader meets is another one then. Worked out when asked for."""

    def __init__(self, linked: Linked, version: Versions) -> None:
        self._library, self._version = linked.library, version
        self._flagged: dict[str, set[str]] = {}
        for s in self._library.sources.values():
            if s.withdrawn or s.superseded_by:
                for use in linked.rests_on.get(s.id, ()):
                    self._flagged.setdefault(use.statement.id, set()).add(s.id)

    def __missing__(self, id: str) -> str:
        self[id] = "+".join([self._version(self._library.techniques[id]), *sorted(self._flagged.get(id, ()))])
        return self[id]


def templates() -> Environment:
    """The templates of all pages; loading them takes a moment."""
    env = Environment(loader=PackageLoader("builder.render"), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined)
    env.globals.update(lists=lists, marks=MARKS, meanings=MEANINGS, short_name=short_name, shown=calc.shown, typed=calc.typed, unit_word=unit_shown)
    env.filters["heading"] = heading
    env.filters["minutes"] = reading_minutes
    env.filters["lower_first"] = calc.lower_first
    return env


def heading(text: str) -> Markup:
    """Text that stands in a Markdown heading: on one line, escaped for Markdown as well as for HTML."""
    return Markup(re.sub(r"([\\`*_{}\[\]#])", r"\\\1", " ".join(text.split())).replace("&", "&amp;").replace("<", "&lt;"))


def _page(env: Environment, template: str, path: str, title: str, card: str = "", meta: Mapping[str, Any] | None = None, **values: Any) -> Page:
    front = {"title": title, **(meta or {})}
    # JSON is YAML; the engine reads it as the page's front matter.
    head = "---\n" + "\n".join(f"{k}: {_encoded(v)}" for k, v in front.items()) + "\n---\n"
    body = env.get_template(template).render(title=title, **values)
    while "\n\n\n" in body:  # a part that is left out leaves its blank lines
        body = body.replace("\n\n\n", "\n\n")
    return Page(path, f"{head}{body.strip()}\n", card)


def _by_stage(library: Library) -> list[tuple[str, list[Technique]]]:
    cards = in_order(library)
    return [(stage, found) for stage in STAGES if (found := [t for t in cards if t.stage == stage])]


def in_order(library: Library) -> list[Technique]:
    """The technique cards in the order of the operation: by stage, then along `next`, each as late as what follows it allows, then by title."""
    techniques = library.techniques

    @functools.cache
    def steps_left(id: str) -> int:
        """How many cards at most still follow along `next`."""
        return 1 + max((steps_left(n) for n in techniques[id].next if n in techniques), default=-1)

    return sorted(techniques.values(), key=lambda t: (STAGES.index(t.stage), -steps_left(t.id), t.title.lower()))


def reading_minutes(t: Technique) -> int:
    """Minutes to read a card's sentences, at 200 words a minute, rounded up."""
    texts = [t.summary]
    texts += [c.text for group in (t.when, t.not_when, t.equipment, t.cautions, t.evidence) for c in group]
    texts += [x for s in t.steps for x in (s.do, s.why, s.endpoint)]
    texts += [x for d in t.decisions for x in (d.condition, d.then, d.why)]
    texts += [x for p in t.pitfalls for x in (p.sign, p.respond)]
    words = sum(len(plain(x).split()) for x in texts)
    return max(1, -(-words // WORDS_A_MINUTE))


def _home(env: Environment, linked: Linked, on: Mapping[str, Any], lately: Sequence[tuple[str, list[tuple[str, str, str]]]]) -> Page:
    library, prose = linked.library, Prose(linked, "index.html")
    titles = {"technique": library.techniques, "pathway": library.pathways, "calculator": {id: r.declared for id, r in on.items()}}
    # Cards that have gone since, or are switched off, are left out.
    named = [(day, [(kind, id, titles[kind][id].title, word) for kind, id, word in cards if id in titles[kind]]) for day, cards in lately]
    signed = [(kind, r) for kind, records in {**titles, "page": library.pages}.items() for r in records.values() if r.review.signed_off]
    lapses: list[tuple[str, Any]] = []
    standing: list[tuple[str, Any]] = []
    for kind, r in signed:
        (lapses if lapsed(r, library) else standing).append((kind, r))
    return _page(env, "home.md.j2", "index.md", library.department.name, meta={"hide": ["navigation", "toc"], **REMEMBERING, "styles": [*REMEMBERING["styles"], "home"]}, prose=prose, department=library.department,
                 stages=_by_stage(library), pathways=sorted(library.pathways.values(), key=lambda p: p.title), calculators=_titled(on),
                 minutes=env.globals["minutes_of"], local_count=sum(q.is_local for t in (*library.techniques.values(), *library.techniques_off.values()) for q in t.quantities.values()), lately=[(day, sorted(cards, key=lambda c: c[2].lower())) for day, cards in named if cards],
                 unsigned=[t for t in in_order(library) if not t.review.signed_off], technique_count=len(library.techniques),
                 lapses=sorted(lapses, key=lambda x: (x[1].review.signed_off.on, x[1].title.lower())),
                 dues=sorted(((due(r.review), r.title, kind, r.id) for kind, r in standing), key=lambda d: (d[0], d[1].lower())))


def _to_review(record: Any, library: Library) -> dict[str, str]:
    """What the page's front matter says of a signed-off card: the role that keeps it, and the day it is due, for clock.js, or
    the day since which it has changed, for the banner that stands there without a clock."""
    review, day = record.review, due(record.review)
    if day is None:
        return {}
    return {**({"lapsed": review.signed_off.on} if lapsed(record, library) else {"due": day.isoformat()}), "keeper": review.owner}


def _titled(on: Mapping[str, Any]) -> list[Calculator]:
    return sorted((r.declared for r in on.values()), key=lambda c: (STAGES.index(c.stage) if c.stage else 99, c.title))


def _techniques(env: Environment, linked: Linked) -> Page:
    return _page(env, "techniques.md.j2", "techniques/index.md", "Techniques", prose=Prose(linked, "techniques/index.html"),
                 stages=_by_stage(linked.library), minutes=env.globals["minutes_of"])


def _pathways(env: Environment, linked: Linked) -> Page:
    return _page(env, "pathways.md.j2", "pathways/index.md", "Cases", prose=Prose(linked, "pathways/index.html"),
                 pathways=sorted(linked.library.pathways.values(), key=lambda p: p.title))


def _calculators(env: Environment, linked: Linked, on: Mapping[str, Any]) -> Page:
    return _page(env, "calculators.md.j2", "calculators/index.md", "Calculators", prose=Prose(linked, "calculators/index.html"), calculators=_titled(on),
                 about=sorted(linked.library.pages.values(), key=lambda p: p.title))


def _technique(env: Environment, linked: Linked, t: Technique, on: Mapping[str, Any]) -> Page:
    library = linked.library
    quantities = list(t.quantities.values())
    return _page(
        env, "technique.md.j2", f"techniques/{t.id}.md", t.title, t.file,
        {**REMEMBERING, **_to_review(t, library), "sheet": True, "card": t.id, "version": env.globals["versions"][t.id]}, prose=Prose(linked, f"techniques/{t.id}.html", t.id), t=t,
        # Data, not a script that runs; without a < nothing in it can end the element.
        described=Markup(env.globals["linked_data"](t.id).replace("<", "\\u003c")) if env.globals["linked_data"] else "",
        headline=[q for q in quantities if q.headline], locals=[q for q in quantities if q.is_local],
        explained=[q for q in quantities if q.headline and (q.why or q.reported)], others=[q for q in quantities if not q.headline], minutes=env.globals["minutes_of"](t),
        along=[(p, library.techniques.get(a), library.techniques.get(b)) for p, a, b in linked.along.get(t.id, ())],
        calculators=[r.declared for r in on.values() if t.id in r.declared.used_by],
        following=[library.techniques[i] for i in t.next], related=[library.techniques[i] for i in t.see_also],
        mentioned=_pages_that_mention(linked, "card", t.id, exclude={t.id, *t.next, *t.see_also}), due=None if lapsed(t, library) else due(t.review),
    )


def _pages_that_mention(linked: Linked, scheme: str, id: str, exclude: set[str]) -> list[tuple[str, str, str]]:
    library = linked.library
    titles = {"technique": library.techniques, "pathway": library.pathways, "calculator": library.calculators, "page": library.pages}
    found = []
    for kind, other in linked.mentioned.get((scheme, id), ()):
        if kind in titles and other not in exclude and other in titles[kind] and not (kind == "calculator" and other in library.department.calculators_off):
            found.append((kind, other, titles[kind][other].title))
    return found


def _pathway(env: Environment, linked: Linked, p: Pathway, on: Mapping[str, Any]) -> Page:
    return _page(env, "pathway.md.j2", f"pathways/{p.id}.md", p.title, p.file, {**REMEMBERING, **_to_review(p, linked.library)}, prose=Prose(linked, f"pathways/{p.id}.html"), p=p,
                 techniques=linked.library.techniques, calculators={id: r.declared for id, r in on.items()}, minutes=env.globals["minutes_of"],
                 reading=[linked.library.techniques[id] for id in p.cards])


def _brief(env: Environment, linked: Linked, pathways: Sequence[Pathway]) -> Page:
    """The page where a brief is made."""
    return _page(env, "brief.md.j2", "brief.md", "The brief", meta={"brief": True, "hide": ["navigation", "toc"]}, prose=Prose(linked, "brief.html"),
                 pathways=pathways, letters=brief.LETTERS)


def _self_test(env: Environment, linked: Linked, pathways: Sequence[Pathway]) -> Page:
    """The page that asks the questions of a whole pathway."""
    found = [(p, questions.data(linked, p)) for p in pathways]
    cases = [(p, [linked.library.techniques[c["id"]] for c in d["cards"]], sum(len(c["questions"]) for c in d["cards"])) for p, d in found]
    return _page(env, "selftest.md.j2", "selftest.md", "Self-test", prose=Prose(linked, "selftest.html"), cases=cases,
                 meta={"hide": ["navigation", "toc"], "styles": ["memory"], "scripts": ["memory", "selftest"]})


def _calculator(env: Environment, linked: Linked, ready: Any, examples: list, tables: list, tried: bool) -> Page:
    c: Calculator = ready.declared
    drawings = [d for d in ("plot" if c.plot else "", c.diagram) if d]
    return _page(
        env, "calculator.md.j2", f"calculators/{c.id}.md", c.title, c.file, {"calculator": c.id, "drawings": drawings, **_to_review(c, linked.library)}, prose=Prose(linked, f"calculators/{c.id}.html"),
        c=c, ready=ready, equations=calc.equations(ready), examples=examples, numbers=_numbers(ready),
        cards=[linked.library.techniques[i] for i in c.used_by],
        drawings=drawings, tables=tables, groups=_groups(c), withheld={o.declared.name for o in ready.outputs if o.conditions},
        beside=[q for r in c.beside if (q := linked.library.quantity(r))], tried=tried, locals=[q for r in c.taken if (q := linked.library.quantity(r)).is_local],
    )


def _groups(c: Calculator) -> list[tuple[str, list]]:
    """The results under their headings, in declared order; those without one first in their place."""
    groups: list[tuple[str, list]] = []
    for name, o in c.outputs.items():
        if not groups or groups[-1][0] != o.group:
            groups.append((o.group, []))
        groups[-1][1].append((name, o))
    return groups


def _numbers(ready: Any) -> list[tuple[str, Any]]:
    """Every number the formulas take from the cards or the calculator's own file, with the choice it belongs to."""
    rows = [("", n) for n in ready.constants.values()]
    for x in ready.inputs.values():
        for key, sets in (x.choices or {}).items():
            # Switches (a bare 0 or 1 that only selects a formula) are no clinical figures.
            rows += [(x.declared.choices[key].label, n) for n in sets.values() if n.unit != "ratio"]
    return rows


def _page_of_claims(env: Environment, linked: Linked, p: Any) -> Page:
    return _page(env, "page.md.j2", f"pages/{p.id}.md", p.title, p.file, _to_review(p, linked.library), prose=Prose(linked, f"pages/{p.id}.html"), p=p)


def _sources(env: Environment, linked: Linked) -> Page:
    sources = sorted(linked.library.sources.values(), key=lambda s: (short_name(s).lower(), s.id))
    counts = {s.id: sum(linked.shows(u.statement) for u in linked.rests_on.get(s.id, ())) for s in sources}
    return _page(env, "sources.md.j2", "sources/index.md", "Sources", prose=Prose(linked, "sources/index.html"), sources=sources, counts=counts)


def _source(env: Environment, linked: Linked, s: Source) -> Page:
    prose = Prose(linked, f"sources/{s.id}.html")
    uses = [(u.citation, u.statement) for u in linked.rests_on.get(s.id, ()) if linked.shows(u.statement)]
    replaced = linked.library.sources.get(s.superseded_by)
    return _page(env, "source.md.j2", f"sources/{s.id}.md", s.title if len(s.title) < 110 else s.title[:107] + "…", s.file, prose=prose, s=s,
                 uses=_by_page(linked, prose, uses), replaced=replaced)


def _by_page(linked: Linked, prose: Prose, found: Iterable[tuple[Any, Statement]]) -> dict[tuple[str, str, str], list[tuple[Any, Statement, Markup]]]:
    """(kind, id, title) of a page -> what was found on it, each statement with its words as HTML."""
    library = linked.library
    titles = {"technique": library.techniques, "pathway": library.pathways, "calculator": library.calculators, "page": library.pages}
    pages: dict[tuple[str, str, str], list] = {}
    of_card: dict[str, Prose] = {}
    for what, s in found:
        title = "Glossary" if s.kind == "glossary" else titles[s.kind][s.id].title
        card = s.id if s.kind == "technique" else ""
        if card not in of_card:
            of_card[card] = Prose(linked, prose.page, card)
        words = of_card[card].text(s.text)
        if s.amount:
            words = Markup("{}: {}").format(words, prose.amount(s.amount))
        if s.remark:
            words = Markup("{} [{}]").format(words, s.remark)
        pages.setdefault((s.kind, s.id, title), []).append((what, s, words))
    return pages


def _ledgers(env: Environment, linked: Linked) -> Iterator[tuple[str, str, Callable[[], Page]]]:
    """(path, title, maker) of the lists that say what the whole site rests on; a long one comes in parts, so that no page grows without bound."""
    found: Callable[[], Ledger] = functools.cache(lambda: ledger(linked))
    sources = linked.library.sources

    def page(name: str, title: str, template: str = "", **values: Any) -> Page:
        prose = Prose(linked, f"ledgers/{name}.html")
        return _page(env, f"ledger-{template or name}.md.j2", f"ledgers/{name}.md", title, prose=prose, ledger=found(),
                     by_page=lambda rows: _by_page(linked, prose, rows), alone=lambda found: [(None, s) for s in found], sources=sources, **values)

    def in_parts(name: str, title: str, statements: list[Statement]) -> Iterator[tuple[str, str, Callable[[], Page]]]:
        parts = _parts(statements)
        names = [name if n == 0 else f"{name}-{n + 1}" for n in range(len(parts))]
        for n, rows in enumerate(parts):
            said = f"{title}, part {n + 1} of {len(parts)}" if len(parts) > 1 else title
            yield f"ledgers/{names[n]}.md", said, functools.partial(page, names[n], said, name, rows=rows, parts=names, part=names[n])

    def recalled() -> Page:
        by_source: dict[str, list] = {}
        for citation, statement in found().recalled:
            by_source.setdefault(citation.source, []).append((citation, statement))
        return page("recalled", "Recalled, not yet confirmed", recalled=sorted(by_source.items(), key=lambda x: short_name(sources[x[0]]).lower()),
                    incomplete=sorted((s for s in sources.values() if s.incomplete), key=lambda s: short_name(s).lower()))

    shown = [s for s in linked.statements if linked.shows(s)]
    yield "ledgers/index.md", "Ledgers", lambda: page("index", "Ledgers")
    yield from in_parts("figures", "Every figure and what it rests on", [s for s in shown if s.amount])
    yield "ledgers/recalled.md", "Recalled, not yet confirmed", recalled
    yield from in_parts("common-practice", "Common practice only", [s for s in shown if not s.basis.citations])
    if linked.library.built_on:
        yield "ledgers/local.md", "What differs here", lambda: page("local", "What differs here", **_differs(linked.library))


def _parts(statements: Iterable[Statement]) -> list[list[Statement]]:
    """Statements in runs of ROWS_A_PAGE and a few more: those of one page stay together. One empty run of none."""
    parts: list[list[Statement]] = [[]]
    before = None
    for s in statements:
        if (s.kind, s.id) != before and len(parts[-1]) >= ROWS_A_PAGE:
            parts.append([])
        before = s.kind, s.id
        parts[-1].append(s)
    return parts


def _differs(library: Library) -> dict[str, Any]:
    """What the local layer changes: values card by card, what is switched off with the reason, what is added."""
    cards = sorted((*library.techniques.values(), *library.techniques_off.values()), key=lambda t: t.title.lower())
    records = {"technique": {**library.techniques, **library.techniques_off}, "calculator": library.calculators}
    added = [(kind, r.id, r.title) for kind, found in (("technique", library.techniques), ("pathway", library.pathways), ("calculator", library.calculators), ("page", library.pages))
             for r in found.values() if r.file.startswith("local/")]
    return {
        "values": [(t.title, found) for t in cards if (found := [q for q in t.quantities.values() if q.is_local])],
        "from_base": [q for t in cards for q in t.quantities.values() if isinstance(q, QuantityFromBase)],
        "off": [("technique card" if kind == "technique" else kind, records[kind][id].title, why) for (kind, id), why in library.why_off.items()],
        "added": [x for x in added if not (x[0] == "calculator" and x[1] in library.department.calculators_off)],
    }


def _glossary(env: Environment, linked: Linked) -> Page:
    terms: list[Term] = sorted(linked.library.terms.values(), key=lambda t: t.term.lower())
    return _page(env, "glossary.md.j2", "glossary.md", "Glossary", "cards/glossary.yaml" if terms else "", prose=Prose(linked, "glossary.html"), terms=terms)


def fields_page(schemas: Iterable[Mapping[str, Any]], written: Mapping[str, Sequence[Any]], where: Mapping[str, str]) -> Page:
    """The reference of every field of every kind of card; for what it takes see fields.sections."""
    return _page(templates(), "fields.md.j2", "fields.md", "Fields of a card", sections=fields.sections(schemas, written, where))


def problem_page(problems: list[Any], first: bool) -> list[Page]:
    """The list of problems for a running server; as the home page too when there are no good pages to keep."""
    env = templates()
    files: dict[str, list[Any]] = {}
    for problem in problems:
        files.setdefault(problem.file, []).append(problem)
    page = _page(env, "problems.md.j2", "problems.md", "Problems in the cards", files=files, count=len(problems))
    return [page, Page("index.md", page.text)] if first else [page]
