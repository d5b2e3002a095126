"""The rim of the mitral opening as lines: broken where nothing of the input tells its place."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.surface import Surface
from veinfit.surface.mesh import edges
from veinfit.vectors import FloatArray

DASH_MM, SPACE_MM = 3.0, 2.5
"""Lengths of the strokes of a broken line, and of the spaces between them."""


def mitral_lines(anatomy: Anatomy) -> list[FloatArray]:
    """Return the polylines (N, 3) that show the mitral rim; none where it is not known."""
    if anatomy.mitral is None:
        return []
    wall = anatomy.wall
    lines = [wall.points[line] for line in _rim_edges(wall, anatomy.mitral.rim)]
    return [s for line in lines for s in broken(line)] if anatomy.mitral.estimated else lines


def broken(line: FloatArray) -> list[FloatArray]:
    """Return the strokes of a polyline (N, 3) drawn as a broken one."""
    s = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    strokes = []
    for begin in np.arange(0.0, s[-1], DASH_MM + SPACE_MM):
        end = min(begin + DASH_MM, s[-1])
        at = np.concatenate([[begin], s[(s > begin) & (s < end)], [end]])
        strokes.append(np.stack([np.interp(at, s, line[:, k]) for k in range(3)], axis=1))
    return strokes


def _rim_edges(wall: Surface, rim: np.ndarray) -> list[np.ndarray]:
    """Return the open edges of ``wall`` between vertices of ``rim``, joined where they meet."""
    pairs, _, counts = edges(wall)
    open_pairs = pairs[(counts == 1) & np.isin(pairs, rim).all(axis=1)]
    following: dict[int, list[int]] = {}
    for a, b in open_pairs.tolist():
        following.setdefault(a, []).append(b)
        following.setdefault(b, []).append(a)
    lines, used = [], set()
    for start in sorted(following):
        if start in used:
            continue
        line, here = [start], start
        used.add(start)
        while True:
            ahead = [n for n in following[here] if n not in used]
            if not ahead:
                break
            here = ahead[0]
            used.add(here)
            line.append(here)
        if len(line) > 2 and start in following[here]:
            line.append(start)
        if len(line) > 1:
            lines.append(np.array(line))
    return lines
