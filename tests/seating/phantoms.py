"""Walls of known shape, as an anatomy with one vein: what a seat on them must be.

All are drawn with the ostial plane at z = 0, the vein toward −z and the atrium
toward +z, and can be placed anywhere by a rigid motion.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from handmade import anatomy_of, vein_of

from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.model import Anatomy, Centreline, Contour, Ostium, Vein
from veinfit.surface import Surface
from veinfit.surface.contours import ContourMeasures
from veinfit.surface.openings import boundary_loops, cap_loops

DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Phantom:
    anatomy: Anatomy
    vein: Vein


def loft(rings, close=True):
    """Surface through rings (K, N, 3), wound so that normals point away from the axis."""
    k, n, _ = rings.shape
    index = np.arange(k * n).reshape(k, n)
    right = np.roll(index, -1, axis=1) if close else None
    a, b = index[:-1], right[:-1]
    c, d = index[1:], right[1:]
    first = np.stack([a, b, c], axis=-1)
    second = np.stack([b, d, c], axis=-1)
    # Alternate the diagonals: a mesh with a handedness of its own turns the balloon.
    other_first = np.stack([a, b, d], axis=-1)
    other_second = np.stack([a, d, c], axis=-1)
    odd = (np.add.outer(np.arange(k - 1), np.arange(n)) % 2).astype(bool)[..., None]
    faces = np.concatenate(
        [
            np.where(odd, first, other_first).reshape(-1, 3),
            np.where(odd, second, other_second).reshape(-1, 3),
        ]
    )
    return Surface(rings.reshape(-1, 3), faces)


def revolve(profile, ratio=1.0, edge_mm=0.7, sectors=None, lobes=None):
    """Turn a profile (K, 2) of radius and height about z, from the vein to the atrium.

    ``ratio`` squeezes the y direction: an elliptical hole from a round one. ``lobes``
    (number, depth in mm) waves the rings: r + depth cos(number · angle).
    """
    profile = np.asarray(profile, dtype=float)
    n = sectors or int(np.ceil(2.0 * np.pi * np.median(profile[:, 0]) / edge_mm / 4.0)) * 4
    angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    r, z = profile[:, :1], profile[:, 1:]
    if lobes is not None:
        r = r + lobes[1] * np.cos(lobes[0] * angle)
    rings = np.stack(
        [r * np.cos(angle), ratio * r * np.sin(angle), np.broadcast_to(z, (len(r), n))], axis=-1
    )
    return loft(rings)


def walk(points, edge_mm):
    """Resample a polyline (K, 2) so that corners stay and steps are at most ``edge_mm``."""
    points = np.asarray(points, dtype=float)
    parts = []
    for a, b in itertools.pairwise(points):
        count = max(int(np.ceil(np.linalg.norm(b - a) / edge_mm)), 1)
        parts.append(a + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (b - a))
    return np.vstack([*parts, points[-1:]])


def rounded(radius, fillet, edge_mm):
    """Quarter circle (K, 2) from the tube's wall to the plate."""
    count = max(int(np.ceil(0.5 * np.pi * fillet / edge_mm)), 2)
    angle = np.linspace(0.0, 0.5 * np.pi, count + 1)
    return np.stack(
        [radius + fillet * (1.0 - np.cos(angle)), -fillet + fillet * np.sin(angle)], axis=1
    )


def contour_measures(points):
    following = np.roll(points, -1, axis=0)
    perimeter = np.linalg.norm(following - points, axis=1).sum()
    centre = points.mean(axis=0)
    area = np.linalg.norm(0.5 * np.cross(points - centre, following - centre).sum(axis=0))
    spread = np.linalg.norm(points - centre, axis=1)
    return ContourMeasures(area, perimeter, 2.0 * spread.max(), 2.0 * spread.min())


def as_phantom(
    wall, contour, centreline=None, axis=DOWN, normal=DOWN, centre=(0.0, 0.0, 0.0), closed=False
):
    """Wrap a wall as an anatomy: its lowest open rim is the vein's end, the others the atrium.

    ``closed`` caps the openings of the lumen; an open plate has no inside to close.
    """
    centre = np.asarray(centre, dtype=float)
    loops = boundary_loops(wall)
    depth = [float(((wall.points[loop] - centre) @ axis).mean()) for loop in loops]
    distal = int(np.argmax(depth))
    atrial = [loop for i, loop in enumerate(loops) if i != distal]
    if centreline is None:
        s = np.arange(0.0, max(depth) + 1e-9, 1.0)
        centreline = Centreline(centre + s[:, None] * np.asarray(axis), s)
    contour = np.asarray(contour, dtype=float)
    ostium = Ostium(
        centre,
        np.asarray(normal, float),
        Contour(contour),
        contour_measures(contour),
        contour[::4],
        0.0,
        0.1,
        1.0,
    )
    vein = vein_of("LSPV", ostium, centreline, np.asarray(axis, float), end_rims=(loops[distal],))
    mitral = (
        MitralOpening(wall.points[atrial[0]].mean(axis=0), -np.asarray(axis, float), atrial[0], 1.0)
        if atrial
        else None
    )
    anatomy = anatomy_of(
        wall,
        (vein,),
        lumen=cap_loops(wall, loops)[0] if closed else wall,
        body_centre=centre - 20.0 * np.asarray(axis),
        mitral=mitral,
    )
    return Phantom(anatomy, vein)


def ellipse(a, b, count=360):
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.stack([a * np.cos(angle), b * np.sin(angle), np.zeros(count)], axis=1)


def hole(radius, ratio=1.0, edge_mm=0.7, plate_mm=45.0, tube_mm=30.0):
    """A sharp hole in a plate with a tube below it; ``ratio`` 1 is round.

    An elliptical hole has semi-axes ``radius`` and ``ratio · radius``.
    """
    profile = walk([(radius, -tube_mm), (radius, 0.0), (plate_mm, 0.0)], edge_mm)
    return as_phantom(revolve(profile, ratio, edge_mm), ellipse(radius, ratio * radius))


def rounded_hole(radius, fillet, edge_mm=0.7, plate_mm=45.0, tube_mm=30.0):
    """A hole with a rim rounded by a quarter torus; the plate's wall is z = 0."""
    arc = rounded(radius, fillet, edge_mm)
    profile = np.vstack(
        [
            walk([(radius, -tube_mm), tuple(arc[0])], edge_mm)[:-1],
            arc[:-1],
            walk([tuple(arc[-1]), (plate_mm, 0.0)], edge_mm),
        ]
    )
    return as_phantom(revolve(profile, edge_mm=edge_mm), ellipse(radius + fillet, radius + fillet))


def cone(half_angle_deg, throat=4.0, mouth=30.0, edge_mm=0.7):
    """A cone that widens from a throat to a mouth; its apex would be at z = −throat/tan."""
    slope = np.tan(np.radians(half_angle_deg))
    profile = walk([(throat, 0.0), (mouth, (mouth - throat) / slope)], edge_mm)
    tube = walk([(throat, -15.0), (throat, 0.0)], edge_mm)[:-1]
    return as_phantom(revolve(np.vstack([tube, profile]), edge_mm=edge_mm), ellipse(throat, throat))


def moved(phantom, turn, shift):
    """The phantom after a rotation (3, 3) and a shift (3,)."""

    def place(points):
        return np.asarray(points) @ turn.T + shift

    vein, anatomy = phantom.vein, phantom.anatomy
    ostium = replace(
        vein.ostium,
        centre=place(vein.ostium.centre),
        normal=turn @ vein.ostium.normal,
        contour=Contour(place(vein.ostium.contour.points)),
        half_turn_points=place(vein.ostium.half_turn_points),
    )
    new_vein = replace(
        vein,
        ostium=ostium,
        axis=turn @ vein.axis,
        centreline=Centreline(place(vein.centreline.points), vein.centreline.s_mm),
    )
    mitral = anatomy.mitral
    if mitral is not None:
        mitral = replace(mitral, centre=place(mitral.centre), normal=turn @ mitral.normal)
    wall = Surface(place(anatomy.wall.points), anatomy.wall.faces)
    return Phantom(
        replace(
            anatomy,
            wall=wall,
            lumen=Surface(place(anatomy.lumen.points), anatomy.lumen.faces),
            veins=(new_vein,),
            mitral=mitral,
            body_centre=place(anatomy.body_centre),
        ),
        new_vein,
    )
