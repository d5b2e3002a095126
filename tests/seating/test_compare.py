"""Two balloons side by side: what is said of them, and what is called a tie."""

from __future__ import annotations

from dataclasses import replace

import handmade
import numpy as np
import pytest

from veinfit.seating.compare import compare, comparisons
from veinfit.seating.model import Chance, ClockReading, Margin
from veinfit.seating.seal.arcs import open_arcs
from veinfit.seating.uncertainty.split import difference
from veinfit.settings import ComparisonSettings, SeatingSettings

SEATING, TIES = SeatingSettings(), ComparisonSettings()


def fit(size, **more):
    """A seated balloon that leaks 1 mm below, unless told otherwise."""
    usual = {
        "balloon": f"{size} mm",
        "balloon_mm": float(size),
        "outcome": "seated",
        "reason": "",
        "occluded": False,
        "sealed": False,
        "leak_width_mm": 1.0,
        "leak_clock_h": 6.0,
        "leak_side": "inferior",
        "depth_mm": -10.0,
        "antral_area_mm2": 500.0,
        "distances_mm": {},
        "margin": None,
        "clock": (),
    }
    return replace(handmade.fit(), **{**usual, **more})


def chance(probability, low, high):
    return Chance(probability, low, high, 0.05, (probability, probability))


def margin(told):
    return Margin(
        chains=64,
        assessed=64,
        through=0,
        occluded=told,
        sealed=told,
        antral=told,
        steered_occluded=told,
        steered_antral=told,
        deep_seal_probability=0.0,
        freeze_loss_probability=None,
        attempts_per_chain=1.5,
        push_percentiles=(),
        leak_width_percentiles=(0.0, 0.5, 1.0),
        variance_shares={},
    )


def remark(topic, first, second):
    found = [r for r in compare(first, second, SEATING, TIES).remarks if r.topic == topic]
    assert len(found) == 1, topic
    return found[0]


def test_leaks_that_differ_by_less_than_the_setting_are_a_tie():
    told = remark("seal", fit(28), fit(31, leak_width_mm=1.29))
    assert told.tie
    assert not remark("seal", fit(28), fit(31, leak_width_mm=1.31)).tie


def test_a_seal_by_a_hair_beside_a_leak_by_a_hair_is_a_tie():
    sealed = fit(31, occluded=True, sealed=True, leak_width_mm=0.45, leak_side="")
    told = remark("seal", fit(28, leak_width_mm=0.6), sealed)
    assert told.tie
    assert not remark("seal", fit(28, leak_width_mm=0.8), sealed).tie


def test_warm_contact_is_no_tie_though_the_gaps_are_alike():
    sealed = fit(28, occluded=True, sealed=True, leak_width_mm=0.2)
    warm = fit(31, occluded=True, sealed=False, leak_width_mm=0.2)
    told = remark("seal", sealed, warm)
    assert not told.tie


def test_without_a_seat_nothing_is_sealed():
    lost = fit(28, outcome="passes through", occluded=None, sealed=None, leak_width_mm=None)
    found = compare(lost, fit(31), SEATING, TIES)
    assert found.neither_seals is True
    unknown = fit(28, outcome="not assessed", occluded=None, sealed=None, leak_width_mm=None)
    found = compare(unknown, fit(31), SEATING, TIES)
    assert found.neither_seals is None
    assert found.open_arcs == ()


def given(*chances, **answers):
    """A probability with what it is for each draw of the patient."""
    middle = float(np.mean(chances))
    return Chance(middle, 0.0, 1.0, 0.05, tuple(chances), sensitivities=answers)


def test_the_difference_is_that_of_pairs_of_the_same_patient():
    """Patients differ widely and the sizes by 0.1 in each of them: the pairs show it.

    Bounds by hand: differences 0.1, 0.2, 0.0, 0.1; mean 0.1, SD 0.0816, standard error 0.0408;
    t of 3 degrees of freedom at 0.975 is 3.182 (Student's table).
    """
    apart = difference(given(0.1, 0.3, 0.6, 0.8), given(0.2, 0.5, 0.6, 0.9))
    assert apart.probability == pytest.approx(0.1)
    assert apart.low == pytest.approx(0.1 - 3.182 * 0.040825, abs=1e-4)
    assert apart.high == pytest.approx(0.1 + 3.182 * 0.040825, abs=1e-4)
    # A draw in which one of them could not be assessed is no pair; one pair tells nothing.
    assert difference(given(0.1, float("nan")), given(0.4, 0.9)) is None


def test_what_moves_both_sizes_alike_makes_no_difference_uncertain():
    small, large = (given(p, p, push=0.2, shaft=s) for p, s in ((0.3, 0.1), (0.5, 0.1)))
    apart = difference(small, large)
    assert (apart.low, apart.high) == pytest.approx((0.2, 0.2))
    against = difference(small, given(0.5, 0.5, push=-0.1, shaft=0.1))
    assert against.high - against.probability == pytest.approx(1.95996 * 0.3, abs=1e-5)


def test_a_tie_is_a_small_difference_that_may_be_none():
    def found(second):
        return remark("margin", fit(28, margin=margin(given(0.2, 0.4))), fit(31, margin=second))

    assert found(margin(given(0.3, 0.4))).tie
    # Small and certain; large and uncertain.
    assert not found(margin(given(0.3, 0.5))).tie
    assert not found(margin(given(0.9, 0.4))).tie
    sizes = fit(28, margin=margin(given(0.2, 0.4))), fit(31, margin=margin(given(0.3, 0.4)))
    both = compare(*sizes, SEATING, TIES)
    assert both.tie and both.difference.probability == pytest.approx(0.05)
    assert both.split == pytest.approx((0.19, 0.24, 0.11, 0.46))
    assert compare(fit(28), fit(31), SEATING, TIES).tie is None


def readings(gaps):
    count = len(gaps)
    return tuple(
        ClockReading(
            "LSPV", "28 mm", "coaxial", 12.0 * i / count, f"side {i}", gap, None, None, None, None
        )
        for i, gap in enumerate(gaps)
    )


def test_open_arcs_are_those_that_no_contact_of_either_reaches():
    first = fit(28, clock=readings([1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0]))
    second = fit(31, clock=readings([1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.5, 0.0, 0.0, 0.0, 0.0, 1.0]))
    found = compare(first, second, SEATING, TIES)
    assert found.neither_seals
    wide, narrow = found.open_arcs
    assert (wide.from_h, wide.to_h, wide.arc_deg, wide.side) == (10.5, 0.5, 60.0, "side 11")
    assert (narrow.from_h, narrow.to_h, narrow.arc_deg, narrow.side) == (4.5, 5.5, 30.0, "side 5")
    assert wide.words == "side 11, about 10 to 12 o'clock (60°)"
    sealed = replace(second, occluded=True, sealed=True)
    assert compare(first, sealed, SEATING, TIES).open_arcs == ()


def test_open_all_round_and_nowhere():
    assert [a.words for a in open_arcs([fit(28, clock=readings([1.0] * 8))], 0.5)] == ["all round"]
    assert open_arcs([fit(28, clock=readings([0.0] * 8))], 0.5) == ()
    assert open_arcs([fit(28)], 0.5) == ()


def test_every_balloon_is_beside_the_next_larger_one_of_its_vein_and_approach():
    fits = [fit(31), fit(28), fit(23), replace(fit(28), vein="RIPV")]
    found = comparisons(fits, SEATING, TIES)
    assert [(c.vein, c.first, c.second) for c in found] == [
        (fits[0].vein, "23 mm", "28 mm"),
        (fits[0].vein, "28 mm", "31 mm"),
    ]


def test_what_both_have_is_remarked_on():
    near = {"right_phrenic_nerve": 8.0, "oesophagus": 3.0}
    pair = fit(28, distances_mm=near), fit(31, distances_mm={"oesophagus": 4.0})
    found = compare(*pair, SEATING, TIES).remarks
    assert [(one.topic, one.structure) for one in found] == [
        ("seal", ""), ("depth", ""), ("antral area", ""), ("neighbour", "oesophagus"),
    ]  # fmt: skip
    bare = compare(fit(28, depth_mm=None), fit(31, antral_area_mm2=None), SEATING, TIES).remarks
    assert [one.topic for one in bare] == ["seal"]


@pytest.mark.parametrize("outcome", ["cannot reach", "passes through"])
def test_a_balloon_without_a_seat_has_no_depth_to_compare(outcome):
    """It comes to rest somewhere all the same, and the page told how much farther back."""
    lost = fit(31, outcome=outcome, depth_mm=-29.6, sealed=None, occluded=None)
    found = compare(fit(28), lost, SEATING, TIES)
    assert found.depth_difference_mm is None
    assert "depth" not in [one.topic for one in found.remarks]
    assert compare(fit(28), fit(31, depth_mm=-12.0), SEATING, TIES).depth_difference_mm == -2.0
