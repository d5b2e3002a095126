"""What the edge length of a mesh costs: ``python tests/benchmarks/edges.py [ATRIA] [EDGES ...]``.

Meshes drawn atria of the real kind, whose truth is known, at each edge length, finds their veins
and prints the errors of the ostial diameter and of the place, median and greatest. A vein goes
with the true ostium nearest to it; one farther from all than 15 mm is not counted. Not a check:
``COST_OF_EDGE`` of ``veinfit/anatomy/verdict.py`` holds the figures, which the verdict on an input
tells.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.optimize import linear_sum_assignment

from veinfit import InputError, find_veins
from veinfit.synthetic.draw.distributions import built_in_distributions
from veinfit.synthetic.draw.drawn_case import draw_case

SEED = 51
EDGES_MM = (0.5, 1.0, 2.0, 3.0)
FARTHEST_MM = 15.0


def errors(number: int, edges_mm: list[float]) -> dict[float, list[tuple[float, float]]]:
    """Error of d_area and distance of the ostium, mm, of each vein of one atrium, by edge."""
    atrium = draw_case(built_in_distributions(), SEED, number).atrium
    truths = [true.ostium for true in atrium.truth.veins]
    rows: dict[float, list[tuple[float, float]]] = {}
    for edge_mm in edges_mm:
        rows[edge_mm] = []
        try:
            veins = find_veins(atrium.open_surface(edge_mm=edge_mm)).veins
        except InputError as reason:
            print(f"atrium {number}, edges of {edge_mm:g} mm: {reason}")
            continue
        found = [vein.ostium for vein in veins]
        apart = np.array(
            [[np.linalg.norm(f.centre - true.centre) for f in found] for true in truths]
        )
        for i, j in zip(*linear_sum_assignment(np.minimum(apart, 10 * FARTHEST_MM)), strict=True):
            if apart[i, j] <= FARTHEST_MM:
                size = abs(found[j].measures.d_area_mm - truths[i].d_area_mm)
                rows[edge_mm].append((size, float(apart[i, j])))
    return rows


def main() -> None:
    """Print a line for each edge length."""
    atria = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    edges_mm = [float(word) for word in sys.argv[2:]] or list(EDGES_MM)
    each = [errors(number, edges_mm) for number in range(atria)]
    print("edges  ostia  d_area, median  greatest  place, median  greatest, mm")
    for edge_mm in edges_mm:
        rows = [row for one in each for row in one[edge_mm]]
        size, place = np.array(rows).T
        print(
            f"{edge_mm:5.1f}  {len(rows):5d}  {np.median(size):14.2f}  {size.max():8.2f}  "
            f"{np.median(place):13.2f}  {place.max():8.2f}"
        )


if __name__ == "__main__":
    main()
