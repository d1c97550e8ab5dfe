"""What the browser remembers of its reader: cards read, what changed since, the reading list; and all of it forgotten.

Two sites stand side by side at one address: `before` holds the small valid library with a fuller card, `after` the same
library with that card changed in every way that the page can tell apart.
"""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from fixtures import VALID, build, lay, small_site, write
from playwright.sync_api import expect

from builder import compose
from support import CHROMIUM_FLAGS, ROOT, Base, Browsing, both_ways, chromium, settle

pytestmark = pytest.mark.browser

CARD = "techniques/raised-infusion.html"
OTHER = "techniques/injection-first.html"
CASE = "pathways/trapped-blood.html"
SERIES = "[{source: arevalo-2008, at: abstract, checked: abstract}]"

BEFORE = f"""\
title: Raised infusion
stage: haemostasis
summary: Raise the infusion, then lower it & look.
quantities:
  raised: {{label: Raised infusion pressure, value: 60, unit: mmHg, basis: {SERIES}}}
  hold: {{label: Longest hold, value: 2, unit: min, basis: {SERIES}}}
  resting: {{label: Resting pressure, value: 20, unit: mmHg, basis: common practice}}
  needle: {{label: Outside of a needle, value: 0.9, unit: mm, key: false, basis: common practice}}
  loss: {{label: Loss along the line, value: 9, unit: mmHg, key: false, basis: common practice}}
when: [{{text: A vessel bleeds., basis: common practice}}]
not_when: [{{text: The disc is pale already., basis: common practice}}]
equipment: [{{text: A clock that someone else watches., basis: common practice}}]
steps:
  - {{do: "Raise the infusion to [](quantity:raised).", why: Pressure closes the bleeding point., endpoint: The bleeding stops., basis: common practice}}
  - {{do: "Find the source of the bleeding and rest a soft tip on it.", why: Direct pressure costs no perfusion., endpoint: No blood escapes., basis: common practice}}
  - {{do: Lower the infusion slowly and watch the point., why: A clot must hold., endpoint: The point stays dry., basis: common practice}}
  - {{do: Inspect the optic disc for pallor., why: Its artery fails first., endpoint: The disc is pink., basis: common practice}}
  - {{do: Write the longest pressure into the notes., why: Others will ask., endpoint: It is written., basis: common practice}}
decisions: [{{if: It only oozes, then: Wait with the tip in place., basis: common practice}}]
pitfalls: [{{sign: The disc pales., respond: Lower the infusion at once., basis: {SERIES}}}]
cautions:
  - {{text: Two thirds belongs to the mean pressure alone., basis: [{{source: van-keer-2016-mopp, checked: full text}}]}}
  - {{text: Never leave the infusion raised while an instrument is fetched., basis: common practice}}
evidence: [{{text: No trial has compared two pressures., basis: common practice}}]
questions: [{{ask: Why lower it?, answer: To see whether the point bleeds again., basis: common practice}}]
see_also: [injection-first]
review: {{owner: consultant vitreoretinal surgeon, every_months: 6}}
"""


def _replaced(text: str, *pairs: tuple[str, str]) -> str:
    for was, now in pairs:
        assert text.count(was) == 1, f"The card of this test has lost {was!r}."
        text = text.replace(was, now)
    return text


_STEPS = [line for line in BEFORE.splitlines() if line.startswith("  - {do:")]
AFTER = _replaced(
    BEFORE,
    (f"value: 60, unit: mmHg, basis: {SERIES}", "value: 50, unit: mmHg, basis: common practice"),  # other figure, weaker
    (f"value: 2, unit: min, basis: {SERIES}", "value: 2, unit: min, basis: [{source: arevalo-2008, at: abstract, checked: memory}]"),  # weaker
    ("value: 20, unit: mmHg, basis: common practice", f"value: 20, unit: mmHg, basis: {SERIES}"),  # firmer
    ("  needle: {label: Outside of a needle, value: 0.9, unit: mm, key: false, basis: common practice}\n", ""),  # removed
    ("  loss: {label: Loss along the line,", "  spurt: {label: Height of a spurt, value: 4, unit: mm, key: false, basis: common practice}\n  loss: {label: Loss along the line,"),  # new
    ("\n".join(_STEPS), "\n".join([
        _STEPS[0],
        _STEPS[3],  # moved: was the fourth
        _STEPS[1].replace("the source of the bleeding and rest", "the source of bleeding, and rest"),  # wording only
        _STEPS[2].replace("slowly", "quickly"),  # one word, another meaning
        "  - {do: Count the seconds aloud., why: Nobody else keeps time., endpoint: The theatre hears it., basis: common practice}",  # new; the fifth is gone
    ])),
    ("not_when: [{text: The disc is pale already., basis: common practice}]\n", ""),  # removed
    ("then: Wait with the tip in place.", 'then: "Wait with the tip in place for [](quantity:hold)."'),
    ("  - {text: Never leave the infusion raised while an instrument is fetched., basis: common practice}\n", ""),  # removed
    ("A vessel bleeds., basis: common practice", f"A vessel bleeds., basis: {SERIES}"),  # firmer
)
WITHDRAWN = (VALID / "sources/van-keer-2016-mopp.yaml").read_text(encoding="utf-8") + "withdrawn: Retracted by the journal.\n"

# level, name, what, [was], [now], [places that say it again]
TOLD = [
    ["warning", "Raised infusion pressure", "figure changed, weaker standing", ["60 mmHg abstract Arevalo and others 2008"], ["50 mmHg common practice"], ["Step 1"]],
    ["warning", "Longest hold", "weaker standing", ["2 min abstract Arevalo and others 2008"], ["2 min recalled, verify before use Arevalo and others 2008"], []],
    ["warning", "Caution", "source withdrawn", ["Two thirds belongs to the mean pressure alone. full text Van Keer and others 2016"], ["full text Van Keer and others 2016 source withdrawn"], []],
    ["warning", "Caution", "removed", ["Never leave the infusion raised while an instrument is fetched. common practice"], [], []],
    ["warning", "When not", "removed", ["The disc is pale already. common practice"], [], []],
    ["change", "Resting pressure", "firmer standing", ["20 mmHg common practice"], ["20 mmHg abstract Arevalo and others 2008"], []],
    ["change", "Height of a spurt", "new number", [], ["4 mm common practice"], []],
    ["change", "Outside of a needle", "number removed", ["0.9 mm common practice"], [], []],
    ["change", "Step 2", "was step 4", [], ["Inspect the optic disc for pallor."], []],
    ["change", "Step 4", "changed", ["Lower the infusion slowly and watch the point."], ["Lower the infusion quickly and watch the point."], []],
    ["change", "Step 5", "new", [], ["Count the seconds aloud.", "Until: The theatre hears it.", "Why: Nobody else keeps time. common practice"], []],
    ["change", "Step 5 as it was", "removed", ["Write the longest pressure into the notes.", "Until: It is written.", "Why: Others will ask. common practice"], [], []],
    ["change", "Decision", "changed", ["Then: Wait with the tip in place."], ["Then: Wait with the tip in place for 2 min."], []],
    ["change", "When", "firmer standing", ["A vessel bleeds. common practice"], ["abstract Arevalo and others 2008"], []],
    ["wording", "Step 3", "reworded", ["Find the source of the bleeding and rest a soft tip on it."], ["Find the source of bleeding, and rest a soft tip on it."], []],
]
READ_PANEL = """() => [...document.querySelectorAll('.changed-since .change')].map(li => {
  const flat = n => n.textContent.replace(/\\s+/g, ' ').trim();
  const lines = which => [...li.querySelectorAll(`:scope > .${which} > p`)].map(flat);
  const what = li.querySelector('.what'), name = what.querySelector('a, span');
  return [/change-(\\w+)/.exec(li.className)[1], flat(name), flat(what).split(': ').slice(1).join(': '), lines('was'), lines('now'),
    [...li.querySelectorAll('.used a')].map(flat)];
})"""


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("memory")
    small_site(root / "a", root / "sites" / "before", {"techniques/raised-infusion.yaml": BEFORE})
    small_site(root / "b", root / "sites" / "after", {"techniques/raised-infusion.yaml": AFTER, "sources/van-keer-2016-mopp.yaml": WITHDRAWN})
    return root / "sites"


@pytest.fixture(scope="module")
def bases(sites: Path):
    with both_ways(sites) as found:
        yield found


@pytest.fixture(params=["http", "file"])
def both(request: pytest.FixtureRequest, bases) -> Base:
    return bases[request.param]


def _read(page) -> None:
    page.get_by_role("button", name="I have read this card").click()
    expect(page.get_by_role("button", name="Count this card as not read")).to_be_visible()


def _changed(browsing: Browsing, base: Base, **options):
    """The changed card, in the window in which it was read as it stood before."""
    page = browsing.open(base, f"before/{CARD}", fresh=True, **options)
    _read(page)
    page.goto(base.root + f"after/{CARD}")
    expect(page.locator(".changed-since")).to_be_visible()
    return page


def _keys(page) -> list[str]:
    return page.evaluate("() => Object.keys(localStorage).filter(k => k.startsWith('cards:')).sort()")


def _states(page, where: str) -> dict[str, str]:
    """Card id -> the word beside it ('' if none)."""
    return page.eval_on_selector_all(f"{where} li[data-card]", "rows => Object.fromEntries(rows.map(li => [li.dataset.card, li.querySelector('.read-state')?.textContent ?? '']))")


# --- reading and remembering ---------------------------------------------------------------------------------------


def test_a_card_counts_as_read_only_when_the_reader_says_so_and_can_be_taken_back(both, browsing: Browsing) -> None:
    page = browsing.open(both, f"before/{CARD}", fresh=True)
    page.mouse.wheel(0, 20000)
    settle(page)
    assert _keys(page) == [], "Scrolling to the end is not reading."
    _read(page)
    expect(page.locator(".mark-read [role=status]")).to_contain_text("It has not changed since")
    assert _keys(page) == ["cards:read", "cards:read:raised-infusion"]
    page.reload()
    expect(page.get_by_role("button", name="Count this card as not read")).to_be_visible()
    expect(page.locator(".changed-since")).to_be_hidden()
    page.goto(both.root + f"before/{CASE}")
    page.locator(".reading-list summary").click()
    assert _states(page, ".reading-list") == {"injection-first": "unread", "raised-infusion": "read"}
    expect(page.locator(".reading-sum")).to_have_text("1 of 2 read, 1 min left")
    page.goto(both.root + f"before/{CARD}")
    page.get_by_role("button", name="Count this card as not read").click()
    assert page.evaluate("localStorage.getItem('cards:read')") == "{}" and "cards:read:raised-infusion" not in _keys(page)


def test_reading_list_and_home_tell_read_changed_and_unread_by_word_and_shape(both, browsing: Browsing) -> None:
    page = browsing.open(both, f"before/{CARD}", fresh=True)
    _read(page)
    page.goto(both.root + f"before/{OTHER}")
    _read(page)
    page.goto(both.root + f"after/{CASE}")
    expect(page.locator(".reading-sum")).to_have_text("1 of 2 read, 1 changed since, 1 min left")
    assert _states(page, ".reading-list") == {"injection-first": "read", "raised-infusion": "changed"}
    assert _states(page, "h2 ~ .listing") == {"injection-first": "read", "raised-infusion": "changed"}
    page.locator(".reading-list summary").click()
    shapes = page.eval_on_selector_all(".reading-list .read-state", "all => all.map(n => getComputedStyle(n, '::before').content)")
    assert len(set(shapes)) == 2 and "none" not in shapes, f"Each state has a shape of its own: {shapes}"
    page.goto(both.root + "after/index.html")
    assert _states(page, ".operation-line") == {"injection-first": "read", "raised-infusion": "changed"}
    page.evaluate("localStorage.clear()")
    page.reload()
    assert _states(page, ".operation-line") == {"injection-first": "", "raised-infusion": ""}, "An unread card needs no word on the home page."


def test_reading_in_one_tab_shows_in_the_other(bases, browsing: Browsing) -> None:
    first = browsing.open(bases["http"], f"before/{CASE}", fresh=True)
    second = first.context.new_page()
    second.goto(bases["http"].root + f"before/{CARD}")
    _read(second)
    expect(first.locator(".reading-sum")).to_have_text("1 of 2 read, 1 min left")


# --- what changed ------------------------------------------------------------------------------------------------


def test_a_changed_card_tells_each_change_with_was_and_now_warnings_first_and_wording_apart(both, browsing: Browsing) -> None:
    page = _changed(browsing, both)
    assert page.evaluate(READ_PANEL) == TOLD
    expect(page.locator(".changed-since .sum")).to_contain_text("Since then: 5 warnings, 9 changes, 1 in wording only.")
    expect(page.locator(".changed-since details .change")).to_have_count(1)
    expect(page.locator(".changed-since details")).not_to_have_attribute("open", re.compile(""))
    assert page.locator(".change-warning .level").all_inner_texts() == ["Warning"] * 5


def test_each_change_leads_to_its_place_and_the_place_says_it_too(both, browsing: Browsing) -> None:
    page = _changed(browsing, both)
    links = page.eval_on_selector_all(".changed-since .change a", "all => all.map(a => [a.textContent, a.getAttribute('href'), document.querySelectorAll(a.getAttribute('href')).length])")
    assert len(links) >= 13 and all(n == 1 for _, _, n in links), links
    assert {("Raised infusion pressure", "#quantity-raised"), ("Step 2", "#step-2"), ("Caution", "#cautions-1")} <= {(a, b) for a, b, _ in links}
    assert page.locator("#quantity-raised .since").inner_text() == "was 60 mmHg"
    assert page.locator("#step-2 .since").inner_text() == "was step 4"
    assert page.locator("#step-5 .since").inner_text() == "new"
    expect(page.locator("#step-3 .since")).to_have_count(0)  # wording only
    page.get_by_role("link", name="Step 4").click()
    expect(page.locator("#step-4")).to_be_in_viewport()


def test_an_address_that_names_a_place_in_a_changed_card_still_leads_there(both, browsing: Browsing) -> None:
    page = browsing.open(both, f"before/{CARD}", fresh=True, width=390, height=600)
    _read(page)
    page.goto(both.root + f"after/{CARD}#cautions")
    expect(page.locator(".changed-since .change").first).to_be_attached()
    settle(page)
    expect(page.locator("#cautions")).to_be_in_viewport()
    expect(page.locator(".changed-since h2")).not_to_be_in_viewport()


def test_words_that_changed_are_set_apart_from_those_that_stayed(bases, browsing: Browsing) -> None:
    page = _changed(browsing, bases["http"])
    row = page.locator(".change", has_text="slowly")
    assert row.locator("del").all_inner_texts() == ["slowly"] and row.locator("ins").all_inner_texts() == ["quickly"]


def test_once_the_changes_are_read_the_card_is_read_as_it_stands_now(both, browsing: Browsing) -> None:
    page = _changed(browsing, both)
    page.get_by_role("button", name="I have read what changed").focus()
    page.keyboard.press("Enter")
    expect(page.locator(".changed-since")).to_be_hidden()
    expect(page.locator(".mark-read [role=status]")).to_be_focused()
    expect(page.locator(".since")).to_have_count(0)
    page.reload()
    expect(page.get_by_role("button", name="Count this card as not read")).to_be_visible()
    expect(page.locator(".changed-since")).to_be_hidden()


def test_an_unchanged_card_is_known_by_its_version_without_comparing(bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{OTHER}", fresh=True)
    _read(page)
    page.evaluate("localStorage.setItem('cards:read:injection-first', 'no snapshot at all')")
    page.goto(bases["http"].root + f"after/{OTHER}")
    expect(page.locator(".mark-read [role=status]")).to_contain_text("It has not changed since")
    assert not [r for r in browsing.requests if r.endswith("changes.js")], "The comparison is fetched only for a card that changed."


ALTERED = {
    "a figure": ("s.numbers[0][2] = '70 mmHg'", [["change", "Raised infusion pressure", "figure changed", ["70 mmHg abstract Arevalo and others 2008"], ["60 mmHg abstract Arevalo and others 2008"], []]]),
    "a key that was renamed": ("s.numbers[0][0] = 'old-key'", []),
    "a figure of another card": ("s.parts.steps[0][0][0] = s.parts.steps[0][0][0].replace('60', '55')", [["change", "Step 1", "changed", ["Raise the infusion to 55 mmHg."], ["Raise the infusion to 60 mmHg."], []]]),
    "a denial": ("s.parts.steps[1][0][1] = 'Blood escapes.'", [["change", "Step 2", "changed", ["Until: Blood escapes."], ["Until: No blood escapes."], []]]),
    "two steps that changed places": ("s.parts.steps.splice(0, 0, s.parts.steps.splice(1, 1)[0])", [["change", "Step 2", "was step 1", [], ["Find the source of the bleeding and rest a soft tip on it."], []]]),
    "another source": ("s.numbers[0][3][0][2] = ['Elsewhere 1999']", [["change", "Raised infusion pressure", "other sources", ["60 mmHg abstract Elsewhere 1999"], ["60 mmHg abstract Arevalo and others 2008"], []]]),
    "capitals": ("s.parts.evidence[0][0][0] = 'no trial has compared two pressures'", [["wording", "Evidence", "reworded", ["no trial has compared two pressures"], ["No trial has compared two pressures."], []]]),
    "a pitfall": ("s.parts.pitfalls = []", [["change", "Pitfall", "new", [], ["Sign: The disc pales.", "First do: Lower the infusion at once. abstract Arevalo and others 2008"], []]]),
}


@pytest.mark.parametrize("what", ALTERED)
def test_one_altered_thing_is_told_alone(what: str, bases, browsing: Browsing) -> None:
    alter, told = ALTERED[what]
    page = browsing.open(bases["http"], f"before/{CARD}")
    page.evaluate("localStorage.clear()")
    page.reload()
    _read(page)
    page.evaluate("""alter => {
      const s = JSON.parse(localStorage.getItem('cards:read:raised-infusion'));
      new Function('s', alter)(s);
      localStorage.setItem('cards:read:raised-infusion', JSON.stringify(s));
      localStorage.setItem('cards:read', JSON.stringify({'raised-infusion': ['00000000', '2026-01-31']}));
    }""", alter)
    page.reload()
    expect(page.locator(".changed-since .sum")).to_contain_text("You read this card on 31 January 2026.")
    assert page.evaluate(READ_PANEL) == told
    if not told:
        expect(page.locator(".changed-since .sum")).to_contain_text("are as you read them")


@pytest.mark.parametrize("held", [None, "not JSON", "[]", '{"form": 0}', '{"form": 1}', '{"form": 1, "numbers": [1], "parts": 7}'])
def test_a_snapshot_that_is_lost_or_spoilt_is_said_to_be(held: str | None, bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{CARD}", fresh=True)
    page.evaluate("""held => {
      localStorage.setItem('cards:read', JSON.stringify({'raised-infusion': ['00000000', '2026-01-31'], 'injection-first': 5}));
      if (held !== null) localStorage.setItem('cards:read:raised-infusion', held);
    }""", held)
    page.reload()
    expect(page.locator(".changed-since .sum")).to_contain_text("this browser did not keep what it said then")
    page.get_by_role("button", name="I have read what changed").click()
    expect(page.locator(".changed-since")).to_be_hidden()


@pytest.mark.parametrize("index", ["not JSON", "7", "null", '{"raised-infusion": ["x"]}', '{"raised-infusion": ["x", "<b>"]}'])
def test_a_spoilt_index_counts_as_nothing_read(index: str, bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{CASE}", fresh=True)
    page.evaluate("index => localStorage.setItem('cards:read', index)", index)
    page.reload()
    expect(page.locator(".reading-sum")).to_have_text("0 of 2 read, 2 min left")


def test_a_source_that_was_withdrawn_makes_another_version_of_the_cards_that_rest_on_it_and_of_no_other(tmp_path: Path) -> None:
    def versions(root: Path) -> dict[str, str]:
        built = build(root)
        assert not built.problems
        home = next(p.text for p in compose.pages(built) if p.path == "index.md")
        return dict(re.findall(r'data-card="([^"]+)" data-version="([^"]+)"', home))

    before = versions(lay(tmp_path))
    write(tmp_path, "sources/van-keer-2016-mopp.yaml", WITHDRAWN)
    after = versions(tmp_path)
    assert before["injection-first"] == after["injection-first"] and before["raised-infusion"] != after["raised-infusion"]


# --- forgetting ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["index.html", CASE, "selftest.html"])
def test_one_button_forgets_all_that_was_read_and_can_be_undone_at_once(where: str, both, browsing: Browsing) -> None:
    page = browsing.open(both, f"before/{CARD}", fresh=True)
    _read(page)
    page.evaluate("() => { localStorage.setItem('cards:test:trapped-blood', '{}'); localStorage.setItem('cards:colours', '1'); }")
    page.goto(both.root + f"before/{where}")
    box = page.locator("[data-memory-settings]")
    expect(box).to_contain_text("1 card read and your answers in 1 self-test")
    box.get_by_role("button", name="Forget what I have read").press("Enter")
    assert _keys(page) == ["cards:colours"], "Colours are no memory of a reader; all else goes."
    expect(box).to_contain_text("Nothing yet")
    if where == CASE:
        expect(page.locator(".reading-sum")).to_have_text("0 of 2 read, 2 min left")
    box.get_by_role("button", name="Bring it back").click()
    assert len(_keys(page)) == 4
    expect(box).to_contain_text("1 card read")
    box.get_by_role("button", name="Forget what I have read").click()
    page.reload()
    assert _keys(page) == ["cards:colours"]
    expect(box).to_contain_text("Nothing yet")


# --- a browser that keeps nothing -----------------------------------------------------------------------------------

BLOCKED = {
    "storage that throws": "for (const name of ['getItem', 'setItem', 'removeItem', 'key']) Storage.prototype[name] = () => { throw new DOMException('denied', 'SecurityError'); };",
    "storage that cannot be asked for": "for (const name of ['localStorage', 'sessionStorage']) Object.defineProperty(window, name, {configurable: true, get() { throw new DOMException('denied', 'SecurityError'); }});",
}


def _keeps_nothing_but_is_whole(page, root: str) -> None:
    page.goto(root + f"before/{CARD}")
    expect(page.locator(".mark-read")).to_contain_text("This browser keeps nothing")
    expect(page.locator(".mark-read button")).to_have_count(0)
    for where in ("index.html", CASE, "selftest.html"):
        page.goto(root + f"before/{where}")
        expect(page.locator("[data-memory-settings]")).to_contain_text("this browser keeps nothing for this site")
        expect(page.locator("[data-memory-settings] button")).to_have_count(0)
    page.goto(root + f"before/{CASE}")
    expect(page.locator(".reading-sum")).to_have_text("2 cards, 2 min to read")
    # The theme's own scripts live too: its palette still changes.
    was = page.evaluate("document.body.dataset.mdColorScheme")
    for _ in range(3):
        page.locator("label.md-header__button[for^='__palette']:visible").click()
    settle(page)
    seen = set()
    for _ in range(3):
        page.locator("label.md-header__button[for^='__palette']:visible").click()
        settle(page)
        seen.add(page.evaluate("document.body.dataset.mdColorScheme"))
    assert len(seen) > 1, f"The palette stays {was}."


@pytest.mark.parametrize("how", BLOCKED)
def test_with_storage_blocked_the_page_says_so_and_everything_else_works(how: str, both, browsing: Browsing) -> None:
    page = browsing.open(both, "before/index.html", fresh=True, before=lambda page: page.context.add_init_script(BLOCKED[how]))
    _keeps_nothing_but_is_whole(page, both.root)


def test_with_site_data_refused_in_the_browsers_own_settings_it_is_the_same(bases, browser, tmp_path: Path) -> None:
    """The setting itself, not an imitation: Chromium then throws at the mere mention of localStorage."""
    (tmp_path / "Default").mkdir()
    (tmp_path / "Default" / "Preferences").write_text(json.dumps({"profile": {"default_content_setting_values": {"cookies": 2}}}))
    errors: list[str] = []
    with browser.browser_type.launch_persistent_context(tmp_path, executable_path=chromium(), args=CHROMIUM_FLAGS) as context:
        context.on("weberror", lambda e: errors.append(str(e.error)))
        page = context.pages[0]
        page.goto(bases["http"].root + "before/assets/images/favicon.svg")  # without a script that could stand in
        refused = page.evaluate("() => { try { window.localStorage; return false; } catch (e) { return e.name; } }")
        assert refused == "SecurityError", "This browser does not refuse; the test proves nothing."
        _keeps_nothing_but_is_whole(page, bases["http"].root)
    assert errors == []


def test_a_store_without_room_is_told_and_keeps_what_it_held(bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{OTHER}", fresh=True)
    _read(page)
    page.context.add_init_script("Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); };")
    page.goto(bases["http"].root + f"before/{CARD}")
    page.get_by_role("button", name="I have read this card").click()
    expect(page.locator(".mark-read [role=status]")).to_have_text("This browser has no room to remember it.")
    page.goto(bases["http"].root + f"before/{CASE}")
    expect(page.locator(".reading-sum")).to_have_text("1 of 2 read, 1 min left")


def test_without_scripts_nothing_is_promised_and_the_list_still_stands(both, browsing: Browsing) -> None:
    page = browsing.open(both, f"before/{CARD}", java_script_enabled=False)
    expect(page.locator(".changed-since")).to_be_hidden()
    expect(page.locator(".mark-read")).to_be_hidden()
    page.goto(both.root + f"before/{CASE}")
    expect(page.locator(".reading-sum")).to_have_text("2 cards, 2 min to read")
    expect(page.locator(".reading-list li a")).to_have_count(2)
    expect(page.locator("[data-memory-settings]")).to_contain_text("Nothing: scripts are off")


# --- everyone can use it ---------------------------------------------------------------------------------------------


def _serious(page) -> list[str]:
    if not page.evaluate("() => Boolean(window.axe)"):
        page.evaluate(AXE_SCRIPT)
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations'], preload: false}).then(r => r.violations)")
    return [f"{v['id']}: " + " | ".join(str(n["target"]) for n in v["nodes"][:3]) for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_and_nothing_is_too_wide_or_small_for_a_finger(scheme: str, bases, browsing: Browsing) -> None:
    page = _changed(browsing, bases["http"], width=390, scheme=scheme)
    page.locator(".changed-since summary").click()
    found = [f"card: {x}" for x in _serious(page)]
    low = page.eval_on_selector_all(".changed-since button, .mark-read button, .changed-since summary", "all => all.map(n => n.getBoundingClientRect().height).filter(h => h < 44)")
    for width in (390, 320):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.scrollingElement.scrollWidth - document.documentElement.clientWidth") <= 0, f"Too wide at {width} px."
    page.goto(bases["http"].root + f"after/{CASE}")
    page.locator(".reading-list summary").click()
    settle(page)
    found += [f"pathway: {x}" for x in _serious(page)]
    low += page.eval_on_selector_all(".memory-settings button, .reading-list summary", "all => all.map(n => n.getBoundingClientRect().height).filter(h => h < 44)")
    low += page.eval_on_selector_all(".reading-list a", "all => all.map(n => n.getBoundingClientRect().height).filter(h => h < 24)")
    assert not found and not low, f"{found}; lower than a finger needs: {low}"


def test_the_memory_stays_off_paper(bases, browsing: Browsing) -> None:
    page = _changed(browsing, bases["http"])
    page.emulate_media(media="print")
    for what in (".changed-since", ".mark-read", "#quantity-raised .since"):
        expect(page.locator(what).first).to_be_hidden()
    expect(page.locator("#quantity-raised .value").first).to_be_visible()


SHIFT = """() => new Promise(done => {
  let sum = 0;
  new PerformanceObserver(l => l.getEntries().forEach(e => { sum += e.value; })).observe({type: 'layout-shift', buffered: true});
  setTimeout(() => done(sum), 250);
})"""


def test_nothing_moves_under_the_reader_whatever_is_remembered(bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{CARD}", fresh=True, width=390)
    _read(page)
    root, found = bases["http"].root, {}
    page.reload()  # where the reader stood: at the button
    found["a card that was read"] = page.evaluate(SHIFT)
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        page.goto(f"{root}after/{CARD}")
        expect(page.locator(".changed-since")).to_be_visible()
        found[f"a changed card, {width}"] = page.evaluate(SHIFT)
        for where in (CASE, "index.html"):
            page.goto(f"{root}after/{where}")
            found[f"{where}, {width}"] = page.evaluate(SHIFT)
    assert max(found.values()) <= 0.02, found


def test_a_changed_card_shows_itself_even_if_its_script_never_comes(bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], f"before/{CARD}", fresh=True)
    _read(page)
    page.route("**/changes.js", lambda route: route.abort("aborted"))
    page.goto(bases["http"].root + f"after/{CARD}")
    expect(page.locator("#quantity-raised")).to_be_visible()
    expect(page.locator(".changed-since")).to_contain_text("what changed could not be shown")
    page.route("**/memory.js", lambda route: route.abort("aborted"))
    page.goto(bases["http"].root + f"after/{CARD}")
    assert page.evaluate("document.documentElement.className").count("card-changed") == 1
    expect(page.locator("#quantity-raised")).to_be_visible(timeout=4000)


def test_the_scripts_stay_small() -> None:
    for name in ("memory", "changes", "selftest", "storage"):
        size = len(gzip.compress((ROOT / f"site_overrides/assets/javascripts/{name}.js").read_bytes(), 9))
        assert size < 6000, f"{name}.js is {size} bytes compressed."
