"""Where the branches of a trunk part."""

from __future__ import annotations

import itertools

import numpy as np

from veinfit.synthetic.shape.shape import VeinShape
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import ImplicitTube
from veinfit.vectors import FloatArray


def tube_index(field: Implicit, name: str) -> int:
    """Index of the tube called ``name``."""
    return next(k for k, tube in enumerate(field.tubes) if tube.name == name)


def carina(field: Implicit, first: ImplicitTube, second: ImplicitTube) -> FloatArray:
    """Where the blood of two branches parts: the carina (3,) between them."""
    reach = min(first.curve.total_mm, second.curve.total_mm)
    share = np.linspace(0.0, 1.0, 41)[1:-1, None]

    def at(s: float) -> tuple[float, FloatArray]:
        at = np.array([s])
        a = first.curve.position(first.curve.parameter(at))[0]
        b = second.curve.position(second.curve.parameter(at))[0]
        line = a + share * (b - a)
        values = field.value(line)
        best = int(np.argmax(values))
        return float(values[best]), line[best]

    low, high = 0.0, reach
    for s in np.arange(0.0, reach, 1.0):
        if at(float(s))[0] > 0.0:
            high = float(s)
            break
        low = float(s)
    for _ in range(20):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if at(middle)[0] > 0.0 else (middle, high)
    return at(high)[1]


def along_mm(tube: ImplicitTube, point: FloatArray) -> float:
    """Arc length on a tube's centreline, gone on straight past its end, nearest to a point."""
    one = np.ones(1)
    past = float((point - tube.curve.position(one)[0]) @ tube.curve.tangent(one)[0])
    near, t = tube.curve.closest(point[None], 1e3)
    if len(near) and t[0] < 1.0:
        return float(tube.curve.arc_length(t)[0])
    return tube.curve.total_mm + past


def carina_mm(field: Implicit, vein: VeinShape) -> float:
    """Arc length on a trunk's centreline, from the body, at which its first branches part."""
    trunk = field.tubes[tube_index(field, vein.name)]
    branches = [field.tubes[tube_index(field, branch.name)] for branch in vein.branches]
    pairs = itertools.combinations(branches, 2)
    return min(along_mm(trunk, carina(field, a, b)) for a, b in pairs)
