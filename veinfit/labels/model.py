"""Label volumes, label maps, and the lumen that is made of them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray, apply_affine
from veinfit.vein_names import EXTRA_VEIN, VEIN_NAMES

LabelArray = npt.NDArray[np.unsignedinteger[Any]]

ATRIUM_MM_RANGE = (35.0, 250.0)
"""Longest side of the bounding box of an atrium with its vein stubs, widened on both ends:
40 to 200 mm is usual (common practice, no source)."""

GREATEST_AREA_CM2 = 900.0
"""No wall is larger: six real atria of open sources, 41 to 85 mL, have 79 to 134 cm2, and one of
the greatest volume would have some 500 in their proportions. Noise and folds are larger."""

FARTHEST_MM = 1e7
"""No coordinates of an image are farther from their origin, 10 km; those of damaged files are."""

BODY_NAME = "left_atrium"
SEPTUM_NAME = "septum"
LABEL_NAMES = (BODY_NAME, "pulmonary_veins", *VEIN_NAMES, "appendage", SEPTUM_NAME)
"""Names that ``[labels]`` of a label map may hold, besides ``extra-1``, ``extra-2``, ..."""


def is_label_name(name: str) -> bool:
    """Tell whether ``[labels]`` of a label map may hold this name.

    Parameters
    ----------
    name : str

    Returns
    -------
    bool
    """
    return name in LABEL_NAMES or EXTRA_VEIN.fullmatch(name) is not None


STRUCTURE_NAME = re.compile(r"\w(?:[\w .-]*\w)?")
"""Names of neighbours become names of columns: no commas, quotes or line ends."""


def is_structure_name(name: str) -> bool:
    """Tell whether a neighbouring structure may have this name.

    Parameters
    ----------
    name : str

    Returns
    -------
    bool
    """
    return STRUCTURE_NAME.fullmatch(name) is not None


LARGEST_WRITTEN_OUT = 1e9


def plain_number(value: float) -> str:
    """Write a number to three digits for messages, without an exponent below a thousand million.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    if abs(value) >= LARGEST_WRITTEN_OUT:
        return f"{value:.3g}"
    return str(np.format_float_positional(value, precision=3, fractional=False, trim="-"))


@dataclass(frozen=True, slots=True, eq=False)
class LabelVolume:
    """Whole numbers on a grid, placed in the patient.

    Attributes
    ----------
    values : (I, J, K) unsigned integer array
        0 is background.
    affine : (4, 4) array
        Index of a voxel to its centre, LPS mm. Oblique, anisotropic and
        left-handed grids are usual.
    notes : tuple of Note
        What the reader had to remark.
    cut : (I, J, K) bool array or None
        Voxels at the border of the image that they come from; None where that is the
        border of this volume.
    """

    values: LabelArray
    affine: FloatArray
    notes: tuple[Note, ...] = ()
    cut: BoolArray | None = None

    def __post_init__(self) -> None:
        if self.values.ndim != 3 or self.values.dtype.kind != "u":
            raise ValueError(
                f"values must be a 3-D unsigned integer array, not {self.values.ndim}-D "
                f"{self.values.dtype}"
            )
        object.__setattr__(self, "affine", np.array(self.affine, dtype=np.float64))
        if self.affine.shape != (4, 4):
            raise ValueError(f"affine must have shape (4, 4), not {self.affine.shape}")
        view = self.values.view()
        view.setflags(write=False)
        object.__setattr__(self, "values", view)
        self.affine.setflags(write=False)

    @property
    def edges_mm(self) -> FloatArray:
        """Lengths (3,) of a voxel's edges along the index axes, mm."""
        return np.asarray(np.linalg.norm(self.affine[:3, :3], axis=0))

    @property
    def voxel_ml(self) -> float:
        """Volume of a voxel, mL."""
        return abs(float(np.linalg.det(self.affine[:3, :3]))) / 1000.0

    def world_points(self, indices: npt.ArrayLike) -> FloatArray:
        """Return the centres (..., 3), LPS mm, of voxels at ``indices`` (..., 3).

        Parameters
        ----------
        indices : (..., 3) array_like

        Returns
        -------
        (..., 3) array
        """
        return apply_affine(self.affine, indices)


@dataclass(frozen=True, slots=True)
class PartSource:
    """Where a label map says that a label is, if not as a value of the input.

    Attributes
    ----------
    file : str
        Path of the volume; empty for the input itself.
    values : tuple of int
        Its values; with neither values, names nor codes, everything but zero.
    at_least : float or None
        For a probability: from where on a voxel is inside.
    segments, codes : tuple of str
        Of DICOM segments: their names, and codes of what they show as ``SCHEME:VALUE``.
    """

    file: str = ""
    values: tuple[int, ...] = ()
    at_least: float | None = None
    segments: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LabelMap:
    """What the values of a label volume mean.

    Attributes
    ----------
    labels : mapping of str to tuple of int
        Parts of the atrium, by the names in ``LABEL_NAMES``.
    structures : mapping of str to tuple of int
        Neighbours, by any name.
    source : str
        Where it was read, for messages.
    parts : mapping of str to PartSource
        Labels and structures that are not values of the input alone.
    """

    labels: Mapping[str, tuple[int, ...]]
    structures: Mapping[str, tuple[int, ...]]
    source: str = "label map"
    parts: Mapping[str, PartSource] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class LabelBorder:
    """The plane in which a vein's label meets the labels of the atrium.

    Attributes
    ----------
    centre : (3,) array
        The middle of the voxel faces between them, LPS mm.
    normal : (3,) array
        Unit vector into the vein: the mean direction of these faces.
    area_mm2 : float
        Of the faces as they are seen along the normal.
    """

    centre: FloatArray
    normal: FloatArray
    area_mm2: float


@dataclass(frozen=True, slots=True, eq=False)
class LabelledLumen:
    """The lumen of a label volume and what its labels say.

    Attributes
    ----------
    surface : Surface
        Closed, outward normals.
    hints : mapping of str to (N, 3) array
        Voxel centres by label name, LPS mm; empty where the lumen is one label.
    resolution_mm : float
        Longest voxel edge.
    structures : mapping of str to Surface
        Neighbouring structures by name.
    septum_points : (N, 3) array
        Voxel centres of the septum; no rows where none is labelled.
    borders : mapping of str to LabelBorder
        Where the label of each single vein meets the atrium's.
    values : mapping of str to tuple of int
        The values of each label in the volume.
    image_border_points : (N, 3) array
        Voxel centres of the lumen at the border of the volume, LPS mm.
    notes : tuple of Note
    """

    surface: Surface
    hints: Mapping[str, FloatArray]
    resolution_mm: float
    structures: Mapping[str, Surface]
    septum_points: FloatArray
    notes: tuple[Note, ...]
    borders: Mapping[str, LabelBorder] = field(default_factory=dict)
    values: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    image_border_points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
