"""Port distances and clock positions. All of it is common practice: facts of the trade with no published source."""

from __future__ import annotations

import itertools
from datetime import date

import pytest

from builder import calculate
from support import built

TODAY = date(2026, 7, 1)
LENSES, EYES = ("phakic", "pseudophakic", "aphakic"), ("right", "left")


def compute(**given: str) -> dict[str, float]:
    result = calculate.run(built().ready["port-placement"], given, TODAY)
    assert not result.refusals, result.refusals
    return {n: result.values[n] for n in ("distance", "temporal_port", "nasal_port", "infusion_near", "infusion_far")}


# Common practice: 4.0 mm behind the limbus with the natural lens in place, 3.5 mm with an artificial one, and no
# further back than that with none (3.0 to 3.5 mm; the calculator shows the posterior end).
DISTANCES = {"phakic": 4.0, "pseudophakic": 3.5, "aphakic": 3.5}


@pytest.mark.parametrize(("lens", "eye"), list(itertools.product(LENSES, EYES)))
def test_the_distance_goes_by_the_lens_and_not_by_the_eye(lens: str, eye: str) -> None:
    assert compute(lens=lens, eye=eye)["distance"] == DISTANCES[lens], "common practice"


# Common practice, as an examiner sees the eye with twelve at the brow: the temporal side is nine o'clock in a right eye
# and three in a left. The two upper ports lie just above the horizontal meridian, the infusion two to three clock hours
# below the temporal one.
POSITIONS = {
    "right": {"temporal_port": 10, "nasal_port": 2, "infusion_near": 8, "infusion_far": 7},
    "left": {"temporal_port": 2, "nasal_port": 10, "infusion_near": 4, "infusion_far": 5},
}


@pytest.mark.parametrize(("lens", "eye", "view"), list(itertools.product(LENSES, EYES, ("examiner", "surgeon"))))
def test_clock_positions_of_each_eye(lens: str, eye: str, view: str) -> None:
    found = compute(lens=lens, eye=eye, view=view)
    for name, hour in POSITIONS[eye].items():
        assert found[name] == hour, f"{name}: common practice. Clock hours do not depend on who looks, only the drawing turns."


def mirrored(hour: float) -> float:
    """The same place on the dial's other side, twelve and six staying where they are."""
    return (12 - hour) % 12


@pytest.mark.parametrize("lens", LENSES)
def test_right_and_left_eyes_mirror_each_other(lens: str) -> None:
    right, left = compute(lens=lens, eye="right"), compute(lens=lens, eye="left")
    for name in POSITIONS["right"]:
        assert left[name] % 12 == mirrored(right[name]), name
    assert right["distance"] == left["distance"]


@pytest.mark.parametrize("eye", EYES)
def test_ports_keep_their_quarters(eye: str) -> None:
    """Upper ports above the horizontal, infusion below it and on the temporal side, nothing at three or nine o'clock."""
    found = compute(eye=eye)
    temporal = (lambda h: 6 < h < 12) if eye == "right" else (lambda h: 0 < h < 6)
    above = lambda h: h % 12 > 9 or h % 12 < 3  # noqa: E731
    assert temporal(found["temporal_port"]) and above(found["temporal_port"])
    assert not temporal(found["nasal_port"]) and above(found["nasal_port"])
    for name in ("infusion_near", "infusion_far"):
        assert temporal(found[name]) and not above(found[name]), name
    assert not {h % 12 for n, h in found.items() if n != "distance"} & {3, 9, 12, 0, 6}


@pytest.mark.parametrize("eye", EYES)
def test_the_infusion_lies_two_to_three_clock_hours_below_the_temporal_port(eye: str) -> None:
    found = compute(eye=eye)
    assert abs(found["temporal_port"] - found["infusion_near"]) == 2, "common practice"
    assert abs(found["temporal_port"] - found["infusion_far"]) == 3, "common practice"


def test_one_verdict_for_each_lens() -> None:
    for lens in LENSES:
        held = calculate.run(built().ready["port-placement"], {"lens": lens}, TODAY).verdicts
        assert len(held) == 1 and held[0].level == "note", lens
