"""Many balls that come to rest at once: the way of ``equilibrium.descend``, side by side.

A try costs little arithmetic and much bookkeeping; taken together the bookkeeping
is paid once. Every ball takes the steps that it would take by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from veinfit.frames import BoolArray, FloatArray, IntArray, lengths
from veinfit.seating.equilibrium import (
    ENERGY_NOISE,
    GOOD_MODEL,
    GREATEST_STEPS,
    POOR_MODEL,
    RESIDUAL_SHARE,
    SADDLE_STEP_MM,
    SMALLEST_SCALE_N,
    SMALLEST_STEP_MM,
    STEP_MM,
    Rest,
    State,
)
from veinfit.seating.foundation import Foundation, over_triangles
from veinfit.seating.guide import Guide
from veinfit.seating.shape import depth_terms
from veinfit.surface.mesh import any_corner

FLIGHT_MM = 4.0
"""Longest step of a ball that touches nothing."""

HALVINGS = 50
"""Of the bracket in which the shift of the step's model is sought."""


@dataclass(frozen=True, slots=True, eq=False)
class Flock:
    """Energies of N balls against one wall and one guide.

    Attributes
    ----------
    foundation : Foundation
        Its radius is not used.
    radius_mm, stiffness : (N,) array
        Of each ball, mm, and the factor on the foundation's stiffness.
    push_n, guide_n_per_mm, shaft_n_per_mm : (N,) array
    direction : (N, 3) array
        Unit push directions; the shafts run along them.
    origin : (N, 3) array
        A point of each shaft, where the push does no work.
    guide : Guide
        As it lies along the vein's centreline.
    pivot : (3,) array
        About which each guide is turned from there.
    guide_turn : (N, 3, 3) array
        Its rotation.
    """

    foundation: Foundation
    radius_mm: FloatArray
    stiffness: FloatArray
    push_n: FloatArray
    guide_n_per_mm: FloatArray
    shaft_n_per_mm: FloatArray
    direction: FloatArray
    origin: FloatArray
    guide: Guide
    pivot: FloatArray
    guide_turn: FloatArray

    def only(self, kept: BoolArray) -> Flock:
        """Return the flock of some of the balls (N,)."""
        return replace(
            self,
            radius_mm=self.radius_mm[kept],
            stiffness=self.stiffness[kept],
            push_n=self.push_n[kept],
            guide_n_per_mm=self.guide_n_per_mm[kept],
            shaft_n_per_mm=self.shaft_n_per_mm[kept],
            direction=self.direction[kept],
            origin=self.origin[kept],
            guide_turn=self.guide_turn[kept],
        )

    def evaluate(
        self, which: IntArray, centre: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        """Energy (K,), gradient (K, 3), Hessian (K, 3, 3) and touch (K,) of some balls (K,)."""
        energy, gradient, hessian, touches = self._wall(which, centre)
        direction, push = self.direction[which], self.push_n[which]
        offset = centre - self.origin[which]
        along = np.einsum("ni,ni->n", offset, direction)
        energy = energy - push * along
        gradient = gradient - push[:, None] * direction
        value, slope, curvature = self._guide_springs(which, centre)
        stiffness = self.guide_n_per_mm[which]
        energy += stiffness * value
        gradient += stiffness[:, None] * slope
        hessian += stiffness[:, None, None] * curvature
        aside = offset - along[:, None] * direction
        stiffness = self.shaft_n_per_mm[which]
        energy += 0.5 * stiffness * np.einsum("ni,ni->n", aside, aside)
        gradient += stiffness[:, None] * aside
        across = np.eye(3) - direction[:, :, None] * direction[:, None, :]
        hessian += stiffness[:, None, None] * across
        return energy, gradient, hessian, touches

    def _guide_springs(
        self, which: IntArray, centre: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Turn the balls back instead of every guide."""
        turn = self.guide_turn[which]
        back = np.einsum("nji,nj->ni", turn, centre - self.pivot) + self.pivot
        value, slope, curvature = self.guide.springs(back)
        slope = np.einsum("nij,nj->ni", turn, slope)
        return value, slope, turn @ curvature @ turn.transpose(0, 2, 1)

    def flight(self, which: IntArray, centre: FloatArray, way: FloatArray) -> FloatArray:
        """How far (K,) balls that touch nothing go along unit ways (K, 3) before they touch."""
        offset = self.foundation.points - centre[:, None, :]
        along = np.einsum("nvi,ni->nv", offset, way)
        half = self.radius_mm[which, None] ** 2 - np.einsum("nvi,nvi->nv", offset, offset)
        half += along**2
        reach = np.sqrt(np.maximum(half, 0.0))
        ahead = (half > 0.0) & (along + reach > 0.0)
        return np.asarray(np.maximum(np.where(ahead, along - reach, np.inf).min(axis=1), 0.0))

    def _wall(
        self, which: IntArray, centre: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        wall, radius = self.foundation, self.radius_mm[which]
        shape = wall.shape
        count = len(which)
        energy, gradient = np.zeros(count), np.zeros((count, 3))
        hessian = np.zeros((count, 3, 3))
        low, high = (centre - radius[:, None]).min(axis=0), (centre + radius[:, None]).max(axis=0)
        near = np.ones(len(wall.points), dtype=bool)
        for k in range(3):
            near &= (wall.points[:, k] > low[k]) & (wall.points[:, k] < high[k])
        index = np.cumsum(near) - 1
        faces_near = np.flatnonzero(any_corner(wall.faces, near))
        points = wall.points[near]
        square = np.zeros((count, len(points)))
        for k in range(3):
            square += (points[:, k] - centre[:, [k]]) ** 2
        inside = square < radius[:, None] ** 2
        touches: BoolArray = np.asarray(inside.any(axis=1))
        # Faces that no ball presses are left out before the balls are told apart.
        pressed_by_any = np.zeros(len(wall.points), dtype=bool)
        pressed_by_any[near] = inside.any(axis=0)
        corners = wall.faces[faces_near]
        pressed = any_corner(corners, pressed_by_any)
        faces_near, corners = faces_near[pressed], corners[pressed]
        at = index[corners]
        outside_box = ~near[corners]
        met = np.zeros((count, len(corners)), dtype=bool)
        for k in range(3):
            met |= inside[:, at[:, k]] & ~outside_box[:, k]
        ball, face = np.nonzero(met)
        if not len(ball):
            return energy, gradient, hessian, touches
        offset = wall.points.take(corners[face], axis=0) - centre[ball, None, :]
        if shape is not None:
            depth, slope, bend = depth_terms(shape, offset, self.direction[which][ball, None, :])
            # The balls differ in how much longer or shorter all of their rays are.
            depth = depth + (radius - shape.reach_mm)[ball, None]
            value, force, stiffness = over_triangles(wall.law, depth, wall.areas[faces_near[face]])
            factor = self.stiffness[which][ball]
            pull = factor[:, None] * force
            curved = np.einsum("nci,ncd,ndj->nij", slope, stiffness, slope, optimize=True)
            curved = factor[:, None, None] * curved + np.einsum("nc,ncij->nij", pull, bend)
            pressing, first = np.unique(ball, return_index=True)
            energy[pressing] = np.add.reduceat(factor * value, first)
            gradient[pressing] = np.add.reduceat(np.einsum("nc,nci->ni", pull, slope), first)
            hessian[pressing] = np.add.reduceat(curved, first)
            return energy, gradient, hessian, touches
        distance = lengths(offset)
        depth = radius[ball, None] - distance
        value, force, stiffness = over_triangles(wall.law, depth, wall.areas[faces_near[face]])
        factor = self.stiffness[which][ball]
        span = np.maximum(distance, np.finfo(float).tiny)
        outward = offset / span[..., None]
        pull = factor[:, None] * force
        bent = pull / span
        curved = outward.transpose(0, 2, 1) @ (
            factor[:, None, None] * (stiffness @ outward) + bent[..., None] * outward
        )
        curved -= (bent[:, 0] + bent[:, 1] + bent[:, 2])[:, None, None] * np.eye(3)
        # The pairs are sorted by ball.
        pressing, first = np.unique(ball, return_index=True)
        energy[pressing] = np.add.reduceat(factor * value, first)
        gradient[pressing] = np.add.reduceat(np.einsum("nc,nci->ni", pull, outward), first)
        hessian[pressing] = np.add.reduceat(curved, first)
        return energy, gradient, hessian, touches


def descend_all(
    flock: Flock, start: FloatArray, ostium: FloatArray, normal: FloatArray, deepest_mm: float
) -> list[Rest]:
    """Follow all balls from their starts (N, 3) down to where they rest.

    A ball whose centre is more than ``deepest_mm`` past the plane through
    ``ostium`` (3,) along ``normal`` (3,) has passed through.
    """
    count = len(start)
    centre = np.array(start, dtype=float)
    everyone = np.arange(count)
    value, gradient, hessian, touches = flock.evaluate(everyone, centre)
    wanted = RESIDUAL_SHARE * np.maximum(flock.push_n, SMALLEST_SCALE_N)
    limit = np.full(count, STEP_MM)
    radius = np.full(count, np.nan)
    state: list[State] = ["gave up"] * count
    path = [[place] for place in centre.copy()]
    energies = [[float(energy)] for energy in value]
    going = everyone
    for _ in range(GREATEST_STEPS):
        gone = (centre[going] - ostium) @ normal > deepest_mm
        residual = np.linalg.norm(gradient[going], axis=1)
        stiffness, axes = np.linalg.eigh(hessian[going])
        steepest = np.maximum(np.abs(stiffness).max(axis=1), 1e-12)
        balanced = residual <= wanted[going]
        saddle = balanced & (stiffness[:, 0] < -1e-9 * steepest)
        resting = balanced & ~saddle & ~gone
        for i in going[gone]:
            state[i] = "went through"
        for i in going[resting]:
            state[i] = "at rest"
        left = ~gone & ~resting
        if not left.any():
            break
        going, residual, saddle = going[left], residual[left], saddle[left]
        stiffness, axes = stiffness[left], axes[left]
        slope = np.einsum("nji,nj->ni", axes, gradient[going])

        fresh = np.isnan(radius[going])
        radius[going[fresh]] = limit[going[fresh]]
        flying = np.flatnonzero(fresh & ~touches[going] & ~saddle)
        if len(flying):
            ball = going[flying]
            room = np.full(len(flying), FLIGHT_MM)
            ahead = _model_steps(slope[flying], stiffness[flying], room, axes[flying])
            length = np.linalg.norm(ahead, axis=1)
            way = ahead / np.maximum(length, SMALLEST_STEP_MM)[:, None]
            free = np.minimum(flock.flight(ball, centre[ball], way), length)
            radius[ball] = np.minimum(free + limit[ball], room)

        step = _model_steps(slope, stiffness, radius[going], axes)
        nudge = np.minimum(radius[going], SADDLE_STEP_MM)[:, None] * axes[:, :, 0]
        step = np.where(saddle[:, None], nudge, step)
        trial = centre[going] + step
        new = flock.evaluate(going, trial)
        predicted = -np.einsum("ni,ni->n", gradient[going], step)
        predicted -= 0.5 * np.einsum("ni,nij,nj->n", step, hessian[going], step)
        old_value, new_value = value[going], new[0]
        noise = ENERGY_NOISE * np.maximum(np.maximum(np.abs(old_value), np.abs(new_value)), 1.0)
        calmer = np.linalg.norm(new[1], axis=1) < residual
        lower = (new_value < old_value) | ((new_value <= old_value + noise) & calmer)
        length = np.linalg.norm(step, axis=1)

        with np.errstate(divide="ignore", invalid="ignore"):
            agreement = np.where(predicted > noise, (old_value - new_value) / predicted, 1.0)
        now, used = limit[going], radius[going]
        grown = np.minimum(STEP_MM, 2.0 * np.maximum(now, np.minimum(length, STEP_MM)))
        kept = np.minimum(now, np.maximum(used, SMALLEST_STEP_MM))
        full = (agreement > GOOD_MODEL) & (length > 0.9 * np.minimum(used, now))
        shrunk = np.maximum(0.25 * length, SMALLEST_STEP_MM)
        next_limit = np.where(agreement < POOR_MODEL, shrunk, np.where(full, grown, kept))

        moved = going[lower]
        centre[moved], value[moved] = trial[lower], new_value[lower]
        gradient[moved], hessian[moved], touches[moved] = (part[lower] for part in new[1:])
        limit[moved], radius[moved] = next_limit[lower], np.nan
        for i in moved:
            path[i].append(centre[i].copy())
            energies[i].append(float(value[i]))
        held = ~lower
        radius[going[held]] = 0.25 * length[held]
        stuck = held & (0.25 * length < SMALLEST_STEP_MM)
        going = going[~stuck]
        if not len(going):
            break
    return [
        Rest(
            state[i],
            centre[i],
            float(np.linalg.norm(gradient[i])),
            tuple(energies[i]),
            np.array(path[i]),
        )
        for i in range(count)
    ]


def _model_steps(
    slope: FloatArray, stiffness: FloatArray, radius: FloatArray, axes: FloatArray
) -> FloatArray:
    """Minimise each ball's quadratic model within its radius; see ``equilibrium``.

    Parameters
    ----------
    slope, stiffness : (N, 3) array
        In the axes of each Hessian, the least stiffness first.
    radius : (N,) array
    axes : (N, 3, 3) array
    """
    scale = np.maximum(np.abs(stiffness).max(axis=1), np.abs(slope).max(axis=1) / radius)
    floor = 1e-14 * np.maximum(scale, 1e-300)
    convex = stiffness[:, 0] > floor
    low = np.where(convex, 0.0, np.maximum(0.0, -stiffness[:, 0]) + floor)
    high = low + np.linalg.norm(slope, axis=1) / radius + floor

    def step(shift: FloatArray) -> FloatArray:
        return np.asarray(-slope / (stiffness + shift[:, None]))

    first = step(low)
    within = np.linalg.norm(first, axis=1) <= radius
    begin = low.copy()
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        far = np.linalg.norm(step(middle), axis=1) > radius
        low, high = np.where(far, middle, low), np.where(far, high, middle)
    result = np.where(within[:, None], step(begin), step(high))
    # The slope has no part along the falling direction: fill up the step with it.
    short = within & ~convex & (stiffness[:, 0] < 0.0)
    rest = np.sqrt(np.maximum(radius**2 - np.einsum("ni,ni->n", result, result), 0.0))
    result[:, 0] += np.where(short, np.copysign(rest, result[:, 0]), 0.0)
    return np.asarray(np.einsum("nij,nj->ni", axes, result))
