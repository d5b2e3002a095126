"""The veins of an invented atrium as they are surveyed: centreline, own tubes, end of the flare."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.synthetic.shape.shape import VeinShape
from veinfit.synthetic.truth.carina import carina_mm, tube_index
from veinfit.synthetic.wall.fields import Implicit, round_union_all
from veinfit.synthetic.wall.implicit_tubes import ImplicitTube
from veinfit.synthetic.wall.soundness import wall_points
from veinfit.vectors import FloatArray

FLARE_TOUCH_MM = 1e-4
"""The flare has ended where the wall lies within this of the vein's own."""

END_MARGIN_MM = 0.5
"""Stations keep this far from a branching or a cut end."""

SAMPLE_MM = 0.25
"""Spacing of stations at which a vein is looked at along its centreline."""


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A vein to be surveyed: its centreline's tube and the tubes that are its own."""

    name: str
    branches: tuple[str, ...]
    tube: ImplicitTube
    own: tuple[int, ...]
    limit_mm: float
    cut: bool
    ends: FloatArray


def trunk_entry(vein: VeinShape, field: Implicit) -> Entry:
    """Return what leaves the chamber as one: a vein, or a trunk with its branches."""
    trunk = field.tubes[tube_index(field, vein.name)]
    own = [tube_index(field, vein.name)]
    if not vein.branches:
        ends = _end_centre(trunk)[None]
        return Entry(vein.name, (), trunk, tuple(own), trunk.curve.total_mm, True, ends)
    names = tuple(branch.name for branch in vein.branches)
    own += [tube_index(field, name) for name in names]
    branches = [field.tubes[k] for k in own[1:]]
    ends = np.stack([_end_centre(tube) for tube in branches])
    limit = carina_mm(field, vein)
    return Entry(vein.name, names, trunk, tuple(own), limit, False, ends)


def branch_entry(name: str, field: Implicit) -> Entry:
    """Return a named branch of a trunk, as a vein of its own."""
    k = tube_index(field, name)
    tube = field.tubes[k]
    return Entry(name, (), tube, (k,), tube.curve.total_mm, True, _end_centre(tube)[None])


def _end_centre(tube: ImplicitTube) -> FloatArray:
    return tube.curve.position(np.ones(1))[0]


def wall_end_mm(field: Implicit, entry: Entry) -> float:
    """Arc length up to which there is wall: of a cut vein as long as the field has it."""
    return entry.limit_mm + (field.extension_mm if entry.cut else 0.0)


def flare_end(field: Implicit, entry: Entry) -> float:
    """Arc length distal to which the wall is the vein's own all around."""
    end = wall_end_mm(field, entry)
    s = np.arange(0.0, end, SAMPLE_MM)
    excess = _excess(field, entry, s)
    touched = np.flatnonzero(excess > FLARE_TOUCH_MM)
    if not len(touched):
        return 0.0
    last = int(touched[-1])
    if last + 1 == len(s):
        return end
    low, high = float(s[last]), float(s[last + 1])
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        free = _excess(field, entry, np.array([middle]))[0] <= FLARE_TOUCH_MM
        low, high = (low, middle) if free else (middle, high)
    return high


def _excess(field: Implicit, entry: Entry, s: FloatArray) -> FloatArray:
    """Greatest growth (N,) of the blood beyond the vein's own wall around stations (N,)."""
    points = wall_points(entry.tube.proper, s, 48).reshape(-1, 3)
    whole = field.exact(points)
    alone = round_union_all(field.proper(points)[:, list(entry.own)], field.carina_mm)
    return np.asarray((alone - whole).reshape(len(s), -1).max(axis=1))


def reach_mm(entry: Entry) -> float:
    """Farther than this from its centreline a vein's wall is not sought."""
    return 2.0 * float(entry.tube.semi_long.max()) + 6.0
