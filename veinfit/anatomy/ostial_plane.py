"""From half-turn points and the plane through them to an ostium: its contour, its error bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.contours import contour_around, contour_centroid, in_plane, measure_contour
from veinfit.anatomy.half_turn import HalfTurn
from veinfit.anatomy.model import Contour, Ostium
from veinfit.anatomy.plane_fit import Plane, stability
from veinfit.anatomy.tubes import Tube
from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.surface.cuts import PlaneContour, plane_contours

LEAST_ERROR_MM = 0.4
"""Error bound of an ostium whose plane nothing moves."""

ERROR_PER_MOVE = 1.0
"""What the plane's instability adds to the bound: 98 % of 790 ostia of invented atria with a
known truth lay within it, and 99 % of 1,531 others."""

WRONG_LOG_ODDS = -4.2
"""Log odds of an ostium being off by more than 1 mm or 5 degrees, with the terms of
``ostium_confidence``: logistic regression on the same 790 ostia. In sixths of 1,531 others,
ordered by it, 1, 1, 1, 3, 5 and 18 % were off where 1, 2, 2, 4, 6 and 14 % were predicted."""

SHORT_ERROR = (8.0, 0.25)
"""A vein known for less than the first, mm, past its ostium adds the second a mm to the bound:
profiles then start in the flare, and the ostium tends into the atrium. Of 255 ostia of eight
invented atria with their veins cut 1 to 10 mm past the true ostium."""

SHORT_LOG_ODDS = (10.0, 0.37)
"""The same for the log odds of being off: logistic regression on these ostia."""

NOTED_SHORT_MM = 6.0
"""Below this a caution tells it."""

CONTOUR_SHIFTS_MM = np.arange(0.0, 6.01, 0.1)
"""How far the plane may be moved into the vein until its contour is the vein's alone."""

NOTED_SHIFT_MM = 0.5
"""Moves of the plane below this are within the ostium's error and not worth a note."""

STRAY_SHARE = 0.25
"""A contour that lies outside the half-turn points by this share of their mean radius ..."""

STRAY_MM = 1.0
"""... and this much more has run into a neighbour or into the body."""


@dataclass(frozen=True, slots=True, eq=False)
class OstiumFailure:
    """Why a branch has no ostium."""

    reason: str


def ostium_in_plane(
    tube: Tube, plane: Plane, turns: Sequence[HalfTurn | None], extra_error_mm: float
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Return the ostium in a plane, moved into the vein until its contour is the vein's alone.

    Parameters
    ----------
    tube : Tube
        Whose wall is cut.
    plane : Plane
        Through the half-turn points.
    turns : sequence of HalfTurn or None
        One a sector, None where the wall does not turn.
    extra_error_mm : float
        Added to the error bound for how the plane was found.
    """
    points = np.array([t.point for t in turns if t is not None])
    notes: list[Note] = []
    for shift in CONTOUR_SHIFTS_MM:
        centre = plane.centre + shift * plane.normal
        contour = contour_around(
            plane_contours(tube.wall.surface, centre, plane.normal), centre, plane.normal
        )
        if contour is None or bool(tube.wall.is_cap[contour.faces].any()):
            continue
        if _strays(contour.points, points, plane):
            continue
        if shift >= NOTED_SHIFT_MM:
            notes.append(
                Note(
                    "ostium",
                    f"the ostial plane was moved {shift:g} mm into the vein, where its contour "
                    "is the vein's alone",
                )
            )
        return _describe(contour, plane, turns, points, float(shift), extra_error_mm), tuple(notes)
    return OstiumFailure("no plane near the half-turn points cuts the vein alone")


def _strays(contour: FloatArray, points: FloatArray, plane: Plane) -> bool:
    """Whether a contour reaches outside the ring of half-turn points in some direction."""
    ring = in_plane(points, plane.centre, plane.normal)
    ring_radius = np.linalg.norm(ring, axis=1)
    ring_angle = np.arctan2(ring[:, 1], ring[:, 0])
    order = np.argsort(ring_angle)
    flat = in_plane(contour, plane.centre, plane.normal)
    expected = np.interp(
        np.arctan2(flat[:, 1], flat[:, 0]),
        ring_angle[order],
        ring_radius[order],
        period=2.0 * np.pi,
    )
    excess = np.linalg.norm(flat, axis=1) - expected
    return bool(excess.max() > STRAY_SHARE * float(ring_radius.mean()) + STRAY_MM)


def _describe(
    contour: PlaneContour,
    plane: Plane,
    turns: Sequence[HalfTurn | None],
    points: FloatArray,
    shift: float,
    extra_error_mm: float,
) -> Ostium:
    share = len(points) / len(turns)
    moved, tilted = stability(points, plane)
    error = ostium_error_mm(moved, share, shift) + extra_error_mm
    return Ostium(
        centre=contour_centroid(contour.points, plane.normal),
        normal=plane.normal,
        contour=Contour(contour.points),
        measures=measure_contour(contour.points, plane.normal),
        half_turn_points=points,
        residual_mm=plane.residual_mm,
        error_mm=error,
        confidence=ostium_confidence(moved, tilted, plane.residual_mm, shift, extra_error_mm > 0.0),
    )


def known_for(ostium: Ostium, room_mm: float) -> tuple[Ostium, tuple[Note, ...]]:
    """Return an ostium less sure the nearer the vein's end is to it, with a note of that.

    Parameters
    ----------
    ostium : Ostium
    room_mm : float
        From the ostial plane to the end of the vein.
    """
    whole, per_mm = SHORT_ERROR
    error = ostium.error_mm + per_mm * max(whole - room_mm, 0.0)
    whole, per_mm = SHORT_LOG_ODDS
    sure = min(max(ostium.confidence, 1e-9), 1.0 - 1e-9)
    log_odds = np.log(1.0 / sure - 1.0) + per_mm * max(whole - room_mm, 0.0)
    confidence = float(1.0 / (1.0 + np.exp(log_odds)))
    less_sure = replace(ostium, error_mm=error, confidence=confidence)
    if room_mm >= NOTED_SHORT_MM:
        return less_sure, ()
    text = (
        f"the vein ends {max(room_mm, 0.0):.0f} mm past its ostium, where its wall may still "
        "widen: the ostium may lie too far in the atrium, and its diameter be too large"
    )
    return less_sure, (Note("ostium", text, severity="caution"),)


def ostium_error_mm(moved_mm: float, share: float, shift_mm: float) -> float:
    """95 % bound of the ostium's position error from what the fit shows.

    Parameters
    ----------
    moved_mm : float
        How far the plane moves when a quarter of the sectors is left out.
    share : float
        Share of the sectors that have a half-turn point.
    shift_mm : float
        How far the plane was moved until its contour is the vein's alone.
    """
    return LEAST_ERROR_MM + ERROR_PER_MOVE * moved_mm + 2.0 * (1.0 - share) + 0.5 * shift_mm


def ostium_confidence(
    moved_mm: float, tilted_deg: float, residual_mm: float, shift_mm: float, sharp_only: bool
) -> float:
    """Probability that the ostium lies within 1 mm and 5 degrees of its definition's."""
    log_odds = (
        WRONG_LOG_ODDS
        + 0.4 * np.log(moved_mm + 0.1)
        + 0.7 * np.log(tilted_deg + 1.0)
        + 0.5 * np.log(residual_mm + 0.1)
        + 0.9 * (shift_mm >= NOTED_SHIFT_MM)
        + 1.0 * sharp_only
    )
    return float(1.0 / (1.0 + np.exp(log_odds)))
