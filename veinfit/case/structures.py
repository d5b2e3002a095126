"""Structures that do not lie where their names say: a file in another frame, or of another case."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.seating.neighbours import Structure
from veinfit.surface import Surface
from veinfit.vectors import FloatArray

FARTHEST_MM = 60.0
"""What lies farther than this from the atrium's wall is hardly a neighbour: common practice, no
source."""

SIDES = {"L": "left", "R": "right"}
"""First letters of the veins of each side."""


def structure_notes(anatomy: Anatomy, structures: Mapping[str, Structure]) -> tuple[Note, ...]:
    """Return a caution for each structure that lies on the wrong side, or far from the atrium.

    Parameters
    ----------
    anatomy : Anatomy
        Its wall and its veins.
    structures : mapping of str to Surface or (N, 3) array
        By name, in the anatomy's frame.
    """
    wall = cKDTree(anatomy.wall.points)
    ostia = {
        side: np.array([v.ostium.centre for v in anatomy.veins if v.name.startswith(letter)])
        for letter, side in SIDES.items()
    }
    notes = []
    for name, structure in structures.items():
        points = structure.points if isinstance(structure, Surface) else np.asarray(structure)
        apart = float(wall.query(points)[0].min())
        said = next((side for side in SIDES.values() if side in re.split(r"[\W_]", name)), None)
        if apart > FARTHEST_MM:
            told = f"lies {apart:.0f} mm from the atrium"
        elif said is not None and all(map(len, ostia.values())) and _nearer(points, ostia) != said:
            told = f"lies nearer to the {_nearer(points, ostia)} veins than to the {said} ones"
        else:
            continue
        words = name.replace("_", " ")
        text = f"{words} {told}: check the name, the frame and the unit of its file"
        notes.append(Note("input", text, name, "caution"))
    return tuple(notes)


def _nearer(points: FloatArray, ostia: Mapping[str, FloatArray]) -> str:
    """Return the side whose ostia, (N, 3), some points (M, 3) come nearest to."""
    return min(ostia, key=lambda side: cKDTree(ostia[side]).query(points)[0].min())
