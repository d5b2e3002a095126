"""What each further part of a case costs: ``python tests/benchmarks/parts_cost.py ATRIUM ...``.

Assesses each atrium with all parts and with each left out by its setting, without pictures, and
prints the seconds of processor that it takes more. Not a check: ``veinfit/seating/README.md``
holds the figures.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from veinfit import assess, find_veins

PARTS = {
    "growth in place": ("growth_in_place", False),
    "several seats": ("plan_below_probability", 0.0),
    "places of the crossing": ("crossing_map", False),
    "mapping loop": ("loop_diameter_mm", 0.0),
}


def seconds(atrium: Path, settings: dict[str, object]) -> float:
    """Seconds of processor of one case."""
    began = time.process_time()
    assess(atrium, settings={"seating": settings})
    return time.process_time() - began


def main() -> None:
    """Print a line a part and atrium."""
    for atrium in map(Path, sys.argv[1:]):
        find_veins(atrium)  # what is loaded once is no part's
        whole = seconds(atrium, {})
        print(f"{atrium.name}: all of it {whole:.1f} s")
        for part, (name, off) in PARTS.items():
            print(f"  {part}: {whole - seconds(atrium, {name: off}):.2f} s", flush=True)


if __name__ == "__main__":
    main()
