"""Print where the sheet gives way: ``PYTHONPATH=tests python -m benchmarks.sheet.field``.

For a 28 mm ball at 0.2 N in each seat and on both sheets, ring by ring of the wall at rest: its
height above the ostial plane, its mean radius, and how far it moved across the axis, as the
amplitude of cos 2θ (negative: the long axis shortens) and as its mean (growth).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from benchmarks.sheet.seats import equilibria
from benchmarks.sheet.shapes import SEATS, SeatSurface

from veinfit.vectors import FloatArray

BALL_MM = 28.0
PUSH_N = 0.2
LAW_MM = 3.0


@dataclass(frozen=True)
class RingMove:
    """How one ring of the wall moved, mm."""

    height_mm: float
    radius_mm: float
    oval_mm: float
    growth_mm: float


def ring_moves(surface: SeatSurface, points: FloatArray) -> list[RingMove]:
    """Return how each ring moved across the axis, from the vein to the atrium."""
    count = len(surface.ostial_ring)
    rest = surface.points.reshape(-1, count, 3)
    move = points.reshape(-1, count, 3) - rest
    found = []
    for ring, shift in zip(rest, move, strict=True):
        angle = np.arctan2(ring[:, 1], ring[:, 0])
        radial = shift[:, 0] * np.cos(angle) + shift[:, 1] * np.sin(angle)
        found.append(
            RingMove(
                height_mm=float(ring[:, 2].mean()),
                radius_mm=float(np.hypot(ring[:, 0], ring[:, 1]).mean()),
                oval_mm=float(2.0 * (radial * np.cos(2.0 * angle)).mean()),
                growth_mm=float(radial.mean()),
            )
        )
    return found


def main() -> None:
    """Print every third ring."""
    for shape in SEATS:
        for tether in (0.0, 0.5):
            surface, rests = equilibria(shape, BALL_MM, (0.05, PUSH_N), tether, 1.0, LAW_MM)
            print(f"{shape.name}  tether {tether:g} kPa/mm: height, radius, oval, growth, mm")
            for one in ring_moves(surface, rests[-1].points)[::3]:
                print(
                    f"  {one.height_mm:6.1f} {one.radius_mm:6.1f} "
                    f"{one.oval_mm:6.2f} {one.growth_mm:6.2f}"
                )


if __name__ == "__main__":
    main()
