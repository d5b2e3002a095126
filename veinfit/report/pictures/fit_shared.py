"""What both views of a fit draw: the balloon's outline, its leaks, gaps as they are painted."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from veinfit.report.pictures.fit_scene import balloon_surface
from veinfit.seating.model import Fit, Leak
from veinfit.vectors import FloatArray

Flatten = Callable[[FloatArray], np.ndarray]
"""Takes points (..., 3) to the picture's pixels (..., 2)."""


def finite_gap(gap_mm: FloatArray) -> FloatArray:
    """Return gaps with a plain large number where the balloon cannot press the wall."""
    far = 99.0
    return np.nan_to_num(np.minimum(gap_mm, far), nan=far, posinf=far, neginf=far)


def outline_of(fit: Fit, at: Flatten, profiles: Mapping[str, FloatArray]) -> np.ndarray | None:
    """Return the balloon's outline in a picture, (N, 2) pixels; None without a seat."""
    from scipy.spatial import ConvexHull

    balloon = balloon_surface(fit, profiles)
    if balloon is None:
        return None
    flat = at(balloon.points)
    return np.asarray(flat[ConvexHull(flat).vertices])


def by_width(fit: Fit) -> list[Leak]:
    """Return a fit's leaks, the widest first."""
    return sorted(fit.leaks, key=lambda leak: -leak.width_mm)


def leak_point(leak: Leak) -> FloatArray:
    """Return where a leak is, (3,)."""
    return np.array([leak.x_mm, leak.y_mm, leak.z_mm])
