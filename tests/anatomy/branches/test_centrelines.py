"""The course of a vein near its ostium."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from anatomy.profiles import bare
from handmade import circle
from surface.shapes import grid_faces

from veinfit import Settings
from veinfit.anatomy import find_anatomy
from veinfit.anatomy.branches.centrelines import follow_vein
from veinfit.anatomy.model import Ostium
from veinfit.case import read_case
from veinfit.surface import Surface
from veinfit.vectors import angle_deg, unit

SAMPLES = Path(__file__).parents[3] / "sample_meshes"

NEAR_MM = 6.0
MOST_DEG_A_MM = 6.0
"""A vein of 14 mm whose course bends faster than this bends within its own radius by 40 degrees."""


def fastest_turn(vein):
    """Degrees a mm by which sections turn from one to the next near the ostium, at most."""
    near = [s for s in vein.sections if s.s_mm <= NEAR_MM]
    return max(
        float(angle_deg(a.tangent, b.tangent)) / (b.s_mm - a.s_mm) for a, b in pairwise(near)
    )


@pytest.mark.slow
@pytest.mark.parametrize("sample", ["larkmoor-01.ply", "larkmoor-04.ply"])
def test_sections_in_the_flare_do_not_bend_the_course(sample):
    veins = find_anatomy(read_case(SAMPLES / sample).lumen, Settings()).veins
    assert len(veins) == 4
    assert all(fastest_turn(vein) < MOST_DEG_A_MM for vein in veins)


def tube_along_z():
    z, angle = np.arange(-8.0, 20.1, 0.8), np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    zz, aa = np.meshgrid(z, angle, indexing="ij")
    points = np.stack([7.0 * np.cos(aa), 7.0 * np.sin(aa), zz], axis=-1).reshape(-1, 3)
    return bare(Surface(points, grid_faces(len(z), 48, around=True)))


@pytest.mark.parametrize("end_mm", [3.0, 18.0])
def test_beside_a_leaning_ostium_the_course_is_the_tubes(end_mm):
    # Of the short one no section is clear of its ostium: all of them guide it.
    normal = unit(np.array([0.5, 0.0, 0.87]))
    contour, measures = circle((0.0, 0.0, 0.0), normal, 15.0)
    ostium = Ostium(np.zeros(3), normal, contour, measures, contour.points, 0.2, 0.6, 0.9)
    centres = np.arange(end_mm - 1.0, -4.0, -1.0)[:, None] * np.array([0.0, 0.0, 1.0])
    end = np.array([0.0, 0.0, end_mm])
    course = follow_vein(tube_along_z(), ostium, centres, end, 1.0)
    assert course.centreline.s_mm[-1] == pytest.approx(end_mm, abs=0.1)
    assert np.abs(course.centreline.points[:, :2]).max() < 0.1
    assert len(course.sections) >= 3
    assert all(s.measures.d_area_mm == pytest.approx(14.0, abs=0.1) for s in course.sections)
