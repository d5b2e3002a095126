"""An oval ostium that rounds under the balloon: its contour, what is near it, what it closes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seating.phantoms import hole, moved
from veinfit.seating.rounding import rounded_wall, rounding_notes

from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings

ROUND = hole(9.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
OVAL = hole(11.0, ratio=8.0 / 11.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
"""22 by 16 mm."""


def spans(wall):
    """Greatest extent of the tube's wall along x and y just past the ostium, mm."""
    tube = wall.points[(wall.points[:, 2] < -0.5) & (wall.points[:, 2] > -3.0)]
    return np.ptp(tube[:, 0]), np.ptp(tube[:, 1])


@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_diameters_go_a_share_of_the_way_to_the_circle_of_the_same_perimeter(share):
    around = OVAL.vein.ostium.measures.d_perimeter_mm
    assert spans(OVAL.anatomy.wall) == pytest.approx((22.0, 16.0), abs=0.05)
    told = spans(rounded_wall(OVAL.anatomy.wall, OVAL.vein, share))
    wanted = (22.0 + share * (around - 22.0), 16.0 + share * (around - 16.0))
    assert told == pytest.approx(wanted, abs=0.05)


def test_no_share_and_a_round_ostium_leave_the_wall():
    assert rounded_wall(OVAL.anatomy.wall, OVAL.vein, 0.0) is OVAL.anatomy.wall
    there = rounded_wall(ROUND.anatomy.wall, ROUND.vein, 1.0).points
    assert there == pytest.approx(ROUND.anatomy.wall.points, abs=0.02)
    assert rounding_notes(ROUND.vein, 1.0) == ()


def test_wall_far_from_the_ostium_and_along_its_normal_stays():
    wall = OVAL.anatomy.wall
    change = rounded_wall(wall, OVAL.vein, 1.0).points - wall.points
    assert change[:, 2] == pytest.approx(0.0, abs=1e-9)
    d_max = OVAL.vein.ostium.measures.d_max_mm
    far = np.linalg.norm(wall.points - OVAL.vein.ostium.centre, axis=1)
    small = replace(OVAL.vein.ostium.measures, d_max_mm=d_max / 2.0)
    vein = replace(OVAL.vein, ostium=replace(OVAL.vein.ostium, measures=small))
    local = rounded_wall(wall, vein, 1.0).points - wall.points
    assert local[far >= d_max] == pytest.approx(0.0, abs=1e-12)
    assert np.abs(local[far < 0.5 * d_max]).max() > 1.0


def test_rounding_turns_with_the_atrium():
    turn = Rotation.from_rotvec([0.4, -1.0, 0.7]).as_matrix()
    shift = np.array([30.0, -5.0, 80.0])
    other = moved(OVAL, turn, shift)
    here = rounded_wall(OVAL.anatomy.wall, OVAL.vein, 0.5).points
    there = rounded_wall(other.anatomy.wall, other.vein, 0.5).points
    assert there == pytest.approx(here @ turn.T + shift, abs=1e-6)


def test_a_rounded_ostium_leaks_less_and_a_round_one_not():
    """On 22 by 16 mm a rigid ball gapes by 1.9 mm, by the closed form."""
    leaks, notes = [], []
    for share in (0.0, 0.5, 1.0):
        settings = SeatingSettings(
            patch_edge_mm=1.2, growth_what_if_mm=0.0, ostium_rounding=share,
            stiffness_kpa_per_mm=1e6, stiffening_depth_mm=np.inf,
        )  # fmt: skip
        fit = seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], settings)[0]
        leaks.append(fit.leak_width_mm)
        notes.append([note.text for note in fit.notes if "round under" in note.text])
    a, b = 11.0, 8.0
    assert leaks[0] == pytest.approx(np.sqrt(a**2 + 14.0**2 - b**2) - 14.0, abs=0.06)
    around = OVAL.vein.ostium.measures.d_perimeter_mm
    a, b = 0.5 * (11.0 + around / 2.0), 0.5 * (8.0 + around / 2.0)
    assert leaks[1] == pytest.approx(np.sqrt(a**2 + 14.0**2 - b**2) - 14.0, abs=0.06)
    assert leaks[2] < 0.1
    assert notes[0] == [] and len(notes[1]) == len(notes[2]) == 1
    assert "from 22.0 × 16.0 to 20.6 × 17.6 mm" in notes[1][0]
