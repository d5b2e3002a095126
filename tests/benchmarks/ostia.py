"""Veins, ostia, axes, diameters and names of drawn atria beside their truth.

    veinfit cohort draw --out drawn --cases 30 --seed 3
    python tests/benchmarks/ostia.py drawn/cases

Takes folders of meshes (.ply) and of label volumes (.nii.gz beside .labels.toml), each a stratum
of its own, and prints for each what is found and how far it lies from the truth, shares with their
95 % Wilson intervals. ``--rows FILE`` keeps a line of JSON a case there and goes on where an
earlier run stopped. A vein goes with the true ostium nearest to it, each at most once, so that a
wrong name does not count as a vein that is lost. Not a check: tests/README.md tells the figures
with the seed that they are of.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from scipy.optimize import linear_sum_assignment

from veinfit import InputError, Settings
from veinfit.anatomy import find_anatomy
from veinfit.case import read_case
from veinfit.cohort.statistics import wilson
from veinfit.surface.contours import contour_around, measure_contour
from veinfit.surface.cuts import plane_contours

FARTHEST_MM = 15.0
"""A measured ostium farther than this from the true one is another vein's."""

SURE = 0.9
"""A name above this confidence is one that is relied on."""

TRUNK_MM = 0.3
"""Trunk diameters are wanted this near, or a third of a voxel where that is more ..."""

FROM_END_VOXELS = 2.0
"""... where they are measured so far from the vein's cut: at it no voxels tell a diameter."""


def angle_deg(a, b):
    """Angle between two unit vectors."""
    return float(np.degrees(np.arccos(np.clip(np.dot(a, b), -1.0, 1.0))))


def diameter_mm(lumen, station):
    """Diameter of the lumen in the plane of a true section; None without section or contour."""
    if station is None:
        return None
    centre, normal = np.array(station["centroid"]), np.array(station["direction"])
    contour = contour_around(plane_contours(lumen, centre, normal), centre, normal)
    return None if contour is None else measure_contour(contour.points, normal).d_area_mm


def whole_voxels(true, voxel_mm):
    """Whether voxels tell the diameter in a true section: far enough from the end of the vein."""
    station = true["station"]
    away = (np.array(true["end_centres"]) - station["centre"]) @ np.array(station["direction"])
    return np.abs(away).min() >= FROM_END_VOXELS * (voxel_mm or 0.0)


def stem_of(path: Path) -> str:
    """Return the case that a file is of."""
    return path.name.removesuffix(".ply").removesuffix(".nii.gz")


def has_truth(path: Path) -> bool:
    """Whether a file's truth lies beside it: of a case that is still being drawn it does not."""
    return (path.parent / f"{stem_of(path)}.truth.json").exists()


def beside_truth(path: Path) -> dict:
    """Return what is found in one atrium: a row a true vein, and what is found besides."""
    stem = stem_of(path)
    truth = json.loads((path.parent / f"{stem}.truth.json").read_text())["truth"]["veins"]
    labels = path.parent / f"{stem}.labels.toml" if path.name.endswith(".nii.gz") else None
    lumen = read_case(path, labels=labels).lumen
    try:
        anatomy = find_anatomy(lumen, Settings())
    except InputError as reason:
        return {"case": stem, "refused": str(reason), "veins": [{"found": False} for _ in truth]}
    veins = anatomy.veins
    centres = np.array([v["ostium"]["centre"] for v in truth])
    apart = np.array([np.linalg.norm(centres - v.ostium.centre, axis=1) for v in veins])
    pairs = {}
    if len(veins):
        for i, j in zip(*linear_sum_assignment(np.minimum(apart, 10 * FARTHEST_MM)), strict=True):
            if apart[i, j] <= FARTHEST_MM:
                pairs[int(j)] = int(i)
    rows = []
    for j, true in enumerate(truth):
        row = {"true_name": true["name"], "found": j in pairs}
        trunk = diameter_mm(anatomy.lumen, true["station"])
        if trunk is not None and whole_voxels(true, lumen.resolution_mm):
            row["trunk_off_mm"] = trunk - true["station"]["d_area_mm"]
        if j in pairs:
            vein = veins[pairs[j]]
            off = vein.ostium.centre - centres[j]
            row |= {
                "name": vein.name,
                "name_confidence": vein.name_confidence,
                "off_mm": float(np.linalg.norm(off)),
                "into_vein_mm": float(off @ np.array(true["ostium"]["normal"])),
                "off_deg": angle_deg(vein.ostium.normal, true["ostium"]["normal"]),
                "bound_mm": vein.ostium.error_mm,
                "confidence": vein.ostium.confidence,
                "kind": vein.ostium.kind,
                "axis_deg": angle_deg(vein.axis, true["section_axis"]),
                "axis_bound_deg": vein.axis_error_deg,
            }
        rows.append(row)
    others = [v for i, v in enumerate(veins) if i not in pairs.values()]
    return {
        "case": stem,
        "voxel_mm": lumen.resolution_mm,
        "veins": rows,
        "besides": [[v.name, v.name_confidence] for v in others],
        "lost": dict(anatomy.unmeasured),
    }


def share(hits) -> str:
    """Say a share with its interval."""
    hits = np.asarray(hits, dtype=bool)
    if not len(hits):
        return "none"
    good = wilson(int(hits.sum()), len(hits))
    percent = f"{100 * hits.mean():.1f} % ({100 * good.low:.1f} to {100 * good.high:.1f})"
    return f"{percent}, {hits.sum()} of {len(hits)}"


def told(cases: list[dict]) -> str:
    """Say what the cases come to."""
    every = [row for case in cases for row in case["veins"]]
    rows = [row for row in every if row["found"]]
    column = {
        key: np.array([row[key] for row in rows], dtype=float)
        for key in ("off_mm", "off_deg", "bound_mm", "confidence", "axis_deg", "axis_bound_deg")
    }
    off, right = column["off_mm"], np.array([row["name"] == row["true_name"] for row in rows])
    sure = np.array([row["name_confidence"] > SURE for row in rows])
    whole = [
        sorted(row.get("name", "") for row in case["veins"])
        == sorted(row.get("true_name", "?") for row in case["veins"])
        and all(row.get("name") == row.get("true_name") for row in case["veins"])
        and not case.get("besides")
        for case in cases
    ]
    voxel = max(case.get("voxel_mm") or 0.0 for case in cases)
    wanted = max(TRUNK_MM, voxel / 3.0 if voxel > 0.8 else 0.0)
    trunks = [abs(row["trunk_off_mm"]) for row in every if row.get("trunk_off_mm") is not None]
    lines = {
        "atria": f"{len(cases)}, {sum('refused' in case for case in cases)} refused",
        "veins found": share([row["found"] for row in every]),
        "found besides": str(sum(len(case.get("besides", ())) for case in cases)),
        "names right, of veins found": share(right),
        "atria with every name right": share(whole),
        f"wrong, of names above {SURE:g}": share(~right[sure]),
        "ostium off, median": f"{np.median(off):.2f} mm",
        "ostium within 1 mm": share(off <= 1.0),
        "ostium within 1 mm and 5 deg": share((off <= 1.0) & (column["off_deg"] <= 5.0)),
        "ostium within 2 mm": share(off <= 2.0),
        "ostium inside its bound": share(off <= column["bound_mm"]),
        "bound, median": f"{np.nanmedian(column['bound_mm']):.1f} mm",
        "off by over 3 mm at confidence above 0.7": share((off > 3.0)[column["confidence"] > 0.7]),
        "axis off, median": f"{np.median(column['axis_deg']):.1f} deg",
        "axis inside its bound, of names right": share(
            (column["axis_deg"] <= column["axis_bound_deg"])[right]
        ),
        f"trunk diameter within {wanted:.2f} mm": share(np.array(trunks) <= wanted),
    }
    order = np.argsort(column["confidence"])
    good = (off <= 1.0) & (column["off_deg"] <= 5.0)
    sixths = "; ".join(
        f"{column['confidence'][part].mean():.2f}: {good[part].mean():.2f}"
        for part in np.array_split(order[::-1], 6)
        if len(part)
    )
    lines["sixths by confidence, said: within 1 mm, 5 deg"] = sixths
    return "\n".join(f"{name:48s} {value}" for name, value in lines.items())


def main() -> None:
    """Run the folders, case by case."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--rows", type=Path, help="keep a line of JSON a case here, and resume")
    parser.add_argument("--only-told", action="store_true", help="run nothing, tell what is kept")
    parser.add_argument("--most", type=int, help="no more than so many cases of each folder")
    options = parser.parse_args()
    kept: dict[str, dict] = {}
    if options.rows and options.rows.exists():
        for line in options.rows.read_text().splitlines():
            case = json.loads(line)
            kept[case["path"]] = case
    strata = {}
    for folder in options.folders:
        strata[folder] = []
        drawn = [
            p for p in sorted([*folder.glob("*.ply"), *folder.glob("*.nii.gz")]) if has_truth(p)
        ]
        for path in drawn[: options.most]:
            key = str(path.resolve())
            if key not in kept and not options.only_told:
                kept[key] = beside_truth(path) | {"path": key}
                if options.rows:
                    with options.rows.open("a") as out:
                        out.write(json.dumps(kept[key]) + "\n")
            if key in kept:
                strata[folder].append(kept[key])
    for folder, cases in strata.items():
        if cases:
            print(f"{folder}\n{told(cases)}\n")
    if sum(bool(cases) for cases in strata.values()) > 1:
        print(f"all\n{told([case for cases in strata.values() for case in cases])}")


if __name__ == "__main__":
    main()
