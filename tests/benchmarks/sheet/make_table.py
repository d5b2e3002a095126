"""Make ``table.json``: ``PYTHONPATH=tests python -m benchmarks.sheet.make_table [WORKERS]``.

Leak, depth and ring of two balls in the six seats at rising pushes, on sheets tethered by 0
and by 0.5 kPa/mm, of a law that is linear and of one that stiffens as the foundation does;
and the stiffness of the oval mode. A table of some 340 equilibria, 20 minutes of processor.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import json
import math
import multiprocessing
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

TABLE = Path(__file__).with_name("table.json")
STIFFNESS_KPA_PER_MM = 1.0
STIFFENING_DEPTHS_MM = (math.inf, 3.0)
TETHERS_KPA_PER_MM = (0.0, 0.5)
BALLS_MM = (28.0, 31.0)
PUSHES_N = (0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.9)
RADII_MM = (6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)

Run = tuple[SeatShape, float, float, float]


def run(settings: Run) -> dict[str, Any]:
    """Return the row of one seat, ball, tether and law."""
    shape, ball, tether, depth = settings
    rows = seats(
        shape,
        ball,
        PUSHES_N,
        tether,
        STIFFNESS_KPA_PER_MM,
        depth,
    )
    return {
        "seat": shape.name,
        "ball_mm": ball,
        "tether_kpa_per_mm": tether,
        "stiffening_depth_mm": None if math.isinf(depth) else depth,
        "pushes": [_plain(dataclasses.asdict(row)) for row in rows],
    }


def main() -> None:
    """Write the table beside this module."""
    workers = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    runs = list(itertools.product(SEATS, BALLS_MM, TETHERS_KPA_PER_MM, STIFFENING_DEPTHS_MM))
    modes = list(itertools.product(RADII_MM, TETHERS_KPA_PER_MM, ("ring", "band")))
    with multiprocessing.Pool(workers) as pool:
        rows = pool.map(run, runs, chunksize=1)
        stiffness = pool.starmap(
            functools.partial(oval_mode_n_per_mm, stiffness_kpa_per_mm=STIFFNESS_KPA_PER_MM), modes
        )
    content = {
        "made_by": "PYTHONPATH=tests python -m benchmarks.sheet.make_table",
        "stiffness_kpa_per_mm": STIFFNESS_KPA_PER_MM,
        "wall_mm": WALL_MM,
        "shaft_n_per_mm": SHAFT_N_PER_MM,
        "shapes": [
            _plain({**dataclasses.asdict(s), "ring_radius_mm": ring_radius_mm(seat_surface(s))})
            for s in SEATS
        ],
        "seats": rows,
        "oval_mode": [
            _plain({"radius_mm": r, "tether_kpa_per_mm": t, "load": load, "stiffness_n_per_mm": k})
            for (r, t, load), k in zip(modes, stiffness, strict=True)
        ],
    }
    TABLE.write_text(json.dumps(content, indent=1) + "\n")


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    """Round to five decimals; what is no number is empty."""
    return {
        key: (None if math.isnan(value) else round(value, 5)) if isinstance(value, float) else value
        for key, value in values.items()
    }


if __name__ == "__main__":
    main()
