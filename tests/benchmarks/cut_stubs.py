"""The same heart with its veins cut short and closed: which veins are then still found.

    python tests/benchmarks/cut_stubs.py atrium.ply volume.nii.gz=volume.labels.toml

Every vein of each atrium is cut square to its ostium, 4, 6 and 8 mm past it, and the cut closed by
a flat lid, as segmentations are that end near to the atrium. Labels are not used. Prints each vein
that is lost, has another name, or lies farther from where it was than its bound. ``--open`` leaves
the cuts open; ``--frame ras`` is for meshes in that frame. Not a check: tests/README.md tells the
figures.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from veinfit import Settings
from veinfit.anatomy import find_anatomy
from veinfit.anatomy.branches.end_cuts import EndCut, cut_ends
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.model import Vein
from veinfit.case import read_case
from veinfit.surface import Surface
from veinfit.surface.cleaning import clean_surface
from veinfit.surface.mesh import select_faces
from veinfit.surface.openings import boundary_loops, cap_loops

PAST_MM = (4.0, 6.0, 8.0)


def cut_short(surface: Surface, veins: Sequence[Vein], past_mm: float, is_open: bool) -> Surface:
    """Return a surface whose veins end so far past their ostia, by lids or open."""
    clean = clean_surface(surface, Settings().surface).surface
    closed, cap = cap_loops(clean, boundary_loops(clean))
    cuts = [EndCut(v.ostium.centre + past_mm * v.ostium.normal, v.ostium.normal) for v in veins]
    wall, _ = cut_ends(Wall(closed, np.zeros(len(cap), dtype=bool)), cuts)
    short, _ = select_faces(wall.surface, ~wall.is_cap)
    return short if is_open else cap_loops(short, boundary_loops(short))[0]


def told(first: Sequence[Vein], second: Sequence[Vein], what: str) -> int:
    """Print what became of each vein that is not what it was, and return how many there are."""
    there = {vein.name: vein for vein in second}
    wrong = 0
    for vein in first:
        other = there.get(vein.name)
        if other is None:
            print(f"  {what}: {vein.name} is lost or has another name")
        else:
            off = float(np.linalg.norm(other.ostium.centre - vein.ostium.centre))
            if off <= other.ostium.error_mm:
                continue
            print(f"  {what}: {vein.name} by {off:.1f} mm, its bound {other.ostium.error_mm:.1f}")
        wrong += 1
    return wrong


def main() -> None:
    """Run the atria named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("atria", nargs="+", metavar="FILE[=LABELS.toml]")
    parser.add_argument("--frame", choices=("lps", "ras"), default="lps")
    parser.add_argument("--open", action="store_true")
    options = parser.parse_args()
    veins = wrong = 0
    for each in options.atria:
        path, _, labels = each.partition("=")
        frame = options.frame if not labels else "lps"
        lumen = replace(read_case(path, labels=labels or None, frame=frame).lumen, trust_frame=True)
        first = find_anatomy(lumen, Settings()).veins
        print(path, len(first), "veins")
        for past in PAST_MM:
            short = cut_short(lumen.surface, first, past, options.open)
            bare = replace(lumen, surface=short, hints={}, label_borders={})
            second = find_anatomy(bare, Settings()).veins
            wrong += told(first, second, f"cut {past:g} mm past the ostium")
            veins += len(first)
    print(f"{wrong} of {veins} veins lost, renamed or outside their bounds")


if __name__ == "__main__":
    main()
