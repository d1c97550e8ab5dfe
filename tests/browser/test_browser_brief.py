"""The brief in a real browser: the numbers of Python, one question once, nothing on bad input, two sides of paper, nothing kept."""

from __future__ import annotations

import math
import random
import re
from datetime import date, timedelta
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import expect

from builder.units import clock
from support import CARDS, Base, Browsing, by_python, settle, sides

pytestmark = pytest.mark.browser

PATHWAYS = sorted(f.stem for f in (CARDS / "pathways").glob("*.yaml"))
FULLEST = "premacular-blood"  # the most calculators, so the fullest sheet
TODAY = date(2027, 2, 10)
SEED = 20270210
CASES = 4
GIVEN = {"on": TODAY.isoformat(), "eye": "left", "lens": "pseudophakic", "systolic": "165", "diastolic": "88", "axial_length": "24.1", "bled": "2027-01-20",
         "injected": "2027-02-04", "theatre": "2027-02-11"}

READ = """() => ({
  calculators: Object.fromEntries([...document.querySelectorAll('.brief-calculator')].filter(n => !n.hidden).map(n => [n.dataset.calculatorScope, {
    outputs: Object.fromEntries([...n.querySelectorAll('output')].map(o => [o.name, o.getAttribute('data-value')])),
    texts: Object.fromEntries([...n.querySelectorAll('output')].map(o => [o.name, o.textContent])),
    withheld: Object.fromEntries([...n.querySelectorAll('.withheld:not([hidden])')].map(w => [w.closest('dd').querySelector('output').name, w.textContent.trim()])),
    verdicts: [...n.querySelectorAll('.verdict')].flatMap((v, i) => v.hidden ? [] : [i]),
    echoes: [...n.querySelectorAll('.verdict:not([hidden]) [data-value-of]')].map(v => [v.dataset.valueOf, v.textContent]),
    none: n.querySelector('.stale-note').hidden ? '' : n.querySelector('.stale-note').textContent,
    stale: n.classList.contains('stale'),
    drawn: [...n.querySelectorAll('figure')].filter(f => !f.hidden).length,
  }])),
  errors: Object.fromEntries([...document.querySelectorAll('.field-error:not([hidden])')].map(e => [e.closest('.field').dataset.field, e.textContent])),
  fields: Object.fromEntries([...document.querySelectorAll('.field [name]')].filter(f => f.name !== 'case').map(f => [f.name, f.value])),
  uses: window.cards.brief[document.getElementById('brief-case').value].fields,
})"""

FILL = """given => Object.entries(given).forEach(([name, value]) => {
  const control = document.querySelector('.brief-form').elements.namedItem(name);
  control.value = value;
  control.dispatchEvent(new Event('input', {bubbles: true}));
  control.dispatchEvent(new Event('change', {bubbles: true}));
})"""


def address(pathway: str = FULLEST, **given: str) -> str:
    return "brief.html#" + urlencode({"case": pathway, **given})


def opened(browsing: Browsing, base: Base, pathway: str = FULLEST, *, given: dict[str, str] | None = None, **options):
    """The sheet of a pathway, on the day of these tests."""

    def before(page) -> None:
        page.goto("about:blank")  # else a new fragment would only move within the page
        page.clock.set_fixed_time(f"{TODAY}T09:00:00")

    page = browsing.open(base, address(pathway, **(GIVEN if given is None else given)), before=before, **options)
    page.wait_for_selector(".brief-foot")
    return page


def read(page) -> dict:
    return page.evaluate(READ)


def texts_of(seen: dict, calculator: str) -> dict[str, str]:
    """What stands in the form for one calculator, under the names of its own inputs."""
    texts = {}
    for field in seen["uses"]:
        for id, name in field["uses"]:
            if id == calculator:
                texts[name] = seen["fields"][field["key"]]
                if field["key"] + "_unit" in seen["fields"]:
                    texts[name + "_unit"] = seen["fields"][field["key"] + "_unit"]
    return texts


def differences(ready, seen: dict, id: str) -> list[str]:
    """How one calculator on the sheet differs from Python on the same inputs."""
    want, got = by_python(ready, texts_of(seen, id), TODAY), seen["calculators"][id]
    if want["refusals"]:
        shown = {n: v for n, v in got["outputs"].items() if v is not None or got["texts"][n] != "\u2013"}
        faults = [f"Python refuses {want['refusals']}, the sheet shows {shown}"] if shown else []
        return faults + ([] if got["none"] and got["stale"] else ["no reason is given"]) + (["verdicts stay"] if got["verdicts"] else []) + (["a drawing stays"] if got["drawn"] else [])
    faults = [f"refused by the sheet alone: {got['none']}"] if got["none"] or got["stale"] else []
    for name, value in want["outputs"].items():
        o, found, text = ready.declared.outputs[name], got["outputs"].get(name), got["texts"].get(name, "")
        if value is None:
            if found is not None or text != "\u2013" or got["withheld"].get(name) != want["withheld"][name]:
                faults.append(f"{name}: withheld by Python, the sheet shows '{text}' with '{got['withheld'].get(name)}'")
        elif isinstance(value, str):
            day = date.fromisoformat(value)
            if found != value or text != f"{day:%a} {day.day} {day:%b %Y}":
                faults.append(f"{name}: {found} shown as '{text}', by Python {value}")
        elif found is None or not math.isclose(float(found), value, rel_tol=1e-9, abs_tol=1e-9):
            faults.append(f"{name}: {found}, by Python {value!r}")
        elif o.kind == "clock":
            if text != f"{clock(value)}\u00a0o\u2019clock":
                faults.append(f"{name}: shown as {text}")
        else:
            number = re.match(r"[\u2212\d.]+", text)
            if not number or abs(float(number[0].replace("\u2212", "-")) - value) > 0.5 * 10 ** -(o.decimals or 0) * (1 + 1e-9):
                faults.append(f"{name}: {value!r} is shown as '{text}'")
    if got["verdicts"] != want["verdicts"]:
        faults.append(f"verdicts {got['verdicts']}, by Python {want['verdicts']}")
    faults += [f"a sentence has no value for {name}" for name, text in got["echoes"] if not text.strip()]
    return faults


def a_case(dice: random.Random, seen: dict, calculators: dict) -> dict[str, str]:
    """A reader's case: every field with something that its first calculator takes, at times in another unit."""
    case = {}
    for field in seen["uses"]:
        id, name = field["uses"][0]
        x = calculators[id].inputs[name]
        if x.declared.kind == "choice":
            case[field["key"]] = dice.choice(list(x.choices))
        elif x.declared.kind == "date":
            case[field["key"]] = (TODAY + timedelta(days=dice.randint(-60, 30))).isoformat()
        elif dice.random() < 0.6:
            unit = dice.choice(list(x.units)) if field["key"] + "_unit" in seen["fields"] else x.declared.unit
            if field["key"] + "_unit" in seen["fields"]:
                case[field["key"] + "_unit"] = unit
            case[field["key"]] = f"{dice.uniform(x.low, x.high) / x.units[unit]:.4g}"
    return case


# --- the numbers --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("pathway", "where"), [*((p, "http") for p in PATHWAYS), (FULLEST, "file")])
def test_every_number_and_verdict_on_the_sheet_is_that_of_python(pathway: str, where: str, request, browsing: Browsing, calculators) -> None:
    page = opened(browsing, request.getfixturevalue(f"{where}_base"), pathway)
    seen, dice, faults, answered = read(page), random.Random(SEED), [], 0
    assert set(seen["calculators"]) == set(page.evaluate("Object.keys(window.calculators)")) and seen["calculators"], "a calculator of the pathway is not on the sheet"
    for case in [{}] + [a_case(dice, seen, calculators) for _ in range(CASES)]:
        page.evaluate(FILL, case)
        now = read(page)
        for id, got in now["calculators"].items():
            answered += not got["none"]
            faults += [f"{id}: {f} (given {texts_of(now, id)})" for f in differences(calculators[id], now, id)]
    assert not faults, f"{len(faults)} differ:\n" + "\n".join(faults[:8])
    assert answered > len(seen["calculators"]) * 3, f"Only {answered} answers were compared."


def test_an_input_given_once_reaches_every_calculator_that_asks_for_it(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    assert page.locator(".brief-form label:has-text('Axial length')").count() == 1
    before = read(page)["calculators"]
    page.get_by_label("Axial length", exact=True).fill("22")
    after = read(page)["calculators"]
    for id, output in (("endolaser-plan", "radius"), ("vitreous-volume", "cubic")):
        assert before[id]["outputs"][output] != after[id]["outputs"][output], f"{id} did not hear of the new axial length"
    assert before["perfusion-pressure"] == after["perfusion-pressure"]


def test_nothing_that_hangs_on_the_side_is_answered_before_the_side_is_chosen(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, given={})
    ports = read(page)["calculators"]["port-placement"]
    assert ports["stale"] and not any(ports["outputs"].values()) and ports["drawn"] == 0
    assert "Eye" in ports["none"] and read(page)["errors"] == {}, "a choice not made yet is told on the sheet, not as a mistake"
    expect(page.locator(".brief-given")).to_contain_text("Not chosen: eye, lens status.")
    expect(page.locator(".brief-left")).to_contain_text("Systolic pressure: 120")
    page.get_by_label("Eye", exact=True).select_option("left")
    page.get_by_label("Lens status").select_option("phakic")
    assert read(page)["calculators"]["port-placement"]["outputs"]["distance"] == "4"
    expect(page.locator(".brief-given")).to_contain_text("Given: Eye: Left eye; Lens status: Phakic.")


def test_start_values_that_nobody_touched_stand_on_the_sheet(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    note = page.locator("[data-calculator-scope=perfusion-pressure] .brief-with")
    expect(note).to_have_text(re.compile("^Start values: Infusion pressure: 60\u00a0mmHg"))
    page.get_by_text("More: what keeps its start value").click()
    page.locator("[name=iop]").fill("45")
    expect(note).to_have_text(re.compile("^Given: Infusion pressure: 45\u00a0mmHg"))


# --- bad input ----------------------------------------------------------------------------------------------------


def test_bad_input_is_told_beside_its_field_and_greys_only_what_needs_it(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    good = read(page)["calculators"]
    for text, words in (("abc", "is not a number"), ("", "Enter a number"), ("900", "outside the range"), ("1e400", "too large"), ("80", "diastolic")):
        page.get_by_label("Systolic pressure", exact=True).fill(text)
        seen = read(page)
        told = " ".join(seen["errors"].values())
        assert words in told, f"{text!r}: {seen['errors']}"
        perfusion = seen["calculators"]["perfusion-pressure"]
        assert perfusion["stale"] and not any(perfusion["outputs"].values()) and set(perfusion["texts"].values()) == {"\u2013"}
        assert perfusion["none"].startswith("No answer.") and perfusion["verdicts"] == [] and perfusion["drawn"] == 0
        assert {id: c for id, c in seen["calculators"].items() if id != "perfusion-pressure"} == {id: c for id, c in good.items() if id != "perfusion-pressure"}
    expect(page.locator(".brief-status")).to_have_text("13 of 14 calculators answer; the others say why not.")
    page.get_by_label("Systolic pressure", exact=True).fill("165")
    assert read(page)["calculators"] == good


def test_a_value_that_only_one_of_its_calculators_refuses_names_that_one(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    page.get_by_label("Axial length", exact=True).fill("29")
    seen = read(page)
    assert seen["errors"].keys() == {"axial_length"} and seen["errors"]["axial_length"].startswith("Endolaser plan: 29\u00a0mm is outside the range. Enter 20 to 26\u00a0mm.")
    assert seen["calculators"]["endolaser-plan"]["stale"] and not seen["calculators"]["vitreous-volume"]["stale"]
    expect(page.get_by_label("Axial length", exact=True)).to_have_attribute("aria-invalid", "true")


def test_bad_text_in_the_address_is_refused_not_reread(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, given={**GIVEN, "systolic_unit": "furlong", "theatre": "2027-02-31", "gauge": "gauge-99", "lens": "none"})
    seen = read(page)
    assert seen["errors"].keys() == {"systolic", "theatre", "gauge", "lens"}, seen["errors"]
    assert not any(seen["calculators"]["port-placement"]["outputs"].values())
    assert not any(seen["calculators"]["injection-window"]["outputs"].values())


# --- the address --------------------------------------------------------------------------------------------------


def test_a_link_opens_the_same_brief_again(base, browsing: Browsing) -> None:
    page = opened(browsing, base, given={})
    page.get_by_label("Eye", exact=True).select_option("right")
    page.get_by_label("Lens status").select_option("aphakic")
    page.get_by_label("Unit of systolic pressure").select_option("kPa")
    page.get_by_label("Systolic pressure", exact=True).fill("21.5")
    page.get_by_label("Bled on").fill("2027-01-30")
    page.get_by_text("Calculators on the sheet").click()
    page.get_by_role("checkbox", name="Altitude and the bubble").uncheck()
    page.wait_for_function("location.hash.includes('without=altitude')")
    first, text, link = read(page), page.locator(".brief-sheet").inner_text(), page.url
    state = parse_qs(urlsplit(link).fragment)
    assert state == {"case": [FULLEST], "on": [TODAY.isoformat()], "without": ["altitude"], "eye": ["right"], "lens": ["aphakic"], "bled": ["2027-01-30"],
                     "systolic": ["21.5"], "systolic_unit": ["kPa"]}
    assert "altitude" not in first["calculators"]
    page.goto("about:blank")
    page.goto(link)
    page.wait_for_selector(".brief-foot")
    assert read(page) == first and page.locator(".brief-sheet").inner_text() == text
    page.get_by_text("Start again").click()
    page.wait_for_function("!location.hash.includes('eye=')")
    assert read(page)["fields"]["eye"] == "" and "altitude" in read(page)["calculators"]


def test_an_unknown_case_in_the_address_is_said_and_nothing_is_shown(http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, "brief.html#case=no-such-case", before=lambda page: page.goto("about:blank"))
    expect(page.locator(".brief-status")).to_have_text("There is no case of that name here. Choose one.")
    assert page.locator(".brief-sheet > *").count() == 0


# --- going stale --------------------------------------------------------------------------------------------------


def test_a_brief_of_another_day_says_so_and_is_made_anew_on_request(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, given={**GIVEN, "on": "2027-02-08"})
    expect(page.locator(".brief-day")).to_contain_text("Made on Mon 8 Feb 2027, for that day only.")
    expect(page.locator(".brief-old")).to_contain_text("This brief is of Mon 8 Feb 2027. Today is Wed 10 Feb 2027: do not work from it.")
    assert read(page)["fields"]["looked"] == "2027-02-08", "a start value of today is that of the brief's own day"
    page.emulate_media(media="print")
    expect(page.locator(".brief-old")).to_be_visible()
    page.emulate_media(media="screen")
    page.get_by_role("button", name="Make it for today").click()
    expect(page.locator(".brief-day")).to_contain_text("Made on Wed 10 Feb 2027")
    expect(page.locator(".brief-old")).to_be_hidden()
    assert read(page)["fields"]["eye"] == "left", "what was given is kept"


def test_a_page_left_open_overnight_warns_by_the_readers_clock(http_base, browsing: Browsing) -> None:
    def before(page) -> None:
        page.clock.install(time=f"{TODAY}T23:30:00")

    page = browsing.open(http_base, address(eye="left", lens="phakic"), fresh=True, before=before)
    page.wait_for_selector(".brief-foot")
    expect(page.locator(".brief-old")).to_be_hidden()
    page.clock.run_for("01:00:00")
    expect(page.locator(".brief-old")).to_contain_text("Today is Thu 11 Feb 2027: do not work from it.")


def test_it_says_when_the_cards_go_stale_and_that_they_are_not_signed_off(http_base, browsing: Browsing) -> None:
    def signed(page, on: str, months: int) -> str:
        """The line of a pathway whose cards are all signed off, one of them with a shorter interval."""
        page.evaluate("""([id, on, months]) => {
          const b = window.cards.brief[id];
          const all = [b, ...b.stages.flatMap(s => s.cards), ...Object.values(b.calculators)];
          all.forEach(c => { c.signedOff = on; c.months = 12; });
          b.stages[0].cards[0].months = months;
        }""", [FULLEST, on, months])
        page.get_by_role("button", name="Start again").click()
        return page.locator(".brief-review").inner_text()

    page = opened(browsing, http_base)
    assert re.fullmatch(r"Not yet signed off: (\d+) of its \1 cards and calculators\.", page.locator(".brief-review").inner_text())
    title = page.evaluate(f"window.cards.brief['{FULLEST}'].stages[0].cards[0].title")
    assert signed(page, "2027-01-31", 1) == f"Stale after Sun 28 Feb 2027 ({title})."
    assert signed(page, "2026-08-31", 3) == f"Overdue for review since Mon 30 Nov 2026 ({title})."


def test_every_card_carries_its_version(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    data = page.evaluate(f"window.cards.brief['{FULLEST}']")
    for card in [c for s in data["stages"] for c in s["cards"]]:
        expect(page.locator(f"[data-card={card['id']}] .version")).to_have_text(card["version"])
    for id, calculator in data["calculators"].items():
        expect(page.locator(f"[data-calculator-scope={id}] h4 .version")).to_have_text(calculator["version"])
    expect(page.locator(".brief-head .version")).to_have_text(data["version"])


# --- paper --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pathway", PATHWAYS)
def test_with_every_calculator_it_prints_on_two_sides_at_most(pathway: str, http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, pathway)
    assert not [id for id, c in read(page)["calculators"].items() if c["stale"]], "the sheet measured here should be full"
    page.evaluate("addEventListener('beforeprint', () => { window.type = parseFloat(document.querySelector('.brief-sheet').style.fontSize); })")
    assert sides(page) <= 2
    assert page.evaluate("window.type") >= 5.2, "the type is too small to read"
    assert not page.locator(".brief-sheet").get_attribute("style"), "the screen gets its own type back"


def test_a_sheet_with_less_on_it_prints_larger(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base)
    page.evaluate("addEventListener('beforeprint', () => { window.type = parseFloat(document.querySelector('.brief-sheet').style.fontSize); })")
    sides(page)
    full = page.evaluate("window.type")
    page.emulate_media(media="screen")
    page.get_by_text("Calculators on the sheet").click()
    for name in ("Altitude and the bubble", "Visual acuity", "Intravitreal dose"):
        page.get_by_role("checkbox", name=name).uncheck()
    assert sides(page) <= 2 and page.evaluate("window.type") > full + 0.2


def test_paper_is_black_on_white_with_date_versions_caution_and_no_form(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, scheme="dark")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print", color_scheme="dark")
    for gone in (".brief-form", ".brief-status", ".md-header", ".verdict-note:not([hidden]) >> nth=0"):
        expect(page.locator(gone)).to_be_hidden()
    for there in (".caution-line", ".brief-day", ".brief-review", ".brief-left", ".brief-head .version", ".brief-sources", ".brief-legend"):
        expect(page.locator(there)).to_be_visible()
    colours = page.evaluate("[...document.querySelectorAll('.brief-sheet :is(p, dt, dd, h2, h3, h4, output, .basis, li)')].filter(n => n.checkVisibility()).map(n => getComputedStyle(n).color)")
    assert set(colours) <= {"rgb(0, 0, 0)", "rgb(34, 34, 34)"}, set(colours)
    assert page.locator(".brief-calculator figure:visible svg").count() == len([c for c in read(page)["calculators"].values() if c["drawn"]]) > 10


# --- nothing kept, nothing sent ------------------------------------------------------------------------------------


def test_nothing_is_stored_and_no_field_takes_a_name(base, browsing: Browsing) -> None:
    kept = "async () => [Object.keys(localStorage), Object.keys(sessionStorage), document.cookie, 'databases' in indexedDB ? (await indexedDB.databases()).map(d => d.name) : []]"
    page = browsing.open(base, "index.html", fresh=True)
    before = page.evaluate(kept)
    page.goto(base.root + address(**GIVEN))
    page.wait_for_selector(".brief-foot")
    page.get_by_label("Systolic pressure", exact=True).fill("150")
    page.wait_for_function("location.hash.includes('systolic=150')")
    assert page.evaluate(kept) == before and before[2] == ""
    kinds = page.evaluate("[...document.querySelectorAll('.brief-form :is(input, select, textarea)')].map(n => [n.name, n.type, n.inputMode])")
    free = [n for n, kind, mode in kinds if kind not in ("select-one", "date", "checkbox") and not (kind == "text" and mode == "decimal")]
    assert kinds and not free, f"These fields take any words: {free}"
    assert urlsplit(page.url).query == "", "the case stands in the fragment, which no browser sends"
    assert not [url for url in browsing.requests if "systolic" in urlsplit(url).query]


# --- the page itself -----------------------------------------------------------------------------------------------


def test_without_scripts_it_says_so_and_leads_to_every_case(base, browsing: Browsing) -> None:
    page = browsing.open(base, "brief.html", java_script_enabled=False)
    expect(page.locator(".brief-off")).to_contain_text("needs scripts")
    assert sorted(a.get_attribute("href") for a in page.locator(".brief-off a").all()) == [f"pathways/{id}.html" for id in PATHWAYS]
    expect(page.locator(".brief-form")).to_be_hidden()


def test_home_menu_and_case_lead_to_it(base, browsing: Browsing) -> None:
    page = browsing.open(base, "index.html")
    page.get_by_role("link", name="Make the brief for today").click()
    expect(page.locator("h1")).to_have_text(re.compile("^The brief"))
    expect(page.locator("#brief-case")).to_have_value("")
    assert page.locator("header a[href$='brief.html'], nav a[href$='brief.html']").count() >= 1, "the menu does not lead to the brief"
    page.goto(base.root + f"pathways/{PATHWAYS[0]}.html")
    page.get_by_role("link", name="Make the brief for today").click()
    page.wait_for_selector(".brief-foot")
    expect(page.locator("#brief-case")).to_have_value(PATHWAYS[0])


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_axe_finds_nothing_serious_on_a_full_sheet_and_it_fits(width: int, scheme: str, http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, width=width, scheme=scheme, given={**GIVEN, "systolic": "abc", "on": "2027-02-09"})
    page.get_by_text("More: what keeps its start value").click()
    page.get_by_label("Show every result").check()
    settle(page)
    page.evaluate(AXE_SCRIPT)
    found = page.evaluate("axe.run('.brief', {resultTypes: ['violations'], preload: false}).then(r => r.violations)")
    serious = [f"{v['id']}: {v['help']}: {[n['target'] for n in v['nodes']][:4]}" for v in found if v["impact"] in ("serious", "critical")]
    assert not serious, "\n".join(serious)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    small = page.evaluate("""[...document.querySelectorAll('.brief-form :is(input, select, button, summary)')].filter(n => n.checkVisibility())
      .map(n => [n.name || n.textContent, (n.closest('label') || n).getBoundingClientRect().height]).filter(n => n[1] < 43)""")
    assert not small, f"too small for a finger: {small}"


def test_at_320_px_nothing_is_wider_than_the_screen(http_base, browsing: Browsing) -> None:
    page = opened(browsing, http_base, width=320)
    page.get_by_label("Show every result").check()
    settle(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_from_home_to_a_printed_brief_takes_few_fields_and_taps(http_base, browsing: Browsing) -> None:
    """Two minutes are 120 s; by the keystroke-level model (Card, Moran and Newell 1980, from memory) a choice from a list or a short
    number is 4 s at most with the move to it, and a tap 2 s."""
    page = browsing.open(http_base, "index.html", width=390, before=lambda page: page.clock.set_fixed_time(f"{TODAY}T09:00:00"))
    taps, filled = 1, 1
    page.get_by_role("link", name="Make the brief for today").click()
    page.locator("#brief-case").select_option(FULLEST)
    page.wait_for_selector(".brief-foot")
    for field in page.locator(".brief-asked .field:visible").all():
        control, unset = field.locator("input, select").first, field.get_attribute("data-field")
        if unset in GIVEN:
            control.select_option(GIVEN[unset]) if control.evaluate("n => n.tagName") == "SELECT" else control.fill(GIVEN[unset])
        filled += 1
    assert not [id for id, c in read(page)["calculators"].items() if c["stale"]]
    page.evaluate("window.print = () => { window.printed = true; }")
    page.get_by_role("button", name="Print the brief").click()
    taps += 1
    assert page.evaluate("window.printed") and 4 * filled + 2 * taps < 120, f"{filled} fields and {taps} taps"
