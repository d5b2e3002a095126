"""From half-turn points and the plane through them to an ostium: its contour, its error bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.model import Contour, Ostium
from veinfit.anatomy.ostium.certainty import (
    NOTED_SHIFT_MM,
    Evidence,
    ostium_confidence,
    ostium_error_mm,
)
from veinfit.anatomy.ostium.half_turn import HalfTurn
from veinfit.anatomy.ostium.plane_fit import Plane, stability
from veinfit.notes import Note
from veinfit.ostium_definition import (
    STRAY_MM,
    STRAY_SHARE,
)
from veinfit.surface.contours import (
    contour_centroid,
    in_plane,
    measure_contour,
    passes,
    section_around,
)
from veinfit.surface.cuts import PlaneContour
from veinfit.vectors import FloatArray

NOTED_SHORT_MM = 6.0
"""Below this a caution tells it."""

MOST_SECTORS_SHARE = 0.7
"""With half-turn points in fewer sectors than this the half turn is one in part."""

FARTHEST_SHIFT_MM = 6.0
"""How far the plane may be moved into the vein until its contour is the vein's alone ..."""

SHIFT_STEP_MM = 0.1
"""... in steps of this."""


@dataclass(frozen=True, slots=True, eq=False)
class OstiumFailure:
    """Why a branch has no ostium."""

    reason: str


def ostium_in_plane(
    tube: BranchSections,
    plane: Plane,
    turns: Sequence[HalfTurn | None],
    rivals: Sequence[FloatArray] = (),
    stray_mm: float = STRAY_MM,
    evidence: Evidence | None = None,
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Return the ostium in a plane, moved into the vein until its contour is the vein's alone.

    Parameters
    ----------
    tube : BranchSections
        Whose wall is cut.
    plane : Plane
        Through the half-turn points.
    turns : sequence of HalfTurn or None
        One a sector, None where the wall does not turn.
    rivals : sequence of (N, 3) array
        Paths from the body out into other veins: none passes through the ostium.
    stray_mm : float
        Room of the contour past the half-turn points, besides a share of their mean radius.
    evidence : Evidence, optional
        Where it is known already; without it that of the half-turn points is worked out.
    """
    points = np.array([t.point for t in turns if t is not None])
    (placed,) = contours_in_plane(tube, plane, turns, rivals, SHIFT_STEP_MM, (stray_mm,))
    if placed is None:
        return OstiumFailure("every plane near the half-turn points cuts more than this vein")
    contour, shift = placed
    notes: tuple[Note, ...] = ()
    if shift >= NOTED_SHIFT_MM:
        text = (
            f"the ostial plane was moved {shift:g} mm into the vein: nearer to the "
            "atrium, its contour would include more than this vein"
        )
        notes = (Note("ostium", text),)
    if evidence is None:
        moved, tilted = stability(points, plane)
        share = len(points) / len(turns)
        evidence = Evidence(moved, tilted, plane.residual_mm, share, shift)
    return _describe(contour, plane, turns, points, evidence), notes


def contours_in_plane(
    tube: BranchSections,
    plane: Plane,
    turns: Sequence[HalfTurn | None],
    rivals: Sequence[FloatArray],
    step_mm: float,
    strays_mm: Sequence[float],
) -> list[tuple[PlaneContour, float] | None]:
    """Move a plane into the vein until its contour is the vein's alone, with several rooms at once.

    Parameters
    ----------
    tube, plane, turns, rivals
        As of :func:`ostium_in_plane`.
    step_mm : float
        In steps of this the plane is moved.
    strays_mm : sequence of float
        The rooms: of each its ``stray_mm``.

    Returns
    -------
    list of (PlaneContour, float) or None
        For each room the contour, and how far the plane was moved, mm.
    """
    ring = in_plane(np.array([t.point for t in turns if t is not None]), plane.centre, plane.normal)
    ring_mm = np.linalg.norm(ring, axis=1)
    share_mm = STRAY_SHARE * float(ring_mm.mean())
    around = _all_around(ring, ring_mm)
    found: list[tuple[PlaneContour, float] | None] = [None] * len(strays_mm)
    for shift in np.arange(0.0, FARTHEST_SHIFT_MM + 0.01, step_mm):
        centre = plane.centre + shift * plane.normal
        contour = section_around(tube.wall.surface, centre, plane.normal)
        if contour is None or bool(tube.wall.is_cap[contour.faces].any()):
            continue
        past_mm = _past_ring_mm(contour.points, around, plane)
        within = [
            k
            for k, stray_mm in enumerate(strays_mm)
            if found[k] is None and past_mm <= share_mm + stray_mm
        ]
        if within and not any(passes(way, contour.points, centre, plane.normal) for way in rivals):
            for k in within:
                found[k] = contour, float(shift)
            if None not in found:
                break
    return found


def _all_around(ring: FloatArray, ring_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the angles of a ring's points (K, 2), rising past a whole turn, and their radii."""
    turn = 2.0 * np.pi
    angle = np.arctan2(ring[:, 1], ring[:, 0]) % turn
    order = np.argsort(angle)
    angle, radius = angle[order], ring_mm[order]
    return (
        np.concatenate([angle[-1:] - turn, angle, angle[:1] + turn]),
        np.concatenate([radius[-1:], radius, radius[:1]]),
    )


def _past_ring_mm(
    contour: FloatArray, around: tuple[FloatArray, FloatArray], plane: Plane
) -> float:
    """How far a contour (N, 3) reaches at most outside the ring of half-turn points.

    ``around`` is the ring as of :func:`_all_around`: a plane that is moved asks for it each time.
    """
    flat = in_plane(contour, plane.centre, plane.normal)
    x, y = flat[:, 0], flat[:, 1]
    expected = np.interp(np.arctan2(y, x) % (2.0 * np.pi), *around)
    return float((np.sqrt(x * x + y * y) - expected).max())


def _describe(
    contour: PlaneContour,
    plane: Plane,
    turns: Sequence[HalfTurn | None],
    points: FloatArray,
    evidence: Evidence,
) -> Ostium:
    share = len(points) / len(turns)
    measures = measure_contour(contour.points, plane.normal)
    return Ostium(
        centre=contour_centroid(contour.points, plane.normal),
        normal=plane.normal,
        contour=Contour(contour.points),
        measures=measures,
        half_turn_points=points,
        residual_mm=plane.residual_mm,
        error_mm=ostium_error_mm(evidence, measures.d_area_mm),
        confidence=ostium_confidence(evidence),
        kind="half_turn" if share >= MOST_SECTORS_SHARE else "half_turn_in_part",
        evidence=evidence,
    )


def with_evidence(ostium: Ostium, evidence: Evidence) -> Ostium:
    """Return an ostium of which more is known: its bound and confidence with it."""
    return replace(
        ostium,
        evidence=evidence,
        error_mm=ostium_error_mm(evidence, ostium.measures.d_area_mm),
        confidence=ostium_confidence(evidence),
    )


def known_for(ostium: Ostium, room_mm: float) -> tuple[Ostium, tuple[Note, ...]]:
    """Return an ostium less sure the nearer the vein's end is to it, with a note of that.

    Parameters
    ----------
    ostium : Ostium
        As found: its evidence is known.
    room_mm : float
        From the ostial plane to the end of the vein.
    """
    assert ostium.evidence is not None
    less_sure = with_evidence(ostium, replace(ostium.evidence, room_mm=room_mm))
    if room_mm >= NOTED_SHORT_MM:
        return less_sure, ()
    text = (
        f"the vein ends {max(room_mm, 0.0):.0f} mm past its ostium, where its wall may still "
        "widen: the ostium may lie too far in the atrium, and its diameter be too large"
    )
    return less_sure, (Note("ostium", text, severity="caution"),)
