"""Ostia, axes and names of drawn atria beside their truth.

    veinfit cohort draw --out drawn --cases 30 --seed 3
    python tests/benchmarks/ostia.py drawn/cases

Prints how many veins are found, how far ostia and axes lie from the truth, and how many lie
inside their own bounds. A vein goes with the true ostium nearest to it, each at most once, so that
a wrong name does not count as a vein that is lost. Not a check: tests/README.md tells the figures
with the seed that they are of.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import linear_sum_assignment

from veinfit import InputError, Settings
from veinfit.anatomy import find_anatomy
from veinfit.case import read_case

FARTHEST_MM = 15.0
"""A measured ostium farther than this from the true one is another vein's."""


def angle_deg(a, b):
    """Angle between two unit vectors."""
    return float(np.degrees(np.arccos(np.clip(np.dot(a, b), -1.0, 1.0))))


def beside_truth(mesh: Path) -> tuple[list[dict], int]:
    """Return a row a measured vein, and how many veins the atrium has."""
    true = json.loads(mesh.with_suffix("").with_suffix(".truth.json").read_text())["truth"]["veins"]
    veins = find_anatomy(read_case(mesh).lumen, Settings()).veins
    centres = np.array([v["ostium"]["centre"] for v in true])
    apart = np.array([np.linalg.norm(centres - v.ostium.centre, axis=1) for v in veins])
    rows = []
    for i, j in zip(*linear_sum_assignment(np.minimum(apart, 10 * FARTHEST_MM)), strict=True):
        if apart[i, j] > FARTHEST_MM:
            continue
        vein, truth = veins[i], true[j]
        rows.append(
            {
                "named": vein.name == truth["name"],
                "off_mm": apart[i, j],
                "off_deg": angle_deg(vein.ostium.normal, truth["ostium"]["normal"]),
                "bound_mm": vein.ostium.error_mm,
                "axis_deg": angle_deg(vein.axis, truth["section_axis"]),
                "axis_bound_deg": vein.axis_error_deg,
            }
        )
    return rows, len(true)


def told(rows: list[dict], veins: int) -> str:
    """Say what the rows come to."""
    column = {name: np.array([row[name] for row in rows], dtype=float) for name in rows[0]}
    off, near = column["off_mm"], column["off_deg"] <= 5.0
    percent = "{:.0f} %".format
    lines = {
        "veins found": f"{len(rows)} of {veins}",
        "names right": percent(100 * column["named"].mean()),
        "ostium off, median": f"{np.median(off):.2f} mm",
        "ostium within 1 mm": percent(100 * (off <= 1.0).mean()),
        "ostium within 1 mm and 5 deg": percent(100 * ((off <= 1.0) & near).mean()),
        "ostium within 2 mm": percent(100 * (off <= 2.0).mean()),
        "ostium inside its bound": percent(100 * (off <= column["bound_mm"]).mean()),
        "bound, median": f"{np.nanmedian(column['bound_mm']):.1f} mm",
        "axis off, median": f"{np.median(column['axis_deg']):.1f} deg",
        "axis inside its bound": percent(
            100 * (column["axis_deg"] <= column["axis_bound_deg"]).mean()
        ),
    }
    return "\n".join(f"{name:30s} {value}" for name, value in lines.items())


if __name__ == "__main__":
    every: list[dict] = []
    count = refused = 0
    for path in sorted(Path(sys.argv[1]).glob("*.ply")):
        try:
            found, veins_there = beside_truth(path)
        except InputError as reason:
            print(f"{path.name}: {reason}")
            refused += 1
            continue
        every += found
        count += veins_there
    print(told(every, count), f"\n{'atria refused':30s} {refused}")
