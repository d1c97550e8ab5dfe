"""Dilution against Pint, a general-purpose units library, used here from its own registry and not by way of the builder.

Amounts are carried with their units through Pint, so a slip of a thousandfold or of grams against millilitres would show.
"""

from __future__ import annotations

import random
from fractions import Fraction

import pint
import pytest

from support import asking, built

Q = pint.UnitRegistry().Quantity
DEXTROSE = ("dextrose-anhydrous", "dextrose-monohydrate")


run, compute = asking("dilution")


@pytest.mark.parametrize("one_in", [100, 1000, 2500, 10_000, 100_000, 1_000_000])
def test_a_ratio_is_grams_in_millilitres(one_in: int) -> None:
    """By definition: 1 in n is one gram in n millilitres; Pint does the rest."""
    found = compute(additive="other", written="ratio", one_in=one_in)
    strength = Q(1, "gram") / Q(one_in, "milliliter")
    assert found["stock_strength"] == pytest.approx(strength.to("milligram/milliliter").magnitude, rel=1e-12)
    assert found["stock_percent"] == pytest.approx((strength * Q(100, "milliliter")).to("gram").magnitude, rel=1e-12), "Per cent is grams in 100 mL."
    assert found["stock_one_in"] == pytest.approx(one_in, rel=1e-12)


def test_the_trial_bag() -> None:
    """kartasasmita-2016-adrenaline (abstract) prints 0.5 mg in 500 mL; 1 µg/mL and 1 in 1,000,000 are derived (adrenaline-ratio)."""
    found = compute(written="ratio", one_in=1000, added=0.5, bag=500, filling="made-up", wanted=1)
    assert found["drug"] == pytest.approx(0.5) and found["reached"] == pytest.approx(1.0) and found["reached_one_in"] == pytest.approx(1_000_000)
    # On top of a full bottle it is 1 in 1,001,000: a thousandth weaker.
    assert compute(written="ratio", one_in=1000, added=0.5, bag=500, filling="on-top", wanted=1)["reached_one_in"] == pytest.approx(1_001_000)


def test_the_recalled_dextrose_addition() -> None:
    """dextrose-osmolarity: 3 mL of 50% on top of 500 mL, recalled (haimann-abrams-1984, memory); 298 mg/dL and 16.6 mOsm/L are derived."""
    found = compute(additive="dextrose-anhydrous", written="concentration", stock="50 % w/v", added=3, bag=500, wanted="300 mg/dL")
    assert found["glucose_mass"] == pytest.approx(298, abs=0.5)
    assert found["osmolarity"] == pytest.approx(16.6, abs=0.06)


def test_the_molar_masses_are_those_of_the_elements() -> None:
    """Standard atomic weights, abridged (IUPAC 2021, as recalled): C 12.011, H 1.008, O 15.999."""
    constants = built().ready["dilution"].constants
    glucose = 6 * 12.011 + 12 * 1.008 + 6 * 15.999
    assert constants["anhydrous_mass"].value == pytest.approx(glucose, abs=0.005)
    assert constants["monohydrate_mass"].value == pytest.approx(glucose + 2 * 1.008 + 15.999, abs=0.005)


def test_thousands_of_random_mixtures_agree_with_pint() -> None:
    r = random.Random(7)
    done = reachable = 0
    while done < 1500:
        ratio, made_up = r.random() < 0.5, r.random() < 0.5
        one_in, stock = round(10 ** r.uniform(2, 6)), round(10 ** r.uniform(-3, 2.8), 4)
        bag, added, wanted = round(10 ** r.uniform(0, 3.4), 2), round(10 ** r.uniform(-2, 2), 3), round(10 ** r.uniform(-2, 5), 3)
        additive = r.choice(("adrenaline", *DEXTROSE, "other"))
        strength = Q(1, "gram") / Q(one_in, "milliliter") if ratio else Q(stock, "milligram/milliliter")
        goal = Q(wanted, "microgram/milliliter")
        given = {"additive": additive, "written": "ratio" if ratio else "concentration", "one_in": one_in, "stock": stock, "bag": bag, "added": added,
                 "wanted": wanted, "filling": "made-up" if made_up else "on-top"}
        result = run(**given)
        if made_up and added >= bag:
            assert result.refusals and not result.values, f"{given} cannot be mixed."
            continue
        assert not result.refusals, f"{given}: {result.refusals}"
        done += 1
        found = result.values
        drug = strength * Q(added, "milliliter")
        total = Q(bag, "milliliter") + Q(0 if made_up else added, "milliliter")
        assert found["drug"] == pytest.approx(drug.to("milligram").magnitude, rel=1e-12), given
        assert found["reached"] == pytest.approx((drug / total).to("microgram/milliliter").magnitude, rel=1e-12), given
        if goal >= strength:
            assert "needed" in result.withheld and [v.level for v in result.verdicts][:1] == ["stop"], f"{given}: no volume of this stock will do."
            continue
        reachable += 1
        # The volume asked for, put in, gives the strength asked for: C1 V1 = C2 V2, back and forth.
        needed = Q(found["needed"], "milliliter")
        whole = Q(bag, "milliliter") if made_up else Q(bag, "milliliter") + needed
        assert (strength * needed / whole / goal).to("dimensionless").magnitude == pytest.approx(1, rel=1e-9), given
        if additive in DEXTROSE:
            mass = Q(180.16 if additive == "dextrose-anhydrous" else 198.17, "gram/mole")
            assert found["glucose_amount"] == pytest.approx((drug / total / mass).to("millimole/liter").magnitude, rel=1e-12), given
            assert found["glucose_mass"] == pytest.approx((drug / total).to("milligram/deciliter").magnitude, rel=1e-12), given
            assert found["osmolarity"] == pytest.approx(found["glucose_amount"], rel=1e-12), "Glucose does not split: one particle a molecule."
        else:
            assert {"glucose_mass", "glucose_amount", "osmolarity"} <= set(result.withheld), "Glucose figures are for dextrose only."
    assert 300 < reachable < done - 300, "Both strengths that can be reached and strengths that cannot must be met often."


def test_exact_fractions_give_the_same_mixture() -> None:
    """1 in 10,000 put in by mistake, 0.5 mL made up to 500 mL, in whole-number arithmetic: a tenth of what was wanted."""
    exact = Fraction(1, 10_000) * Fraction(1, 2) / 500  # grams in each millilitre
    found = compute(one_in=10_000, added=0.5, bag=500, filling="made-up", wanted=1)
    assert found["reached"] == pytest.approx(float(exact * 1_000_000), rel=1e-12)
    assert found["times_wanted"] == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize(("given", "levels"), [
    ({}, ["note"]),
    ({"one_in": 10_000}, ["stop", "note"]),                      # the weaker ampoule: a tenth of the strength
    ({"added": 5}, ["stop"]),                                    # ten times the volume; still within the label
    ({"added": 0.6}, ["caution"]),
    ({"added": 6}, ["stop", "stop"]),                            # and beyond the strongest on the label
    ({"wanted": "1 mg/mL", "one_in": 100}, ["stop"]),             # micrograms meant, milligrams typed
    ({"wanted": "2 mg/mL"}, ["stop"]),                           # stronger than the stock
    ({"written": "concentration", "stock": "1 µg/mL"}, ["stop", "note"]),
])
def test_slips_are_told(given: dict[str, float | str], levels: list[str]) -> None:
    result = run(**given)
    assert not result.refusals, result.refusals
    assert [v.level for v in result.verdicts] == levels


@pytest.mark.parametrize(("given", "name"), [
    ({"one_in": 99}, "one_in"), ({"one_in": "1,000"}, "one_in"), ({"one_in": "one thousand"}, "one_in"), ({"bag": 0}, "bag"), ({"added": -1}, "added"), ({"added": "0.5 mg"}, "added"),
    ({"wanted": "0.2 g"}, "wanted"), ({"filling": "made-up", "bag": 1, "added": 1}, "filling"), ({"stock": "71 % w/v"}, "stock"), ({"bag": ""}, "bag"),
])
def test_what_cannot_be_mixed_is_refused(given: dict[str, float | str], name: str) -> None:
    result = run(**given)
    assert [r.name for r in result.refusals] == [name] and not result.values and result.refusals[0].message
