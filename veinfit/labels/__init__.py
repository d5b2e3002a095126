"""Label volumes: which voxels are the lumen, and its sub-voxel surface."""

from veinfit.labels.lumen import lumen_input
from veinfit.labels.model import (
    ATRIUM_MM_RANGE,
    LABEL_NAMES,
    LabelledLumen,
    LabelMap,
    LabelVolume,
    is_label_name,
)
from veinfit.labels.voxel_surface import lumen_surface

__all__ = [
    "ATRIUM_MM_RANGE",
    "LABEL_NAMES",
    "LabelMap",
    "LabelVolume",
    "LabelledLumen",
    "is_label_name",
    "lumen_input",
    "lumen_surface",
]
