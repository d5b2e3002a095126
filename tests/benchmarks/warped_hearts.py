"""Real walls in new shapes: atria warped smoothly, their veins beside where the warp puts them.

    python tests/benchmarks/warped_hearts.py --cases 20 atrium.ply volume.nii.gz=volume.labels.toml

Each atrium is stretched along its axes and bent by smooth bumps, drawn anew for each case; labels
and hints are left out, so that the shape alone tells. ``--voxels 0.8`` surfaces each anew from
voxels of that size. Prints every vein that is lost, has another name, or lies outside its bound
of where the warp puts the ostium of the atrium as it is, and in the end how many do, and how many
lie within 2 mm. What the warp does to a wall moves an ostium too, so that these distances hold
more than errors. ``--frame ras`` is for meshes in that frame. Not a check: tests/README.md tells
the figures.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from same_heart import surfaced_anew

from veinfit import InputError, Settings
from veinfit.anatomy import find_anatomy
from veinfit.anatomy.model import Anatomy
from veinfit.case import read_case
from veinfit.surface import Surface
from veinfit.vectors import FloatArray

STRETCH = (0.85, 1.2)
"""Range of the stretch along each axis."""

BUMPS = 12
BUMP_MM = (14.0, 28.0)
"""Standard deviation of a bump's reach ..."""

LEAST_BUMP_MM, MOST_BUMP_SHARE = 2.0, 0.3
"""... and how far it moves its middle: at most this share of its reach, so that none folds."""

AROUND_MM = 10.0
"""Bumps lie up to so far outside the atrium."""

NEAR_MM = 2.0
SURE = 0.9


def warp_of(points: FloatArray, rng: np.random.Generator) -> Callable[[FloatArray], FloatArray]:
    """Return a smooth map of space, (N, 3) to (N, 3), drawn for a surface's points (V, 3)."""
    middle = points.mean(axis=0)
    stretch = rng.uniform(*STRETCH, 3)
    low, high = points.min(axis=0) - AROUND_MM, points.max(axis=0) + AROUND_MM
    centres = rng.uniform(low, high, (BUMPS, 3))
    reaches = rng.uniform(*BUMP_MM, BUMPS)
    ways = rng.normal(size=(BUMPS, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    ways *= rng.uniform(LEAST_BUMP_MM, MOST_BUMP_SHARE * reaches)[:, None]

    def warp(at: FloatArray) -> FloatArray:
        for centre, reach, way in zip(centres, reaches, ways, strict=True):
            near = np.exp(-0.5 * ((at - centre) ** 2).sum(axis=1) / reach**2)
            at = at + near[:, None] * way
        return middle + stretch * (at - middle)

    return warp


@dataclass
class Tally:
    """What became of the veins of all cases, one atrium's or all."""

    distances: list[float] = field(default_factory=list)
    outside: int = 0
    lost: int = 0
    doubted: int = 0
    wrong_and_sure: int = 0

    def add(self, name: str, first: Anatomy, second: Anatomy, warp: Callable) -> None:
        """Count and print how the veins of a warped atrium lie beside those of the first."""
        there = {vein.name: vein for vein in second.veins}
        for vein in first.veins:
            expected = warp(vein.ostium.centre[None])[0]
            other = there.get(vein.name)
            if other is None:
                self.lost += 1
                print(f"  {name}: {vein.name} is lost or has another name", flush=True)
                continue
            off = float(np.linalg.norm(expected - other.ostium.centre))
            self.distances.append(off)
            self.doubted += other.name_confidence <= SURE
            if off > other.ostium.error_mm:
                self.outside += 1
                bound = other.ostium.error_mm
                print(f"  {name}: {vein.name} by {off:.1f} mm, bound {bound:.1f} mm", flush=True)
        for vein in second.veins:
            if vein.name not in {v.name for v in first.veins} and vein.name_confidence > SURE:
                self.wrong_and_sure += 1
                sure = vein.name_confidence
                print(f"  {name}: {vein.name} is not in the first, at {sure:.2f}", flush=True)

    def line(self) -> str:
        """Tell the counts."""
        off = np.array(self.distances)
        return (
            f"{len(off)} of {len(off) + self.lost} veins found and named as before "
            f"({self.doubted} names at {SURE:g} at most), {self.wrong_and_sure} others sure; "
            f"{np.mean(off <= NEAR_MM):.0%} within {NEAR_MM:g} mm, median {np.median(off):.1f}, "
            f"{self.outside} outside their bound"
        )


def main() -> None:
    """Run the atria named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("atria", nargs="+", metavar="FILE[=LABELS.toml]")
    parser.add_argument("--frame", choices=("lps", "ras"), default="lps")
    parser.add_argument("--cases", type=int, default=20, help="of each atrium")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--voxels", type=float, metavar="MM", help="surface each anew")
    options = parser.parse_args()
    tally = Tally()
    for each in options.atria:
        path, _, labels = each.partition("=")
        frame = options.frame if not labels else "lps"
        lumen = read_case(path, labels=labels or None, frame=frame).lumen
        first = find_anatomy(lumen, Settings())
        lumen = replace(lumen, hints={}, label_borders={})
        print(f"{Path(path).name}: {', '.join(vein.name for vein in first.veins)}", flush=True)
        for case in range(options.cases):
            rng = np.random.default_rng([options.seed, case])
            warp = warp_of(lumen.surface.points, rng)
            surface = Surface(warp(lumen.surface.points), lumen.surface.faces)
            warped = replace(lumen, surface=surface)
            if options.voxels is not None:
                anew = surfaced_anew(surface, options.voxels)
                warped = replace(lumen, surface=anew, resolution_mm=options.voxels)
            try:
                second = find_anatomy(warped, Settings())
            except InputError as refused:
                tally.lost += len(first.veins)
                print(f"  {case}: refused: {refused}", flush=True)
                continue
            tally.add(str(case), first, second, warp)
    print(tally.line())


if __name__ == "__main__":
    main()
