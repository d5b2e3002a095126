"""Where the sheath crosses the septum: marked, labelled, estimated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from seating.phantoms import moved, rounded_hole

from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.naming.names import TEMPLATE
from veinfit.errors import InputError
from veinfit.seating.approach.septum import (
    CAVAL_COURSE,
    CROSSING_PLACE,
    crossing_note,
    entering_from,
    estimated_crossing,
    labelled_crossing,
    stated_crossing,
)
from veinfit.surface import Surface
from veinfit.vectors import unit
from veinfit.vein_names import MITRAL

BODY_MM = 25.0
VEIN = rounded_hole(8.0, 4.0, edge_mm=2.0, plate_mm=20.0, tube_mm=15.0)


def ball_atrium(turn=None, shift=(0.0, 0.0, 0.0), turned_by=None):
    """A round body with veins and mitral side where the template has them, all turned alike."""
    shape = trimesh.creation.icosphere(subdivisions=4, radius=BODY_MM)
    turn = np.eye(3) if turn is None else turn
    surface = Surface(shape.vertices @ turn.T + shift, shape.faces.astype(np.int64))
    veins = []
    for name in ("LSPV", "LIPV", "RSPV", "RIPV"):
        place = turn @ (BODY_MM * unit(TEMPLATE[name][0])) + shift
        normal = turn @ unit(TEMPLATE[name][0])
        down = Rotation.align_vectors(normal[None], np.array([[0.0, 0, -1]]))[0].as_matrix()
        veins.append(replace(moved(VEIN, down, place).vein, name=name))
    mitral = turn @ unit(TEMPLATE[MITRAL][0])
    return replace(
        VEIN.anatomy,
        lumen=surface,
        wall=surface,
        body_centre=np.asarray(shift, dtype=float),
        body_radius_mm=BODY_MM,
        veins=tuple(veins),
        mitral=MitralOpening(BODY_MM * mitral + shift, mitral, np.arange(3), 1.0),
    )


def test_the_estimate_lies_low_on_the_right_anterior_wall():
    crossing = estimated_crossing(ball_atrium())
    assert crossing.estimated and crossing.source == "estimated"
    assert np.linalg.norm(crossing.point) == pytest.approx(BODY_MM, abs=0.2)
    assert unit(crossing.point) == pytest.approx(unit(CROSSING_PLACE), abs=1e-6)
    x, y, z = crossing.point
    assert x < 0 and y < 0 and z < 0, "right, anterior, inferior"
    # Between the right veins and the mitral side: nearer to both than these to one another.
    right = BODY_MM * unit(unit(TEMPLATE["RSPV"][0]) + unit(TEMPLATE["RIPV"][0]))
    mitral = BODY_MM * unit(TEMPLATE[MITRAL][0])
    apart = np.linalg.norm(right - mitral)
    assert np.linalg.norm(crossing.point - right) < apart
    assert np.linalg.norm(crossing.point - mitral) < apart
    note = crossing_note(crossing)
    assert note.severity == "caution" and "estimated" in note.text


@pytest.mark.parametrize("degrees", [25.0, 130.0])
def test_the_estimate_turns_with_the_atrium(degrees):
    turn = Rotation.from_rotvec(np.radians(degrees) * unit([1.0, 2.0, -0.5])).as_matrix()
    shift = np.array([40.0, -7.0, 300.0])
    still, turned = estimated_crossing(ball_atrium()), estimated_crossing(ball_atrium(turn, shift))
    assert turned.point == pytest.approx(turn @ still.point + shift, abs=1e-3)


@pytest.mark.parametrize("degrees", [0.0, 50.0])
def test_the_entry_from_the_caval_vein_turns_with_the_atrium(degrees):
    turn = Rotation.from_rotvec(np.radians(degrees) * unit([1.0, 2.0, -0.5])).as_matrix()
    crossing = estimated_crossing(ball_atrium(turn))
    assert crossing.entry_source == "estimated"
    assert crossing.entry == pytest.approx(turn @ unit(CAVAL_COURSE), abs=1e-6)
    x, y, z = turn.T @ crossing.entry
    assert x > 0 and y > 0 and z > max(x, y), "left, backward and above all up"


def test_a_marked_caval_vein_gives_the_direction():
    crossing = stated_crossing(ball_atrium(), 25.0 * unit([-0.8, -0.5, -0.3]))
    point = crossing.point - 30.0 * unit([0.1, -0.2, 1.0])
    seen = entering_from(crossing, point)
    assert seen.entry == pytest.approx(unit([0.1, -0.2, 1.0]))
    assert (
        seen.entry_source == "landmark" and "marked inferior vena cava" in crossing_note(seen).text
    )
    assert "estimated" in crossing_note(crossing).text
    with pytest.raises(InputError, match=r"inferior_vena_cava.*gives no direction"):
        entering_from(crossing, crossing.point + [3.0, 0.0, 0.0])


def test_a_marked_point_is_taken_as_it_is():
    point = 27.0 * unit([-0.8, -0.5, -0.3])
    crossing = stated_crossing(ball_atrium(), point)
    assert np.array_equal(crossing.point, point)
    assert crossing.source == "landmark" and not crossing.estimated
    assert crossing.off_wall_mm == pytest.approx(2.0, abs=0.3)
    assert crossing_note(crossing).severity == "info"


@pytest.mark.parametrize("point", [[-60.0, 0.0, 0.0], [2.0, 1.0, 0.0]])
def test_a_point_away_from_the_wall_is_refused(point):
    with pytest.raises(InputError, match=r"septal_crossing.*mm from the wall of the left atrium"):
        stated_crossing(ball_atrium(), np.array(point))


def test_a_point_in_a_vein_is_refused():
    inside = 31.0 * unit(TEMPLATE["RIPV"][0])
    with pytest.raises(InputError, match="lies in the RIPV, not on the septum"):
        stated_crossing(ball_atrium(), inside)


def test_a_labelled_septum_gives_the_middle_of_its_left_side():
    # A round plate of voxels, 5 mm thick, outside the body about one place.
    centre = unit([-0.8, -0.5, -0.3])
    grid = np.stack(np.meshgrid(*[np.arange(-32.0, 33.0)] * 3, indexing="ij"), -1).reshape(-1, 3)
    radius = np.linalg.norm(grid, axis=1)
    away = np.degrees(np.arccos(np.clip(grid @ centre / np.maximum(radius, 1e-9), -1, 1)))
    septum = grid[(radius > BODY_MM) & (radius < BODY_MM + 5.0) & (away < 20.0)]
    crossing = labelled_crossing(ball_atrium(), septum)
    assert crossing.source == "label"
    assert np.linalg.norm(crossing.point - BODY_MM * centre) < 3.5
    with pytest.raises(InputError, match="label septum"):
        labelled_crossing(ball_atrium(), septum + [0.0, 80.0, 0.0])
