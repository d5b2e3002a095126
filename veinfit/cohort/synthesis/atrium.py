"""An invented atrium: what is built from its shape."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from veinfit.cohort.synthesis import surfaces
from veinfit.cohort.synthesis.assembly import implicit
from veinfit.cohort.synthesis.fields import Ends, Implicit
from veinfit.cohort.synthesis.shape import AtriumShape
from veinfit.surface.mesh import Surface

MITRAL_DOME_MM = 6.0
"""Height of a domed mitral lid, about that of closed leaflets."""


@dataclass(frozen=True, eq=False)
class SyntheticAtrium:
    """An invented left atrium, LPS mm.

    Attributes
    ----------
    shape : AtriumShape
        The parameters it was built from.
    """

    shape: AtriumShape

    @cached_property
    def implicit(self) -> Implicit:
        """The implicit function: negative in the blood, zero on the wall."""
        return implicit(self.shape)

    def open_surface(self, edge_mm: float = 1.0) -> Surface:
        """Return the wall with vein ends and mitral opening cut off.

        Parameters
        ----------
        edge_mm : float
            Mean edge length of the triangles, mm.
        """
        return surfaces.cut_surface(self.implicit, edge_mm, None)[0]

    def closed_surface(
        self, edge_mm: float = 1.0, vein_ends: Ends = "flat", mitral_dome_mm: float = 0.0
    ) -> Surface:
        """Return the closed surface of the blood.

        Parameters
        ----------
        edge_mm : float
            Mean edge length of the triangles, mm.
        vein_ends : {'flat', 'rounded'}
        mitral_dome_mm : float
            Height of the lid over the mitral opening; 0 is flat.
        """
        rounded: Ends | None = "rounded" if vein_ends == "rounded" else None
        surface, loops = surfaces.cut_surface(self.implicit, edge_mm, rounded)
        return surfaces.closed_by_lids(self.implicit, surface, loops, edge_mm, mitral_dome_mm)


def build(shape: AtriumShape) -> SyntheticAtrium:
    """Build the atrium of ``shape``; nothing is worked out before it is asked for."""
    return SyntheticAtrium(shape)
