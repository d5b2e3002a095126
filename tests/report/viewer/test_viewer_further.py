"""What grows and what several seats cover, in the 3D view: as data, and driven in a browser."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browser import browser
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.frames import clock_hours
from veinfit.report.viewer.viewer import write_viewer
from veinfit.report.viewer.viewer_further import covered_by, growth_scene, plan_scenes
from veinfit.seating.further import Growth, GrowthStep, Plan, PlanSeat, VeinPlans
from veinfit.seating.model import Fit


def grown(fit: Fit) -> Fit:
    """A ball that comes back by 1 mm a step, away from the vein; the last size does not rest."""
    assert fit.centre is not None and fit.push_direction is not None
    sizes = (28.0, 29.0, 30.0, 31.0)
    steps = tuple(
        GrowthStep(fit.vein, "coaxial", "28 mm", "31 mm", size, "seated", depth_mm=-size / 2,
                   occluded=size < 30, sealed=size < 30, leak_width_mm=1.25,
                   leak_side="inferior", seal_probability=0.5)
        for size in sizes
    )  # fmt: skip
    places = [fit.centre - k * fit.push_direction for k in range(3)]
    centres = (*(tuple(map(float, place)) for place in places), None)
    return replace(fit, growth=Growth(steps, (), None, None, centres))  # type: ignore[arg-type]


def half(begin: int, end: int, clock: float) -> PlanSeat:
    """A seat that covers depths of -6 to 1 mm on some of 240 meridians."""
    band = np.full((2, 240), np.nan)
    band[:, begin:end] = [[-6.0], [1.0]]
    return PlanSeat("28 mm", clock, "superior", 20.0, begin / 20.0, end / 20.0, 0.25, *band)


PLAN = Plan((half(0, 130, 3.0), half(110, 240, 9.0)), 0.72, 0.06, 0.0, "", np.zeros((240, 3)))


def test_a_growing_balloon_is_told_as_far_as_it_rests(fits: tuple[Fit, ...]) -> None:
    told = growth_scene(grown(fits[0]))
    assert [step["diameter"] for step in told] == [28.0, 29.0, 30.0]
    assert np.allclose(told[0]["centre"], fits[0].centre, atol=1e-3)
    last = told[2]["words"].replace("\xa0", " ")
    assert "sealed" in told[1]["words"] and "leaks 1.25 mm, inferior" in last
    assert growth_scene(fits[1]) == []


def test_the_wall_that_a_seat_covers_lies_in_its_band(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein, patch = anatomy.veins[0], fits[0].patch
    assert patch is not None
    covered = covered_by(vein, PLAN.seats[0], patch.points, 18.0)
    assert covered.any()
    inside = patch.points[covered] - vein.ostium.centre
    hours, depth = clock_hours(inside, vein.axis), inside @ vein.ostium.normal
    # From twelve o'clock to half past six, within a meridian and half an edge.
    assert ((hours < 6.55) | (hours > 11.97)).all()
    assert depth.min() >= -6.31 and depth.max() <= 1.31
    both = covered & covered_by(vein, PLAN.seats[1], patch.points, 18.0)
    assert 0 < both.sum() < covered.sum()


def test_every_seat_of_a_plan_has_a_colour_and_triangles_of_its_own(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein, patch = anatomy.veins[0], fits[0].patch
    fit = replace(fits[0], plans=VeinPlans(vein.name, "coaxial", 0.2, (PLAN,)))
    (plan,) = plan_scenes(vein, [fit], patch)
    assert plan["title"] == "2 seats together" and "0.72" in plan["words"]
    assert len({seat["colour"] for seat in plan["seats"]}) == 2
    counts = [len(base64.b64decode(seat["faces"])) // 12 for seat in plan["seats"]]
    assert min(counts) > 20
    assert len(plan["line"]) == 1 and plan["line"][0][0] == plan["line"][0][-1]
    assert plan_scenes(vein, [fit], None) == []
    # Two buttons of one name could not be told apart where both approaches have a plan.
    other = replace(fit, approach="transseptal")
    titles = [
        one["title"] for one in plan_scenes(vein, [replace(fit, approach="coaxial"), other], patch)
    ]
    assert titles == ["2 seats together, coaxial", "2 seats together, transseptal"]


@pytest.mark.slow
def test_the_slider_grows_the_balloon_and_a_plan_takes_its_place(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    plans = VeinPlans(fits[0].vein, "coaxial", 0.2, (PLAN,))
    told = (replace(grown(fits[0]), plans=plans), *fits[1:])
    page = tmp_path / "viewer.html"
    page.write_text(write_viewer(report_of(anatomy, told)), encoding="utf-8")
    with browser() as tab:
        tab.size(1100, 800)
        tab.open(page, "window.viewer")
        assert tab.evaluate("document.getElementById('growing').hidden")
        tab.click("#veins label:nth-of-type(2) input")
        assert not tab.evaluate("document.getElementById('growing').hidden")
        tab.evaluate("document.getElementById('grown').focus()")
        tab.key("ArrowRight")
        tab.key("ArrowRight")
        assert tab.evaluate("viewer.state().step") == 2
        said = tab.evaluate("document.getElementById('grows').textContent")
        assert said.replace("\xa0", " ").startswith("30.0 mm; nominal seat leaks")
        tab.click("#sizes label:last-of-type input")
        assert tab.evaluate("viewer.state().plan") == 0
        assert tab.evaluate("document.getElementById('growing').hidden")
        words = tab.evaluate("document.getElementById('told').textContent")
        assert "2 seats together, predicted" in words and "without it 0.25" in words
        tab.click("#sizes label:first-of-type input")
        assert tab.evaluate("viewer.state().plan") is None
        assert tab.evaluate("viewer.state().step") == 0
        assert tab.faults == []
