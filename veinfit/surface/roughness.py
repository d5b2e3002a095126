"""How far the vertices of a mesh scatter about the surface that they mean."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from veinfit.surface.mesh import Surface, edges, vertex_normals

NOISE_GAIN = 1.359
"""Standard deviation of the measure for vertices that scatter by 1: the square root of the sum of
squares of (1 - A)^2, with A the mean over the six neighbours of a regular triangulation."""

MAD_TO_SD = 1.4826
"""A normal distribution's standard deviation over the median of its absolute values."""


def vertex_scatter_mm(surface: Surface) -> float:
    """Return the standard deviation of the vertices along the normals, mm.

    Each vertex is held against its neighbours twice over, which takes out what curvature there
    is; the median is not moved by edges and rims.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    float
    """
    pairs, _, _ = edges(surface)
    n = len(surface.points)
    rows, cols = np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]]
    graph = sparse.csr_matrix((np.ones(len(rows)), (rows, cols)), shape=(n, n))
    degree = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)
    off = surface.points - (graph @ surface.points) / degree[:, None]
    height = (off * vertex_normals(surface)).sum(axis=1)
    height = height - (graph @ height) / degree
    return float(MAD_TO_SD * np.median(np.abs(height)) / NOISE_GAIN)
