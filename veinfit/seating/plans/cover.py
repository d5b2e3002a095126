"""What wall seats of several sizes cover with cold contact, in the same material points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.seal.closure import SECTORS, ClosureWall, closure_wall
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.readings import SEATED, Readings
from veinfit.vectors import BoolArray, FloatArray, IntArray

RESERVE_SD = 4.0
"""The wall reaches so many standard deviations of the surface offset past the largest balloon."""


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """Cold gap of N seats at the K points of a wall that all sizes share.

    Attributes
    ----------
    wall : ClosureWall
    gap_mm : (N, K) array
        At most the tolerance in cold contact; inf where a balloon does not count: one that
        lies deep or has no seat.
    tolerance_mm : float
    """

    wall: ClosureWall
    gap_mm: FloatArray
    tolerance_mm: float

    @property
    def cold(self) -> BoolArray:
        """Points in cold contact (N, K)."""
        return np.asarray(self.gap_mm <= self.tolerance_mm)

    @property
    def sectors(self) -> BoolArray:
        """Directions around the vein (N, S) in which wall near it is in cold contact."""
        near = self.wall.near
        result = np.zeros((len(self.gap_mm), SECTORS), dtype=bool)
        for sector in range(SECTORS):
            own = near & (self.wall.sector == sector)
            result[:, sector] = self.cold[:, own].any(axis=1)
        return result


def shared_wall(simulators: Sequence[Simulator]) -> ClosureWall:
    """Return the wall that any of several sizes in one vein can touch."""
    first = simulators[0]
    touchable = np.any([one.contact.touchable for one in simulators], axis=0)
    reach = max(one.balloon.shape.reach_mm for one in simulators)
    reach += RESERVE_SD * first.margin.surface_offset_sd_mm
    contact = replace(first.contact, touchable=touchable)
    return closure_wall(first.prepared, contact, reach, first.seating.cell_mm)


def cover_of(
    wall: ClosureWall, simulator: Simulator, readings: Readings, patient: FloatArray | None = None
) -> Cover:
    """Return what tries of one size cover.

    Parameters
    ----------
    wall : ClosureWall
        That all sizes share.
    simulator : Simulator
    readings : Readings
    patient : (N, 3) array, optional
        Scores of the patient of each try; of none perturbed where None.
    """
    count, tolerance = len(readings.outcome), simulator.seating.contact_tolerance_mm
    gap = np.full((count, len(wall.points)), np.inf)
    own = np.flatnonzero((readings.outcome == SEATED) & ~readings.deep)
    if len(own):
        reach = np.full(count, simulator.balloon.shape.reach_mm)
        if patient is not None:
            reach = reach - patient[:, 0] * simulator.margin.surface_offset_sd_mm
        touchable = simulator.contact.touchable[wall.wall.kept]
        mine = replace(wall, touchable=touchable)
        measured, polar = mine.measured(
            simulator.balloon, reach[own], readings.direction[own], readings.place[own]
        )
        gap[own] = np.maximum(measured, tolerance + simulator.balloon.off_zone_mm(polar))
    return Cover(wall, gap, tolerance)


def closed_together(cover: Sequence[Cover], which: Sequence[IntArray]) -> BoolArray:
    """Whether sets of seats hold a closed line of cold contact together (M,).

    The line may go from the band of one seat to that of another only where they overlap:
    between neighbours of which each is in contact with another seat there is a path through.

    Parameters
    ----------
    cover : sequence of Cover
        One for each seat of a set.
    which : sequence of (M,) array
        Which try of each makes up each set.
    """
    wall = cover[0].wall
    result = np.zeros(len(which[0]), dtype=bool)
    touched = np.zeros((len(result), len(wall.points)), dtype=bool)
    for one, rows in zip(cover, which, strict=True):
        touched |= one.cold[rows]
    # Seams open the line in places alone: where it has none all round it has none after either.
    may = np.flatnonzero(wall.all_round(touched))
    if len(may):
        own = [rows[may] for rows in which]
        result[may] = wall.parted(_overlapping(wall, cover, own))
    return result


def _overlapping(wall: ClosureWall, cover: Sequence[Cover], which: Sequence[IntArray]) -> BoolArray:
    """Points (M, K) that sets of seats hold closed; where bands only meet a way leads through."""
    # Only where any of them touches.
    points = np.asarray(np.any([one.cold.any(axis=0) for one in cover], axis=0))
    own = np.flatnonzero(points)
    seats = np.zeros((len(which[0]), len(own)), dtype=np.int8)
    gap = np.full(seats.shape, np.inf)
    for number, (one, rows) in enumerate(zip(cover, which, strict=True)):
        here = one.gap_mm[:, own][rows]
        seats |= ((here <= one.tolerance_mm) << number).astype(np.int8)
        gap = np.minimum(gap, here)
    held = np.asarray(seats > 0)
    if len(cover) > 1:
        inner = wall.links[(wall.links < len(wall.points)).all(axis=1)]
        # Only where bands of different seats lie side by side.
        place = np.cumsum(points) - 1
        links = place[inner[points[inner].all(axis=1)]]
        ever = np.asarray(held.any(axis=0))
        links = links[ever[links].all(axis=1)]
        a, b = links.T
        seam = held[:, a] & held[:, b] & ((seats[:, a] & seats[:, b]) == 0)
        row, link = np.nonzero(seam)
        farther = np.where(gap[row, a[link]] >= gap[row, b[link]], a[link], b[link])
        held[row, farther] = False
    closed = np.zeros((len(held), len(wall.points)), dtype=bool)
    closed[:, own] = held
    return closed
