"""The ostium in the middle of those about axes that lean all around a vein's own.

Facets, steps of voxels and a turn that just fails to end move the plane of one set of half turns,
and a plane that runs out of the vein is moved into it as far as a few places of the wall ask for.
The middle of several hangs on each of these less.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.certainty import Evidence
from veinfit.anatomy.ostium.half_turn import HalfTurn, half_turns
from veinfit.anatomy.ostium.plane import (
    OstiumFailure,
    contours_in_plane,
    ostium_in_plane,
    with_evidence,
)
from veinfit.anatomy.ostium.plane_fit import Plane, fit_plane
from veinfit.notes import Note
from veinfit.surface.contours import contour_centroid
from veinfit.vectors import FloatArray, dots, unit

LEAST_SECTOR_SHARE = 0.25
"""With half-turn points in fewer sectors than this the wall's turn tells no ostium."""

AXIS_SPAN_MM = 8.0
"""The axis that the sectors turn about is fitted to this length of vein."""

LEANS = 6
"""So many axes lean from the vein's own all around ..."""

LEAN_DEG = (6.0, 16.0)
"""... by this much at least and at most ..."""

LEAN_DEG_MM = 45.0
"""... and by this over the length of vein in between, mm: as uncertain as the axis itself."""

EACH_SHIFT_MM = 0.5
"""The plane about each is moved into the vein in steps of this ..."""

EACH_STRAY_MM = (0.5, 1.0, 1.5)
"""... with as much room as the definition gives it, and with less and more: how far a plane moves
hangs on a few places of the wall ..."""

MIDDLE_STRAY_MM = 2.0
"""... so that their middle, which need not lie where the last of them does, is given more."""

_Turns = Sequence[HalfTurn | None]


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """Where a search came to rest.

    Attributes
    ----------
    plane : Plane
    turns : sequence of HalfTurn or None
        One a sector.
    origin, axis : (3,) array
        The line that the sectors turn about.
    start : float
        Where profiles start, mm along the axis from ``origin``.
    """

    plane: Plane
    turns: Sequence[HalfTurn | None]
    origin: FloatArray
    axis: FloatArray
    start: float


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What the half turns about leaning axes rest on.

    Attributes
    ----------
    length_mm : float
        Of vein past the ostium: the shorter, the more the axes lean.
    turns_about : callable
        Finds the half turns, one a sector, about an axis (3,).
    """

    length_mm: float
    turns_about: Callable[[FloatArray], _Turns]


def middle_ostium(
    tube: BranchSections,
    settled: Settled,
    rivals: Sequence[FloatArray] = (),
    known: Known | None = None,
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Return the ostium in the middle of those about a vein's axis and about leaning ones.

    Its evidence is that of the plane through the half turns about all of them.

    Parameters
    ----------
    tube : BranchSections
    settled : Settled
    rivals : sequence of (N, 3) array
        Paths from the body out into other veins: none passes through the ostium.
    known : Known, optional
        How far the vein is known and how its half turns are found; without it as far as the tube
        goes, by profiles that start where those about its own axis do.
    """
    first = settled.plane
    every = [
        (first, settled.turns),
        *_about_leaning_axes(tube.wall, settled, known or _of_tube(tube, settled)),
    ]
    plane = plane_of([t for _, turns in every for t in turns], settled.axis)
    result = ostium_in_plane(tube, plane, settled.turns, rivals)
    if isinstance(result, OstiumFailure):
        return result
    ostium, notes = result
    assert ostium.evidence is not None
    spread = max(abs(float((p.centre - first.centre) @ first.normal)) for p, _ in every)
    evidence = replace(ostium.evidence, spread_mm=spread)
    middle = _middle(tube, every, plane.residual_mm, rivals, evidence)
    return middle or with_evidence(ostium, evidence), notes


def _of_tube(tube: BranchSections, settled: Settled) -> Known:
    axis, origin = settled.axis, settled.origin
    foot = origin + ((settled.plane.centre - origin) @ axis) * axis
    up = settled.start - float((foot - origin) @ axis)
    sectors = len(settled.turns)
    return Known(
        float((tube.centres[0] - foot) @ axis),
        lambda leaning: half_turns(tube.wall, foot, leaning, up, sectors),
    )


def _about_leaning_axes(
    wall: Wall, settled: Settled, known: Known
) -> Iterator[tuple[Plane, _Turns]]:
    """Half turns about axes that lean all around, and the plane through those of each."""
    length = min(max(known.length_mm, 1.0), AXIS_SPAN_MM)
    lean = np.tan(np.radians(np.clip(LEAN_DEG_MM / length, *LEAN_DEG)))
    e1, e2 = wall.basis_across(settled.axis, settled.origin)
    for angle in 2.0 * np.pi * np.arange(LEANS) / LEANS:
        turns = known.turns_about(
            unit(settled.axis + lean * (np.cos(angle) * e1 + np.sin(angle) * e2))
        )
        if sum(t is not None for t in turns) >= LEAST_SECTOR_SHARE * len(turns):
            yield plane_of(turns, settled.axis), turns


def _middle(
    tube: BranchSections,
    planes: Sequence[tuple[Plane, _Turns]],
    residual_mm: float,
    rivals: Sequence[FloatArray],
    evidence: Evidence,
) -> Ostium | None:
    """Return the ostium in the middle of those in some planes, its evidence given; None without."""
    placed = [
        (contour_centroid(found[0].points, plane.normal), plane.normal)
        for plane, turns in planes
        for found in contours_in_plane(tube, plane, turns, rivals, EACH_SHIFT_MM, EACH_STRAY_MM)
        if found is not None
    ]
    if len(placed) < 2:
        return None
    centres, normals = (np.array(each) for each in zip(*placed, strict=True))
    middle, normal = centres.mean(axis=0), unit(normals.mean(axis=0))
    height = float((dots(centres - middle, normals) / (normals @ normal)).mean())
    plane = Plane(middle + height * normal, normal, residual_mm)
    result = ostium_in_plane(tube, plane, planes[0][1], rivals, MIDDLE_STRAY_MM, evidence)
    return None if isinstance(result, OstiumFailure) else result[0]


def plane_of(turns: _Turns, axis: FloatArray) -> Plane:
    """Fit a plane to the half turns that there are."""
    return fit_plane(np.array([t.point for t in turns if t is not None]), axis)
