"""Where the atrium is left and entered besides its veins: mitral opening and septal crossing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from veinfit.vectors import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class MitralOpening:
    """The mitral side: centre, outward unit normal, and the rim on ``Anatomy.wall``.

    Attributes
    ----------
    centre, normal : (3,) array
    rim : (N,) array
        Vertex indices of the cut edge; for an input closed there, of the edge that the program cut.
    confidence : float
    source : {'opening', 'lid', 'estimated'}
        Open in the input, closed there by a flat lid, or placed from the veins alone.
    """

    centre: FloatArray
    normal: FloatArray
    rim: IntArray
    confidence: float
    source: Literal["opening", "lid", "estimated"] = "opening"

    @property
    def estimated(self) -> bool:
        """Whether nothing of the input tells the place."""
        return self.source == "estimated"


@dataclass(frozen=True, slots=True, eq=False)
class SeptalCrossing:
    """Where the sheath enters the left atrium through the septum.

    Attributes
    ----------
    point : (3,) array
        mm, on the septum or near it.
    source : {'landmark', 'label', 'estimated'}
        Stated, the middle of a labelled septum, or placed from the anatomy alone.
    off_wall_mm : float
        Distance to the wall.
    entry : (3,) array or None
        Unit vector along which the sheath comes through the septum from the
        inferior vena cava before it is bent; None where it can come from anywhere.
    entry_source : {'landmark', 'estimated', ''}
        Toward the point from a marked caval vein, or placed from the anatomy alone.
    """

    point: FloatArray
    source: Literal["landmark", "label", "estimated"]
    off_wall_mm: float
    entry: FloatArray | None = None
    entry_source: Literal["landmark", "estimated", ""] = ""

    @property
    def estimated(self) -> bool:
        """Whether nothing of the input tells the point."""
        return self.source == "estimated"
