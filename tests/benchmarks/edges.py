"""What the edge length of a mesh costs: ``python tests/benchmarks/edges.py [ATRIA] [EDGE_MM ...]``.

Meshes invented atria of the easy kind with four veins, whose truth is known, at each edge length,
finds their veins and prints the errors of the ostial diameter and of the ostium's place, median and
greatest. Not a check: ``MESH_COSTS`` of ``veinfit/anatomy/verdict.py`` holds the figures, which the
verdict on an input tells.
"""

from __future__ import annotations

import sys

import numpy as np

from veinfit import InputError, find_veins
from veinfit.synthetic import build, draw_shape

EDGES_MM = (0.5, 1.0, 2.0, 3.0)


def errors(seed: int, edge_mm: float) -> list[tuple[float, float]]:
    """Error of d_area and distance of the ostium, mm, of each vein of one atrium."""
    atrium = build(draw_shape(seed, "four"))
    try:
        found = find_veins(atrium.open_surface(edge_mm=edge_mm))
    except InputError as reason:
        print(f"atrium {seed}, edges of {edge_mm:g} mm: {reason}")
        return []
    rows = []
    for true in atrium.truth.veins:
        near = min(found.veins, key=lambda v: np.linalg.norm(v.ostium.centre - true.ostium.centre))
        off = float(np.linalg.norm(near.ostium.centre - true.ostium.centre))
        rows.append((abs(near.ostium.measures.d_area_mm - true.ostium.d_area_mm), off))
    return rows


def main() -> None:
    """Print a line for each edge length."""
    atria = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    print("edges  ostia  d_area, median  greatest  place, median  greatest, mm")
    for edge_mm in [float(word) for word in sys.argv[2:]] or EDGES_MM:
        rows = [row for seed in range(1, atria + 1) for row in errors(seed, edge_mm)]
        size, place = np.array(rows).T
        print(
            f"{edge_mm:5.1f}  {len(rows):5d}  {np.median(size):14.2f}  {size.max():8.2f}  "
            f"{np.median(place):13.2f}  {place.max():8.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
