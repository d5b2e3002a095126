"""Make ``table-linear.json``: ``PYTHONPATH=tests python -m benchmarks.sheet.make_table [DEPTH]``.

Leak, depth and ring of two balls in the six seats at rising pushes, on sheets tethered by 0
and by 0.5 kPa/mm, and the stiffness of the oval mode. DEPTH, mm, is that of the law's
stiffening, inf for a linear one (the default); the name of the file tells it. Some 170
equilibria, about 5 minutes of processor.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import sys
from pathlib import Path
from typing import Any

from benchmarks.sheet.seats import (
    SHAFT_N_PER_MM,
    WALL_MM,
    oval_mode_n_per_mm,
    ring_radius_mm,
    seats,
)
from benchmarks.sheet.shapes import SEATS, SeatShape, seat_surface

HERE = Path(__file__).parent
STIFFNESS_KPA_PER_MM = 1.0
TETHERS_KPA_PER_MM = (0.0, 0.5)
BALLS_MM = (28.0, 31.0)
PUSHES_N = (0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.9)
RADII_MM = (6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)

Run = tuple[SeatShape, float, float]


def row(run: Run, depth_mm: float) -> dict[str, Any]:
    """Return the row of one seat, ball and tether."""
    shape, ball, tether = run
    found = seats(shape, ball, PUSHES_N, tether, STIFFNESS_KPA_PER_MM, depth_mm)
    return {
        "seat": shape.name,
        "ball_mm": ball,
        "tether_kpa_per_mm": tether,
        "pushes": [_plain(dataclasses.asdict(seat)) for seat in found],
    }


def main() -> None:
    """Write the table beside this module."""
    depth = float(sys.argv[1]) if len(sys.argv) > 1 else math.inf
    law = "linear" if math.isinf(depth) else f"stiffening-{depth:g}-mm"
    runs = list(itertools.product(SEATS, BALLS_MM, TETHERS_KPA_PER_MM))
    modes = list(itertools.product(RADII_MM, TETHERS_KPA_PER_MM, ("ring", "band")))
    content: dict[str, Any] = {
        "made_by": f"PYTHONPATH=tests python -m benchmarks.sheet.make_table {depth:g}",
        "stiffness_kpa_per_mm": STIFFNESS_KPA_PER_MM,
        "stiffening_depth_mm": None if math.isinf(depth) else depth,
        "wall_mm": WALL_MM,
        "shaft_n_per_mm": SHAFT_N_PER_MM,
        "shapes": [
            _plain({**dataclasses.asdict(s), "ring_radius_mm": ring_radius_mm(seat_surface(s))})
            for s in SEATS
        ],
        "oval_mode": [
            _plain(
                {
                    "radius_mm": radius,
                    "tether_kpa_per_mm": tether,
                    "load": load,
                    "stiffness_n_per_mm": oval_mode_n_per_mm(
                        radius, tether, load, STIFFNESS_KPA_PER_MM
                    ),
                }
            )
            for radius, tether, load in modes
        ],
        "seats": [row(run, depth) for run in runs],
    }
    (HERE / f"table-{law}.json").write_text(json.dumps(content, indent=1) + "\n")


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    """Round to five decimals; what is no number is empty."""
    return {
        key: (None if math.isnan(value) else round(value, 5)) if isinstance(value, float) else value
        for key, value in values.items()
    }


if __name__ == "__main__":
    main()
