"""The self-test across a case: every question once in mixed order, answers on request, misses again until known, the count."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from fixtures import VALID, small_site
from playwright.sync_api import expect

from builder.render import questions
from support import Base, Browsing, both_ways, built, settle

pytestmark = pytest.mark.browser

TEST = "selftest.html#trapped-blood"


def _with_questions(card: str, *asked: tuple[str, str, str]) -> str:
    """A card of the valid library with these questions (ask, answer, basis) in place of its own."""
    text = (VALID / f"techniques/{card}.yaml").read_text(encoding="utf-8")
    listed = "".join(f'  - {{ask: "{a}", answer: "{b}", basis: {c}}}\n' for a, b, c in asked)
    changed, n = re.subn(r"questions:\n(?:  - .*\n)+", "questions:\n" + listed, text)
    assert n == 1, "The valid card has its questions in another form."
    return changed


PRACTICE = "common practice"
SERIES = "[{source: arevalo-2008, at: abstract, checked: abstract}, {source: iso-9626-2016, at: clause 5.6, checked: memory}]"
FIRST = [("How long do you wait?", "[](quantity:wait), by *habit*.", PRACTICE), ("When is the window?", "[](quantity:window); see [](card:raised-infusion).", SERIES), ("What makes you look again?", "Vision that falls.", PRACTICE)]
SECOND = [("Why lower it?", "To see whether the point bleeds again.", PRACTICE), ("What does it cost?", "[](term:perfusion-pressure).", PRACTICE), ("How high?", "[](quantity:raised).", PRACTICE)]
ALL = 6


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("selftest")
    return small_site(root, root / "site", {"techniques/injection-first.yaml": _with_questions("injection-first", *FIRST),
                                            "techniques/raised-infusion.yaml": _with_questions("raised-infusion", *SECOND)})


@pytest.fixture(scope="module")
def bases(small: Path):
    with both_ways(small) as found:
        yield found


@pytest.fixture(params=["http", "file"])
def both(request: pytest.FixtureRequest, bases) -> Base:
    return bases[request.param]


def _ask(page) -> str:
    return page.locator(".test-ask").inner_text()


def _judge(page, knew: bool) -> str:
    """Answers the question that stands there; gives its words."""
    asked = _ask(page)
    page.get_by_role("button", name="Show the answer").click()
    page.get_by_role("button", name="Knew it" if knew else "Missed it").click()
    return asked


def _test(browsing: Browsing, base: Base, **options):
    page = browsing.open(base, TEST, fresh=True, **options)
    expect(page.locator(".test-ask")).to_be_visible()
    return page


# --- one run --------------------------------------------------------------------------------------------------------


def test_the_pathway_page_leads_to_its_test_by_one_click(both, browsing: Browsing) -> None:
    page = browsing.open(both, "pathways/trapped-blood.html", fresh=True)
    expect(page.locator(".to-test")).to_contain_text("6 questions")
    page.get_by_role("link", name="Test yourself on this case").click()
    expect(page.locator(".test-ask")).to_be_visible()
    expect(page.locator(".test-of a").first).to_have_attribute("href", "pathways/trapped-blood.html")


def test_every_question_is_asked_once_and_a_missed_one_again_until_it_is_known(both, browsing: Browsing) -> None:
    page = _test(browsing, both)
    missed = _judge(page, False)
    asked = []
    for _ in range(ALL):
        if _ask(page) == missed and asked.count(missed) == 0:
            assert len(asked) == 4, "A missed question comes back after four others, not at once."
            expect(page.locator(".test-card .missed")).to_have_text("missed once")
        asked.append(_judge(page, True))
    assert sorted(asked) == sorted(a for a, _, _ in FIRST + SECOND)
    expect(page.get_by_role("heading", name="Every question known")).to_be_visible()
    expect(page.locator(".test-count")).to_have_text("6 of 6 questions known")
    expect(page.locator(".test")).to_contain_text("6 questions: 5 known at once, 1 after a miss.")


def test_missed_again_and_again_it_keeps_coming(bases, browsing: Browsing) -> None:
    page = _test(browsing, bases["http"])
    for _ in range(ALL - 1):
        _judge(page, True)
    last = _ask(page)
    for times in ("once", "2 times", "3 times"):
        _judge(page, False)
        assert _ask(page) == last
        expect(page.locator(".test-card .missed")).to_have_text(f"missed {times}")
    _judge(page, True)
    expect(page.get_by_role("heading", name="Every question known")).to_be_visible()


def test_the_answer_is_hidden_until_it_is_asked_for_and_stands_with_mark_and_source(both, browsing: Browsing) -> None:
    page = _test(browsing, both)
    while _ask(page) != "When is the window?":
        _judge(page, True)
    expect(page.locator(".test-answer")).to_be_hidden()
    expect(page.get_by_role("button", name="Knew it")).to_be_hidden()
    page.get_by_role("button", name="Show the answer").click()
    expect(page.get_by_role("button", name="Show the answer")).to_be_hidden()
    answer = page.locator(".test-answer")
    expect(answer).to_contain_text("4–10 days; see Raised infusion. abstract Arevalo and others 2008")
    assert answer.locator(".basis").evaluate_all("all => all.map(n => n.className)") == ["basis basis-abstract", "basis basis-memory"]
    expect(answer.locator(".basis-memory")).to_contain_text("recalled, verify before use")
    answer.get_by_role("link", name="Arevalo and others 2008").click()
    page.wait_for_url("**/sources/arevalo-2008.html")
    page.go_back()
    page.wait_for_url("**/selftest.html#trapped-blood")
    page.locator(".test-answer, .test-ask").first.wait_for()


def test_stopping_counts_by_card_the_most_missed_first_and_leads_to_the_cards(both, browsing: Browsing) -> None:
    page = _test(browsing, both)
    asked = _judge(page, False)
    card = "Injection before theatre" if asked in [a for a, _, _ in FIRST] else "Raised infusion"
    page.get_by_role("button", name="Stop here and count").click()
    expect(page.locator(".test")).to_contain_text("6 questions: 0 known at once, 0 after a miss, 1 still missed, 5 not yet asked.")
    first = page.locator(".test-tally li").first
    expect(first).to_have_text(f"{card} Of 3 questions: 1 still missed, 2 not yet asked")
    expect(page.locator(".test summary")).to_have_text("Not yet asked: 1 card")
    first.get_by_role("link").click()
    expect(page.locator("h1")).to_contain_text(card)
    page.go_back()
    page.get_by_role("button", name=re.compile("Go on|Show the answer")).first.wait_for()


# --- the order -----------------------------------------------------------------------------------------------------


def test_the_order_is_mixed_and_two_of_one_card_do_not_follow_each_other(bases, browsing: Browsing) -> None:
    cards = {a: "first" for a, _, _ in FIRST} | {a: "second" for a, _, _ in SECOND}
    orders = set()
    for seed in (0.05, 0.35, 0.65, 0.95):
        page = browsing.open(bases["http"], TEST, fresh=True, before=lambda page, seed=seed: page.add_init_script(f"Math.random = () => {seed};"))
        order = tuple(_judge(page, True) for _ in range(ALL))
        assert sorted(order) == sorted(cards)
        # With as many of one card as of the other they can take turns; only the tail may have to repeat.
        assert [cards[a] != cards[b] for a, b in zip(order, order[1:], strict=False)].count(False) <= 1, order
        orders.add(order)
    assert len(orders) >= 3, "The order must depend on chance."


# --- what is kept ----------------------------------------------------------------------------------------------------


def test_answers_are_kept_in_this_browser_and_the_test_goes_on_where_it_stopped(both, browsing: Browsing) -> None:
    page = _test(browsing, both)
    done = [_judge(page, True), _judge(page, True)]
    missed = _judge(page, False)
    page.reload()
    expect(page.locator(".test-count")).to_have_text("2 of 6 questions known, 1 missed so far and coming again")
    asked = [_judge(page, True) for _ in range(4)]
    assert missed in asked and not set(done) & set(asked)
    held = page.evaluate("JSON.parse(localStorage.getItem('cards:test:trapped-blood'))")
    assert sorted(held.values()) == [[0, 1]] * 5 + [[1, 1]]
    page.reload()
    expect(page.get_by_role("heading", name="Every question known")).to_be_visible()
    page.get_by_role("button", name="Start again").click()
    expect(page.locator(".test-count")).to_have_text("0 of 6 questions known")


def test_the_same_button_that_forgets_the_reading_forgets_the_answers(both, browsing: Browsing) -> None:
    page = _test(browsing, both)
    _judge(page, True)
    expect(page.locator("[data-memory-settings]")).to_contain_text("your answers in 1 self-test")
    page.get_by_role("button", name="Forget what I have read").click()
    expect(page.locator(".test-count")).to_have_text("0 of 6 questions known")
    assert page.evaluate("Object.keys(localStorage).filter(k => k.startsWith('cards:'))") == []


@pytest.mark.parametrize("held", ["not JSON", "[]", "null", '{"injection-first-000000": [9, 1], "x": "y"}'])
def test_spoilt_or_outdated_answers_count_for_nothing(held: str, bases, browsing: Browsing) -> None:
    page = browsing.open(bases["http"], "index.html", fresh=True)
    page.evaluate("held => localStorage.setItem('cards:test:trapped-blood', held)", held)
    page.goto(bases["http"].root + TEST)
    expect(page.locator(".test-count")).to_have_text("0 of 6 questions known")


def test_with_storage_blocked_the_test_still_runs_to_its_end(both, browsing: Browsing) -> None:
    block = "Object.defineProperty(window, 'localStorage', {configurable: true, get() { throw new DOMException('denied', 'SecurityError'); }});"
    page = _test(browsing, both, before=lambda page: page.context.add_init_script(block))
    expect(page.locator("[data-memory-settings]")).to_contain_text("keeps nothing")
    for _ in range(ALL):
        _judge(page, True)
    expect(page.get_by_role("heading", name="Every question known")).to_be_visible()


# --- choosing, and going without ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("address", ["selftest.html", "selftest.html#no-such-case", "selftest.html#memory"])
def test_without_a_case_in_the_address_one_is_chosen(address: str, both, browsing: Browsing) -> None:
    page = browsing.open(both, address, fresh=True)
    expect(page.locator(".test")).to_be_hidden()
    page.get_by_role("link", name="Begin: 6 questions from 2 cards").click()
    expect(page.locator(".test-ask")).to_be_visible()
    page.get_by_role("link", name="Another case").click()
    expect(page.get_by_role("link", name="Begin: 6 questions from 2 cards")).to_be_visible()
    expect(page.locator(".test")).to_be_hidden()


def test_questions_that_do_not_load_are_said_to_stand_on_the_cards(bases, browsing: Browsing) -> None:
    def block(page) -> None:
        page.route("**/questions-*.js", lambda route: route.abort("aborted"))

    page = browsing.open(bases["http"], TEST, fresh=True, before=block)
    expect(page.locator(".test-off")).to_contain_text("did not load")
    expect(page.get_by_role("link", name="Raised infusion")).to_be_visible()


def test_without_scripts_the_page_is_the_plain_list_of_questions_on_the_cards_and_says_so(both, browsing: Browsing) -> None:
    page = browsing.open(both, TEST, java_script_enabled=False)
    expect(page.locator(".test-off")).to_contain_text("needs scripts")
    expect(page.locator(".begin")).to_be_hidden()
    page.locator("#trapped-blood").get_by_role("link", name="Raised infusion").click()
    page.wait_for_url("**/techniques/raised-infusion.html#test-yourself")
    expect(page.locator("details.question")).to_have_count(3)


# --- the data ------------------------------------------------------------------------------------------------------------


def _links(piece) -> list[str]:
    if isinstance(piece, str):
        return []
    return ([piece[1]["href"]] if "href" in piece[1] else []) + [x for p in piece[2] for x in _links(p)]


def test_questions_hold_all_of_a_case_in_safe_pieces_and_their_links_lead_to_pages_of_the_site(small: Path) -> None:
    text = (small / "assets/data/questions-trapped-blood.js").read_text(encoding="utf-8")
    data = json.loads(text[text.index("= {", text.index('["trapped-blood"]')) + 2 :].rstrip().rstrip(";"))
    asked = [q for card in data["cards"] for q in card["questions"]]
    assert len(asked) == ALL and len({q["id"] for q in asked}) == ALL
    found = {x for q in asked for part in ("ask", "answer", "basis") for p in q[part] for x in _links(p)}
    assert len(found) >= 6
    for href in found:
        path, _, anchor = href.partition("#")
        page = (small / path).read_text(encoding="utf-8")
        assert not anchor or f'id="{anchor}"' in page, href


def test_every_question_of_the_projects_cases_has_an_id_of_its_own_a_mark_and_only_plain_elements() -> None:
    linked = built().linked
    assert linked.library.pathways
    for p in linked.library.pathways.values():
        data = questions.data(linked, p)
        asked = [q for card in data["cards"] for q in card["questions"]]
        assert len({q["id"] for q in asked}) == len(asked) == sum(len(linked.library.techniques[c].questions) for c in p.cards)

        def elements(pieces) -> set[str]:
            return {x for p in pieces if not isinstance(p, str) for x in ({p[0]} | elements(p[2]))}

        for q in asked:
            assert any(not isinstance(b, str) and b[1]["class"].startswith("basis basis-") for b in q["basis"]), q["id"]
            assert elements(q["ask"] + q["answer"] + q["basis"]) <= {"a", "em", "strong", "span"}, q["id"]


# --- everyone can use it ------------------------------------------------------------------------------------------------


def test_the_whole_test_by_keyboard(bases, browsing: Browsing) -> None:
    page = _test(browsing, bases["http"])
    page.get_by_role("button", name="Show the answer").focus()
    for n in range(ALL):
        page.keyboard.press("Enter")
        expect(page.locator(".test-answer")).to_be_focused()
        for _ in range(12):  # past the links of the answer
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.textContent") == "Knew it":
                break
        page.keyboard.press("Enter")
        if n < ALL - 1:
            expect(page.locator(".test-ask")).to_be_focused()
            page.keyboard.press("Tab")
    expect(page.get_by_role("heading", name="Every question known")).to_be_focused()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_and_it_fits_a_phone(scheme: str, bases, browsing: Browsing) -> None:
    page = _test(browsing, bases["http"], width=390, scheme=scheme)
    found, low = [], []

    def look(at: str) -> None:
        settle(page)
        if not page.evaluate("() => Boolean(window.axe)"):
            page.evaluate(AXE_SCRIPT)
        violations = page.evaluate("() => axe.run(document, {resultTypes: ['violations'], preload: false}).then(r => r.violations)")
        found.extend(f"{at}: {v['id']} {[n['target'] for n in v['nodes']][:3]}" for v in violations if v["impact"] in ("serious", "critical"))
        low.extend(page.eval_on_selector_all(".test button, .test summary", "all => all.map(n => n.getBoundingClientRect().height).filter(h => h && h < 44)"))
        for width in (320, 390):
            page.set_viewport_size({"width": width, "height": 844})
            assert page.evaluate("document.scrollingElement.scrollWidth - document.documentElement.clientWidth") <= 0, f"{at}: too wide at {width} px."

    page.get_by_role("button", name="Show the answer").click()
    look("answer")
    page.get_by_role("button", name="Missed it").click()
    page.get_by_role("button", name="Stop here and count").click()
    look("count")
    page.get_by_role("link", name="Another case").click()
    look("choice")
    assert not found and not low, f"{found}; lower than a finger needs: {low}"
