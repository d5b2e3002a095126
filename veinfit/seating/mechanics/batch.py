"""Energies of many balloons before one vein: each its own, worked out side by side.

The unknowns of each balloon are the place c of its centre and the amplitudes a of the
wall's shape modes:

    E(c, a) = ∫ w(δ(c, a)) dA + ½ Σ K a² − F d·c + ½ k_g |off the guide|² + ½ k_s |off the shaft|²

with dA of the wall as imaged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from veinfit.frames import BoolArray, FloatArray, IntArray
from veinfit.seating.mechanics.guide import Guide
from veinfit.seating.mechanics.shape import Shape, Sphere, depth_terms
from veinfit.seating.mechanics.walls import BalloonWall, over_triangles
from veinfit.surface.mesh import any_corner

REACH_MARGIN_MM = 0.01
"""The wall is looked at this far beyond the balloons."""


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

    def offsets(self, which: IntArray, place: FloatArray, near: BoolArray) -> list[FloatArray]:
        """Coordinates, 3 of (K, V′), from the centres of some balloons to the wall near them."""
        points, modes = self.wall.points[near], self.wall.modes
        offset = [points[:, k] - place[:, [k]] for k in range(3)]
        if modes.count:
            factor = modes.factors(place[:, 3:])
            for m in range(modes.count):
                first, second = modes.first[m][near], modes.second[m][near]
                for k in range(3):
                    offset[k] += factor[:, m, :1] * first[:, k] + factor[:, m, 1:] * second[:, k]
        return offset

    def evaluate(
        self, which: IntArray, place: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        """Energy of some balloons and its derivatives.

        Parameters
        ----------
        which : (K,) array
            Their numbers.
        place : (K, 3 + M) array
            Centres and amplitudes, mm.

        Returns
        -------
        energy : (K,) array
            N·mm.
        gradient, hessian : (K, 3 + M), (K, 3 + M, 3 + M) array
            N, N/mm.
        touches : (K,) bool array
            Whether any wall is pressed.
        """
        energy, gradient, hessian, touches = self._wall(which, place)
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
        across = np.eye(3) - direction[:, :, None] * direction[:, None, :]
        hessian[:, :3, :3] += stiffness[:, None, None] * across
        amplitude = place[:, 3:]
        for m in range(amplitude.shape[1]):
            stiffness = self.shape_stiffness[which, m]
            energy += 0.5 * stiffness * amplitude[:, m] ** 2
            gradient[:, 3 + m] += stiffness * amplitude[:, m]
            hessian[:, 3 + m, 3 + m] += stiffness
        return energy, gradient, hessian, touches

    def flight(self, which: IntArray, place: FloatArray, way: FloatArray) -> FloatArray:
        """How far (K,) balloons that touch nothing go along unit ways (K, 3) before they touch."""
        everywhere = np.ones(len(self.wall.points), dtype=bool)
        offset = np.stack(self.offsets(which, place, everywhere), axis=-1)
        along = np.einsum("nvi,ni->nv", offset, way)
        half = self.reach_mm[which, None] ** 2 - np.einsum("nvi,nvi->nv", offset, offset)
        half += along**2
        reach = np.sqrt(np.maximum(half, 0.0))
        ahead = (half > 0.0) & (along + reach > 0.0)
        first = np.where(ahead, along - reach, np.inf).min(axis=1, initial=np.inf)
        return np.asarray(np.maximum(first, 0.0))

    def least_gap(self, number: int, place: FloatArray) -> float:
        """Distance from one balloon's surface to the nearest wall point, mm, at (3 + M,)."""
        if not len(self.wall.points):
            return float("inf")
        everywhere = np.ones(len(self.wall.points), dtype=bool)
        offset = np.stack(self.offsets(np.array([number]), place[None], everywhere), axis=-1)[0]
        depth = depth_terms(self.shape, offset, self.direction[number])[0]
        return -float((depth + self.reach_mm[number] - self.shape.reach_mm).max())

    def _guide_springs(
        self, which: IntArray, centre: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Turn the balloons back instead of every guide."""
        turn = self.guide_turn[which]
        back = np.einsum("nji,nj->ni", turn, centre - self.pivot) + self.pivot
        value, slope, curvature = self.guide.springs(back)
        slope = np.einsum("nij,nj->ni", turn, slope)
        return value, slope, turn @ curvature @ turn.transpose(0, 2, 1)

    def _wall(
        self, which: IntArray, place: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        wall, reach, n = self.wall, self.reach_mm[which], place.shape[1]
        count = len(which)
        energy, gradient = np.zeros(count), np.zeros((count, n))
        hessian = np.zeros((count, n, n))
        touches: BoolArray = np.zeros(count, dtype=bool)
        margin = REACH_MARGIN_MM + wall.greatest_move_mm
        low = (place[:, :3] - reach[:, None]).min(axis=0) - margin
        high = (place[:, :3] + reach[:, None]).max(axis=0) + margin
        near = np.ones(len(wall.points), dtype=bool)
        for k in range(3):
            near &= (wall.points[:, k] > low[k]) & (wall.points[:, k] < high[k])
        if not near.any():
            return energy, gradient, hessian, touches
        offset = self.offsets(which, place, near)
        square = offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2
        inside = square < reach[:, None] ** 2
        if not isinstance(self.shape, Sphere):
            inside &= self._depth(which, offset) > 0.0
        touches = np.asarray(inside.any(axis=1))
        if not touches.any():
            return energy, gradient, hessian, touches
        integrate = self._over_faces if self.exact else self._over_points
        integrate(which, place, near, offset, inside, (energy, gradient, hessian))
        return energy, gradient, hessian, touches

    def _depth(self, which: IntArray, offset: list[FloatArray]) -> FloatArray:
        """Depth (K, V′) of the wall inside balloons that are no balls."""
        stacked = np.stack(offset, axis=-1)
        depth = depth_terms(self.shape, stacked, self.direction[which][:, None, :])[0]
        return np.asarray(depth + (self.reach_mm[which] - self.shape.reach_mm)[:, None])

    def _over_points(
        self,
        which: IntArray,
        place: FloatArray,
        near: BoolArray,
        offset: list[FloatArray],
        inside: BoolArray,
        result: tuple[FloatArray, FloatArray, FloatArray],
    ) -> None:
        energy, gradient, hessian = result
        n = place.shape[1]
        ball, point = np.nonzero(inside)
        vertex = np.flatnonzero(near)[point]
        weight = self.stiffness[which][ball] * self.wall.point_weights[vertex]
        law = self.wall.law
        pressing, first = np.unique(ball, return_index=True)
        if not isinstance(self.shape, Sphere):
            where = np.stack([part[ball, point] for part in offset], axis=-1)
            depth, slope, bend = self._terms(which, ball, where)
            force, stiff = weight * law.pressure(depth), weight * law.slope(depth)
            energy[pressing] = np.add.reduceat(weight * law.energy(depth), first)
            jacobian, second = self._jacobian(place, ball, vertex)
            grad = np.einsum("pni,pi->pn", jacobian, slope)
            gradient[pressing] = np.add.reduceat(force[:, None] * grad, first)
            curved = stiff[:, None, None] * grad[:, :, None] * grad[:, None, :]
            curved += force[:, None, None] * (jacobian @ bend @ jacobian.transpose(0, 2, 1))
            self._add_second(curved, second, slope, force)
            hessian[pressing] = np.add.reduceat(curved, first)
            return
        # A ball, column by column: H = Σ (w″ + w′/d) g gᵀ − Σ (w′/d) J Jᵀ + Σ w′ ∂²δ, with g the
        # gradient of the depth and J how the point moves with the unknowns.
        at = [part[ball, point] for part in offset]
        distance = np.sqrt(at[0] * at[0] + at[1] * at[1] + at[2] * at[2])
        depth = self.reach_mm[which][ball] - distance
        over = 1.0 / np.maximum(distance, np.finfo(float).tiny)
        ray = [part * over for part in at]
        force, stiff = weight * law.pressure(depth), weight * law.slope(depth)
        energy[pressing] = np.add.reduceat(weight * law.energy(depth), first)
        turn = force * over
        steep = stiff + turn
        moves, bends = self._moves(place, ball, vertex)
        grad = [*ray, *(-sum(m * r for m, r in zip(move, ray, strict=True)) for move in moves)]
        for i in range(n):
            gradient[pressing, i] = np.add.reduceat(force * grad[i], first)
            scaled = steep * grad[i]
            for j in range(i, n):
                entry = scaled * grad[j]
                if i < 3 and j == i:
                    entry = entry - turn
                elif i < 3 <= j:
                    entry = entry + turn * moves[j - 3][i]
                elif i >= 3:
                    entry = entry - turn * sum(
                        a * b for a, b in zip(moves[i - 3], moves[j - 3], strict=True)
                    )
                    if j == i:
                        curve = sum(b * r for b, r in zip(bends[i - 3], ray, strict=True))
                        entry = entry - force * curve
                total = np.add.reduceat(entry, first)
                hessian[pressing, i, j] = hessian[pressing, j, i] = total

    def _moves(
        self, place: FloatArray, ball: IntArray, vertex: IntArray
    ) -> tuple[list[list[FloatArray]], list[list[FloatArray]]]:
        """First and second derivative of wall points (P,) by each amplitude, axis by axis."""
        modes = self.wall.modes
        rate, curve = modes.factors(place[:, 3:], 1), modes.factors(place[:, 3:], 2)
        result: tuple[list[list[FloatArray]], list[list[FloatArray]]] = ([], [])
        for m in range(modes.count):
            for told, factor in zip(result, (rate, curve), strict=True):
                one, two = factor[ball, m, 0], factor[ball, m, 1]
                told.append(
                    [
                        one * modes.first[m][vertex, k] + two * modes.second[m][vertex, k]
                        for k in range(3)
                    ]
                )
        return result

    def _over_faces(
        self,
        which: IntArray,
        place: FloatArray,
        near: BoolArray,
        offset: list[FloatArray],
        inside: BoolArray,
        result: tuple[FloatArray, FloatArray, FloatArray],
    ) -> None:
        energy, gradient, hessian = result
        wall, n = self.wall, place.shape[1]
        # Faces that no balloon presses are left out before the balloons are told apart.
        pressed = np.zeros(len(wall.points), dtype=bool)
        pressed[near] = inside.any(axis=0)
        kept = np.flatnonzero(any_corner(wall.faces, pressed))
        corners = wall.faces[kept]
        column = np.full(len(wall.points), -1)
        column[near] = np.arange(int(near.sum()))
        at_column = column[corners]
        met = np.zeros((len(which), len(corners)), dtype=bool)
        for k in range(3):
            met |= inside[:, at_column[:, k]] & (at_column[:, k] >= 0)
        ball, face = np.nonzero(met)
        vertex = corners[face]
        everywhere = np.zeros(len(wall.points), dtype=bool)
        everywhere[np.unique(vertex)] = True
        column = np.cumsum(everywhere) - 1
        offset = self.offsets(which, place, everywhere)
        at = np.stack([part[ball[:, None], column[vertex]] for part in offset], axis=-1)
        depth, slope, bend = self._terms(which, ball, at)
        value, force, stiff = over_triangles(wall.law, depth, wall.face_weights[kept[face]])
        factor = self.stiffness[which][ball]
        force = factor[:, None] * force
        pressing, first = np.unique(ball, return_index=True)
        energy[pressing] = np.add.reduceat(factor * value, first)
        flat_ball, flat_vertex = np.repeat(ball, 3), vertex.ravel()
        jacobian, second = self._jacobian(place, flat_ball, flat_vertex)
        flat_slope = slope.reshape(-1, 3)
        grad = np.einsum("pni,pi->pn", jacobian, flat_slope)
        pull = force.ravel()
        gradient[pressing] = np.add.reduceat(pull[:, None] * grad, 3 * first)
        own = pull[:, None, None] * (
            jacobian @ bend.reshape(-1, 3, 3) @ jacobian.transpose(0, 2, 1)
        )
        self._add_second(own, second, flat_slope, pull)
        rows = grad.reshape(-1, 3, n)
        curved = rows.transpose(0, 2, 1) @ (factor[:, None, None] * stiff) @ rows
        hessian[pressing] = np.add.reduceat(curved, first)
        hessian[pressing] += np.add.reduceat(own, 3 * first)

    def _terms(
        self, which: IntArray, ball: IntArray, at: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Depth (P, ...) of wall points and its derivatives by their own place.

        Parameters
        ----------
        which : (K,) array
        ball : (P,) array
            Of ``which``, for each point or face.
        at : (P, ..., 3) array
            From the centre.
        """
        reach = self.reach_mm[which][ball]
        ahead = (slice(None), *([None] * (at.ndim - 2)))
        if isinstance(self.shape, Sphere):
            distance = np.sqrt(np.einsum("...i,...i->...", at, at))
            ray = at / np.maximum(distance, np.finfo(float).tiny)[..., None]
            bend = ray[..., :, None] * ray[..., None, :] - np.eye(3)
            bend /= np.maximum(distance, np.finfo(float).tiny)[..., None, None]
            return reach[ahead] - distance, -ray, bend
        shaft = self.direction[which][ball][(*ahead, slice(None))]
        depth, slope, bend = depth_terms(self.shape, at, shaft)
        return depth + (reach - self.shape.reach_mm)[ahead], -slope, bend

    def _jacobian(
        self, place: FloatArray, ball: IntArray, vertex: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """How wall points move, seen from the centre, with each unknown.

        Returns
        -------
        jacobian : (P, 3 + M, 3) array
        second : (P, M, 3) array
            Second derivative by each amplitude.
        """
        modes, n = self.wall.modes, place.shape[1]
        jacobian = np.zeros((len(ball), n, 3))
        jacobian[:, :3] = -np.eye(3)
        second = np.zeros((len(ball), modes.count, 3))
        if modes.count:
            rate = modes.factors(place[:, 3:], 1)
            curve = modes.factors(place[:, 3:], 2)
            for m in range(modes.count):
                first, other = modes.first[m][vertex], modes.second[m][vertex]
                for target, factor in ((jacobian[:, 3 + m], rate), (second[:, m], curve)):
                    target[:] = factor[ball, m, :1] * first + factor[ball, m, 1:] * other
        return jacobian, second

    @staticmethod
    def _add_second(
        curved: FloatArray, second: FloatArray, slope: FloatArray, force: FloatArray
    ) -> None:
        """Add what the bending of the maps themselves contributes to the Hessians (P, n, n)."""
        for m in range(second.shape[1]):
            curved[:, 3 + m, 3 + m] += force * np.einsum("pi,pi->p", second[:, m], slope)
