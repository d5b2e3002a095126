"""Drawn atria that several tests share; each is built once a process."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from veinfit.surface import Surface
from veinfit.surface.mesh import edges
from veinfit.synthetic import SyntheticAtrium, build, draw_shape


@lru_cache
def drawn(variant: str, seed: int = 0) -> SyntheticAtrium:
    """One drawn atrium of a variant."""
    return build(draw_shape(seed, variant))


def euler_number(surface: Surface) -> int:
    """Vertices in use less edges plus faces."""
    pairs, _, _ = edges(surface)
    return len(np.unique(surface.faces)) - len(pairs) + len(surface.faces)


def edge_uses(surface: Surface) -> set[int]:
    """By how many faces edges are used."""
    return {int(count) for count in np.unique(edges(surface)[2])}
