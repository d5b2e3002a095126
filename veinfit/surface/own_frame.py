"""The frame that a surface has of itself, however it lies in space."""

from __future__ import annotations

import numpy as np

from veinfit.surface.mesh import Surface, face_areas, face_corners, face_middles
from veinfit.vectors import FloatArray


def own_frame(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Return a frame that turns with the surface: its area's centroid and principal axes.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    centre : (3,) array
    axes : (3, 3) array
        Rows are unit vectors, right-handed, along the greatest spread of the area first; the
        first two point to the side on which the area reaches farther (its third moment).
    """
    areas = face_areas(surface)
    centre = surface.area_centroid
    corners = [corner - centre for corner in face_corners(surface)]
    middles = face_middles(surface) - centre
    # Exact over each triangle: its corners' and nine times its middle's square, over twelve.
    squares = 9.0 * (middles.T * areas) @ middles + sum((c.T * areas) @ c for c in corners)
    _, vectors = np.linalg.eigh(squares)
    axes = vectors.T[::-1].copy()
    for k in range(2):
        axes[k] *= np.where(areas @ (middles @ axes[k]) ** 3 < 0.0, -1.0, 1.0)
    axes[2] = np.cross(axes[0], axes[1])
    return centre, axes
