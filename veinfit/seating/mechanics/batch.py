"""Energies of many balloons before one vein: each its own, worked out side by side.

The unknowns of each balloon are the place c of its centre and the amplitudes a of the
wall's shape modes:

    E(c, a) = ∫ w(δ(c, a)) dA + ½ Σ K a² − F d·c + ½ k_g |off the guide|² + ½ k_s |off the shaft|²

with dA of the wall as imaged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.mechanics.guide import Guide
from veinfit.seating.mechanics.near import NearWall
from veinfit.seating.mechanics.near_faces import NearFaces
from veinfit.seating.mechanics.over_faces import over_faces
from veinfit.seating.mechanics.over_points import PAIRS_AT_ONCE, over_points
from veinfit.seating.mechanics.shape import PlacedBalloons, Shape, gaps_mm
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.vectors import BoolArray, FloatArray, IntArray

EYE = np.eye(3)

REACH_MARGIN_MM = 0.01
"""The wall is looked at this far beyond the balloons."""


@dataclass(frozen=True, slots=True, eq=False)
class PressedWall:
    """What the wall adds to the energies of K balloons, whatever pushes and holds these.

    Attributes
    ----------
    energy : (K,) array
        N·mm.
    gradient, hessian : (K, n), (K, n, n) array
        Its derivatives by the unknowns.
    touches : (K,) bool array
        Whether any wall is pressed.
    """

    energy: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    touches: BoolArray

    @classmethod
    def none(cls, count: int, unknowns: int) -> PressedWall:
        """Return that of balloons which no wall presses."""
        energy, gradient = np.zeros(count), np.zeros((count, unknowns))
        hessian = np.zeros((count, unknowns, unknowns))
        return cls(energy, gradient, hessian, np.zeros(count, dtype=bool))

    def only(self, kept: BoolArray | IntArray) -> PressedWall:
        """Return a copy of what belongs to some of the balloons."""
        return PressedWall(
            self.energy[kept], self.gradient[kept], self.hessian[kept], self.touches[kept]
        )

    def put(self, where: IntArray, other: PressedWall) -> None:
        """Set in place what belongs to some of the balloons.

        Parameters
        ----------
        where : (J,) array
            Their numbers.
        other : PressedWall
            Of J balloons.
        """
        self.energy[where], self.gradient[where] = other.energy, other.gradient
        self.hessian[where], self.touches[where] = other.hessian, other.touches


@dataclass(frozen=True, slots=True, eq=False)
class BalloonBatch:
    """N balloons of one kind before one wall.

    Attributes
    ----------
    wall : BalloonWall
    exact : bool
        Integrate over the triangles of the wall, not over its points.
    shape : Shape
        Of all of them; they differ in how much longer or shorter all rays are.
    reach_mm, stiffness : (N,) array
        Longest ray of each balloon, and the factor on its wall's stiffness.
    shape_stiffness : (N, M) array
        K of each mode, N/mm.
    push_n, guide_n_per_mm, shaft_n_per_mm : (N,) array
    direction : (N, 3) array
        Unit push directions; the shafts run along them and the noses point there.
    origin : (N, 3) array
        A point of each shaft, where the push does no work.
    guide : Guide
        As it lies along the vein's centreline.
    pivot : (3,) array
        About which each guide is turned from there.
    guide_turn : (N, 3, 3) array
        Its rotation.
    """

    wall: BalloonWall
    exact: bool
    shape: Shape
    reach_mm: FloatArray
    stiffness: FloatArray
    shape_stiffness: FloatArray
    push_n: FloatArray
    guide_n_per_mm: FloatArray
    shaft_n_per_mm: FloatArray
    direction: FloatArray
    origin: FloatArray
    guide: Guide
    pivot: FloatArray
    guide_turn: FloatArray

    @property
    def count(self) -> int:
        """Return N."""
        return len(self.push_n)

    @property
    def unknowns(self) -> int:
        """Number of unknowns of each balloon: three and one a mode."""
        return 3 + self.wall.modes.count

    def only(self, kept: BoolArray | IntArray) -> BalloonBatch:
        """Return some of the balloons."""
        return replace(
            self,
            reach_mm=self.reach_mm[kept],
            stiffness=self.stiffness[kept],
            shape_stiffness=self.shape_stiffness[kept],
            push_n=self.push_n[kept],
            guide_n_per_mm=self.guide_n_per_mm[kept],
            shaft_n_per_mm=self.shaft_n_per_mm[kept],
            direction=self.direction[kept],
            origin=self.origin[kept],
            guide_turn=self.guide_turn[kept],
        )

    def nearby(self) -> NearWall | NearFaces:
        """Return what looks up the wall near these balloons: its points, or its triangles."""
        return (NearFaces if self.exact else NearWall)(self.wall, self.reach_mm)

    def around(self, centres: FloatArray, margin_mm: float) -> BalloonBatch:
        """Return the same balloons before the wall that they press near some centres (K, 3).

        It is complete for centres that lie within ``margin_mm`` of these in each coordinate.
        """
        wall = self.wall
        reach = float(self.reach_mm.max()) + margin_mm + REACH_MARGIN_MM + wall.greatest_move_mm
        low, high = centres.min(axis=0) - reach, centres.max(axis=0) + reach
        near = np.ones(len(wall.points), dtype=bool)
        for k in range(3):
            near &= (wall.points[:, k] > low[k]) & (wall.points[:, k] < high[k])
        return self if near.all() else replace(self, wall=wall.near(near))

    def resized(self, reach_mm: float) -> BalloonBatch:
        """Return the same balloons with all longest rays of that length."""
        return replace(self, reach_mm=np.full(self.count, float(reach_mm)))

    def evaluate(
        self,
        which: IntArray,
        place: FloatArray,
        near: NearWall | NearFaces | None = None,
        pressed: PressedWall | None = None,
    ) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        """Energy of some balloons and its derivatives.

        Parameters
        ----------
        which : (K,) array
            Their numbers.
        place : (K, 3 + M) array
            Centres and amplitudes, mm.
        near : NearWall or NearFaces, optional
            Of this batch: what lies near its balloons need not be looked up each time. Then each
            number comes once.
        pressed : PressedWall, optional
            At these places, where it is known already.

        Returns
        -------
        energy : (K,) array
            N·mm.
        gradient, hessian : (K, 3 + M), (K, 3 + M, 3 + M) array
            N, N/mm.
        touches : (K,) bool array
            Whether any wall is pressed.
        """
        pressed = pressed or self.pressed(which, place, near)
        energy, gradient = pressed.energy.copy(), pressed.gradient.copy()
        hessian, touches = pressed.hessian.copy(), pressed.touches.copy()
        centre, direction, push = place[:, :3], self.direction[which], self.push_n[which]
        offset = centre - self.origin[which]
        along = np.einsum("ni,ni->n", offset, direction)
        energy -= push * along
        gradient[:, :3] -= push[:, None] * direction
        value, slope, curvature = self._guide_springs(which, centre)
        stiffness = self.guide_n_per_mm[which]
        energy += stiffness * value
        gradient[:, :3] += stiffness[:, None] * slope
        hessian[:, :3, :3] += stiffness[:, None, None] * curvature
        aside = offset - along[:, None] * direction
        stiffness = self.shaft_n_per_mm[which]
        energy += 0.5 * stiffness * np.einsum("ni,ni->n", aside, aside)
        gradient[:, :3] += stiffness[:, None] * aside
        across = EYE - direction[:, :, None] * direction[:, None, :]
        hessian[:, :3, :3] += stiffness[:, None, None] * across
        amplitude = place[:, 3:]
        for m in range(amplitude.shape[1]):
            stiffness = self.shape_stiffness[which, m]
            energy += 0.5 * stiffness * amplitude[:, m] ** 2
            gradient[:, 3 + m] += stiffness * amplitude[:, m]
            hessian[:, 3 + m, 3 + m] += stiffness
        return energy, gradient, hessian, touches

    def flight(self, which: IntArray, place: FloatArray, direction: FloatArray) -> FloatArray:
        """How far (K,) balloons that touch nothing go along directions (K, 3) before they do."""
        result = np.empty(len(which))
        for few in self._few_at_once(len(which)):
            x, y, z = self.wall.offsets(place[few])
            a, b, c = direction[few].T[:, :, None]
            along = x * a + y * b + z * c
            half = self.reach_mm[which[few], None] ** 2 - (x * x + y * y + z * z) + along * along
            reach = np.sqrt(np.maximum(half, 0.0))
            ahead = (half > 0.0) & (along + reach > 0.0)
            result[few] = np.where(ahead, along - reach, np.inf).min(axis=1, initial=np.inf)
        return np.asarray(np.maximum(result, 0.0))

    def least_gaps(self, number: int, place: FloatArray) -> FloatArray:
        """Distances (K,), mm, from one balloon at places (K, 3 + M) to its nearest wall point."""
        result = np.empty(len(place))
        for few in self._few_at_once(len(place)):
            offset = np.stack(self.wall.offsets(place[few]), axis=-1)
            gap, _ = gaps_mm(self.shape, offset, self.direction[number])
            result[few] = gap.min(axis=1, initial=np.inf)
        return result - (self.reach_mm[number] - self.shape.reach_mm)

    def _few_at_once(self, count: int) -> Iterator[slice]:
        """Yield parts of ``count`` balloons whose pairs with all of the wall stay in the cache."""
        step = max(PAIRS_AT_ONCE // max(len(self.wall.points), 1), 1)
        for begin in range(0, count, step):
            yield slice(begin, begin + step)

    def _guide_springs(
        self, which: IntArray, centre: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Turn the balloons back instead of every guide."""
        turn = self.guide_turn[which]
        back = np.einsum("nji,nj->ni", turn, centre - self.pivot) + self.pivot
        value, slope, curvature = self.guide.springs(back)
        slope = np.einsum("nij,nj->ni", turn, slope)
        return value, slope, turn @ curvature @ turn.transpose(0, 2, 1)

    def pressed(
        self, which: IntArray, place: FloatArray, near: NearWall | NearFaces | None = None
    ) -> PressedWall:
        """Return the wall's part of :meth:`evaluate`, whose parameters these are."""
        count, n = place.shape
        result = np.zeros(count), np.zeros((count, n)), np.zeros((count, n, n))
        if not len(self.wall.points):
            return PressedWall(*result, np.zeros(count, dtype=bool))
        reach = self.reach_mm[which]
        balloons = PlacedBalloons(
            place, self.shape, reach, self.stiffness[which], self.direction[which]
        )
        factors = self.wall.modes.factors(place[:, 3:])
        if self.exact:
            walls = [self.wall] * count
            if isinstance(near, NearFaces):
                walls = near.walls(which, place, factors)
            return PressedWall(*result, over_faces(walls, balloons, result))
        rows = which
        if not isinstance(near, NearWall):
            near, rows = NearWall(self.wall, reach), np.arange(count)
        points = near.near(rows, place, factors)
        touches = over_points(self.wall, points, balloons, factors, result)
        return PressedWall(*result, touches)
