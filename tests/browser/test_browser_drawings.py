"""The calculators' drawings in a real browser: they say their result in words, and show it on the right side."""

from __future__ import annotations

import math
import random
import re
from datetime import date, timedelta

import pytest

from builder.calculate import DIAGRAM_ROLES
from support import Browsing, by_python, calculator_ids, settle
from test_browser_calculators import TODAY, a_good_case, random_case, through_page

pytestmark = pytest.mark.browser

DRAWN = """() => [...document.querySelectorAll('form figure.drawing')].map(figure => {
  const svg = figure.querySelector('svg');
  const box = svg && svg.getBoundingClientRect();
  return {
    kind: figure.dataset.drawing,
    role: svg && svg.getAttribute('role'),
    named: svg && svg.getAttribute('aria-labelledby').split(' ').map(id => (document.getElementById(id) || {}).textContent),
    title: svg && svg.querySelector('title').textContent,
    desc: svg && svg.querySelector('desc').textContent,
    texts: svg && [...svg.querySelectorAll('text')].map(n => n.textContent),
    size: box && [box.width, box.height],
    problem: [...figure.querySelectorAll('.drawing-problem')].filter(n => n.checkVisibility()).map(n => n.textContent),
    styled: svg && svg.querySelectorAll('[style]').length,
    outside: svg && [...svg.querySelectorAll('text, circle, rect, path, line')].filter(n => {
      const b = n.getBoundingClientRect();
      return b.width + b.height > 0 && (b.left < box.left - 2 || b.right > box.right + 2 || b.top < box.top - 2 || b.bottom > box.bottom + 2);
    }).map(n => n.tagName + ' ' + n.textContent),
  };
})"""


def drawn(page) -> dict:
    settle(page)
    return page.evaluate(DRAWN)[0]


def shapes(page, selector: str) -> list[dict]:
    """Centre and size of each shape in the drawing's own units."""
    return page.evaluate("""selector => [...document.querySelectorAll('form figure svg ' + selector)].map(n => {
      const b = n.getBBox();
      return {x: b.x + b.width / 2, y: b.y + b.height / 2, left: b.x, right: b.x + b.width, width: b.width, height: b.height, text: n.textContent};
    })""", selector)


def _results_in(ready, kind: str) -> list[str]:
    """The results that a drawing shows."""
    c = ready.declared
    return list(c.plot.show) if kind == "plot" else [n for n in c.roles.values() if n in c.outputs]


def _withheld(ready, kind: str, seen: dict) -> list[str]:
    """The sentences of withheld results without which there is no picture."""
    if kind == "plot":  # the line goes on where it holds; only the present point is missing
        return []
    c = ready.declared
    gone = [seen["withheld"][c.roles[r]] for r in DIAGRAM_ROLES[c.diagram] if c.roles[r] in seen["withheld"]]
    return gone if kind != "haemorrhage" or all(n in seen["withheld"] for r, n in c.roles.items() if r.startswith("stage")) else []


@pytest.mark.parametrize("id", calculator_ids())
def test_drawing_is_an_image_named_by_its_result(id: str, base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    wanted = [d for d in ("plot" if ready.declared.plot else "", ready.declared.diagram) if d]
    page = browsing.open(base, f"calculators/{id}.html", width=390)
    settle(page)
    dice = random.Random(f"drawings {id}")
    accepted = [c for c in (random_case(dice, ready) for _ in range(40)) if not by_python(ready, c, TODAY)["refusals"]]
    said = set()
    for case in accepted[:6]:
        seen = through_page(page, [case])[0]
        settle(page)
        figures = page.evaluate(DRAWN)
        assert [f["kind"] for f in figures] == wanted
        for f in figures:
            if gone := _withheld(ready, f["kind"], seen):
                assert f["role"] is None and gone[0] in f["problem"], f"The picture lacks a result; it must say why: {f}"
                said.add(gone[0])
                continue
            assert f["role"] == "img" and f["named"] == [f["title"], f["desc"]], "The picture must be an image named by its title and description."
            assert f["title"].strip() and f["desc"].strip() and not f["problem"], f
            assert min(f["size"]) > 150 and f["size"][0] <= 390, f"The picture is {f['size']} px."
            assert not f["styled"], "The picture carries style attributes."
            assert not f["outside"], f"Cut off at the picture's edge: {f['outside']}"
            said.add(f["title"] + f["desc"])
            # What the results show is what the picture says.
            for name in _results_in(ready, f["kind"]):
                if name not in seen["withheld"]:
                    assert seen["texts"][name] in f["desc"], f"The description lacks {name}, {seen['texts'][name]}: {f['desc']}"
    assert not accepted or not wanted or len(said) > 1, "The picture's words do not follow the inputs."


@pytest.mark.parametrize("id", calculator_ids())
def test_refused_input_marks_the_drawing_as_old(id: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators[id]
    if not (ready.declared.plot or ready.declared.diagram):
        return
    page = browsing.open(http_base, f"calculators/{id}.html")
    through_page(page, [a_good_case(ready)])
    assert not drawn(page)["desc"].startswith("Last good result")
    through_page(page, [{next(iter(ready.inputs)): ""}])
    assert drawn(page)["desc"].startswith("Last good result")
    figures = page.locator("figure.drawing").count()
    assert page.locator("figure.drawing.stale .stale-note:visible").count() == figures
    through_page(page, [a_good_case(ready)])
    assert not drawn(page)["desc"].startswith("Last good result")
    assert page.locator("figure.drawing.stale, .stale-note:visible").count() == 0


# --- ports --------------------------------------------------------------------------------------------------------

# Facing the patient, the temple is on the picture's left for a right eye and on its right for a left one, and twelve
# o'clock is at the top; a surgeon sitting at the head sees the same turned by half a circle (common practice).


def _clock(shape: dict, centre: dict) -> float:
    """Clock hours of a shape seen from the centre, 12 at the top of the picture."""
    return math.degrees(math.atan2(shape["x"] - centre["x"], centre["y"] - shape["y"])) / 30 % 12


def _apart(a: float, b: float) -> float:
    return abs((a - b + 6) % 12 - 6)


@pytest.mark.parametrize("view", ["examiner", "surgeon"])
@pytest.mark.parametrize("eye", ["right", "left"])
def test_ports_lie_on_the_right_side_at_the_right_hour_and_to_scale(eye: str, view: str, http_base, browsing: Browsing, calculators) -> None:
    ready = calculators["port-placement"]
    page = browsing.open(http_base, "calculators/port-placement.html")
    for lens in ready.inputs["lens"].choices:
        case = {"lens": lens, "eye": eye, "view": view}
        through_page(page, [case])
        _check_ports(page, ready, eye, view, by_python(ready, case, TODAY)["outputs"])


def _check_ports(page, ready, eye: str, view: str, want: dict) -> None:
    picture = drawn(page)
    [limbus] = shapes(page, "circle.limbus")
    temple_left = (eye == "right") == (view == "examiner")

    def is_temporal(shape: dict) -> bool:
        return (shape["x"] < limbus["x"]) == temple_left

    def is_upper(shape: dict) -> bool:
        return (shape["y"] < limbus["y"]) == (view == "examiner")

    texts = {t["text"]: t for t in shapes(page, "text")}
    assert is_temporal(texts["Temporal"]) and not is_temporal(texts["Nasal"])
    assert is_upper(texts["Superior"]) and not is_upper(texts["Inferior"])
    assert texts[eye[0].upper()], "The picture does not say which eye."
    names = {"temporal": texts[next(t for t in texts if "temporal" in t.lower() and t != "Temporal")], "nasal": texts[next(t for t in texts if "nasal" in t.lower() and t != "Nasal")]}
    assert is_temporal(names["temporal"]) and not is_temporal(names["nasal"]), "The names of the upper ports stand on the wrong sides."

    turned = 0 if view == "examiner" else 6
    ports = shapes(page, "circle.port")
    assert len(ports) == 2
    temporal = [p for p in ports if is_temporal(p)]
    nasal = [p for p in ports if not is_temporal(p)]
    assert len(temporal) == len(nasal) == 1 and is_upper(temporal[0]) and is_upper(nasal[0]), "One port must lie up and out, the other up and in."
    infusion = shapes(page, "path.infusion-port")
    assert len(infusion) == 2 and all(is_temporal(p) and not is_upper(p) for p in infusion), "The infusion must lie down and out."
    for shape, name in ((temporal[0], "temporal_port"), (nasal[0], "nasal_port"), (infusion[0], "infusion_near"), (infusion[1], "infusion_far")):
        assert _apart(_clock(shape, limbus) + turned, want[name]) < 0.02, f"{name} is drawn at {(_clock(shape, limbus) + turned) % 12:.2f} hours, not {want[name]}"
    millimetre = limbus["width"] / ready.constants["corneal_diameter"].value
    for shape in (*ports, *infusion):
        behind = (math.hypot(shape["x"] - limbus["x"], shape["y"] - limbus["y"]) - limbus["width"] / 2) / millimetre
        assert abs(behind - want["distance"]) < 0.05, f"Drawn {behind:.2f} mm behind the limbus, not {want['distance']}"

    side = "left" if temple_left else "right"
    assert f"temporal is on the {side} of the picture" in picture["desc"], picture["desc"]
    assert f"{eye} eye" in picture["title"].lower() and view in picture["title"].lower(), picture["title"]


# --- timeline -----------------------------------------------------------------------------------------------------


# Days from the injection to theatre, and where they lie: the operating window is day 4 to day 10 (common practice).
THEATRE_DAYS = {-400: "before", -1: "before", 0: "early", 3: "early", 4: "inside", 7: "inside", 10: "inside", 11: "after", 12: "after", 60: "after", 400: "after"}


def test_timeline_shows_theatre_inside_or_outside_the_window(http_base, browsing: Browsing, calculators) -> None:
    ready = calculators["injection-window"]
    page = browsing.open(http_base, "calculators/injection-window.html")
    for day, words in THEATRE_DAYS.items():
        case = {"injected": TODAY.isoformat(), "theatre": (TODAY + timedelta(days=day)).isoformat()}
        seen = through_page(page, [case])[0]
        _check_timeline(page, day, words)
        verdict = {"before": 0, "early": 1, "inside": 2, "after": 3}[words]
        assert by_python(ready, case, TODAY)["verdicts"] == seen["verdicts"]
        assert [v for v in seen["verdicts"] if v <= 3] == [verdict], "Exactly one sentence says where the date lies."


def test_timeline_marks_the_theatre_lists_inside_the_window(http_base, browsing: Browsing, calculators) -> None:
    """At the true distance from the injection, with the date beside it and in the words of the picture; no mark where there is no list."""
    ready = calculators["injection-window"]
    page = browsing.open(http_base, "calculators/injection-window.html")
    marked = set()
    for theatre in (-400, 2, 5, 7, 9, 10, 30, 400):
        for start in range(7):  # every day of the week, so that a list meets each end of the window
            injected = TODAY + timedelta(days=start)
            case = {"injected": injected.isoformat(), "theatre": (injected + timedelta(days=theatre)).isoformat()}
            want = by_python(ready, case, TODAY)["outputs"]
            lists = sorted({want[n] for n in ("first_list", "following_list") if want[n]})
            through_page(page, [case])
            picture = drawn(page)
            assert not picture["problem"]
            marks = sorted(shapes(page, "path.day-list"), key=lambda m: m["x"])
            [given], [window] = shapes(page, "rect.day-injected"), shapes(page, "rect.window-days")
            cell = window["width"] / 7
            assert [round((m["x"] - given["x"]) / cell) for m in marks] == [(date.fromisoformat(day) - injected).days for day in lists], case
            for day in lists:
                shown = date.fromisoformat(day)
                words = f"{shown:%a} {shown.day} {shown:%b %Y}"
                assert words in picture["texts"] and words in picture["desc"], case
            marked.add(len(lists))
    assert marked >= {1, 2}


def _check_timeline(page, day: int, words: str) -> None:
    picture = drawn(page)
    assert not picture["problem"]
    inside = words == "inside"
    assert len(shapes(page, ".pin-inside")) == inside and len(shapes(page, ".pin-outside")) == (not inside)
    [window] = shapes(page, "rect.window-days")
    theatre = shapes(page, "rect.day-theatre")
    [pin] = shapes(page, ".pin-inside, .pin-outside")
    if theatre:
        assert (window["left"] - 0.1 <= theatre[0]["x"] <= window["right"] + 0.1) == inside
        assert abs(pin["x"] - theatre[0]["x"]) < 1, "The pin does not stand over its day."
        [given] = shapes(page, "rect.day-injected")
        assert day == 0 or (theatre[0]["x"] > given["x"]) == (day > 0), "Later days must lie to the right."
    else:
        assert abs(day) > 20 and shapes(page, ".break-line"), "A theatre date that is not on the line must stand behind a break."
        assert (pin["x"] > window["right"]) == (day > 0)
    [standing] = re.findall(r"Theatre is on [^.]*\.", picture["desc"])  # the sentences after it speak of the lists
    said = (picture["title"] + " " + standing).lower()
    assert ("inside the window" in said) == inside, said
    wanted = {"before": "before", "early": "before", "inside": "inside", "after": "after"}[words]
    assert wanted in said, said


# --- plot ---------------------------------------------------------------------------------------------------------


def test_plot_marks_the_limit_and_the_present_point_at_their_true_heights(http_base, browsing: Browsing, calculators) -> None:
    ready = calculators["perfusion-pressure"]
    limit = ready.constants["limit"].value
    page = browsing.open(http_base, "calculators/perfusion-pressure.html")
    heights, places, lines = [], [], []
    for iop in ("0", "30", "60", "120"):
        case = {"systolic": "120", "diastolic": "80", "iop": iop, "posture": "supine"}
        want = by_python(ready, case, TODAY)["outputs"]["perfusion"]
        through_page(page, [case])
        picture = drawn(page)
        [point], [line] = shapes(page, "circle.present"), shapes(page, "line.limit-line")
        heights.append((want, point["y"]))
        places.append((float(iop), point["x"]))
        lines.append(line["y"])
        assert (point["y"] < line["y"]) == (want > limit), "The point lies on the wrong side of the limit."
        assert any(f"{limit:g}" in t and "mmHg" in t for t in picture["texts"]), "The limit's figure is not written in the plot."
        assert f"{'below' if want < limit else 'above'} " in picture["desc"] and f"{limit:g}\u00a0mmHg" in picture["desc"], picture["desc"]
    assert len({round(y, 1) for y in lines}) == 1, "The limit must not move while the infusion pressure alone changes."

    def line_through(points: list[tuple[float, float]]):
        (a, pa), (b, pb) = points[0], points[-1]
        return lambda value: pa + (value - a) * (pb - pa) / (b - a)

    up, across = line_through(heights), line_through(places)
    assert all(abs(up(v) - y) < 0.5 for v, y in heights) and all(abs(across(v) - x) < 0.5 for v, x in places), "The scale of the plot is not even."
    assert abs(up(limit) - lines[0]) < 0.5, f"The limit is drawn where the scale says {limit} is not."
    [curve] = shapes(page, "path.curve")
    assert abs(curve["left"] - across(0)) < 1 and abs(curve["right"] - across(120)) < 1, "The curve must cover the whole range of the input."


def test_plot_tells_the_infusion_in_the_unit_the_reader_chose(http_base, browsing: Browsing) -> None:
    page = browsing.open(http_base, "calculators/perfusion-pressure.html?iop=8&iop_unit=kPa")
    picture = drawn(page)
    assert "8\u00a0kPa" in picture["desc"] and any("kPa" in t for t in picture["texts"]), picture["desc"]
