"""Whether balloons part vein from atrium, for many balloons at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from veinfit.seating.balloon import Balloon
from veinfit.seating.first_met import first_within
from veinfit.seating.mechanics.coarse import Cells, gather
from veinfit.seating.mechanics.modes import ShapeModes
from veinfit.seating.mechanics.near import Squares
from veinfit.seating.mechanics.shape import TINY, Sphere
from veinfit.seating.prepare import BalloonContact, PreparedVein
from veinfit.seating.seal.parting import Parting
from veinfit.seating.seal.reduced import ReducedWall, reduce_wall
from veinfit.vectors import BoolArray, FloatArray, IntArray, distinct_pairs

NEAR_MM = 5.0
"""Wall this far from every balloon is taken as wide open."""

POINTS_AT_ONCE = 12_000
"""So many pairs of a balloon and a vertex, and what is worked out of them, stay in the cache."""

EXPECTED_MM = 2.0
"""A balloon that is pushed a little farther or less touches wall that is nearer than this."""

SECTORS = 48
"""Directions around the vein in which the deepest contact is looked for."""

OPEN_SECTORS = 6
"""So many sectors in a row, 45 degrees, are no step between neighbours on a closed line."""


@dataclass(frozen=True, eq=False)
class ClosureWall:
    """The wall on which closure is read, with all that lies out of reach folded away.

    Attributes
    ----------
    wall : ReducedWall
    points : (K, 3) array
        Its own vertices as imaged, mm.
    touchable, near : (K,) bool array
        What the balloon can press; what lies within reach of the ostium over the wall.
    sector : (K,) int array
        Direction around the vein's axis.
    modes : ShapeModes
        Of these points.
    links : (E, 2) array
        Of the reduced wall and of two nodes more: the vein's ends and the atrium.
    """

    wall: ReducedWall
    points: FloatArray
    touchable: BoolArray
    near: BoolArray
    sector: IntArray
    modes: ShapeModes
    links: IntArray

    def measured(
        self, balloon: Balloon, reach_mm: FloatArray, shaft: FloatArray, place: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Gaps (N, K), mm, and polar angles from the nose (N, K), degrees.

        Parameters
        ----------
        balloon : Balloon
        reach_mm : (N,) array
            Longest ray of each balloon.
        shaft : (N, 3) array
            Unit vectors to the noses.
        place : (N, 3 + M) array
            Centres and amplitudes, mm.
        """
        offset, distance = self._from_centres(place)
        cosine = self._cosine(offset, distance, shaft.T[:, :, None])
        return self._gap(balloon, reach_mm, distance, cosine), np.degrees(np.arccos(cosine))

    def gaps(
        self, balloon: Balloon, reach_mm: FloatArray, shaft: FloatArray, place: FloatArray
    ) -> FloatArray:
        """Return the gaps of :meth:`measured` alone, whose parameters these are."""
        result = np.empty((len(place), len(self.points)))
        step = max(POINTS_AT_ONCE // max(len(self.points), 1), 1)
        for first in range(0, len(place), step):
            few = slice(first, first + step)
            offset, distance = self._from_centres(place[few])
            cosine = np.zeros(1)
            if not isinstance(balloon.shape, Sphere):
                cosine = self._cosine(offset, distance, shaft[few].T[:, :, None])
            result[few] = self._gap(balloon, reach_mm[few], distance, cosine)
        return result

    def polar_deg(
        self, shaft: FloatArray, place: FloatArray, ball: IntArray, vertex: IntArray
    ) -> FloatArray:
        """Return the angles (P,) of :meth:`measured` for pairs of a balloon and a vertex."""
        offset, distance = self._from_centres(place, ball, vertex)
        return np.asarray(np.degrees(np.arccos(self._cosine(offset, distance, shaft[ball].T))))

    @cached_property
    def _columns(self) -> FloatArray:
        """Places, U and W of each mode, axis by axis: (3, 1 + 2 M, K)."""
        return self.modes.beside(self.points)

    @cached_property
    def _table(self) -> FloatArray:
        """The same (K, 3 (1 + 2 M)): what there is of a vertex lies together."""
        return np.ascontiguousarray(self._columns.reshape(-1, len(self.points)).T)

    def _from_centres(
        self, place: FloatArray, ball: IntArray | None = None, vertex: IntArray | None = None
    ) -> tuple[list[FloatArray], FloatArray]:
        """Coordinates, 3 of (N, K) or of (P,) for pairs, from the centres, and distances."""
        factor = self.modes.factors(place[:, 3:]).reshape(len(place), -1)
        columns, rows = self._columns, np.concatenate([place[:, :3], factor], axis=1)
        if ball is None or vertex is None:
            rows = rows.T[:, :, None]
        else:
            taken = np.ascontiguousarray(self._table.take(vertex, axis=0).T)
            columns = taken.reshape(3, columns.shape[1], len(vertex))
            rows = np.ascontiguousarray(rows.take(ball, axis=0).T)
        result = []
        for axis, column in enumerate(columns):
            along = column[0] - rows[axis]
            for field, share in zip(column[1:], rows[3:], strict=True):
                along += share * field
            result.append(along)
        square = result[0] * result[0]
        square += result[1] * result[1]
        square += result[2] * result[2]
        return result, np.sqrt(square)

    @staticmethod
    def _cosine(offset: list[FloatArray], distance: FloatArray, shaft: FloatArray) -> FloatArray:
        along = offset[0] * shaft[0] + offset[1] * shaft[1] + offset[2] * shaft[2]
        return np.asarray(np.clip(along / np.maximum(distance, TINY), -1.0, 1.0))

    def _gap(
        self, balloon: Balloon, reach_mm: FloatArray, distance: FloatArray, cosine: FloatArray
    ) -> FloatArray:
        shape = balloon.shape
        more = (reach_mm - shape.reach_mm)[:, None]
        gap = distance - (shape.rays(cosine)[0] + more)
        gap[:, ~self.touchable] = np.inf
        return np.asarray(gap)

    def closed_by(
        self,
        balloon: Balloon,
        tolerance_mm: float,
        reach_mm: FloatArray,
        shaft: FloatArray,
        place: FloatArray,
    ) -> tuple[BoolArray, BoolArray]:
        """Whether balloons (N,) occlude, and whether they seal; see :meth:`measured`.

        Cold contact is part of all contact: it closes nothing that this leaves open.
        """
        contact = self._contact(balloon, tolerance_mm, reach_mm, shaft, place)
        sealed: BoolArray = np.zeros(len(contact), dtype=bool)
        may = np.flatnonzero(self.all_round(contact))
        cold = contact[may]
        ball, vertex = np.nonzero(cold)
        polar = self.polar_deg(shaft, place, may[ball], vertex)
        cold[ball, vertex] = balloon.freezes_at(polar)
        # What cold contact closes is closed by all contact.
        sealed[may] = self.parted(cold)
        occluded = sealed.copy()
        others = ~sealed[may] & (cold != contact[may]).any(axis=1)
        occluded[may[others]] = self.parted(contact[may[others]])
        return occluded, sealed

    def _contact(
        self,
        balloon: Balloon,
        tolerance_mm: float,
        reach_mm: FloatArray,
        shaft: FloatArray,
        place: FloatArray,
    ) -> BoolArray:
        """Whether gaps (N, K) are no wider than a tolerance; see :meth:`closed_by`."""
        if not isinstance(balloon.shape, Sphere):
            return np.asarray(self.gaps(balloon, reach_mm, shaft, place) <= tolerance_mm)
        square = self._squares.to(place, self.modes.factors(place[:, 3:]))
        contact = square <= (np.maximum(reach_mm + tolerance_mm, 0.0) ** 2)[:, None]
        contact[:, ~self.touchable] = False
        return np.asarray(contact)

    @cached_property
    def _squares(self) -> Squares:
        return Squares(self._columns.transpose(1, 0, 2))

    def parted(self, closed: BoolArray) -> BoolArray:
        """Whether the closed ones (N, K) of its vertices part vein and atrium (N,)."""
        if not self._parting.joined:
            return np.ones(len(closed), dtype=bool)
        result = np.zeros(len(closed), dtype=bool)
        may = np.flatnonzero(self.all_round(closed))
        if len(may):
            result[may] = self._parting.parted(closed[may])
        return result

    def expect(
        self, balloon: Balloon, reach_mm: FloatArray, shaft: FloatArray, place: FloatArray
    ) -> None:
        """Make ready for contact of one balloon near a place; see :meth:`measured`.

        That saves time, and changes no answer.
        """
        self._parting.expect(self.gaps(balloon, reach_mm, shaft, place)[0] <= EXPECTED_MM)

    @cached_property
    def _parting(self) -> Parting:
        return Parting(self.links, self.wall.node_count + 2, len(self.points))

    def all_round(self, closed: BoolArray) -> BoolArray:
        """Which of the closed ones (N, K) leave no wide arc around the vein without any."""
        order, begin, there = self._by_sector
        touched = np.zeros((len(closed), SECTORS), dtype=np.int64)
        if len(order):
            touched[:, there] = np.logical_or.reduceat(closed.take(order, axis=1), begin, axis=1)
        # How many of each sector and those before it, around the circle.
        around = np.concatenate([touched[:, 1 - OPEN_SECTORS :], touched], axis=1)
        total = np.zeros((len(closed), around.shape[1] + 1), dtype=np.int64)
        np.cumsum(around, axis=1, out=total[:, 1:])
        return np.asarray((total[:, OPEN_SECTORS:] > total[:, :-OPEN_SECTORS]).all(axis=1))

    @cached_property
    def _by_sector(self) -> tuple[IntArray, IntArray, IntArray]:
        """Points in order of their sectors, where each sector begins, and which there are."""
        order = np.argsort(self.sector, kind="stable")
        there, begin = np.unique(self.sector[order], return_index=True)
        return order, begin, there

    def ring_deg(self, gap: FloatArray, polar: FloatArray, tolerance_mm: float) -> FloatArray:
        """Mean polar angle (N,) of the deepest contact around the clock; NaN without contact."""
        count = len(gap)
        least = np.full((count, SECTORS), np.inf)
        angle = np.full((count, SECTORS), np.nan)
        for sector in range(SECTORS):
            own = np.flatnonzero((self.sector == sector) & self.near)
            if not len(own):
                continue
            best = own[np.argmin(gap[:, own], axis=1)]
            row = np.arange(count)
            least[:, sector], angle[:, sector] = gap[row, best], polar[row, best]
        touched = least <= tolerance_mm
        total = np.where(touched, angle, 0.0).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(total / touched.sum(axis=1))


def closure_wall(
    prepared: PreparedVein, contact: BalloonContact, reach_mm: float, cell_mm: float = 0.0
) -> ClosureWall:
    """Prepare the wall on which a balloon's closure is read.

    Parameters
    ----------
    prepared : PreparedVein
    contact : BalloonContact
    reach_mm : float
        Wall that no balloon of this reach on the guide comes within 5 mm of is folded away.
    cell_mm : float
        Gather the wall in cells of this size; 0 takes every vertex.
    """
    patch = prepared.patch
    points = patch.surface.points
    begin = patch.centre - (reach_mm + NEAR_MM) * patch.axis
    path = patch.guide.sampled(begin, reach_mm + 4.0 * NEAR_MM, 1.0)
    near = contact.touchable.copy()
    near[near] = first_within(points[near], path, reach_mm + NEAR_MM) >= 0
    wall = reduce_wall(patch, near)
    own = np.zeros(len(points), dtype=bool)
    own[patch.surface.faces[patch.near]] = True
    kept = wall.kept
    sector = (prepared.sector[kept] + np.pi) / (2.0 * np.pi) * SECTORS
    fine = ClosureWall(
        wall,
        points[kept],
        contact.touchable[kept],
        own[kept],
        sector.astype(int) % SECTORS,
        prepared.modes.of(kept),
        _with_ends(wall),
    )
    return gathered_closure(prepared, fine, cell_mm) if cell_mm > 0.0 else fine


def gathered_closure(prepared: PreparedVein, fine: ClosureWall, cell_mm: float) -> ClosureWall:
    """Return the same wall in cells of about ``cell_mm``.

    Parameters
    ----------
    prepared : PreparedVein
    fine : ClosureWall
        With every vertex.
    cell_mm : float
    """
    patch, wall, kept = prepared.patch, fine.wall, fine.wall.kept
    kinds = np.zeros(len(patch.surface.points), dtype=np.int8)
    for one in patch.missing:
        kinds[one.rim] = 1
    ends = np.concatenate([patch.vein_nodes, patch.atrium_nodes])
    kinds[np.unique(ends[ends < len(kinds)])] += 2
    kinds = kinds[kept]
    # Each link's second node is the greater one. Wall that is missing or an end stays apart from
    # what is not.
    inner = wall.links[wall.links[:, 1] < len(kept)]
    inner = inner[kinds[inner[:, 0]] == kinds[inner[:, 1]]]
    sharp = prepared.sharp[kept]
    cells = gather(fine.points - patch.centre, inner, cell_mm, prepared.axes, sharp)
    modes, weight = fine.modes, np.ones(len(kept))
    first, second = (
        np.stack([cells.means(f, weight) for f in fields])
        if modes.count
        else np.zeros((0, cells.count, 3))
        for fields in (modes.first, modes.second)
    )
    stands = np.full(cells.count, -1)
    stands[cells.label] = np.arange(len(kept))
    gathered = _gathered(wall, cells, stands)
    return ClosureWall(
        gathered,
        cells.means(fine.points, weight),
        fine.touchable[stands],
        fine.near[stands],
        fine.sector[stands],
        replace(modes, first=first, second=second),
        _with_ends(gathered),
    )


def _with_ends(wall: ReducedWall) -> IntArray:
    """Links (E, 2) of a reduced wall and of two nodes more: the vein's ends and the atrium."""
    vein, atrium = wall.node_count, wall.node_count + 1
    return np.concatenate(
        [
            wall.links,
            np.stack([wall.vein_nodes, np.full(len(wall.vein_nodes), vein)], axis=1),
            np.stack([wall.atrium_nodes, np.full(len(wall.atrium_nodes), atrium)], axis=1),
        ]
    )


def _gathered(wall: ReducedWall, cells: Cells, stands: IntArray) -> ReducedWall:
    """Return a reduced wall whose own vertices are gathered; ``stands`` (C,) for each cell."""
    own = len(wall.kept)
    node = np.concatenate([cells.label, np.arange(own, wall.node_count) - own + cells.count])
    a, b = node[wall.links].T
    links = np.stack([np.minimum(a, b), np.maximum(a, b)], axis=1)
    links = distinct_pairs(links[a != b])
    return ReducedWall(
        kept=wall.kept[stands],
        links=links,
        node_count=wall.node_count - own + cells.count,
        vein_nodes=np.unique(node[wall.vein_nodes]),
        atrium_nodes=np.unique(node[wall.atrium_nodes]),
        missing=tuple(
            replace(one, rim=np.unique(node[one.rim]), nodes=np.unique(node[one.nodes]))
            for one in wall.missing
        ),
    )
