"""What labels of the input say of branches; a vein that has a label is one of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.model import Branch, Branches
from veinfit.anatomy.naming.roles import SEVERAL_VEINS, SOME_VEIN
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import APPENDAGE, TRUNK_BRANCHES, VEIN_NAMES

BODY_LABEL = "left_atrium"
VEINS_LABEL = "pulmonary_veins"
APPENDAGE_LABEL = "appendage"

DISTAL_SHARE = 0.5
"""The distal part of a branch, by its reach, is asked."""

LEAST_VOTES = 0.6
"""A label speaks for a branch when it holds this share of it."""

TOUCHING = 1.8
"""Voxels whose centres lie within so many spacings of another label's touch it."""

LEAST_BORDER = 6
"""Fewer touching voxels show no border."""

FARTHEST_SHARE = 0.1
"""The tip of a label is the middle of this share of its voxels, farthest from the border."""

LEAST_LENGTH_MM = 2.0
"""A label that reaches less far from its border is a skin of the atrium."""


class LabelHints:
    """Labelled voxel centres, asked which label most of a branch lies in.

    Parameters
    ----------
    hints : mapping of str to (N, 3) array
        Voxel centres by label name, mm.
    """

    def __init__(self, hints: Mapping[str, FloatArray]) -> None:
        self._hints = hints
        names = [name for name, points in hints.items() if len(points)]
        self._names = names
        self._tree: cKDTree | None = None
        if len(names) > 1:
            points = np.concatenate([hints[name] for name in names])
            self._label = np.repeat(np.arange(len(names)), [len(hints[name]) for name in names])
            self._tree = cKDTree(points)

    @cached_property
    def veins(self) -> tuple[LabelledVein, ...]:
        """Every vein that has a label of its own."""
        return labelled_veins(self._hints)

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

    def of_all(self, said: Collection[str]) -> str:
        """Return what labels say of the common part of branches from what they say of each.

        The branches of a labelled trunk may have labels of their own; where they have and the
        trunk has none, they are ``SEVERAL_VEINS``.

        Parameters
        ----------
        said : collection of str
            As of :meth:`of_branch`, each once.
        """
        if len(said) == 1:
            return next(iter(said))
        trunks = [name for name, both in TRUNK_BRANCHES.items() if set(both) == set(said)]
        if not trunks:
            return ""
        return trunks[0] if trunks[0] in self._names else SEVERAL_VEINS


@dataclass(frozen=True, slots=True, eq=False)
class LabelledVein:
    """What a label shows of a vein.

    Attributes
    ----------
    name : str
    centre, normal : (3,) array
        The middle of its border with the rest of the blood, and the border's normal into the vein.
    tip : (3,) array
        The middle of its far end.
    """

    name: str
    centre: FloatArray
    normal: FloatArray
    tip: FloatArray


def labelled_veins(hints: Mapping[str, FloatArray]) -> tuple[LabelledVein, ...]:
    """Return every vein that has a label of its own, with its border.

    Parameters
    ----------
    hints : mapping of str to (N, 3) array
        Voxel centres by label name.
    """
    return tuple(
        vein
        for name, points in hints.items()
        if name in VEIN_NAMES and (vein := _labelled(name, points, hints)) is not None
    )


def _labelled(
    name: str, points: FloatArray, hints: Mapping[str, FloatArray]
) -> LabelledVein | None:
    rest = [p for other, p in hints.items() if other != name and len(p)]
    if len(points) < 2 * LEAST_BORDER or not rest:
        return None
    spacing = float(np.median(cKDTree(points).query(points, k=2)[0][:, 1]))
    touching = TOUCHING * spacing
    low, high = points.min(axis=0) - touching, points.max(axis=0) + touching
    beside = [p[((p >= low) & (p <= high)).all(axis=1)] for p in rest]
    away, _ = cKDTree(np.concatenate(beside)).query(points, distance_upper_bound=2.0 * touching)
    border = points[away <= touching]
    if len(border) < LEAST_BORDER:
        return None
    centre = border.mean(axis=0)
    ahead = unit(points.mean(axis=0) - centre)
    height = (points - centre) @ ahead
    if height.max() < LEAST_LENGTH_MM:
        return None
    far = points[height >= np.quantile(height, 1.0 - FARTHEST_SHARE)]
    normal = np.linalg.svd(border - centre, full_matrices=False)[2][2]
    normal = normal if normal @ ahead > 0.0 else -normal
    # The border is a step of voxels, and saddled: its normal counts as much as the label's course.
    return LabelledVein(name, centre, unit(normal + ahead), far.mean(axis=0))


def with_labelled(branches: Branches, labels: LabelHints) -> Branches:
    """Return the branches with one more for each labelled vein that none of them is."""
    seen = {labels.of_branch(branch) for branch in branches.branches}
    added = [_branch(branches, vein) for vein in labels.veins if vein.name not in seen]
    return branches.with_more(added)


def _branch(branches: Branches, vein: LabelledVein) -> Branch:
    paths = branches.paths
    path = np.concatenate([paths.to_cell(paths.nearest_cell(vein.tip)), vein.tip[None]])
    reach = float(np.linalg.norm(vein.tip - vein.centre))
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    return Branch(vein.tip, path, reach, length - reach, length, None, None)
