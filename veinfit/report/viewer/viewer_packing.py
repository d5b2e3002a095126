"""Shapes and values of the 3D view, packed small.

Vertices are held as 16 bit steps of one length, a hundredth of a millimetre or
less on an atrium, and large surfaces are thinned; nothing is measured on them.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np

from veinfit.surface import Surface
from veinfit.surface.rim_keeping import with_fewer_faces_and_rims
from veinfit.surface.vtk_bridge import without_flat_vertices
from veinfit.vectors import FloatArray, IntArray

STEPS = 65535
"""Steps across the longest side of a packed shape: all that 16 bits hold."""

GREATEST_GAP_MM = 30.0
"""Gaps are shown up to this; all beyond, and wall out of reach, lies past the colour scale."""

LEAST_GAP_MM = -10.0
"""Deepest press that is told apart."""

MOVE_STEP_MM = 0.01
"""Steps in which a wall moves that a balloon shapes."""


def pack_mesh(surface: Surface) -> dict[str, Any]:
    """Return a surface as ``low``, ``step`` and base64 of its vertices and triangles.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    dict
        A vertex is ``low + step * (i, j, k)``, mm, in whole numbers of 16 bits; ``wide`` says that
        triangles have 32.
    """
    points = surface.points
    low = points.min(axis=0) if len(points) else np.zeros(3)
    span = float(np.ptp(points, axis=0).max()) if len(points) else 0.0
    step = max(span / STEPS, 1e-6)
    low = np.round(low, 4)
    steps = np.clip(np.rint((points - low) / step), 0, STEPS)
    wide = len(points) > STEPS + 1
    return {
        "low": low.tolist(),
        "step": step,
        "points": base64_of(steps.astype("<u2")),
        "faces": base64_of(surface.faces.astype("<u4" if wide else "<u2")),
        "wide": wide,
    }


def shown_gap(gap_mm: FloatArray) -> FloatArray:
    """Return gaps (V,) as they can be shown, mm: within bounds, NaN as out of reach."""
    shown = np.nan_to_num(gap_mm, nan=GREATEST_GAP_MM, posinf=GREATEST_GAP_MM)
    return np.asarray(np.clip(shown, LEAST_GAP_MM, GREATEST_GAP_MM))


def pack_gap(gap_mm: FloatArray) -> dict[str, Any]:
    """Return gaps at vertices (V,) as ``low``, ``step`` and base64; NaN is out of reach."""
    step = (GREATEST_GAP_MM - LEAST_GAP_MM) / STEPS
    steps = np.rint((shown_gap(gap_mm) - LEAST_GAP_MM) / step)
    return {"low": LEAST_GAP_MM, "step": step, "data": base64_of(steps.astype("<u2"))}


def pack_moves(moved: FloatArray) -> dict[str, Any]:
    """Return how vertices move (V, 3), mm, as base64 of which do, and of their ways in hundredths.

    What moves by less than half a hundredth stays where it is.
    """
    steps = np.rint(moved / MOVE_STEP_MM).astype("<i2")
    which = np.flatnonzero(steps.any(axis=1))
    return {
        "step": MOVE_STEP_MM,
        "which": base64_of(which.astype("<u4")),
        "by": base64_of(steps[which]),
    }


def few_faces(surfaces: Sequence[Surface], most: Sequence[int]) -> list[Surface]:
    """Return surfaces with about so many triangles at most, their rims where they are.

    Parameters
    ----------
    surfaces : sequence of Surface
    most : sequence of int
        For each.

    Returns
    -------
    list of Surface
    """
    fewer = with_fewer_faces_and_rims(surfaces, most)
    # What that library cannot bring down soundly, another can: slower, and less near to it.
    return [
        thinned(whole, faces)[0] if few is None else few
        for whole, faces, few in zip(surfaces, most, fewer, strict=True)
    ]


def thinned(surface: Surface, most_faces: float) -> tuple[Surface, IntArray]:
    """Return a surface with fewer triangles, and which vertices of the given one it has kept.

    Vertices are left out where the surface is flat and none is moved, so that
    values at the vertices stay as they are; cut edges are kept.

    Parameters
    ----------
    surface : Surface
    most_faces : float

    Returns
    -------
    thin : Surface
    kept : (V',) array
        Vertex indices of ``surface``.
    """
    if len(surface.faces) <= most_faces:
        return surface, np.arange(len(surface.points))
    share = 1.0 - most_faces / len(surface.faces)
    kept, faces = without_flat_vertices(surface.points, surface.faces, share)
    return Surface(surface.points[kept], faces), kept


def base64_of(array: np.ndarray) -> str:
    """Return an array's bytes in base64."""
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
