"""Values made by hand for tests of what comes after the geometry: no stage is run."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.model import (
    Anatomy,
    Appendage,
    Centreline,
    Contour,
    Ostium,
    Ridge,
    Section,
    Vein,
)
from veinfit.frames import clock_direction
from veinfit.notes import Note
from veinfit.seating.model import ClockReading, Fit, Leak
from veinfit.surface import Surface
from veinfit.surface.contours import ContourMeasures
from veinfit.vectors import perpendicular_basis, unit


def circle(centre, normal, diameter, count=36):
    """Points of a circle and its exact measures."""
    e1, e2 = perpendicular_basis(normal)
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
    points = np.asarray(centre) + 0.5 * diameter * (np.cos(angle) * e1 + np.sin(angle) * e2)
    measures = ContourMeasures(
        area_mm2=np.pi * diameter**2 / 4.0,
        perimeter_mm=np.pi * diameter,
        d_max_mm=diameter,
        d_min_mm=diameter,
    )
    return Contour(points), measures


def vein_of(name, ostium, centreline, axis, **more):
    """A vein of what tests are about; the rest is plain, or as ``more`` says."""
    plain = {
        "name_confidence": 1.0, "sections": (), "axis_length_mm": 10.0, "takeoff_wall_deg": 0.0,
        "takeoff_frontal_deg": 0.0, "takeoff_transverse_deg": 0.0, "trunk_at_least": True,
        "trunk_length_mm": float(centreline.s_mm[-1]), "end_rims": (),
    }  # fmt: skip
    return Vein(name=name, ostium=ostium, centreline=centreline, axis=axis, **{**plain, **more})


def anatomy_of(wall, veins, **more):
    """An atrium of what tests are about; the rest is plain, or as ``more`` says."""
    plain = {
        "lumen": wall, "body_centre": np.zeros(3), "body_radius_mm": 20.0, "volume_ml": 80.0,
        "appendage": None, "mitral": None, "ridges": (), "notes": (),
    }  # fmt: skip
    return Anatomy(wall=wall, veins=tuple(veins), **{**plain, **more})


def round_vein(name, centre, axis, diameter=16.0, length=12, notes=()):
    """A straight round vein whose ostium is perpendicular to its axis."""
    centre, axis = np.asarray(centre, dtype=float), unit(axis)
    contour, measures = circle(centre, axis, diameter)
    s = np.arange(0.0, length + 1.0)
    sections = tuple(Section(float(d), centre + d * axis, axis, contour, measures) for d in s)
    ostium = Ostium(centre, axis, contour, measures, contour.points[::4], 0.125, 1.5, 0.8)
    return vein_of(
        name,
        ostium,
        Centreline(centre + s[:, None] * axis, s),
        axis,
        name_confidence=0.95,
        sections=sections,
        takeoff_wall_deg=None,
        takeoff_frontal_deg=10.0,
        takeoff_transverse_deg=-20.0,
        end_rims=(np.array([0, 1, 2]),),
        notes=tuple(notes),
    )


def box():
    """A cube of 40 mm about the origin, normals outward."""
    corners = np.array([[x, y, z] for x in (-20, 20) for y in (-20, 20) for z in (-20, 20)], float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))]
    return Surface(corners, np.array(faces))


def anatomy():
    """Two veins of a cube-shaped atrium, with an appendage and a mitral opening."""
    lspv = round_vein(
        "LSPV", [20, 5, 12], [1, 0.2, 0.3], notes=[Note("ostium", "short stub", "LSPV", "caution")]
    )
    ripv = round_vein("RIPV", [-20, 8, -10], [-1, 0.1, -0.2], diameter=18.0)
    contour, _ = circle([18, -10, 5], [1, -1, 0], 14.0)
    return anatomy_of(
        box(),
        (lspv, ripv),
        volume_ml=64.0,
        appendage=Appendage(np.array([18.0, -10, 5]), unit([1, -1, 0]), contour, 0, 0.7),
        mitral=MitralOpening(np.array([0, -20.0, -5]), unit([0, -1, 0]), np.array([0, 1]), 0.9),
        ridges=(Ridge("LSPV", "LAA", 5.25, np.array([[20, 0, 10], [20, -5, 8.0]])),),
        notes=(
            Note("names", "two veins on this side could not be told apart", "RIPV"),
            Note("branches", "openings taken from the cut edges"),
        ),
    )


def fit(vein="LSPV", balloon="28 mm", balloon_mm=28.0):
    """A leaking fit, with a leak and a quarter of a clock."""
    axis = np.array([1.0, 0.0, 0.0])
    where = np.array([20.0, 5, 12]) + 8.0 * clock_direction(6.0, axis)
    leak = Leak(
        vein, balloon, "coaxial", 1, 1.25, 40.0, None, 6.0, "inferior", *(float(c) for c in where)
    )
    clock = tuple(
        ClockReading(vein, balloon, "coaxial", float(h), side, gap, *band)
        for h, side, gap, band in [
            (0, "superior", -0.5, (-2.0, 1.0, 3.0, -0.5)),
            (6, "inferior", 1.25, (None, None, None, None)),
        ]
    )
    return Fit(
        vein=vein,
        balloon=balloon,
        balloon_mm=balloon_mm,
        approach="coaxial",
        outcome="seated",
        centre=np.array([10.0, 5, 12]),
        push_direction=axis,
        misalignment_deg=0.0,
        depth_mm=-9.99996,
        nose_depth_mm=4.0,
        deep=False,
        contact_area_mm2=123.456,
        contact_arc_deg=320.0,
        occluded=False,
        sealed=False,
        leak_width_mm=1.25,
        leak_clock_h=6.0,
        leak_side="inferior",
        antral_area_mm2=np.float64(250.0),
        leaks=(leak,),
        clock=clock,
        notes=(Note("seating", "one leak", vein),),
    )


def unassessed_fit(vein="RIPV", balloon="28 mm", balloon_mm=28.0):
    """A fit that could not be had."""
    reason = "the leak path runs into a cut edge"
    return Fit(vein, balloon, balloon_mm, "coaxial", "not assessed", reason)
