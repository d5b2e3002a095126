"""Implicit functions of an invented atrium: negative in the blood, zero on the wall.

Every primitive has a gradient of length one on its zero level, and is an exact
distance for spheres and round straight tubes; unions are rounded by a circular
arc of a stated radius, so that a round tube on a wall gets a quarter torus.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from veinfit.synthetic.wall.curves import dot
from veinfit.synthetic.wall.implicit_tubes import (
    FAR_MM,
    PART_POINTS,
    Ends,
    ImplicitTube,
    TubeSet,
    ellipse_distance,
)
from veinfit.synthetic.wall.sampled import Samples
from veinfit.vectors import BoolArray, FloatArray

FILLET_SHARE_MM = 1.5
"""Over this distance the fillet radius passes from one vein's to its neighbour's."""

APPENDAGE_REACH_MM = 16.0
"""No part of an appendage is farther than this from its curve."""

GRADIENT_STEP_MM = 1e-4
"""Half step of the central differences."""


def round_union(a: FloatArray, b: FloatArray, radius: FloatArray | float) -> FloatArray:
    """Union of two implicit functions (N,) whose edge is rounded by a circular arc."""
    outside = np.maximum(radius, np.minimum(a, b))
    return np.asarray(outside - np.hypot(np.maximum(radius - a, 0.0), np.maximum(radius - b, 0.0)))


def round_union_all(values: FloatArray, radius: float) -> FloatArray:
    """Join many implicit functions (N, K) to (N,) by a rounded union."""
    nearest = values.min(axis=1)
    rest = np.maximum(radius - values, 0.0)
    return np.asarray(np.maximum(radius, nearest) - np.sqrt((rest * rest).sum(axis=1)))


@dataclass(frozen=True, eq=False)
class Body:
    """A superellipsoid (see :class:`~veinfit.synthetic.shape.shape.BodyShape`)."""

    centre: FloatArray
    semi_axes: FloatArray
    exponent: float
    egg: float
    rotation: FloatArray
    bump_centres: FloatArray
    bump_heights: FloatArray
    bump_widths: FloatArray

    def distance(self, points: FloatArray) -> FloatArray:
        """First-order signed distance (N,), exact for a sphere without bumps."""
        columns = np.ascontiguousarray((points - self.centre).T)
        f = self._smooth(columns)
        if len(self.bump_heights):
            apart = columns[:, None] - (self.bump_centres - self.centre).T[:, :, None]
            f -= self.bump_heights @ np.exp(
                dot(apart, apart) / (-2.0 * self.bump_widths[:, None] ** 2)
            )
        return f

    def _smooth(self, from_centre: FloatArray) -> FloatArray:
        """Distance (N,) without bumps; vectors (3, N)."""
        local = self.rotation.T @ from_centre
        semi_axes = self.semi_axes[:, None]
        p = self.exponent
        bounded = np.tanh(local[2] / self.semi_axes[2])
        scale = 1.0 + self.egg * bounded
        q = local / semi_axes
        q[:2] /= scale
        size = np.abs(q)
        power = size ** (p - 1.0)
        h = dot(power, size) ** (1.0 / p)
        safe = np.maximum(h, 1e-9)
        dq = np.sign(q) * power / safe ** (p - 1.0)
        gradient = dq / semi_axes
        gradient[:2] /= scale
        if self.egg:
            growth = self.egg * (1.0 - bounded**2) / self.semi_axes[2] / scale
            gradient[2] -= growth * (dq[0] * q[0] + dq[1] * q[1])
        slope = np.sqrt(dot(gradient, gradient))
        floor = 1.0 / float(self.semi_axes.max()) / 4.0
        return np.asarray((h - 1.0) / np.maximum(slope, floor))

    def exit_point(self, origin: FloatArray, direction: FloatArray) -> FloatArray:
        """Where the ray from ``origin`` (3,), inside, along ``direction`` (3,) leaves the body."""
        low, high = 0.0, 4.0 * float(self.semi_axes.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            if middle in (low, high):
                break  # no number lies between
            inside = self.distance((origin + middle * direction)[None])[0] < 0.0
            low, high = (middle, high) if inside else (low, middle)
        return np.asarray(origin + low * direction)


@dataclass(frozen=True, eq=False)
class Waves:
    """A sum of plane waves that displaces the wall (see WaveShape).

    Attributes
    ----------
    vectors : (K, 3) array
        Wave vectors, radians per mm.
    phases : (K,) array
    amplitude_mm : float
        Of every wave.
    centre : (3,) array
    """

    vectors: FloatArray
    phases: FloatArray
    amplitude_mm: float
    centre: FloatArray

    @property
    def greatest_mm(self) -> float:
        """No displacement is larger."""
        return abs(self.amplitude_mm) * len(self.phases)

    def displacement(self, points: FloatArray) -> FloatArray:
        """Outward displacement (N,) of the wall at points (N, 3)."""
        angle = (points - self.centre) @ self.vectors.T
        angle += self.phases
        return np.asarray(self.amplitude_mm * np.cos(angle, out=angle).sum(axis=1))


@dataclass(frozen=True, eq=False)
class Blob:
    """An ellipsoid: a lobe of the appendage."""

    centre: FloatArray
    axes: FloatArray
    semi_axes: FloatArray


def blob_distances(blobs: Sequence[Blob], points: FloatArray) -> FloatArray:
    """First-order signed distance (K, N) of points (N, 3) to each ellipsoid, at most FAR_MM."""
    axes = np.array([blob.axes for blob in blobs])
    centres = np.array([blob.centre for blob in blobs])
    u, v, w = (axes @ (points.T - centres[:, :, None])).swapaxes(0, 1)
    a, b, c = np.array([blob.semi_axes for blob in blobs]).T[:, :, None]
    return np.minimum(ellipse_distance(u, v, w, a, b, c), FAR_MM)


@dataclass(frozen=True, eq=False)
class Implicit:
    """The whole atrium as one implicit function.

    Attributes
    ----------
    body : Body
    funnel : ImplicitTube or None
        The mitral funnel; its outer end is the mitral plane.
    tubes : tuple of ImplicitTube
        Veins, trunks and branches.
    appendage : ImplicitTube or None
    lobes : tuple of Blob
    carina_mm : float
        Radius of the rounding among the tubes.
    waves : Waves or None
    lobe_mm : float
        Radius of the rounding among the parts of the appendage.
    extension_mm : float
        By how much flat ends are longer than the shape says.
    ends : {'flat', 'rounded'}
        How vein ends are closed.
    samples : Samples or None
        What stands for the function where it is asked for its value.
    """

    body: Body
    funnel: ImplicitTube | None
    tubes: tuple[ImplicitTube, ...]
    appendage: ImplicitTube | None
    lobes: tuple[Blob, ...]
    carina_mm: float
    waves: Waves | None = None
    lobe_mm: float = 3.5
    extension_mm: float = 0.0
    ends: Ends = "flat"
    samples: Samples | None = None

    def longer(self, extension_mm: float, ends: Ends = "flat") -> Implicit:
        """Return the same with flat ends so much longer than the shape says.

        A sampled function that is longer still stands for it.
        """
        if self.samples is not None and ends == self.ends and extension_mm <= self.extension_mm:
            return self
        return dataclasses.replace(self, extension_mm=extension_mm, ends=ends, samples=None)

    @cached_property
    def _parts(self) -> TubeSet | None:
        """Tubes, appendage and funnel, in this order, as far as there are any."""
        parts = (*self.tubes, self.appendage, self.funnel)
        present = [part for part in parts if part is not None]
        return TubeSet(present) if present else None

    @cached_property
    def _rounded(self) -> BoolArray:
        """Which of the parts end in a round cap."""
        ends = [tube.outer == "rounded" or self.ends == "rounded" for tube in self.tubes]
        ends += [True] * (self.appendage is not None) + [False] * (self.funnel is not None)
        return np.array(ends, dtype=bool)

    def chamber(self, points: FloatArray, below_mm: float = np.inf) -> FloatArray:
        """Body with its mitral funnel (N,): the atrium without veins and appendage.

        Waves are worked out where they tell whether the wall is nearer than ``below_mm``.
        """
        f = self.body.distance(points)
        if self.funnel is not None:
            f = self._with_funnel(points, f, self.funnel.distance(points, self.extension_mm))
        if self.waves is None:
            return f
        asked = np.flatnonzero(f < below_mm + self.waves.greatest_mm)
        f[asked] -= self.waves.displacement(points[asked])
        return f

    def _with_funnel(self, points: FloatArray, body: FloatArray, funnel: FloatArray) -> FloatArray:
        assert self.funnel is not None
        f = round_union(body, funnel, self.funnel.fillet_mm)
        return np.maximum(f, self.beyond_mitral(points) - self.extension_mm)

    def beyond_mitral(self, points: FloatArray) -> FloatArray:
        """Signed distance (N,) past the mitral plane; the funnel must exist."""
        assert self.funnel is not None
        one = np.ones(1)
        plane = self.funnel.curve.position(one)[0]
        return np.asarray((points - plane) @ self.funnel.curve.tangent(one)[0])

    def appendage_distance(self, points: FloatArray) -> FloatArray:
        """Return the appendage alone (N,)."""
        if self.appendage is None:
            return np.full(len(points), FAR_MM)
        return self._with_lobes(points, self.appendage.distance(points))

    def _with_lobes(self, points: FloatArray, tube: FloatArray) -> FloatArray:
        assert self.appendage is not None
        result = np.full(len(points), FAR_MM)
        room = FAR_MM + APPENDAGE_REACH_MM
        low = self.appendage.curve.low - room
        high = self.appendage.curve.high + room
        near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
        if len(near):
            parts = tube[None, near]
            if self.lobes:
                parts = np.concatenate([parts, blob_distances(self.lobes, points[near])])
            result[near] = round_union_all(parts.T, self.lobe_mm)
        return result

    def alone(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Tubes (N, K), chamber (N,) and appendage (N,), each as if it were alone."""
        wave = 0.0 if self.waves is None else self.waves.displacement(points)
        if self._parts is None:
            nothing = np.empty((len(points), 0))
            return nothing, self.body.distance(points) - wave, np.full(len(points), FAR_MM)
        parts = self._parts.distances(points, self.extension_mm, self._rounded)
        count = len(self.tubes)
        chamber, appendage = self.body.distance(points), np.full(len(points), FAR_MM)
        if self.appendage is not None:
            appendage = self._with_lobes(points, parts[:, count])
        if self.funnel is not None:
            chamber = self._with_funnel(points, chamber, parts[:, -1])
        return (parts[:, :count].T - wave).T, chamber - wave, appendage - wave

    @cached_property
    def _proper(self) -> TubeSet:
        return TubeSet([tube.proper for tube in self.tubes])

    def proper(self, points: FloatArray) -> FloatArray:
        """Tubes (N, K) as if each were alone and had no funnel."""
        wave = 0.0 if self.waves is None else self.waves.displacement(points)
        rounded = self._rounded[: len(self.tubes)]
        distances = self._proper.distances(points, self.extension_mm, rounded)
        return np.asarray((distances.T - wave).T)

    def join(self, chamber: FloatArray, tubes: FloatArray, appendage: FloatArray) -> FloatArray:
        """Join chamber (N,), tubes (N, K) and appendage (N,) to the whole (N,)."""
        if tubes.shape[1] == 0 and self.appendage is None:
            return chamber
        branches, fillets = tubes, [tube.fillet_mm for tube in self.tubes]
        if self.appendage is not None:
            branches = np.concatenate([tubes.T, appendage[None]]).T
            fillets = [*fillets, self.appendage.fillet_mm]
        weight = np.exp((branches.min(axis=1, keepdims=True) - branches) / FILLET_SHARE_MM)
        radius = (weight @ np.array(fillets)) / weight.sum(axis=1)
        return round_union(chamber, round_union_all(branches, self.carina_mm), radius)

    def value(self, points: FloatArray) -> FloatArray:
        """Return the implicit function (N,) at points (N, 3), mm, from samples if there are any."""
        return self.exact(points) if self.samples is None else self.samples.value(points)

    def exact(self, points: FloatArray) -> FloatArray:
        """Return the implicit function (N,) at points (N, 3), mm, not from samples."""
        result = np.empty(len(points))
        for start in range(0, len(points), PART_POINTS):
            tubes, chamber, appendage = self.alone(points[start : start + PART_POINTS])
            result[start : start + PART_POINTS] = self.join(chamber, tubes, appendage)
        return result

    def value_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the implicit function (N,) and its gradient (N, 3) by central differences."""
        h = GRADIENT_STEP_MM
        steps = np.concatenate([np.zeros((1, 3)), h * np.eye(3), -h * np.eye(3)])
        values = self.value((points[None] + steps[:, None]).reshape(-1, 3)).reshape(7, -1)
        return values[0], ((values[1:4] - values[4:7]) / (2.0 * h)).T

    def project(self, points: FloatArray, steps: int = 2) -> FloatArray:
        """Move points (N, 3) that are near the wall onto it by Newton's method."""
        h = GRADIENT_STEP_MM
        shifts = np.concatenate([np.zeros((1, 3)), h * np.eye(3)])[:, None]
        for _ in range(steps):
            values = self.value((points[None] + shifts).reshape(-1, 3)).reshape(4, -1)
            gradient = ((values[1:] - values[0]) / h).T
            slope2 = np.maximum(np.einsum("ij,ij->i", gradient, gradient), 0.05)
            points = points - (np.clip(values[0], -1.0, 1.0) / slope2)[:, None] * gradient
        return points


def rotation_matrix(tilt_deg: tuple[float, float, float]) -> FloatArray:
    """Rotation (3, 3) about x, then y, then z, whose columns are the turned axes."""
    rx, ry, rz = np.radians(tilt_deg)
    cx, sx, cy, sy, cz, sz = np.cos(rx), np.sin(rx), np.cos(ry), np.sin(ry), np.cos(rz), np.sin(rz)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    return np.asarray(about_z @ about_y @ about_x, dtype=float)
