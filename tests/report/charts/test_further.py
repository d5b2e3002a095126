"""What follows from the seats, as it is shown: figures are those of the results, in words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from seating.test_expected import FITS

from veinfit.report.charts.further import (
    PX_PER_MM,
    crossing_charts,
    crossing_key,
    further_charts,
    growth_chart,
    plan_chart,
    plan_words,
    together_words,
)
from veinfit.report.render.drawing import Area, Circle, Line
from veinfit.seating.further import (
    BestCrossing,
    CrossingPlace,
    Crossings,
    Growth,
    GrowthStep,
    Plan,
    PlanSeat,
    VeinPlans,
)

STEPS = tuple(
    GrowthStep("LSPV", "coaxial", "28 mm", "31 mm", size, "seated", depth_mm=-size / 3.0,
               sealed=sealed, seal_probability=chance, gain_probability=gain)
    for size, sealed, chance, gain in ((28.0, True, 0.8, 0.0), (29.5, True, 0.5, 0.1),
                                       (31.0, False, 0.2, 0.15))
)  # fmt: skip


def seat(begin, end, clock, without):
    """A seat in cold contact on some of 240 meridians."""
    band = np.full((2, 240), np.nan)
    band[:, begin:end] = [[-1.0], [2.0]]
    return PlanSeat("28 mm", clock, "superior", 20.0, begin / 20.0, end / 20.0, without, *band)


PLAN = Plan((seat(0, 130, 3.0, 0.1), seat(110, 240, 9.0, 0.25)), 0.72, 0.06, 0.0, "",
            np.zeros((240, 3)))  # fmt: skip


def test_the_curve_of_growth_fills_its_points_where_the_nominal_seat_seals():
    drawn = growth_chart("LSPV", Growth(STEPS, (), 0.3, 0.1))
    points = [shape for shape in drawn.shapes if isinstance(shape, Circle)]
    assert [point.fill == point.colour for point in points] == [True, True, False]
    # Lower probability, lower on the screen: 0.3 for each step of 1.5 mm.
    x, y = np.array([(point.x, point.y) for point in points]).T
    assert np.allclose(np.diff(x), np.diff(x)[0])
    assert np.allclose(np.diff(y), np.diff(y)[0]) and y[1] > y[0]
    assert "from 0.80 to 0.20" in drawn.alt and "moves 1.0 mm farther back" in drawn.alt
    silent = tuple(replace(step, seal_probability=None) for step in STEPS)
    assert growth_chart("LSPV", Growth(silent, (), None, None)) is None


def test_every_seat_of_a_plan_has_its_band_and_the_line_is_drawn(anatomy):
    vein = anatomy.veins[0]
    fit = replace(FITS[0], plans=VeinPlans(vein.name, "coaxial", 0.2, (PLAN,)))
    ((title, drawn),) = further_charts(vein, [fit])
    assert title == "2 seats together, predicted to seal: 0.72"
    bars = [shape for shape in drawn.shapes if isinstance(shape, Area)]
    colours = dict.fromkeys(bar.fill for bar in bars)
    assert len(colours) == 2
    # 130 of 240 meridians are 26 of 48 bars; one more is the band of the legend.
    assert [sum(bar.fill == one for bar in bars) for one in colours] == [27, 27]
    # Colours may be printed grey: the rims of each band are dashed as its line of the legend is.
    lines = [shape for shape in drawn.shapes if isinstance(shape, Line)]
    dashes = [{line.dash for line in lines if line.colour == one} for one in colours]
    assert all(len(each) == 1 for each in dashes) and dashes[0] != dashes[1]
    assert [sum(line.colour == one for line in lines) for one in colours] == [3, 3]
    assert any(isinstance(shape, Line) and len(shape.points) == 240 for shape in drawn.shapes)
    said = " ".join(drawn.texts)
    assert "without it 0.10" in said and "without it 0.25" in said
    assert "no band" not in said
    assert plan_words(PLAN) == (
        "together sealed with probability 0.72; the nominal seats seal the vein"
    )
    leaks = replace(PLAN, open_gap_mm=1.24, open_side="inferior")
    assert plan_words(leaks).endswith("the nominal seats leave 1.2 mm open, inferior")


def test_a_seat_of_a_plan_that_touches_nowhere_says_so(anatomy):
    """Its place in the legend would be looked for in the chart in vain."""
    vein = anatomy.veins[0]
    bare = replace(seat(0, 0, 3.0, 0.1), covers_from_h=None, covers_to_h=None)
    drawn = plan_chart(vein, replace(PLAN, seats=(PLAN.seats[0], bare)))
    told = [text for text in drawn.texts if "without it" in text or "no band" in text]
    assert ["no band" in text for text in told] == [False, False, True]


def test_the_fewest_seats_are_told_in_one_phrase():
    fits = [replace(FITS[0], plans=VeinPlans("LSPV", "coaxial", 0.2, (PLAN,))), FITS[1]]
    assert together_words(fits) == (
        "two seats, 28 mm 20° superior and 28 mm 20° superior, seal together with probability 0.72"
    )
    assert together_words(FITS) == ""


def test_the_map_lies_in_the_wall_however_it_faces():
    """A wall that faces forward and to the right: 5 mm on it are 5 mm on the map."""
    across, up = np.array([0.6, -0.8, 0.0]), np.array([0.0, 0.0, 1.0])
    spots = [5.0 * (u * across + v * up) for u in (0, -1, 1) for v in (0, -1, 1)]
    places = tuple(CrossingPlace(*map(float, spot), "28 mm", 2.0, {}) for spot in spots)
    best = BestCrossing("28 mm", 0.0, 0.0, 0.0, 2.0, 2.0, 0.0)
    ((_, drawn),) = crossing_charts(Crossings(places, (best,), True))
    circles = [shape for shape in drawn.shapes if isinstance(shape, Circle) and shape.fill]
    at = np.array([(circle.x, circle.y) for circle in circles])
    apart = np.linalg.norm(at[:, None] - at[None], axis=2)[~np.eye(len(at), dtype=bool)]
    assert apart.min() == pytest.approx(5.0 * PX_PER_MM)
    assert apart.max() == pytest.approx(10.0 * PX_PER_MM * np.sqrt(2.0))


def test_the_map_of_the_septum_has_every_place_once():
    places = tuple(
        CrossingPlace(0.0, y, z, "28 mm", None if (y, z) == (5.0, 5.0) else 2.0 + 0.1 * y, {})
        for y, z in ((0.0, 0.0), (-5.0, 0.0), (5.0, 0.0), (0.0, 5.0), (5.0, 5.0))
    )
    best = BestCrossing("28 mm", 0.0, 5.0, 0.0, 2.5, 2.0, 0.5)
    ((_, drawn),) = crossing_charts(Crossings(places, (best,), True))
    figures = [text for text in drawn.texts if re.fullmatch(r"[\d.]+|–", text)]
    assert figures == ["2.00", "1.50", "2.50", "2.00", "–"]
    circles = [shape for shape in drawn.shapes if isinstance(shape, Circle)]
    # Posterior (y = 5) lies to the left of the case's own place, seen from the right.
    assert circles[2].x < circles[0].x < circles[1].x
    said = " ".join(drawn.texts)
    assert "up to 0.50 veins fewer" in said
    assert "the estimated place" in crossing_key(Crossings(places, (best,), True))
    assert "the given place" in crossing_key(Crossings(places, (best,), False))
    assert "by the transseptal approach" in crossing_key(Crossings(places, (best,), True))
    assert crossing_charts(None) == () and crossing_key(None) == ""
