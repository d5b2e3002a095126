"""Oval, tapered, curved tubes as implicit functions: veins, the mitral funnel, the appendage."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from veinfit.synthetic.wall.curves import Curve, CurveSet, Near, dot
from veinfit.vectors import BoolArray, FloatArray, IntArray

FAR_MM = 13.0
"""Beyond this distance a primitive is not worked out but set to this value."""

END_ROOM_MM = 12.0
"""A tube's curve goes on straight this far past its end, for points beyond it."""

PART_POINTS = 8192
"""Points worked on at a time: what is in between then stays in the processor's cache."""

Ends = Literal["flat", "rounded"]


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
class ImplicitTube:
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
    proper_from : float or None
        Parameter from which on the wall is the vein's own; before it the tube is a funnel.
    """

    name: str
    curve: Curve
    knots: FloatArray
    semi_long: FloatArray
    semi_short: FloatArray
    fillet_mm: float
    outer: Ends = "flat"
    cap_mm: float | None = None
    proper_from: float | None = None

    @cached_property
    def proper(self) -> ImplicitTube:
        """The tube without its funnel: as wide before ``proper_from`` as there."""
        if self.proper_from is None:
            return self
        at = np.array([self.proper_from])
        past = self.knots > self.proper_from
        long, short = (
            np.r_[first, widths[past]]
            for first, widths in zip(
                self.semi_axes(at), (self.semi_long, self.semi_short), strict=True
            )
        )
        knots = np.r_[at, self.knots[past]]
        return dataclasses.replace(
            self, knots=knots, semi_long=long, semi_short=short, proper_from=None
        )

    @cached_property
    def _widths(self) -> Widths:
        return Widths.of((self,))

    def semi_axes(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Semi-axes (N,), (N,) of the section at parameters t (N,)."""
        return self._widths.semi_axes(t)

    @cached_property
    def reach_mm(self) -> float:
        """Farther than this from its curve a point is farther than FAR_MM from the tube."""
        return FAR_MM + float(self.semi_long.max())

    @cached_property
    def _alone(self) -> TubeSet:
        return TubeSet((self,))

    def distance(
        self, points: FloatArray, extension_mm: float = 0.0, ends: Ends = "flat"
    ) -> FloatArray:
        """First-order signed distance (N,), at most FAR_MM.

        ``extension_mm`` lengthens a flat outer end; ``ends`` = 'rounded' caps a flat end.
        """
        rounded = np.array([self.outer == "rounded" or ends == "rounded"])
        return self._alone.distances(points, extension_mm, rounded)[:, 0]

    def past_end(self, points: FloatArray, within_mm: float) -> FloatArray:
        """Signed distance (N,) past the end plane, for points of the tube's outer part.

        Points farther than ``within_mm`` from the tube, lengthened, and points of
        its inner half lie at −FAR_MM.
        """
        result = np.full(len(points), -FAR_MM)
        near, t = self.curve.closest(points, self.reach_mm)
        outer = t > 0.5
        near = near[outer]
        if len(near):
            one = np.ones(1)
            past = (points[near] - self.curve.position(one)) @ self.curve.tangent(one)[0]
            f = self.distance(points[near], END_ROOM_MM)
            result[near] = np.where(f < within_mm, past, -FAR_MM)
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Widths:
    """Semi-axes of tubes along their curves, as columns of arrays; one goes with any points.

    From knot to knot a semi-axis passes smoothly to the next; where a tube has fewer knots
    than others, its last steps change nothing.

    Attributes
    ----------
    starts, spans : (J, P) arrays
        Parameters at which steps begin, and how long they are.
    first : (2, P) array
        Long and short semi-axis at the first knot.
    rises : (2, J, P) array
        By how much they grow in each step.
    """

    starts: FloatArray
    spans: FloatArray
    first: FloatArray
    rises: FloatArray

    @classmethod
    def of(cls, tubes: Sequence[ImplicitTube]) -> Widths:
        """Return the widths of tubes, one column each."""
        steps = max(len(tube.knots) for tube in tubes) - 1
        starts, spans = np.zeros((steps, len(tubes))), np.ones((steps, len(tubes)))
        rises = np.zeros((2, steps, len(tubes)))
        for k, tube in enumerate(tubes):
            own = len(tube.knots) - 1
            starts[:own, k], spans[:own, k] = tube.knots[:-1], np.diff(tube.knots)
            rises[:, :own, k] = np.diff([tube.semi_long, tube.semi_short])
        first = np.array([[tube.semi_long[0], tube.semi_short[0]] for tube in tubes]).T
        return cls(starts, spans, first, rises)

    def repeated(self, counts: IntArray) -> Widths:
        """Each tube as often as ``counts`` says, in order."""
        if len(counts) == 1:
            return self
        arrays = (self.starts, self.spans, self.first, self.rises)
        return Widths(*(np.repeat(array, counts, axis=-1) for array in arrays))

    def slope(self, t: FloatArray) -> FloatArray:
        """Return the derivative (P,) of the mean semi-axis with respect to the parameters (P,)."""
        share = np.clip((t - self.starts) / self.spans, 0.0, 1.0)
        rate = 6.0 * share * (1.0 - share) / self.spans
        return np.asarray(0.5 * (self.rises * rate).sum(axis=(0, 1)))

    def semi_axes(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Long and short semi-axes (P,), (P,) at parameters (P,)."""
        share = np.clip((t - self.starts) / self.spans, 0.0, 1.0)
        share *= share * (3.0 - 2.0 * share)
        long, short = self.first + (self.rises * share).sum(axis=1)
        return long, short


class TubeSet:
    """Some tubes, asked all at once."""

    def __init__(self, tubes: Sequence[ImplicitTube]) -> None:
        self._curves = CurveSet([tube.curve for tube in tubes])
        self._widths = Widths.of(tubes)
        self._reach = np.array([tube.reach_mm for tube in tubes])
        self._funnels = np.array([tube.proper_from is not None for tube in tubes])
        self._caps = np.array([np.nan if tube.cap_mm is None else tube.cap_mm for tube in tubes])

    def distances(self, points: FloatArray, extension_mm: float, rounded: BoolArray) -> FloatArray:
        """First-order signed distance (N, K) of points (N, 3) to each tube, at most FAR_MM.

        Parameters
        ----------
        extension_mm : float
            By how much flat ends are longer.
        rounded : (K,) bool array
            Which tubes end in a round cap.
        """
        # Each tube's distances lie side by side: what is asked next goes over all points.
        result = np.full((len(rounded), len(points)), FAR_MM)
        for start in range(0, len(points), PART_POINTS):
            part = points[start : start + PART_POINTS]
            near = self._curves.closest(part, self._reach)
            f = self._near(part.T[:, near.index], near, extension_mm, rounded)
            tube = np.repeat(np.arange(len(rounded)), near.counts)
            result[tube, start + near.index] = np.minimum(f, FAR_MM)
        return result.T

    def _near(
        self, points: FloatArray, near: Near, extension_mm: float, rounded: BoolArray
    ) -> FloatArray:
        """Distances (P,) of points (3, P) that are near tubes."""
        course, widths = (
            self._curves.courses.repeated(near.counts),
            self._widths.repeated(near.counts),
        )
        rounded, caps = np.repeat(rounded, near.counts), np.repeat(self._caps, near.counts)
        closest = near.t
        t = np.where(rounded, np.minimum(closest, 1.0), closest)
        position, velocity = course.motion(t)
        d = points - position
        tangent = velocity / np.sqrt(dot(velocity, velocity))
        along, across = course.axes(t, tangent)
        u, v, w = dot(d, along), dot(d, across), dot(d, tangent)
        a, b = widths.semi_axes(t)
        cap = np.where(np.isnan(caps), np.sqrt(a * b), caps)
        beyond = np.where(rounded & (closest > 1.0), w, 0.0)
        f = ellipse_distance(u, v, beyond, a, b, cap)
        if self._funnels.any():
            # There the wall is aslant to the section that f is measured in.
            funnels = np.repeat(self._funnels, near.counts)
            f = f / np.hypot(1.0, np.where(funnels, widths.slope(t) / course.length_mm, 0.0))
        past = (closest - 1.0) * course.length_mm - extension_mm
        past += np.where(closest >= course.t_high, np.maximum(w, 0.0), 0.0)
        f = np.where(rounded, f, np.maximum(f, past))
        return np.where(closest <= course.t_low, np.maximum(f, -w), f)
