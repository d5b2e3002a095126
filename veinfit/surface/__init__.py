"""Triangle surfaces: cleaning, openings, plane cuts, refinement, geodesics."""

from veinfit.surface.mesh import Surface

__all__ = ["Surface"]
