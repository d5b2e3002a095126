"""Make the sample cases of this folder anew: ``python sample_meshes/make_samples.py [FOLDER]``.

The cases are invented: no patient, no scan. They come out of
``veinfit.synthetic`` byte for byte the same every time.
"""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from veinfit.synthetic import AtriumShape, SyntheticAtrium, build, draw_shape
from veinfit.synthetic.files import (
    DECIMALS,
    landmark_text,
    write_nifti,
    write_ply,
    write_stl,
    write_text,
)

HERE = Path(__file__).parent

INVENTED = "Invented case of the invented Larkmoor imaging lab: no patient, no scan."

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
    write_nifti(folder / "larkmoor-03.nii.gz", volume)
    text = atrium.label_map_text(neighbours=labelled)
    write_text(folder / "larkmoor-03.labels.toml", f"# {INVENTED}\n{text}")
    write_text(folder / "larkmoor-03.landmarks.csv", landmark_text(atrium.neighbours, INVENTED))
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
