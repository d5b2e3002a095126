"""What was found of an atrium before anything is measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.model import Branches
from veinfit.anatomy.candidates import Candidate
from veinfit.anatomy.naming.names import Naming
from veinfit.anatomy.wall_opening import OpenedLumen
from veinfit.labels.model import LabelBorder
from veinfit.notes import Note
from veinfit.settings import Settings
from veinfit.vectors import FloatArray
from veinfit.vein_names import APPENDAGE, MITRAL, vein_order


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What was found before anything is measured.

    Attributes
    ----------
    lumen : Lumen
    branches : Branches
    candidates : sequence of Candidate
    naming : Naming
    roles : mapping of str to int
        Name of every vein, of the appendage and of the mitral side, to its candidate.
    opened : OpenedLumen
    settings : Settings
    notes : tuple of Note
        Of the lumen.
    resolution_mm : float or None
        Of the volume; None for a mesh.
    missing : mapping of str to str
        Veins that a label names and that were not found, with the reason.
    label_borders : mapping of str to LabelBorder
        Where the label of each single vein meets the atrium's.
    label_values : mapping of str to tuple of int
        The values of each label.
    image_border_points : (N, 3) array
        Voxel centres of the lumen at the border of the volume.
    """

    lumen: Lumen
    branches: Branches
    candidates: Sequence[Candidate]
    naming: Naming
    roles: Mapping[str, int]
    opened: OpenedLumen
    settings: Settings
    notes: tuple[Note, ...]
    resolution_mm: float | None = None
    missing: Mapping[str, str] = field(default_factory=dict)
    label_borders: Mapping[str, LabelBorder] = field(default_factory=dict)
    label_values: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    image_border_points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def vein_names(self) -> tuple[str, ...]:
        """Names of the veins, measured or not, in the clinical order."""
        names = (r for r in self.roles if r not in (APPENDAGE, MITRAL))
        return tuple(sorted(names, key=vein_order))

    @property
    def open_holes(self) -> int:
        """How many openings are no end of a vein or the appendage, and not the mitral side."""
        used = {
            self.branches.branches[member].opening
            for index in self.roles.values()
            for member in self.candidates[index].members
        }
        return sum(
            index not in used and not opening.is_closed
            for index, opening in enumerate(self.lumen.openings)
        )
