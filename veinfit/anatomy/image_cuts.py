"""Ends that the border of the image cut: the vein itself goes on."""

from __future__ import annotations

from collections.abc import Sequence

from scipy.spatial import cKDTree

from veinfit.anatomy.detection import Detection
from veinfit.anatomy.model import Vein
from veinfit.anatomy.oblique_cuts import cut_of
from veinfit.notes import Note
from veinfit.vein_names import APPENDAGE

WITHIN_VOXELS = 1.5
"""An end lies this near to voxels at the border: the surface closes there, and is smoothed."""


def image_cut_notes(found: Detection, veins: Sequence[Vein]) -> list[Note]:
    """Return a caution for each vein, and for the appendage, that the image's border cuts."""
    if not len(found.image_border_points) or found.resolution_mm is None:
        return []
    tree = cKDTree(found.image_border_points)
    notes = []
    for name in (*(vein.name for vein in veins), APPENDAGE):
        index = found.roles.get(name)
        if index is None:
            continue
        members = found.candidates[index].members
        ends = [cut_of(found, m) for m in members]
        places = [
            found.branches.branches[m].tip if end is None else end[0]
            for m, end in zip(members, ends, strict=True)
        ]
        away, _ = tree.query(places)
        if away.min() > WITHIN_VOXELS * found.resolution_mm:
            continue
        text = "the vein is cut off at the border of the image: it continues beyond the data"
        notes.append(Note("input", text, name, "caution"))
    return notes
