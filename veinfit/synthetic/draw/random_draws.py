"""Distributions that single parameters are drawn from."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from veinfit.synthetic.shape.shape import Vector
from veinfit.vectors import FloatArray, unit


def truncated_normal(rng: Generator, mean: float, sd: float, low: float, high: float) -> float:
    """Draw from a normal distribution cut off at ``low`` and ``high``, by drawing again."""
    for _ in range(100):
        value = float(rng.normal(mean, sd))
        if low <= value <= high:
            return value
    return float(np.clip(mean, low, high))


def as_vector(vector: FloatArray) -> Vector:
    """Return an array (3,) as plain numbers."""
    x, y, z = (float(c) for c in vector)
    return (x, y, z)


def direction_from_angles(side: float, frontal_deg: float, transverse_deg: float) -> FloatArray:
    """Direction from its angles in the frontal and the transverse plane."""
    tan_f, tan_t = math.tan(math.radians(frontal_deg)), math.tan(math.radians(transverse_deg))
    return unit(np.array([side, -tan_t, tan_f]))


def bent(rng: Generator, direction: FloatArray, mean_deg: float = 14.0) -> FloatArray:
    """Draw a direction some degrees off ``direction``, to any side."""
    angle = math.radians(truncated_normal(rng, mean_deg, 8.0, 0.0, 35.0))
    sideways = rng.normal(size=3)
    sideways = unit(sideways - (sideways @ direction) * direction)
    return np.asarray(math.cos(angle) * direction + math.sin(angle) * sideways)
