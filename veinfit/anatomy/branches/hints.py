"""What labels of the input say about a branch."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.finding import Branch
from veinfit.anatomy.naming.roles import SOME_VEIN
from veinfit.vectors import FloatArray
from veinfit.vein_names import APPENDAGE

BODY_LABEL = "left_atrium"
VEINS_LABEL = "pulmonary_veins"
APPENDAGE_LABEL = "appendage"

DISTAL_SHARE = 0.5
"""The distal part of a branch, by its reach, is asked."""

LEAST_VOTES = 0.6
"""A label speaks for a branch when it holds this share of it."""


class LabelHints:
    """Labelled voxel centres, asked which label most of a branch lies in."""

    def __init__(self, hints: Mapping[str, FloatArray]) -> None:
        names = [name for name, points in hints.items() if len(points)]
        self._names = names
        self._tree: cKDTree | None = None
        if len(names) > 1:
            points = np.concatenate([hints[name] for name in names])
            self._label = np.repeat(np.arange(len(names)), [len(hints[name]) for name in names])
            self._tree = cKDTree(points)

    def of_branch(self, branch: Branch) -> str:
        """Return the role a label gives the branch, ``SOME_VEIN``, or an empty string."""
        if self._tree is None:
            return ""
        distance = np.linalg.norm(branch.path - branch.tip, axis=1)
        reach = max(DISTAL_SHARE * branch.reach_mm, 3.0)
        points = branch.path[distance <= reach]
        if not len(points):
            return ""
        _, nearest = self._tree.query(points)
        votes = np.bincount(self._label[nearest], minlength=len(self._names)) / len(points)
        winner = int(np.argmax(votes))
        if votes[winner] < LEAST_VOTES:
            return ""
        name = self._names[winner]
        special = {BODY_LABEL: "", VEINS_LABEL: SOME_VEIN, APPENDAGE_LABEL: APPENDAGE}
        return special.get(name, name)
