"""What the 3D view of a case is given: shapes packed small, and the words beside them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.report.by_hand import dropped, dropped_words, hand_words
from veinfit.report.charts.aims import aim_charts, aim_key
from veinfit.report.colours import (
    BALLOON,
    BALLOON_LINE,
    INK,
    LEAK,
    MUTED,
    PLANE,
    STRUCTURE_TINTS,
    WALL_INNER,
    WALL_OUTER,
    gap_bands,
)
from veinfit.report.model import Report
from veinfit.report.pictures.fit_scene import balloon_axis, balloon_section, frame_vein
from veinfit.report.pictures.mitral_rim import mitral_lines
from veinfit.report.pictures.overview import landmarks
from veinfit.report.vein_doubt import doubt_of
from veinfit.report.viewer.viewer_further import growth_scene, plan_scenes
from veinfit.report.viewer.viewer_packing import (
    few_faces,
    pack_gap,
    pack_mesh,
    pack_moves,
    shown_gap,
)
from veinfit.report.wording import (
    column_title,
    figures,
    headline,
    leaks_words,
    mark,
    number,
    vein_in_words,
)
from veinfit.seating.mechanics.modes import shaped_wall
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.surface import Surface
from veinfit.surface.rim_keeping import Places, places_on
from veinfit.vectors import FloatArray
from veinfit.vein_names import MITRAL

WALL_FACES, PATCH_FACES, STRUCTURE_FACES = 60_000, 24_000, 15_000
"""Greatest numbers of triangles: so that six veins with three balloons stay below 5 MB."""

NAME_PLACES = 40
"""A name is offered so many places of its structure."""

MARK = "#0b6e4f"
"""Colour of a single place of the procedure; black is the mitral rim, broken where estimated."""

POLE_DEG = 0.5
"""A ring nearer to a pole than this is none."""

VIEW_MARGIN = 1.6
"""Half the picture's width, in radii of the largest balloon, when a vein is chosen."""


def viewer_scene(report: Report) -> dict[str, Any]:
    """Return the scene of a case, in plain values for JSON.

    The same for the same input. Lengths are LPS mm, colours ``#rrggbb``.

    Parameters
    ----------
    report : Report

    Returns
    -------
    dict
    """
    result = report.result
    anatomy = result.anatomy
    bands = gap_bands(result.settings.seating.contact_tolerance_mm)
    low, high = anatomy.wall.points.min(axis=0), anatomy.wall.points.max(axis=0)
    wall, patches, bodies = _drawn_surfaces(report)
    return {
        "centre": _place(0.5 * (low + high)),
        "radius": round(0.5 * float(np.linalg.norm(high - low)), 2),
        "colours": {
            "wall_inner": WALL_INNER, "wall_outer": WALL_OUTER, "balloon": BALLOON,
            "line": BALLOON_LINE, "plane": PLANE, "ink": INK, "leak": LEAK, "dropped": MUTED,
        },
        "bands": [{"colour": band.colour, "label": band.label} for band in bands],
        "aim_key": aim_key(bands),
        "edges": [band.high_mm for band in bands[:-1]],
        "wall": pack_mesh(wall),
        "rims": _rims(anatomy),
        "names": _named(anatomy),
        "dropped": [
            {"name": one.vein, "words": dropped_words(one),
             "contour": _line(one.automatic.ostium.contour.points)}
            for one in dropped(anatomy)
            if one.automatic is not None
        ],
        "marks": _marks(anatomy),
        "structures": [
            _structure(name, shape, bodies.get(name), k)
            for k, (name, shape) in enumerate(result.structures.items())
        ],
        "veins": [
            _vein_in_wall(report, vein, wall, patches.get(vein.name)) for vein in anatomy.veins
        ],
    }  # fmt: skip


def _drawn_surfaces(report: Report) -> tuple[Surface, dict[str, Surface], dict[str, Surface]]:
    """Return the wall, that near each vein, and structures, with as few faces as are drawn."""
    result = report.result
    drawn = [(vein.name, _drawn_patch(_fits_of(report, vein))) for vein in result.anatomy.veins]
    patches = {name: fit.patch for name, fit in drawn if fit is not None and fit.patch is not None}
    bodies = {
        name: shape for name, shape in result.structures.items() if isinstance(shape, Surface)
    }
    most = [WALL_FACES, *(PATCH_FACES for _ in patches), *(STRUCTURE_FACES for _ in bodies)]
    # All at once: many faces take a process of its own.
    few = few_faces([result.anatomy.wall, *patches.values(), *bodies.values()], most)
    near, beside = few[1 : len(patches) + 1], few[len(patches) + 1 :]
    return few[0], dict(zip(patches, near, strict=True)), dict(zip(bodies, beside, strict=True))


def _fits_of(report: Report, vein: Vein) -> tuple[Fit, ...]:
    return tuple(fit for fit in report.result.fits if fit.vein == vein.name)


def _vein_in_wall(
    report: Report, vein: Vein, wall: Surface, patch: Surface | None
) -> dict[str, Any]:
    """Return a vein of the scene, and how the wall gives way to the balloon in it alone.

    Its patch is a part of the wall in this shape: in another one the wall would lie before it
    in places and cover its colours.
    """
    fits = _fits_of(report, vein)
    drawn = _drawn_patch(fits)
    told = vein_scene(report.result.anatomy, vein, fits, report, patch)
    if drawn is None:
        return told
    shaped = shaped_wall(wall, vein, drawn.shape_amplitudes)
    return {**told, "wall": pack_moves(shaped.points - wall.points)}


def _drawn_patch(fits: Sequence[Fit]) -> Fit | None:
    """Return the fit whose wall near the vein is drawn, for all of them; None where none has."""
    return next((fit for fit in fits if fit.patch is not None), None)


def _place(point: FloatArray) -> list[float]:
    return [round(float(c), 2) + 0.0 for c in point]


def _direction(vector: FloatArray) -> list[float]:
    return [round(float(c), 6) + 0.0 for c in vector]


def _line(points: FloatArray) -> list[list[float]]:
    return [_place(point) for point in points]


def _rims(anatomy: Anatomy) -> list[dict[str, Any]]:
    found = [{"points": _line(line), "colour": INK} for line in mitral_lines(anatomy)]
    if anatomy.appendage is not None:
        points = anatomy.appendage.contour.points
        found.append({"points": _line(np.concatenate([points, points[:1]])), "colour": PLANE})
    return found


def _named(anatomy: Anatomy) -> list[dict[str, Any]]:
    told = {v.name: "by hand" for v in anatomy.veins if hand_words(anatomy, v.name)}
    told |= {one.vein: "dropped" for one in dropped(anatomy)}
    if anatomy.mitral is not None and anatomy.mitral.estimated:
        told[MITRAL] = "estimated"
    return [
        {"text": named.text, "places": _places(named.points), "told": told.get(named.text, "")}
        for named in landmarks(anatomy, {})
    ]


def _places(points: FloatArray) -> list[list[float]]:
    """Return some of the places (N, 3) of a structure; a name sits on one that is seen."""
    return _line(points[np.linspace(0, len(points) - 1, min(len(points), NAME_PLACES)).astype(int)])


def _marks(anatomy: Anatomy) -> list[dict[str, Any]]:
    """Return single places of the procedure: where the sheath crosses the septum."""
    if anatomy.septum is None:
        return []
    how = "estimated" if anatomy.septum.estimated else "given"
    return [{"text": f"septal crossing, {how}", "at": _place(anatomy.septum.point), "colour": MARK}]


def _structure(name: str, shape: Structure, few: Surface | None, index: int) -> dict[str, Any]:
    """Return a structure of the scene, a body with few faces."""
    told: dict[str, Any] = {
        "name": name.replace("_", " "),
        "colour": STRUCTURE_TINTS[index % len(STRUCTURE_TINTS)],
    }
    if isinstance(shape, Surface):
        body = pack_mesh(few or shape)
        return {**told, "places": _places(shape.points), "mesh": body}
    return {**told, "places": _places(shape), "line": _line(shape)}


def vein_scene(
    anatomy: Anatomy,
    vein: Vein,
    fits: Sequence[Fit],
    report: Report,
    few: Surface | None = None,
) -> dict[str, Any]:
    """Return one vein of the scene with its fits.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
    fits : sequence of Fit
        Of this vein.
    report : Report
    few : Surface, optional
        The wall near the vein with fewer faces. Without it all are drawn: a page that is answered
        on this machine need not be small.

    Returns
    -------
    dict
    """
    ostium = vein.ostium
    side = frame_vein(vein, fits, 1000, 1000).side.towards
    largest = max([fit.balloon_mm for fit in fits] or [ostium.measures.d_max_mm * 1.4])
    drawn = _drawn_patch(fits)
    patch = None if drawn is None else drawn.patch
    shown = few or patch
    places = None if patch is None or few is None else places_on(patch, few.points)
    several = len({fit.approach for fit in report.result.fits}) > 1
    bands = gap_bands(report.result.settings.seating.contact_tolerance_mm)
    size = f"{number(ostium.measures.d_max_mm)} × {number(ostium.measures.d_min_mm)} mm"
    return {
        "name": vein.name,
        "words": vein_in_words(vein.name),
        "told": hand_words(anatomy, vein.name),
        "size": f"Ostium {size}, ovality {number(ostium.measures.ovality, 2)}",
        "doubt": doubt_of([vein], vein.name).rstrip(),
        "centre": _place(ostium.centre),
        "normal": _direction(ostium.normal),
        "axis": _direction(vein.axis),
        "side": _direction(side),
        "view": round(0.5 * VIEW_MARGIN * largest, 2),
        "reach": round(0.5 * ostium.measures.d_max_mm + 6.0, 2),
        "contour": _line(ostium.contour.points),
        "patch": None if shown is None else pack_mesh(shown),
        "fits": [
            {
                **_fit(fit, report),
                "title": column_title(fit, with_approach=several),
                "gap": _gap(fit, patch, places),
                "growth": growth_scene(fit),
                "aim": "".join(drawing.file for _, drawing in aim_charts(vein, [fit], bands)),
            }
            for fit in fits
        ],
        "plans": plan_scenes(vein, fits, shown),
    }


def _gap(fit: Fit, patch: Surface | None, places: Places | None) -> dict[str, Any] | None:
    """Pack a fit's gaps at the vertices of the patch, or at places on it."""
    if patch is None or fit.patch_gap_mm is None:
        return None
    if fit.patch is None or len(fit.patch_gap_mm) != len(patch.points):
        return None
    gap_mm = shown_gap(fit.patch_gap_mm)
    return pack_gap(gap_mm if places is None else places.of(gap_mm))


def _fit(fit: Fit, report: Report) -> dict[str, Any]:
    section = balloon_section(fit)
    zones = report.result.freezing_zones
    leaks = sorted(fit.leaks, key=lambda leak: -leak.width_mm)
    return {
        "sign": mark(fit, report.result.settings.report),
        "verdict": headline(fit, report.result.settings.report),
        "lines": _figures(fit),
        "diameter": fit.balloon_mm,
        "centre": None if fit.centre is None else _place(fit.centre),
        "shaft": _direction(balloon_axis(fit)),
        "profile": np.round(section, 2).tolist(),
        "rings": np.round(_rings(section, (90.0, *zones.get(fit.balloon, ()))), 3).tolist(),
        "leaks": [
            {"at": _place(np.array([leak.x_mm, leak.y_mm, leak.z_mm])), "text": f"leak {k}",
             "words": words}
            for k, (leak, words) in enumerate(zip(leaks, leaks_words(leaks), strict=True), start=1)
        ],
    }  # fmt: skip


def _rings(section: FloatArray, polar_deg: Sequence[float]) -> FloatArray:
    """Where polar angles from the nose meet a half section (N, 2); poles and repeats left out."""
    angles = np.degrees(np.arctan2(section[:, 1], section[:, 0]))[::-1]
    wanted = np.array(sorted({deg for deg in polar_deg if POLE_DEG < deg < 180.0 - POLE_DEG}))
    return np.stack([np.interp(wanted, angles, along) for along in section[::-1].T], axis=1)


def _figures(fit: Fit) -> list[str]:
    lines = [figures(fit)]
    lines += [
        f"Freezing zone to {name.replace('_', ' ')}: {number(value)} mm."
        for name, value in fit.distances_mm.items()
    ]
    return lines
