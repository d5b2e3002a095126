"""Where revolved walls of known shape widen, and what counts beside the half turns."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from anatomy.profiles import bare, filleted_tube, revolved
from handmade import circle
from surface.shapes import grid_faces

from veinfit.anatomy.branches.widening import widening
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.certainty import Evidence
from veinfit.anatomy.ostium.sections import weighed
from veinfit.surface import Surface
from veinfit.vectors import unit

Z = np.array([0.0, 0.0, 1.0])


def funnel(half_angle_deg, radius=7.0, depth=12.0, length=15.0):
    """A tube along +z that opens at z = 0 into a cone, which ends in a flat wall."""
    wide = radius + depth * np.tan(np.radians(half_angle_deg))
    plate = np.stack([np.arange(wide + 15.0, wide, -0.5), np.full(30, -depth)], axis=1)
    z = np.arange(-depth, 0.0, 0.5)
    cone = np.stack([radius - z * np.tan(np.radians(half_angle_deg)), z], axis=1)
    up = np.arange(0.0, length + 0.1, 0.5)
    tube = np.stack([np.full_like(up, radius), up], axis=1)
    return bare(revolved(np.concatenate([plate, cone, tube])))


@pytest.mark.parametrize("fillet", [5.0, 7.0, 10.0])
def test_a_fillet_widens_half_as_fast_as_it_will_at_half_its_turn(fillet):
    walked = widening(bare(filleted_tube(8.0, fillet)), np.array([0.0, 0.0, 24.0]), Z, ())
    # The turn ends between PARTED_DEG and 90 degrees: its half lies between these heights.
    low, high = (fillet * (1.0 - np.sin(np.radians(half))) for half in (45.0, 30.0))
    height = walked.centres[walked.gradient_index(), 2]
    assert low - 0.6 <= height <= high + 0.8
    assert walked.parted


def test_a_gentle_funnel_parts_from_the_atrium_where_its_cone_ends():
    walked = widening(funnel(12.0), np.array([0.0, 0.0, 14.5]), Z, ())
    assert walked.centres[-1, 2] == pytest.approx(-12.0, abs=0.8)
    assert walked.gradient_index() is None or walked.centres[walked.gradient_index(), 2] < -10.0


def test_no_section_takes_in_a_neighbour():
    # A neighbour's path runs through the flare from z = 3 on.
    rival = np.array([[0.0, 0.0, -30.0], [0.0, 7.0, 3.0], [0.0, 7.5, 3.1], [0.0, 30.0, 3.2]])
    walked = widening(bare(filleted_tube(8.0, 6.0)), np.array([0.0, 0.0, 24.0]), Z, (rival,))
    assert walked.parted
    assert walked.centres[-1, 2] == pytest.approx(3.25, abs=0.6)


def by_turn(height, evidence):
    contour, measures = circle((0.0, 0.0, height), Z, 18.0)
    return Ostium(
        np.array([0.0, 0.0, height]), Z, contour, measures, contour.points, 0.2, 0.6, 0.9,
        evidence=evidence,
    ), ()  # fmt: skip


def test_sharp_half_turns_stand_and_soft_ones_give_way_by_degrees():
    wall = bare(filleted_tube(8.0, 6.0))
    walked = widening(wall, np.array([0.0, 0.0, 24.0]), Z, ())
    told = walked.centres[walked.gradient_index(), 2]
    heights = []
    for loose in (0.2, 0.9, 1.5, 2.5, 4.0, 8.0):
        start = by_turn(told - 1.5, Evidence(loose, 5.0, 0.3, 1.0, 0.0))
        ostium, _ = weighed(wall, start, [walked], None, ())
        heights.append(ostium.centre[2])
    assert heights[:2] == pytest.approx([told - 1.5] * 2, abs=0.05)
    assert all(a < b for a, b in pairwise(heights[1:]))
    assert heights[-1] == pytest.approx(told, abs=0.5)


def test_without_half_turns_the_sections_alone_place_it():
    wall = bare(filleted_tube(8.0, 6.0))
    walked = widening(wall, np.array([0.0, 0.0, 24.0]), Z, ())
    ostium, notes = weighed(wall, None, [walked], None, ())
    assert ostium.kind == "area_gradient"
    assert notes[0].severity == "caution"
    sure, _ = weighed(wall, by_turn(2.0, Evidence(0.2, 2.0, 0.2, 1.0, 0.0)), [walked], None, ())
    assert ostium.error_mm > sure.error_mm
    assert ostium.confidence < sure.confidence


def test_a_walk_that_only_grows_too_wide_tells_no_place_beside_half_turns():
    wall = funnel(7.0, radius=3.0, depth=60.0, length=2.0)
    walked = widening(wall, np.array([0.0, 0.0, 1.5]), Z, ())
    assert not walked.parted
    assert walked.gradient_index() is None
    turns = by_turn(-40.0, Evidence(4.0, 5.0, 0.3, 1.0, 0.0))
    ostium, _ = weighed(wall, turns, [walked], None, ())
    assert ostium.centre[2] == pytest.approx(-40.0)
    alone, _ = weighed(wall, None, [walked], None, ())
    assert alone.centre[2] == pytest.approx(walked.centres[-2, 2], abs=0.05)


def test_a_labels_border_serves_where_no_section_does():
    wall = bare(filleted_tube(8.0, 3.0))
    ostium, _ = weighed(wall, None, [], (np.array([0.0, 0.0, 5.0]), Z), ())
    assert ostium.kind == "label_border"
    assert ostium.centre[2] == pytest.approx(5.0)
    assert ostium.measures.d_area_mm == pytest.approx(16.0, abs=0.1)


def test_a_labels_border_in_the_atrium_does_not_move_what_sections_tell():
    wall = funnel(12.0)
    walked = widening(wall, np.array([0.0, 0.0, 14.5]), Z, ())
    border = np.array([0.0, 0.0, -8.0]), Z
    loose = by_turn(-4.0, Evidence(4.0, 5.0, 0.3, 1.0, 0.0))
    for turn in (None, loose):
        with_border, _ = weighed(wall, turn, [walked], border, ())
        without, _ = weighed(wall, turn, [walked], None, ())
        assert with_border.centre == pytest.approx(without.centre)
        assert with_border.kind == without.kind


def bent_tube(radius=6.0, bend_deg=60.0, bend_mm=16.0, straight_mm=20.0):
    """A tube of which the end turns by an arc away from +z; its wall and its middles from there."""
    turn = np.radians(bend_deg)
    arc_mm = bend_mm / turn
    angle = np.linspace(0.0, turn, 33)
    arc = np.stack([arc_mm * (1.0 - np.cos(angle)), 0.0 * angle, arc_mm * np.sin(angle)], axis=1)
    below = np.outer(np.arange(-straight_mm, -0.25, 0.5), Z)
    middles = np.concatenate([below, arc])
    along = np.concatenate([np.zeros(len(below)), angle])
    outward = np.stack([np.cos(along), 0.0 * along, -np.sin(along)], axis=1)
    around = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    points = middles[:, None] + radius * (
        np.cos(around)[:, None] * outward[:, None]
        + np.sin(around)[:, None] * np.array([0.0, -1.0, 0.0])
    )
    surface = Surface(points.reshape(-1, 3), grid_faces(len(middles), 120, around=True))
    return bare(surface), middles[::-2]


def test_a_vein_that_bends_near_its_end_is_walked_along_its_course():
    wall, course = bent_tube()
    axis = unit(course[0] - course[1])
    straight = widening(wall, course[0], axis, ())
    along = widening(wall, course[0], axis, (), course)
    # Square to the end alone the sections lie the more aslant the farther in; square to the course
    # each is the tube's circle.
    assert along.length_mm > 28.0
    assert along.diameters_mm == pytest.approx(12.0, abs=0.3)
    assert straight.diameters_mm.max() > 13.0
