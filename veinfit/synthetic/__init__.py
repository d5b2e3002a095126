"""Invented left atria with their truth.

An :class:`AtriumShape` holds all parameters; :func:`build` turns it into a
:class:`SyntheticAtrium`, whose surfaces, label volumes and truth all come from
one implicit function.
"""

from veinfit.synthetic.atrium import SyntheticAtrium, build
from veinfit.synthetic.draw.draw import VARIANTS, draw_shape
from veinfit.synthetic.shape.shape import (
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
