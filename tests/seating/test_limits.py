"""The limits of the model, each with its stated outcome; others stand in test_seat.py.

A vein wider than the balloon passes it, a 3 mm vein is covered, a balloon larger
than the atrium cannot reach (test_seat.py); a septal point outside the body is
refused (test_septum.py); a guide shorter than the ostium says so (test_guide.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import pyvista
from seating.phantoms import Phantom, as_phantom, ellipse, hole, rounded_hole
from seating.pushed import before, rest_of

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Centreline
from veinfit.seating.approach.line import approach_line
from veinfit.seating.approach.start import find_start
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.minimise import AT_REST, RESIDUAL_SHARE
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import face_normals
from veinfit.surface.openings import boundary_loops

SETTINGS = SeatingSettings(patch_edge_mm=1.0, growth_what_if_mm=0.0)
APART_MM, RADIUS_MM = 14.0, 6.0


def two_veins(recess_mm):
    """Two tubes side by side whose carina lies that much below the plate between them."""
    spacing = 0.7
    x, y, z = (np.arange(low, high, spacing) for low, high in ((-22, 36), (-22, 22), (-16, 6)))
    px, py, pz = np.meshgrid(x, y, z, indexing="ij")
    first = RADIUS_MM - np.hypot(px, py)
    second = RADIUS_MM - np.hypot(px - APART_MM, py)
    between = RADIUS_MM - np.hypot(px - np.clip(px, 0.0, APART_MM), py)
    blood = np.maximum.reduce([pz, first, second, np.minimum(between, pz + recess_mm)])
    grid = pyvista.ImageData(dimensions=px.shape, spacing=(spacing,) * 3, origin=(x[0], y[0], z[0]))
    grid["blood"] = blood.ravel(order="F")
    mesh = grid.contour([0.0], scalars="blood").triangulate().clean()
    wall = Surface(np.asarray(mesh.points, float), mesh.regular_faces.astype(np.int64))
    plate = wall.points[wall.faces].mean(axis=1)[:, 0] < -12.0
    if face_normals(wall)[plate][:, 2].mean() > 0.0:
        wall = Surface(wall.points, wall.faces[:, ::-1].copy())
    loops = boundary_loops(wall)
    middles = np.array([wall.points[loop].mean(axis=0) for loop in loops])

    def rim(where):
        return loops[int(np.argmin(np.linalg.norm(middles - where, axis=1)))]

    phantom = as_phantom(wall, ellipse(RADIUS_MM, RADIUS_MM))
    vein = replace(phantom.vein, end_rims=(rim([0.0, 0.0, -16.0]),))
    vein = replace(vein, centreline=Centreline(vein.centreline.points, vein.centreline.s_mm))
    other = replace(vein, name="LIPV", end_rims=(rim([APART_MM, 0.0, -16.0]),))
    mitral = replace(phantom.anatomy.mitral, rim=rim([7.0, 0.0, 0.0]))
    return Phantom(replace(phantom.anatomy, veins=(vein, other), mitral=mitral), vein)


def test_two_ostia_that_share_one_balloon_leak_into_one_another():
    """Past a carina out of the balloon's reach the blood of one vein finds the other."""
    level, recessed = two_veins(0.0), two_veins(5.0)
    settings = replace(SETTINGS, greatest_push_n=0.6)
    apart = seat_vein(level.anatomy, level.vein, [sphere(28)], settings)[0]
    shared = seat_vein(recessed.anatomy, recessed.vein, [sphere(28)], settings)[0]
    assert apart.outcome == shared.outcome == "seated"
    assert apart.occluded
    assert not shared.occluded and not shared.sealed
    assert shared.leak_width_mm > 1.0
    assert "left" in shared.leak_side, "the carina lies toward +x, the patient's left"
    assert shared.occlusion_grade in (1, 2, 3)


@pytest.mark.parametrize("approach", ["coaxial", "transseptal"])
@pytest.mark.parametrize("diameter", [23, 28, 31])
def test_at_every_equilibrium_forces_balance_and_the_energy_never_rose(approach, diameter):
    for phantom in (
        rounded_hole(8.0, 4.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0),
        hole(9.0, ratio=0.8, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0),
    ):
        crossing = np.array([-24.0, 3.0, 14.0])
        anatomy = replace(phantom.anatomy, septum=septum_at(crossing))
        line = approach_line(approach, anatomy, phantom.vein, SETTINGS)
        placed = Phantom(anatomy, phantom.vein)
        prepared, _, batch = before(placed, sphere(diameter), [line], SETTINGS, push=0.3)
        start = find_start(batch, line, prepared.distance_mm(line)).centre
        rest = rest_of(batch, start, prepared.exit(SETTINGS), keep_path=True)
        assert rest.state[0] == AT_REST
        assert rest.residual_n[0] <= RESIDUAL_SHARE * 0.3 == 1e-6 * 0.3
        energies = batch.evaluate(np.zeros(len(rest.path[0]), dtype=int), rest.path[0])[0]
        assert (np.diff(energies) <= 1e-12 * np.abs(energies[:-1]) + 1e-12).all()


def septum_at(point):
    return SeptalCrossing(point, "landmark", 0.0)


def test_a_transseptal_seat_does_not_depend_on_the_density_of_the_mesh():
    depths, leaks = [], []
    for edge in (0.5, 1.0, 1.5):
        phantom = rounded_hole(8.0, 4.0, edge_mm=edge, plate_mm=22.0, tube_mm=14.0)
        anatomy = replace(phantom.anatomy, septum=septum_at(np.array([-24.0, 3.0, 14.0])))
        settings = replace(SETTINGS, patch_edge_mm=edge)
        fit = seat_vein(anatomy, phantom.vein, [sphere(28)], settings, ("transseptal",))[0]
        assert fit.misalignment_deg > 5.0
        depths.append(fit.depth_mm)
        leaks.append(fit.leak_width_mm)
    # Chords of 1.5 mm cut off up to 0.07 mm of a rim rounded by 4 mm.
    assert np.ptp(depths) < 0.07
    assert np.ptp(leaks) < 0.07
