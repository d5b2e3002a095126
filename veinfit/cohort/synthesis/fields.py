"""Implicit functions of an invented atrium: negative in the blood, zero on the wall.

Every primitive has a gradient of length one on its zero level, and is an exact
distance for spheres and round straight tubes; unions are rounded by a circular
arc of a stated radius, so that a round tube on a wall gets a quarter torus.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from veinfit.cohort.synthesis.curves import Curve
from veinfit.frames import FloatArray

FAR_MM = 13.0
"""Beyond this distance a primitive is not worked out but set to this value."""

FILLET_SHARE_MM = 1.5
"""Over this distance the fillet radius passes from one vein's to its neighbour's."""

END_ROOM_MM = 12.0
"""A tube's curve goes on straight this far past its end, for points beyond it."""

APPENDAGE_REACH_MM = 16.0
"""No part of an appendage is farther than this from its curve."""

GRADIENT_STEP_MM = 1e-4
"""Half step of the central differences."""

Ends = Literal["flat", "rounded"]


def round_union(a: FloatArray, b: FloatArray, radius: FloatArray | float) -> FloatArray:
    """Union of two implicit functions (N,) whose edge is rounded by a circular arc."""
    outside = np.maximum(radius, np.minimum(a, b))
    return np.asarray(outside - np.hypot(np.maximum(radius - a, 0.0), np.maximum(radius - b, 0.0)))


def round_union_all(values: FloatArray, radius: float) -> FloatArray:
    """Join many implicit functions (N, K) to (N,) by a rounded union."""
    nearest = values.min(axis=1)
    rest = np.maximum(radius - values, 0.0)
    return np.asarray(np.maximum(radius, nearest) - np.sqrt(np.einsum("ij,ij->i", rest, rest)))


def ellipse_distance(
    u: FloatArray, v: FloatArray, w: FloatArray, a: FloatArray, b: FloatArray, c: FloatArray
) -> FloatArray:
    """First-order signed distance (N,) of (u, v, w) to an ellipsoid of semi-axes a, b, c.

    Exact on the axes and for a sphere; for w = 0 that of an ellipse.
    """
    g = np.sqrt((u / a) ** 2 + (v / b) ** 2 + (w / c) ** 2)
    slope = np.sqrt((u / a**2) ** 2 + (v / b**2) ** 2 + (w / c**2) ** 2)
    centre = slope < 1e-12
    return np.where(
        centre, -np.minimum(np.minimum(a, b), c), (g - 1.0) * g / np.where(centre, 1.0, slope)
    )


@dataclass(frozen=True, eq=False)
class Body:
    """A superellipsoid (see :class:`~veinfit.cohort.synthesis.shape.BodyShape`)."""

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
        f = self._smooth(points)
        for centre, height, width in zip(
            self.bump_centres, self.bump_heights, self.bump_widths, strict=True
        ):
            offset = points - centre
            f -= height * np.exp(np.einsum("ij,ij->i", offset, offset) / (-2.0 * width**2))
        return f

    def _smooth(self, points: FloatArray) -> FloatArray:
        local = (points - self.centre) @ self.rotation
        p = self.exponent
        height = local[:, 2] / self.semi_axes[2]
        bounded = np.tanh(height)
        scale = 1.0 + self.egg * bounded
        q = local / self.semi_axes
        q[:, :2] /= scale[:, None]
        power = np.abs(q) ** (p - 1.0)
        h = np.einsum("ij,ij->i", power, np.abs(q)) ** (1.0 / p)
        safe = np.maximum(h, 1e-9)
        dq = np.sign(q) * power / safe[:, None] ** (p - 1.0)
        gradient = dq / self.semi_axes
        gradient[:, :2] /= scale[:, None]
        if self.egg:
            growth = self.egg * (1.0 - bounded**2) / self.semi_axes[2] / scale
            gradient[:, 2] -= growth * np.einsum("ij,ij->i", dq[:, :2], q[:, :2])
        slope = np.linalg.norm(gradient, axis=1)
        floor = 1.0 / float(self.semi_axes.max()) / 4.0
        return np.asarray((h - 1.0) / np.maximum(slope, floor))

    def exit_point(self, origin: FloatArray, direction: FloatArray) -> FloatArray:
        """Where the ray from ``origin`` (3,), inside, along ``direction`` (3,) leaves the body."""
        low, high = 0.0, 4.0 * float(self.semi_axes.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            inside = self.distance((origin + middle * direction)[None])[0] < 0.0
            low, high = (middle, high) if inside else (low, middle)
        return np.asarray(origin + low * direction)


@dataclass(frozen=True, eq=False)
class Tube:
    """An oval, tapered, curved tube, closed at its inner end by a flat disc.

    Attributes
    ----------
    name : str
    curve : Curve
    knots, semi_long, semi_short : (K,) arrays
        Semi-axes at parameters of the curve, joined smoothly and constant beyond.
    fillet_mm : float
        Radius of the rounding between this tube and the body.
    outer : {'flat', 'rounded'}
        How the tube ends past t = 1.
    cap_mm : float or None
        Height of the rounded end; None for the mean semi-axis.
    """

    name: str
    curve: Curve
    knots: FloatArray
    semi_long: FloatArray
    semi_short: FloatArray
    fillet_mm: float
    outer: Ends = "flat"
    cap_mm: float | None = None

    def semi_axes(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Semi-axes (N,), (N,) of the section at parameters t (N,)."""
        x = np.clip(t, self.knots[0], self.knots[-1])
        index = np.clip(np.searchsorted(self.knots, x) - 1, 0, len(self.knots) - 2)
        low, high = self.knots[index], self.knots[index + 1]
        share = (x - low) / (high - low)
        share = share * share * (3.0 - 2.0 * share)
        a, b = self.semi_long, self.semi_short
        return (
            a[index] + share * (a[index + 1] - a[index]),
            b[index] + share * (b[index + 1] - b[index]),
        )

    @cached_property
    def reach_mm(self) -> float:
        """Farther than this from its curve a point is farther than FAR_MM from the tube."""
        return FAR_MM + float(self.semi_long.max())

    def distance(
        self, points: FloatArray, extension_mm: float = 0.0, ends: Ends = "flat"
    ) -> FloatArray:
        """First-order signed distance (N,), at most FAR_MM.

        ``extension_mm`` lengthens a flat outer end; ``ends`` = 'rounded' caps a flat end.
        """
        result = np.full(len(points), FAR_MM)
        near, t = self.curve.closest(points, self.reach_mm)
        if len(near):
            f = self._distance(points[near], t, extension_mm, ends)
            result[near] = np.minimum(f, FAR_MM)
        return result

    def past_end(self, points: FloatArray, within_mm: float) -> FloatArray:
        """Signed distance (N,) past the end plane, for points of the tube's outer part.

        Points farther than ``within_mm`` from the tube, lengthened, and points of
        its inner half lie at −FAR_MM.
        """
        result = np.full(len(points), -FAR_MM)
        near, t = self.curve.closest(points, self.reach_mm)
        outer = t > 0.5
        near, t = near[outer], t[outer]
        if len(near):
            one = np.ones(1)
            past = (points[near] - self.curve.position(one)) @ self.curve.tangent(one)[0]
            f = self._distance(points[near], t, END_ROOM_MM, "flat")
            result[near] = np.where(f < within_mm, past, -FAR_MM)
        return result

    def _distance(
        self, points: FloatArray, closest: FloatArray, extension_mm: float, ends: Ends
    ) -> FloatArray:
        curve = self.curve
        rounded = self.outer == "rounded" or ends == "rounded"
        t = np.minimum(closest, 1.0) if rounded else closest
        d = points - curve.position(t)
        tangent = curve.tangent(t)
        along, across = curve.axes(t, tangent)
        w = np.einsum("ij,ij->i", d, tangent)
        u = np.einsum("ij,ij->i", d, along)
        v = np.einsum("ij,ij->i", d, across)
        a, b = self.semi_axes(t)
        if rounded:
            cap = np.sqrt(a * b) if self.cap_mm is None else np.full_like(a, self.cap_mm)
            beyond = np.where(closest > 1.0, w, 0.0)
            f = ellipse_distance(u, v, beyond, a, b, cap)
        else:
            f = ellipse_distance(u, v, np.zeros_like(u), a, b, a)
            past = (closest - 1.0) * curve.length_mm + np.where(
                closest >= curve.t_high, np.maximum(w, 0.0), 0.0
            )
            f = np.maximum(f, past - extension_mm)
        inner = np.where(closest <= curve.t_low, -w, -np.inf)
        return np.asarray(np.maximum(f, inner))


@dataclass(frozen=True, eq=False)
class Blob:
    """An ellipsoid: a lobe of the appendage."""

    centre: FloatArray
    axes: FloatArray
    semi_axes: FloatArray

    def distance(self, points: FloatArray) -> FloatArray:
        """First-order signed distance (N,)."""
        q = (points - self.centre) @ self.axes.T
        full = [np.full(len(q), s) for s in self.semi_axes]
        return np.minimum(ellipse_distance(q[:, 0], q[:, 1], q[:, 2], *full), FAR_MM)


@dataclass(frozen=True, eq=False)
class Implicit:
    """The whole atrium as one implicit function.

    Attributes
    ----------
    body : Body
    funnel : Tube or None
        The mitral funnel; its outer end is the mitral plane.
    tubes : tuple of Tube
        Veins, trunks and branches.
    appendage : Tube or None
    lobes : tuple of Blob
    carina_mm : float
        Radius of the rounding among the tubes.
    lobe_mm : float
        Radius of the rounding among the parts of the appendage.
    extension_mm : float
        By how much flat ends are longer than the shape says.
    ends : {'flat', 'rounded'}
        How vein ends are closed.
    """

    body: Body
    funnel: Tube | None
    tubes: tuple[Tube, ...]
    appendage: Tube | None
    lobes: tuple[Blob, ...]
    carina_mm: float
    lobe_mm: float = 3.5
    extension_mm: float = 0.0
    ends: Ends = "flat"

    def chamber(self, points: FloatArray) -> FloatArray:
        """Body with its mitral funnel (N,): the atrium without veins and appendage."""
        f = self.body.distance(points)
        if self.funnel is not None:
            funnel = self.funnel.distance(points, self.extension_mm)
            f = round_union(f, funnel, self.funnel.fillet_mm)
            f = np.maximum(f, self.beyond_mitral(points) - self.extension_mm)
        return f

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
        result = np.full(len(points), FAR_MM)
        room = FAR_MM + APPENDAGE_REACH_MM
        low = self.appendage.curve.low - room
        high = self.appendage.curve.high + room
        near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
        if len(near):
            p = points[near]
            parts = [self.appendage.distance(p)] + [lobe.distance(p) for lobe in self.lobes]
            result[near] = round_union_all(np.stack(parts, axis=1), self.lobe_mm)
        return result

    def tube_distances(self, points: FloatArray) -> FloatArray:
        """Every tube alone (N, K)."""
        if not self.tubes:
            return np.empty((len(points), 0))
        return np.stack(
            [tube.distance(points, self.extension_mm, self.ends) for tube in self.tubes], axis=1
        )

    def join(self, chamber: FloatArray, tubes: FloatArray, appendage: FloatArray) -> FloatArray:
        """Join chamber (N,), tubes (N, K) and appendage (N,) to the whole (N,)."""
        if tubes.shape[1] == 0 and self.appendage is None:
            return chamber
        branches, fillets = tubes, [tube.fillet_mm for tube in self.tubes]
        if self.appendage is not None:
            branches = np.concatenate([tubes, appendage[:, None]], axis=1)
            fillets = [*fillets, self.appendage.fillet_mm]
        weight = np.exp((branches.min(axis=1, keepdims=True) - branches) / FILLET_SHARE_MM)
        radius = (weight @ np.array(fillets)) / weight.sum(axis=1)
        return round_union(chamber, round_union_all(branches, self.carina_mm), radius)

    def value(self, points: FloatArray) -> FloatArray:
        """Return the implicit function (N,) at points (N, 3), mm."""
        return self.join(
            self.chamber(points), self.tube_distances(points), self.appendage_distance(points)
        )

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
