"""Invented left atria with their truth.

An :class:`AtriumShape` holds all parameters; :func:`build` turns it into a
:class:`SyntheticAtrium`, whose surfaces, label volumes and truth all come from
one implicit function.
"""

from veinfit.cohort.synthesis.atrium import SyntheticAtrium, build
from veinfit.cohort.synthesis.draw import VARIANTS, draw_shape
from veinfit.cohort.synthesis.shape import (
    AppendageShape,
    AtriumShape,
    BodyShape,
    BranchShape,
    BumpShape,
    LobeShape,
    MitralShape,
    NeighbourShape,
    VeinShape,
)

__all__ = [
    "VARIANTS",
    "AppendageShape",
    "AtriumShape",
    "BodyShape",
    "BranchShape",
    "BumpShape",
    "LobeShape",
    "MitralShape",
    "NeighbourShape",
    "SyntheticAtrium",
    "VeinShape",
    "build",
    "draw_shape",
]
