"""Make the sample cases of this folder anew: ``python sample_meshes/make_samples.py [FOLDER]``.

The cases are invented: no patient, no scan. They come out of
``veinfit.cohort.synthesis`` byte for byte the same every time.
"""

from __future__ import annotations

import dataclasses
import gzip
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import nibabel
import numpy as np
import trimesh

from veinfit.cohort.synthesis import AtriumShape, SyntheticAtrium, build, draw_shape
from veinfit.frames import ras_affine_to_lps
from veinfit.surface import Surface

HERE = Path(__file__).parent

INVENTED = "Invented case of the invented Larkmoor imaging lab: no patient, no scan."

DECIMALS = 3
"""Coordinates are rounded to a micrometre, so that files do not hang on the last bits."""

OBLIQUE_DEG = (8.0, -5.0, 12.0)
"""Turn of the label volume's grid about the patient's axes."""


def small_sharp_vein() -> AtriumShape:
    """Give an atrium whose left inferior vein is small, oval and leaves the wall sharply."""
    shape = draw_shape(2, "four")
    veins = tuple(
        dataclasses.replace(vein, d_long_mm=11.0, d_short_mm=7.5, fillet_mm=1.0)
        if vein.name == "LIPV"
        else vein
        for vein in shape.veins
    )
    return dataclasses.replace(shape, veins=veins)


def open_mesh(folder: Path) -> SyntheticAtrium:
    """Write Larkmoor 01: open mesh, four veins."""
    atrium = build(draw_shape(6, "four"))
    write_ply(folder / "larkmoor-01.ply", atrium.open_surface(edge_mm=1.2))
    return atrium


def common_trunk(folder: Path) -> SyntheticAtrium:
    """Write Larkmoor 02: closed mesh, left common trunk."""
    atrium = build(draw_shape(8, "left_common_long"))
    surface = atrium.closed_surface(edge_mm=1.6, vein_ends="rounded", mitral_dome_mm=6.0)
    write_stl(folder / "larkmoor-02.stl", surface)
    return atrium


def middle_vein(folder: Path) -> SyntheticAtrium:
    """Write Larkmoor 03: label volume with label map and landmarks, right middle vein."""
    atrium = build(draw_shape(8, "right_middle"))
    labelled = ("septum", "oesophagus")
    volume = atrium.label_volume(
        spacing_mm=(0.5, 0.5, 0.7), rotation_deg=OBLIQUE_DEG, neighbours=labelled
    )
    write_nifti(folder / "larkmoor-03.nii.gz", volume.values, np.asarray(volume.affine))
    text = atrium.label_map_text(neighbours=labelled)
    write_text(folder / "larkmoor-03.labels.toml", f"# {INVENTED}\n{text}")
    write_landmarks(folder / "larkmoor-03.landmarks.csv", atrium)
    return atrium


def sharp_vein(folder: Path) -> SyntheticAtrium:
    """Write Larkmoor 04: open mesh, small left inferior vein with a sharp edge."""
    atrium = build(small_sharp_vein())
    write_ply(folder / "larkmoor-04.ply", atrium.open_surface(edge_mm=1.2))
    return atrium


CASES: Mapping[str, Callable[[Path], SyntheticAtrium]] = {
    "larkmoor-01": open_mesh,
    "larkmoor-02": common_trunk,
    "larkmoor-03": middle_vein,
    "larkmoor-04": sharp_vein,
}
"""What makes each case."""


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 with plain line ends on every system."""
    path.write_bytes(text.encode("utf-8"))


def _mesh(surface: Surface) -> trimesh.Trimesh:
    points = np.round(surface.points, DECIMALS)
    return trimesh.Trimesh(points, surface.faces, process=False)


def write_ply(path: Path, surface: Surface) -> None:
    """Write a binary PLY, LPS mm."""
    path.write_bytes(trimesh.exchange.ply.export_ply(_mesh(surface), vertex_normal=False))


def write_stl(path: Path, surface: Surface) -> None:
    """Write a binary STL, LPS mm."""
    path.write_bytes(trimesh.exchange.stl.export_stl(_mesh(surface)))


def write_nifti(path: Path, values: np.ndarray, lps_affine: np.ndarray) -> None:
    """Write a label volume as compressed NIfTI, whose world is RAS."""
    # The flip of x and y is its own inverse.
    image = nibabel.Nifti1Image(values, ras_affine_to_lps(lps_affine))
    image.header.set_xyzt_units("mm")
    image.header["descrip"] = b"invented case"
    path.write_bytes(gzip.compress(image.to_bytes(), compresslevel=9, mtime=0))


def write_landmarks(path: Path, atrium: SyntheticAtrium) -> None:
    """Write nerve and septal crossing point as landmarks, LPS mm."""
    found = atrium.neighbours
    rows = [("septal_crossing", found.septal_crossing)]
    if found.phrenic_nerve is not None:
        rows += [(found.phrenic_nerve.name, point) for point in found.phrenic_nerve.points]
    lines = [f"# {INVENTED}", "# frame: lps", "name,x_mm,y_mm,z_mm"]
    lines += [",".join([name, *(f"{c:.{DECIMALS}f}" for c in point)]) for name, point in rows]
    write_text(path, "\n".join(lines) + "\n")


def write_truth(path: Path, case: str, atrium: SyntheticAtrium) -> None:
    """Write what is true of a case."""
    content = {
        "about": INVENTED,
        "case": case,
        "frame": "LPS",
        "unit": "mm",
        "truth": atrium.truth.as_mapping(DECIMALS, curves=False),
    }
    write_text(path, json.dumps(content, indent=1) + "\n")


def main(folder: Path = HERE) -> None:
    """Make every case in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for case, make in CASES.items():
        write_truth(folder / f"{case}.truth.json", case, make(folder))
        print(f"{case}: made")


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:2]))
