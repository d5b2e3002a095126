"""What the input is worth: how fine it is, what it lacks, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.notes import VERDICT, Note
from veinfit.surface import Surface
from veinfit.surface.mesh import edges

COST_OF_EDGE: tuple[tuple[float, float, float, float, float], ...] = (
    (0.5, 0.49, 7.64, 0.79, 7.94),
    (1.0, 0.49, 7.64, 0.79, 7.94),
    (2.0, 0.49, 7.64, 0.79, 7.94),
    (3.0, 0.71, 7.64, 0.96, 7.94),
)
"""Edge length of a mesh, then the errors of d_area and of the ostium's place, median and greatest.

Measured by ``tests/benchmarks/edges.py`` on 50 ostia of twelve drawn atria of the real kind, beside
their analytic truth; an error that was less on a coarser mesh is held at the finer one's. The
greatest are those of ostia that are ill defined by their shape, on meshes fine and coarse.
"""

COST_BASIS = "50 ostia of twelve invented atria of the real kind, whose truth is known"

COARSE_MM = 2.0
"""Edges, or voxels, longer than this are a caution."""


@dataclass(frozen=True, slots=True)
class InputVerdict:
    """How far an input can carry the measures.

    Attributes
    ----------
    faces : int
        Of the repaired wall.
    edge_mm : float
        Median length of its edges.
    voxel_mm : float or None
        Longest edge of a voxel; None for a mesh.
    stub_mm : mapping of str to float
        Length of each vein past its ostium, to its cut end.
    short_stubs : tuple of str
        Veins of which too little is clear of the ostium for a certain axis.
    cut_veins : tuple of str
        Veins that could not be measured: most often cut before their ostium.
    holes_filled : int
        Small holes that were closed.
    holes_open : int
        Openings that are no vein, no appendage and not the mitral side.
    repairs : tuple of str
        What was repaired, in words.
    d_area_error_mm, d_area_worst_mm : float or None
        What d_area was off by at this resolution, in the median and at most;
        None where it is coarser than was tried.
    position_error_mm, position_worst_mm : float or None
        The same of the ostium's place.
    basis : str
        On what these four were measured.
    """

    faces: int
    edge_mm: float
    voxel_mm: float | None
    stub_mm: Mapping[str, float]
    short_stubs: tuple[str, ...]
    cut_veins: tuple[str, ...]
    holes_filled: int
    holes_open: int
    repairs: tuple[str, ...]
    d_area_error_mm: float | None
    d_area_worst_mm: float | None
    position_error_mm: float | None
    position_worst_mm: float | None
    basis: str

    @property
    def is_sound(self) -> bool:
        """Whether nothing in it needs the reader's care."""
        return not (
            self.short_stubs
            or self.cut_veins
            or self.holes_open
            or self.d_area_error_mm is None
            or (self.voxel_mm or self.edge_mm) > COARSE_MM
        )

    @property
    def note(self) -> Note:
        """The verdict in words."""
        return Note(VERDICT, _sentence(self), severity="info" if self.is_sound else "caution")


def input_verdict(
    wall: Surface,
    voxel_mm: float | None,
    stub_mm: Mapping[str, float],
    short_stubs: Sequence[str],
    unmeasured: Sequence[str],
    holes: tuple[int, int],
    repairs: Sequence[str],
) -> InputVerdict:
    """Judge an input by what came of it.

    Parameters
    ----------
    wall : Surface
        The repaired wall.
    voxel_mm : float or None
    stub_mm : mapping of str to float
    short_stubs : sequence of str
        Veins whose axis is uncertain for want of length.
    unmeasured : sequence of str
    holes : (int, int)
        Filled, and left open.
    repairs : sequence of str
    """
    pairs, _, _ = edges(wall)
    lengths = np.linalg.norm(wall.points[pairs[:, 0]] - wall.points[pairs[:, 1]], axis=1)
    edge = float(np.median(lengths))
    known = np.array(COST_OF_EDGE)
    inside = edge <= known[-1, 0]
    cost = [
        float(np.interp(edge, known[:, 0], known[:, k])) if inside else None for k in range(1, 5)
    ]
    return InputVerdict(
        faces=len(wall.faces),
        edge_mm=edge,
        voxel_mm=voxel_mm,
        stub_mm=dict(stub_mm),
        short_stubs=tuple(short_stubs),
        cut_veins=tuple(unmeasured),
        holes_filled=holes[0],
        holes_open=holes[1],
        repairs=tuple(repairs),
        d_area_error_mm=cost[0],
        d_area_worst_mm=cost[1],
        position_error_mm=cost[2],
        position_worst_mm=cost[3],
        basis=COST_BASIS,
    )


def _sentence(verdict: InputVerdict) -> str:
    """Say what was found in this input first: a page may show the first line alone."""
    found = []
    if verdict.short_stubs:
        found.append(f"too short for a certain axis: {', '.join(verdict.short_stubs)}")
    if verdict.cut_veins:
        found.append(f"not measured: {', '.join(verdict.cut_veins)}")
    if verdict.holes_open:
        several = verdict.holes_open > 1
        openings = "further openings belong" if several else "further opening belongs"
        stay = "stay" if several else "stays"
        found.append(f"{verdict.holes_open} {openings} to no vein and {stay} open in the wall")
    unknown = verdict.d_area_error_mm is None
    size = f"edges of {verdict.edge_mm:.1f} mm"
    if verdict.voxel_mm is not None:
        size = f"voxels of up to {verdict.voxel_mm:.1f} mm ({size} in their surface)"
    found.append(f"the input has {size}")
    if unknown:
        found[-1] += ", coarser than any resolution tested: the error that it causes is not known"
    if verdict.stub_mm:
        shortest = min(verdict.stub_mm, key=lambda name: verdict.stub_mm[name])
        found.append(f"the shortest vein is {shortest}, {verdict.stub_mm[shortest]:.0f} mm long")
    repaired = "; ".join(verdict.repairs)
    found.append(f"repaired: {repaired}" if repaired else "nothing was repaired")
    text = "; ".join(found)
    if unknown:
        return text
    return (
        f"{text}. At this resolution, errors were {verdict.d_area_error_mm:.1f} mm in ostial "
        f"diameters (median; greatest {verdict.d_area_worst_mm:.1f} mm) and "
        f"{verdict.position_error_mm:.1f} mm in ostial positions (greatest "
        f"{verdict.position_worst_mm:.1f} mm), in {verdict.basis}; each vein's own bound is told "
        "with it"
    )
