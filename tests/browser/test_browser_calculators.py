"""The calculators in a real browser: the same answers as Python, and no answer at all on bad input."""

from __future__ import annotations

import itertools
import json
import math
import random
import re
from datetime import date, timedelta
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
import yaml

from builder.units import clock
from support import CARDS, Base, Browsing, Windows, by_python, calculator_ids, iso, settle

pytestmark = pytest.mark.browser

IDS = calculator_ids()
# Whole loads are slow, so that from disk and through the real address bar three calculators stand for all: they hold every kind of input.
THREE = [id for id in ("perfusion-pressure", "injection-window", "premacular-extent") if id in IDS]
TODAY = date(2027, 2, 10)  # dates on both sides of it cross month and year ends and 29 February 2028
SEED = 20261120
RANDOM_CASES = 30  # through the page's own fields
SCRIPT_CASES = 1000  # through the script alone
MOST_COMBINATIONS = 40

# Sets the inputs of each case as a reader's edits do, unit first, and reads what the page then shows. An input that already
# stands as wanted is left alone, unless its unit was changed: then the field may show fewer digits than it holds.
READING = """
  const root = () => document.querySelector('form[data-calculator]');
  const seen = node => node.checkVisibility();
  const edit = (name, value) => {
    const control = root().elements.namedItem(name);
    control.value = value;
    control.dispatchEvent(new Event('input', {bubbles: true}));
    control.dispatchEvent(new Event('change', {bubbles: true}));
  };
  const put = inputs => {
    const turned = new Set();
    Object.keys(inputs).filter(n => n.endsWith('_unit') && root().elements.namedItem(n).value !== inputs[n]).forEach(n => {
      edit(n, inputs[n]);
      turned.add(n.slice(0, -5));
    });
    Object.keys(inputs).filter(n => !n.endsWith('_unit')).forEach(n => {
      if (turned.has(n) || root().elements.namedItem(n).value !== inputs[n]) edit(n, inputs[n]);
    });
  };
  const read = () => {
    const form = root();
    return {
      outputs: Object.fromEntries([...form.querySelectorAll('output')].map(n => [n.name, n.getAttribute('data-value')])),
      texts: Object.fromEntries([...form.querySelectorAll('output')].map(n => [n.name, n.textContent])),
      verdicts: [...form.querySelectorAll('[data-verdict]')].filter(seen).map(n => Number(n.dataset.verdict)),
      blanks: [...document.querySelectorAll('[data-value-of]')].filter(n => /^[?\\u2013-]?$/.test(n.textContent.trim())).map(n => n.dataset.valueOf),
      echoes: [...document.querySelectorAll('[data-value-of]')].map(n => [n.dataset.valueOf, n.textContent]),
      withheld: Object.fromEntries([...form.querySelectorAll('.withheld')].filter(seen).map(n => [n.dataset.withheld, n.textContent])),
      errors: Object.fromEntries([...form.querySelectorAll('.field-error')].filter(seen).map(n => [n.id.replace('error-', ''), n.textContent])),
      invalid: [...form.querySelectorAll('[aria-invalid=true]')].map(n => n.name),
      stale: form.querySelector('.results').classList.contains('stale'),
      notes: [...form.querySelectorAll('.stale-note')].filter(seen).map(n => n.textContent),
      fields: Object.fromEntries([...form.elements].filter(n => n.name && n.tagName !== 'OUTPUT').map(n => [n.name, n.value])),
      ranges: Object.fromEntries([...form.querySelectorAll('[id^=range-]')].map(n => [n.id.slice(6), n.textContent])),
    };
  };
"""
THROUGH_PAGE = "cases => {" + READING + "return cases.map(inputs => { put(inputs); return read(); }); }"

# Opens the page's own article afresh under each query, as a load of that address does, without the cost of a load.
AT_ADDRESSES = "async queries => {" + READING + """
  const whole = new DOMParser().parseFromString(await (await fetch(location.pathname)).text(), 'text/html').querySelector('article');
  const found = [];
  for (const query of queries) {
    history.replaceState(null, '', '?' + query);
    document.querySelector('article').replaceWith(document.importNode(whole, true));
    window.calculatorRuntime.attach(root());
    found.push(Object.assign(read(), {title: document.title, pictures: document.querySelectorAll('article img').length}));
  }
  return found;
}"""


def through_page(page, cases: list[dict[str, str]]) -> list[dict]:
    return page.evaluate(THROUGH_PAGE, cases)


def at_addresses(page, cases: list[dict[str, str]]) -> list[dict]:
    """What the calculator of this page shows when it is opened with each of these queries."""
    return page.evaluate(AT_ADDRESSES, [urlencode(case) for case in cases])


def shown(page) -> dict:
    """What the page shows now, with nothing edited."""
    return through_page(page, [{}])[0]


def _agrees(ready, case: dict[str, str], seen: dict) -> list[str]:
    """How the page differs from Python on one case; nothing if it does not."""
    want = by_python(ready, case, TODAY)
    if want["refusals"]:
        faults = [] if all(v is None for v in seen["outputs"].values()) else [f"Python refuses ({want['refusals']}), the page gives {seen['outputs']}"]
        told = seen["errors"] if any(n in ready.inputs for n in want["refusals"]) else seen["notes"]  # a result without an answer belongs to no field
        return faults + ([] if told else ["refused without a message beside a field"]) + ([] if not seen["verdicts"] else ["refused, but verdicts stay"])
    faults = [f"refused by the page alone: {seen['errors'] or seen['notes']}"] if seen["errors"] or seen["stale"] else []
    for name, value in want["outputs"].items():
        o = ready.declared.outputs[name]
        got, text = seen["outputs"].get(name), seen["texts"].get(name, "")
        if value is None:
            if got is not None or text != "\u2013" or seen["withheld"].get(name) != want["withheld"][name]:
                faults.append(f"{name}: withheld by Python ({want['withheld'][name]}), the page shows {got} as '{text}' with '{seen['withheld'].get(name)}'")
            continue
        if seen["withheld"].get(name):
            faults.append(f"{name}: withheld by the page alone: {seen['withheld'][name]}")
        if isinstance(value, str):
            words = date.fromisoformat(value)
            if got != value or text != f"{words:%a} {words.day} {words:%b %Y}":
                faults.append(f"{name}: {got} shown as '{text}', by Python {value}")
            continue
        if got is None or not math.isclose(float(got), value, rel_tol=1e-9, abs_tol=1e-9):
            faults.append(f"{name}: {got}, by Python {value!r}")
        elif o.kind == "clock":
            if text != clock(value):
                faults.append(f"{name}: shown as {text}, by Python {clock(value)}")
        elif abs(float(text.replace("\u2212", "-")) - value) > 0.5 * 10 ** -(o.decimals or 0) * (1 + 1e-9):
            faults.append(f"{name}: {value!r} is shown as '{text}'")
        elif o.decimals is not None and len(text.partition(".")[2]) != o.decimals:
            faults.append(f"{name}: shown as '{text}', not with {o.decimals} decimals")
    if seen["verdicts"] != want["verdicts"]:
        faults.append(f"verdicts {seen['verdicts']}, by Python {want['verdicts']}")
    blanks = [n for n in seen["blanks"] if n not in want["withheld"]]
    if blanks:
        faults.append(f"left blank in sentences and equations: {blanks}")
    faults += [f"{name} stands as '{text}' in a sentence, but as '{seen['texts'][name]}' in the results" for name, text in seen["echoes"]
               if name in seen["texts"] and text != seen["texts"][name]]
    return faults


def _compare(ready, cases: list[dict[str, str]], seen: list[dict]) -> None:
    faults = [f"{json.dumps(case)}: {'; '.join(f)}" for case, s in zip(cases, seen, strict=True) if (f := _agrees(ready, case, s))]
    assert not faults, f"{len(faults)} of {len(cases)} differ:\n" + "\n".join(faults[:8])


def _typed_number(dice: random.Random, x) -> tuple[str, str]:
    """A number within the range, as a reader may write it, and its unit."""
    unit = dice.choice(list(x.units))
    value = dice.uniform(x.low, x.high) / x.units[unit]
    text = dice.choice([repr(value), f"{value:.1f}", f"{value:.0f}", f"{value:.4g}", f" {value:.2f} ", f"{value:.2f}".replace(".", ","), f"{value:.6e}", f"+{value:.2f}"])
    return text, unit


def random_case(dice: random.Random, ready) -> dict[str, str]:
    case = {}
    for name, x in ready.inputs.items():
        if x.declared.kind == "choice":
            case[name] = dice.choice(list(x.choices))
        elif x.declared.kind == "date":
            case[name] = (TODAY + timedelta(days=dice.randint(-400, 400))).isoformat()
        else:
            case[name], unit = _typed_number(dice, x)
            if len(x.units) > 1:
                case[f"{name}_unit"] = unit
    return case


def a_good_case(ready) -> dict[str, str]:
    """Every input given, in its own unit, at its start."""
    case = {}
    for name, x in ready.inputs.items():
        case[name] = TODAY.isoformat() if x.declared.kind == "date" else f"{x.start:g}" if x.declared.kind == "number" else str(x.start)
        if x.declared.kind == "number" and len(x.units) > 1:
            case[f"{name}_unit"] = x.declared.unit
    return case


@pytest.fixture(scope="module", params=IDS)
def opened(request: pytest.FixtureRequest, http_base, windows: Windows, calculators):
    """(ready, page) of one calculator, loaded once for every test that only edits its fields; its time zone keeps the window its own."""
    browsing = Browsing(windows)
    yield calculators[request.param], browsing.open(http_base, f"calculators/{request.param}.html", timezone_id="America/New_York")
    browsing.close()
    assert not browsing.complaints, browsing.complaints


# --- the same answers as Python ----------------------------------------------------------------------------------


def test_page_agrees_with_python_on_random_inputs(opened) -> None:
    ready, page = opened
    id = ready.declared.id
    dice = random.Random(f"{SEED} {id}")
    cases = [random_case(dice, ready) for _ in range(RANDOM_CASES)]
    accepted = sum(not by_python(ready, c, TODAY)["refusals"] for c in cases)
    while accepted < RANDOM_CASES:  # inputs that contradict each other are compared too, but do not count
        more = random_case(dice, ready)
        cases.append(more)
        accepted += not by_python(ready, more, TODAY)["refusals"]
    _compare(ready, cases, through_page(page, cases))


def _some_at_the_ends(case: dict[str, str], ready, dice: random.Random, share: float = 0.3) -> dict[str, str]:
    """The case with some numbers at an end of their range, where rules on narrow ranges bite."""
    for name, x in ready.inputs.items():
        if x.declared.kind == "number" and dice.random() < share:
            case[name] = repr(dice.choice([x.low, x.high]))
            if f"{name}_unit" in case:
                case[f"{name}_unit"] = x.declared.unit
    return case


def test_script_agrees_with_python_on_a_thousand_random_inputs(opened) -> None:
    """Numbers, dates, withheld results and verdicts, to a billionth; some of the numbers stand at the ends of their ranges."""
    ready, page = opened
    id = ready.declared.id
    dice = random.Random(f"{SEED} script {id}")
    cases = []
    while len(cases) < SCRIPT_CASES:
        cases.append(_some_at_the_ends(random_case(dice, ready), ready, dice, 0.15))
    seen = page.evaluate("""([id, cases]) => cases.map(raw => {
      const r = window.calculatorRuntime.compute(id, raw);
      return {values: r.values, withheld: r.withheld || {}, errors: r.errors,
              verdicts: r.verdicts ? r.verdicts.map((held, i) => held ? i : -1).filter(i => i >= 0) : []};
    })""", [id, cases])
    accepted = 0
    for case, got in zip(cases, seen, strict=True):
        want = by_python(ready, case, TODAY)
        assert bool(want["refusals"]) == bool(got["errors"]), (case, want["refusals"], got["errors"])
        if want["refusals"]:
            continue
        accepted += 1
        assert set(want["withheld"]) == set(got["withheld"]), case
        assert want["verdicts"] == got["verdicts"], (case, want["verdicts"], got["verdicts"])
        for name, value in want["outputs"].items():
            if value is None:
                continue
            there = iso(math.floor(got["values"][name])) if isinstance(value, str) else got["values"][name]
            assert there == value if isinstance(value, str) else math.isclose(there, value, rel_tol=1e-9, abs_tol=1e-9), (case, name, there, value)
    assert accepted > SCRIPT_CASES / 4, f"Only {accepted} of the random inputs were accepted."


def test_page_agrees_with_python_on_every_combination_of_choices(opened) -> None:
    ready, page = opened
    id = ready.declared.id
    picks = {n: list(x.choices) for n, x in ready.inputs.items() if x.declared.kind == "choice"}
    units = {f"{n}_unit": list(x.units) for n, x in ready.inputs.items() if x.declared.kind == "number" and len(x.units) > 1}
    good = a_good_case(ready)
    cases = []
    combinations = list(itertools.product(*picks.values(), *units.values()))
    if len(combinations) > MOST_COMBINATIONS:  # a calculator with many choices has thousands
        combinations = random.Random(f"{SEED} combinations {id}").sample(combinations, MOST_COMBINATIONS)
    for combination in combinations:
        case = good | dict(zip([*picks, *units], combination, strict=True))
        for name, x in ready.inputs.items():
            if f"{name}_unit" in case:
                case[name] = repr(x.start / x.units[case[f"{name}_unit"]])
        cases.append(case)
    _compare(ready, cases, through_page(page, cases))


@pytest.mark.parametrize("id", IDS)
def test_page_agrees_with_python_from_disk(id: str, file_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    dice = random.Random(f"{SEED} from disk {id}")
    page = browsing.open(file_base, f"calculators/{id}.html", timezone_id="Pacific/Auckland")
    cases = [random_case(dice, ready) for _ in range(12)]
    _compare(ready, cases, through_page(page, cases))


@pytest.mark.parametrize("id", IDS)
def test_page_agrees_with_python_when_a_reader_types(id: str, http_base, browsing: Browsing, calculators) -> None:
    """Every field filled from the keyboard, key by key."""
    ready = calculators[id]
    dice = random.Random(f"{SEED} typed {id}")
    page = browsing.open(http_base, f"calculators/{id}.html")
    case = next(c for c in iter(lambda: random_case(dice, ready), None) if not by_python(ready, c, TODAY)["refusals"])
    controls = page.evaluate("() => Object.fromEntries([...document.querySelector('form[data-calculator]').elements].filter(n => n.name).map(n => [n.name, n.options ? [...n.options].map(o => o.value) : n.type]))")
    for name in sorted(case, key=lambda n: not n.endswith("_unit")):
        page.focus(f"[name='{name}']")
        if isinstance(controls[name], list):
            page.keyboard.press("Home")
            for _ in range(controls[name].index(case[name])):
                page.keyboard.press("ArrowDown")
        elif controls[name] == "date":
            year, month, day = case[name].split("-")
            page.keyboard.type(month + day + year)  # the order of the parts in the browser's language, see conftest
        else:
            page.keyboard.press("Control+A")
            page.keyboard.type(case[name])
    _compare(ready, [case], [shown(page)])


NUMBER = r"\u2212?\d+(?:\.\d+)?(?:e[+\u2212-]?\d+)?"  # as a message writes it


def _number_fields(ready):
    """(name, input, unit, factor, the unit as a case gives it) of every unit of every number."""
    for name, x in ready.inputs.items():
        for unit, factor in x.units.items() if x.declared.kind == "number" else ():
            yield name, x, unit, factor, {f"{name}_unit": unit} if len(x.units) > 1 else {}


def test_both_ends_of_every_range_are_taken_and_nothing_beyond_them(opened) -> None:
    ready, page = opened
    good = a_good_case(ready)
    inside, outside = [], []
    for name, x, _, factor, unit_given in _number_fields(ready):
        # In another unit an end has no short decimal form, so the last one within it is taken.
        ends = [x.low / factor, x.high / factor]
        while ends[0] * factor < x.low:
            ends[0] = math.nextafter(ends[0], math.inf)
        while ends[1] * factor > x.high:
            ends[1] = math.nextafter(ends[1], -math.inf)
        inside += [good | unit_given | {name: repr(end)} for end in ends]
        step = (x.high - x.low) / factor * 1e-6
        outside += [(name, good | unit_given | {name: repr(end)}) for end in (ends[0] - step, ends[1] + step)]
    seen = through_page(page, [*inside, *(case for _, case in outside)])
    _compare(ready, inside, seen[: len(inside)])
    for (name, case), result in zip(outside, seen[len(inside) :], strict=True):
        assert result["errors"].get(name) and not any(result["outputs"].values()), f"Beyond its range, and yet worked out: {case}"


def test_the_ends_named_in_a_message_are_themselves_accepted(opened) -> None:
    ready, page = opened
    good = a_good_case(ready)
    fields = list(_number_fields(ready))
    asked = through_page(page, [good | unit_given | {name: ""} for name, _, _, _, unit_given in fields])
    named = []
    for (name, _, unit, _, unit_given), result in zip(fields, asked, strict=True):
        message = result["errors"][name]
        ends = re.search(rf"({NUMBER}) to ({NUMBER})", message)
        assert ends, f"The message names no range: {message}"
        assert re.sub(r"s$", "", unit) in message or unit == "ratio", f"The message does not name the unit {unit}: {message}"
        named += [(name, unit, good | unit_given | {name: end}) for end in ends.groups()]
    for (name, unit, case), result in zip(named, through_page(page, [case for _, _, case in named]), strict=True):
        said = result["errors"].get(name, "")
        assert said in {"", *(say for say, _ in ready.refuse_when)}, f"{name} in {unit}: the page refuses an end it names itself ({case[name]}): {said}"


# --- bad input ----------------------------------------------------------------------------------------------------

BAD_NUMBERS = {
    "nothing": "", "blanks": "   ", "words": "high", "a sum": "60+5", "two numbers": "60 70", "a number with its unit": "60 mmHg", "two points": "1.2.3",
    "not a number": "NaN", "infinity": "Infinity", "minus infinity": "-Infinity", "huge": "1e308", "beyond all numbers": "1e309",
    "script": "<script>1</script>", "hexadecimal": "0x10", "full-width digits": "\uff16\uff10", "very long": "9" * 400,
}
BAD_DATES = {"nothing": "", "31 February": "2026-02-31", "29 February of a common year": "2027-02-29", "month 13": "2026-13-01",
             "year 0": "0000-01-01", "before 1900": "1899-12-31", "after 2200": "2201-01-01", "words": "tomorrow", "day first": "20/11/2026"}


MAIN_KINDS = ("nothing", "words", "not a number", "huge", "below nought", "far below", "just below the range", "just above the range")


def _refused(seen: dict, name: str, calculator_had_result: bool) -> list[str]:
    faults = []
    if not seen["errors"].get(name, "").strip():
        faults.append("no message beside the field")
    if name not in seen["invalid"]:
        faults.append("the field is not marked aria-invalid")
    if any(v is not None for v in seen["outputs"].values()):
        faults.append(f"data-value stays: {seen['outputs']}")
    if seen["verdicts"]:
        faults.append(f"verdicts stay: {seen['verdicts']}")
    if not seen["stale"]:
        faults.append("the results are not marked stale")
    words = "Last good result" if calculator_had_result else "No result"
    if not any(words in n for n in seen["notes"]):
        faults.append(f"no visible words '{words}': {seen['notes']}")
    return faults


def _bad_texts(x, kinds_only: bool = False) -> dict[str, str]:
    """What may not be taken for an input, by what is wrong with it. kinds_only: as typed, where a date field takes no text."""
    if x.declared.kind == "choice":
        return {"a choice not offered": "unheard-of"}
    if x.declared.kind == "date":
        return {k: v for k, v in BAD_DATES.items() if not kinds_only or v == "" or re.fullmatch(r"(0000|1899|2201)-\d\d-\d\d", v)}
    return BAD_NUMBERS | {"below nought" if x.low >= 0 else "far below": "-1" if x.low >= 0 else repr(x.low * 2 - 1),
                          "just below the range": repr(math.nextafter(x.low, -math.inf)), "just above the range": repr(math.nextafter(x.high, math.inf))}


def test_bad_input_is_refused_beside_its_field_and_repair_restores_the_result(opened) -> None:
    ready, page = opened
    good = a_good_case(ready)
    bad = []  # one kind after the other in a field, then its repair
    for name, x in ready.inputs.items():
        kinds = _bad_texts(x, kinds_only=True)
        # One function reads every number: what it may not read is tried in full on the first, and in each by the main kinds.
        every = x.declared.kind != "number" or name == next(n for n, y in ready.inputs.items() if y.declared.kind == "number")
        bad += [(name, what, text) for what, text in kinds.items() if every or what in MAIN_KINDS] + [(name, "", "")]
    before, *seen = through_page(page, [good, *(good | {name: text} if what else good for name, what, text in bad)])
    assert not _agrees(ready, good, before)
    faults = []
    for (name, what, text), now in zip(bad, seen, strict=True):
        found = []
        if what:
            found += _refused(now, name, calculator_had_result=True)
            if now["invalid"] != [name]:
                found.append(f"marked too: {now['invalid']}")
        elif now["invalid"] or now["stale"] or now["notes"] or now["errors"]:
            found.append(f"still marked: {now['invalid']} {now['notes']} {now['errors']}")
        elif now["outputs"] != before["outputs"] or now["verdicts"] != before["verdicts"]:
            found.append("the result is another")
        if now["texts"] != before["texts"]:
            found.append("the last good result is not kept to read")
        faults += [f"{name}, {what or 'repaired'} ({text[:20]!r}): {f}" for f in found]
    assert not faults, "\n".join(faults[:12])


IN_ADDRESS = ("nothing", "words", "huge", "just above the range", "hostile")  # of a number; read as typed ones are
HOSTILE = "\"><img src=x onerror=\"document.title='run'\">"


def _address_faults(seen: dict, name: str) -> list[str]:
    faults = _refused(seen, name, calculator_had_result=False)
    if set(seen["texts"].values()) != {"\u2013"}:
        faults.append(f"the outputs should show a dash: {seen['texts']}")
    return faults


@pytest.mark.parametrize("id", IDS)
def test_bad_input_in_the_address_gives_a_message_and_no_result(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    good = a_good_case(ready)
    bad = [(name, what, good | {name: text}) for name, x in ready.inputs.items() for what, text in (_bad_texts(x) | {"hostile": HOSTILE}).items()
           if x.declared.kind != "number" or what in IN_ADDRESS]
    bad += [(name, "a unit not offered", good | {f"{name}_unit": "furlong"}) for name, x in ready.inputs.items() if x.declared.kind == "number"]
    page = browsing.open(http_base, f"calculators/{id}.html")
    title = page.title()
    *seen, sound = at_addresses(page, [*(case for _, _, case in bad), good])
    faults = [f"{name}, {what}: {fault}" for (name, what, _), s in zip(bad, seen, strict=True) for fault in _address_faults(s, name)]
    assert not faults, "\n".join(faults[:12])
    assert {s["title"] for s in seen} == {title} and not any(s["pictures"] for s in seen)
    assert not _agrees(ready, good, sound), "The way of opening these addresses finds fault with sound input too."


@pytest.mark.parametrize("id", THREE)
def test_bad_input_in_a_real_address_gives_a_message_and_no_result(id: str, base: Base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    page = browsing.open(base, "index.html")
    for name, x in ready.inputs.items():
        text = {"choice": HOSTILE, "date": "2027-02-29"}.get(x.declared.kind, "1e308")
        page.goto(base.root + f"calculators/{id}.html?" + urlencode(a_good_case(ready) | {name: text}))
        assert not _address_faults(shown(page), name), f"{name}={text}"
        assert page.title() != "run" and page.locator("article img").count() == 0


DATED = [id for id in IDS if any(x.get("kind") == "date" for x in yaml.safe_load((CARDS / f"calculators/{id}.yaml").read_text(encoding="utf-8"))["inputs"].values())]


@pytest.mark.parametrize("id", DATED)
def test_half_typed_date_is_refused(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    dates = [n for n, x in ready.inputs.items() if x.declared.kind == "date"]
    page = browsing.open(http_base, f"calculators/{id}.html")
    assert page.locator("input[type=date]").count() == len(dates) > 0
    for name in dates:
        through_page(page, [a_good_case(ready)])
        page.locator(f"[name='{name}']").focus()
        page.keyboard.type("0230")  # 30 February
        page.keyboard.press("Backspace")
        assert not _refused(shown(page), name, calculator_had_result=True)


def test_comma_is_a_decimal_mark_and_an_unclear_one_is_refused(opened) -> None:
    ready, page = opened
    good, cases = a_good_case(ready), []
    numbers = {n: x for n, x in ready.inputs.items() if x.declared.kind == "number"}
    for name, x in numbers.items():
        text = f"{x.low + (x.high - x.low) * 0.37:.12f}"[:13]
        cases += [good | {name: text}, good | {name: text.replace(".", ",")}, good | {name: "6,2,5"}, good]
    seen = iter(through_page(page, cases))
    for (name, with_dot), with_comma, unclear, _ in zip(zip(numbers, seen), seen, seen, seen, strict=True):
        for each in (with_dot, with_comma):
            each["fields"].pop(name)
        assert with_dot == with_comma, f"{name}: a comma is not read as a dot"
        assert name not in with_dot["errors"] or with_dot["errors"][name] in {say for say, _ in ready.refuse_when}
        assert not _refused(unclear, name, calculator_had_result=True)


def test_unit_switched_to_and_fro_keeps_the_quantity(opened) -> None:
    """Chosen again and again, with a sound number in the field and with a bad one."""
    ready, page = opened
    good, told = a_good_case(ready), []
    for name, x in ready.inputs.items():
        others = [u for u in x.units or {} if u != x.declared.unit]
        turns = [*others, x.declared.unit] * 3
        for text in (f"{x.start:g}", repr(x.low + (x.high - x.low) / 3), "high") if others else ():
            seen = through_page(page, [good | {name: text}, *({f"{name}_unit": unit} for unit in turns)])
            before = seen[0]
            for unit, now in zip(turns, seen[1:], strict=True):
                told.append((name, unit))
                assert now["outputs"] == before["outputs"], f"{name}: {text} {x.declared.unit} gives another result when shown in {unit}"
                assert set(now["errors"]) == set(before["errors"])
                assert unit in now["ranges"][name] or unit == "ratio", f"{name}: the range is not told in the unit chosen, {unit}: {now['ranges'][name]}"
                if text == "high":
                    assert now["fields"][name] == text and not _refused(now, name, calculator_had_result=True)
                else:
                    own = float(now["fields"][name]) * x.units[unit]
                    assert math.isclose(own, float(text), rel_tol=1e-5), f"{name}: the field shows {now['fields'][name]} {unit} for {text} {x.declared.unit}"
            assert seen[-1]["fields"][name] == text, f"{name}: after switching units to and fro {text} stands as {seen[-1]['fields'][name]}"
    assert bool(told) == any(len(x.units or {}) > 1 for x in ready.inputs.values())


def test_refusal_rules_give_their_sentence_beside_a_field(base: Base, browsing: Browsing, calculators) -> None:
    tried = 0
    page = browsing.open(base, "index.html")
    for id in IDS:
        ready = calculators[id]
        dice = random.Random(f"{SEED} refusals {id}")
        for say, _ in ready.refuse_when:
            cases = (_some_at_the_ends(random_case(dice, ready), ready, dice) for _ in range(3000))
            case = next((c for c in cases if say in by_python(ready, c, TODAY)["refusals"].values()), None)
            assert case, f"{id}: no random input meets the rule '{say}'"
            named = next(n for n, m in by_python(ready, case, TODAY)["refusals"].items() if m == say)
            page.goto(base.root + f"calculators/{id}.html")
            _, seen = through_page(page, [a_good_case(ready), case])
            assert say in seen["errors"].values(), f"{id}: '{say}' stands beside no field; messages: {seen['errors']}, notes: {seen['notes']}"
            assert not _refused(seen, named, calculator_had_result=True)
            assert not _agrees(ready, a_good_case(ready), through_page(page, [a_good_case(ready)])[0])
            tried += 1
    assert tried, "No calculator has a refusal rule."


def test_equal_pressures_are_refused_with_the_cards_sentence(http_base, browsing: Browsing, calculators) -> None:
    """A cuff cannot read systolic at or below diastolic (common practice)."""
    page = browsing.open(http_base, "calculators/perfusion-pressure.html")
    for systolic, diastolic, refused in (("80", "80", True), ("79", "80", True), ("81", "80", False)):
        page.locator("[name=systolic]").fill(systolic)
        page.locator("[name=diastolic]").fill(diastolic)
        seen = shown(page)
        assert any("systolic" in e.lower() and "diastolic" in e.lower() for e in seen["errors"].values()) == refused, f"{systolic}/{diastolic}: {seen['errors']}"
        assert (seen["outputs"]["perfusion"] is None) == refused


# --- the address, the clock, and what is kept ---------------------------------------------------------------------


def _accepted(ready, dice: random.Random, count: int) -> list[dict[str, str]]:
    return list(itertools.islice((c for c in iter(lambda: random_case(dice, ready), None) if not by_python(ready, c, TODAY)["refusals"]), count))


def _filled(cases: list[dict[str, str]], seen: list[dict]) -> None:
    for case, now in zip(cases, seen, strict=True):
        for name, text in case.items():
            assert now["fields"][name].strip() == text.strip() or len(text) > 12, f"{name}={text} is not in its field: {now['fields'][name]}"


@pytest.mark.parametrize("id", IDS)
def test_address_fills_the_inputs(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    cases = _accepted(ready, random.Random(f"{SEED} address {id}"), 12)
    page = browsing.open(http_base, f"calculators/{id}.html")
    seen = at_addresses(page, cases)
    _compare(ready, cases, seen)
    _filled(cases, seen)


@pytest.mark.parametrize("id", THREE)
def test_a_real_address_fills_the_inputs(id: str, base: Base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    page = browsing.open(base, "index.html")
    for case in _accepted(ready, random.Random(f"{SEED} real address {id}"), 2):
        page.goto(base.root + f"calculators/{id}.html?" + urlencode(case))
        seen = [shown(page)]
        _compare(ready, [case], seen)
        _filled([case], seen)


@pytest.mark.parametrize("id", IDS)
def test_edits_are_kept_in_the_address_and_open_the_same_result_again(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    dice = random.Random(f"{SEED} edits {id}")
    page = browsing.open(http_base, f"calculators/{id}.html")
    length = page.evaluate("history.length")
    case = _accepted(ready, dice, 1)[0]
    before = through_page(page, [case])[0]
    last = list(ready.inputs)[-1]
    page.wait_for_url(lambda url: all(parse_qs(urlsplit(url).query).get(n, [""])[0].strip() == t.strip() for n, t in case.items()
                                      if not (n.endswith("_unit") and ready.inputs[n.removesuffix("_unit")].declared.unit == t)), timeout=3000)
    assert parse_qs(urlsplit(page.url).query).get(last), "The address lacks an input."
    assert page.evaluate("history.length") == length, "Edits must not fill the reader's way back."
    page.goto(http_base.root + "index.html")
    page.go_back()
    after = shown(page)
    assert after["outputs"] == before["outputs"] and after["verdicts"] == before["verdicts"]


@pytest.mark.parametrize("id", IDS)
def test_nothing_typed_is_sent_or_stored(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    page = browsing.open(http_base, f"calculators/{id}.html")
    settle(page)
    page.wait_for_load_state("networkidle")
    asked = len(browsing.requests)
    stored = "() => JSON.stringify([Object.entries(localStorage), Object.entries(sessionStorage), document.cookie])"
    before = page.evaluate(stored)
    dice = random.Random(f"{SEED} sent {id}")
    through_page(page, [random_case(dice, ready) for _ in range(5)])
    page.wait_for_timeout(200)
    later = [r for r in browsing.requests[asked:] if r != http_base.root + "assets/images/favicon.svg"]  # the browser fetches that when it likes
    assert not later, f"Editing made the page ask for something: {later}"
    assert page.evaluate(stored) == before, "Editing stored something."
    assert not page.context.cookies()


@pytest.mark.parametrize("id", THREE)
def test_opened_anew_it_holds_nothing_of_the_last_patient(id: str, http_base, browsing: Browsing, calculators) -> None:
    """Values live in the address alone: the plain link starts from the start values, in this window as in another."""
    ready = calculators[id]
    page = browsing.open(http_base, f"calculators/{id}.html")
    first = shown(page)
    through_page(page, [_accepted(ready, random.Random(f"{SEED} anew {id}"), 1)[0]])
    page.wait_for_url(lambda url: "?" in url, timeout=3000)
    page.goto(http_base.root + "calculators/index.html")
    page.click(f"main a[href='{id}.html']")
    page.wait_for_url(f"**/calculators/{id}.html")
    settle(page)
    assert urlsplit(page.url).query == "" and shown(page) == first


@pytest.mark.parametrize(("zone", "at", "today"), [("Pacific/Auckland", "2026-11-19T12:30:00Z", date(2026, 11, 20)), ("America/Los_Angeles", "2026-11-20T06:30:00Z", date(2026, 11, 19))])
def test_today_is_the_readers_own_day(zone: str, at: str, today: date, http_base, browsing: Browsing, calculators) -> None:
    tried = 0
    page = browsing.open(http_base, "index.html", fresh=True, timezone_id=zone, before=lambda p: p.clock.set_fixed_time(at))
    for id in IDS:
        starts = {n: int(m[1] or 0) for n, x in calculators[id].inputs.items() if x.declared.kind == "date" and (m := re.fullmatch(r"today(?:\+(\d+))?", str(x.start)))}
        if starts:
            page.goto(http_base.root + f"calculators/{id}.html")
        for name, days in starts.items():
            tried += 1
            assert page.locator(f"[name='{name}']").input_value() == (today + timedelta(days=days)).isoformat()
    assert tried, "No calculator starts from today."


# --- speed --------------------------------------------------------------------------------------------------------

# One edit: the input event (read, work out, fill the results), then the frame callback that the page asked for (the
# drawing), then the style and layout both made necessary. All run in this task, so that waiting for the screen does
# not count; painting, which the browser does elsewhere, is left out. What counts is the page's own processor time, so
# that a busy machine does not fail the test.
MEASURE = """async edits => {
  const form = document.querySelector('form[data-calculator]');
  const asked = [];
  const real = window.requestAnimationFrame;
  window.requestAnimationFrame = callback => asked.push(callback);
  let edited = 0;
  let drawn = 0;
  for (const [name, value] of edits) {
    const control = form.elements.namedItem(name);
    const picture = form.querySelector('figure svg');
    const old = picture && picture.lastElementChild;
    control.value = value;
    control.dispatchEvent(new Event('input', {bubbles: true}));
    asked.splice(0).forEach(callback => callback(performance.now()));
    form.getBoundingClientRect();
    document.documentElement.scrollHeight;
    edited += 1;
    drawn += picture && picture.lastElementChild !== old ? 1 : 0;
    if (edited % 10 === 0) await new Promise(done => setTimeout(done, 0));
  }
  window.requestAnimationFrame = real;
  return {edited, drawn, results: form.querySelectorAll('output[data-value]').length};
}"""
FRAME = 1000 / 60  # ms, one picture of a 60 Hz screen


def speed_edits(ready, count: int) -> list[list[str]]:
    """Edits that each change the result and the drawing: every input in turn, to a value that is not refused."""
    edits = []
    case = {n: t for n, t in a_good_case(ready).items() if not n.endswith("_unit")}
    dice = random.Random(f"{SEED} speed {ready.declared.id}")
    for name in itertools.islice(itertools.cycle(ready.inputs), count):
        x, old = ready.inputs[name], case[name]
        for _ in range(200):
            if x.declared.kind == "choice":
                case[name] = dice.choice(list(x.choices))
            elif x.declared.kind == "date":
                case[name] = (TODAY + timedelta(days=dice.randint(0, 30))).isoformat()
            else:
                case[name] = f"{min(max(x.start + (x.high - x.low) * dice.uniform(-0.05, 0.05), x.low), x.high):.4g}"
            if case[name] != old and not by_python(ready, case, TODAY)["refusals"]:
                break
        else:
            case[name] = old
            continue  # nothing else goes with what the other inputs are now
        edits.append([name, case[name]])
    return edits


@pytest.mark.parametrize("id", IDS)
def test_recompute_and_redraw_take_less_than_one_frame(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    page = browsing.open(http_base, f"calculators/{id}.html", width=390)
    settle(page)
    edits = speed_edits(ready, 140)[:100]
    page.evaluate(MEASURE, edits[:20])  # the first ones also compile
    measured = page.context.new_cdp_session(page)
    measured.send("Performance.enable", {"timeDomain": "threadTicks"})

    def spent() -> float:
        return next(m["value"] for m in measured.send("Performance.getMetrics")["metrics"] if m["name"] == "TaskDuration")

    before = spent()
    got = page.evaluate(MEASURE, edits[20:])
    each = (spent() - before) / 80 * 1000
    measured.detach()
    assert got["edited"] == 80 and 0 < got["results"] <= len(ready.declared.outputs)  # a withheld result has no value
    if ready.declared.plot or ready.declared.diagram:
        assert got["drawn"] == 80, f"Only {got['drawn']} of 80 edits redrew the picture."
    assert 0.05 < each < FRAME, f"{each:.1f} ms an edit; one frame is {FRAME:.1f} ms."
