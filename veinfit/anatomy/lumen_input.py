"""What the readers deliver to the anatomy stages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from veinfit.labels.model import LabelBorder
from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class LumenInput:
    """What the readers deliver to the anatomy stages.

    Attributes
    ----------
    surface : Surface
        The blood-wall surface as read: open or closed.
    hints : mapping of str to (N, 3) array
        Voxel centres of labelled parts (``LSPV``, ``appendage``, ``pulmonary_veins``,
        ``left_atrium``), LPS mm; empty where the input has none. They help to
        tell veins apart and to name them.
    resolution_mm : float or None
        Largest voxel edge for a volume, None for a mesh.
    label_borders : mapping of str to LabelBorder
        Where the label of each single vein meets the atrium's.
    label_values : mapping of str to tuple of int
        The values of each label, for messages.
    image_border_points : (N, 3) array
        Voxel centres of the lumen at the border of the volume.
    trust_frame : bool
        The frame is doubted, and not refused, where the anatomy contradicts it.
    notes : tuple of Note
        What the readers had to remark, where the surface is handed on by itself.
    septum_points : (N, 3) array or None
        Of the labelled septum, likewise; LPS mm.
    """

    surface: Surface
    hints: Mapping[str, FloatArray] = field(default_factory=dict)
    resolution_mm: float | None = None
    trust_frame: bool = False
    label_borders: Mapping[str, LabelBorder] = field(default_factory=dict)
    label_values: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    image_border_points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    notes: tuple[Note, ...] = ()
    septum_points: FloatArray | None = None

    def __repr__(self) -> str:
        told = f"voxels of {self.resolution_mm:.1f} mm" if self.resolution_mm else "a mesh"
        labels = f"; labels {', '.join(sorted(self.hints))}" if self.hints else ""
        doubts = sum(note.severity != "info" for note in self.notes)
        cautions = f"; {doubts} caution{'s' * (doubts > 1)}" if doubts else ""
        return f"LumenInput({self.surface!r} from {told}{labels}{cautions})"
