"""Small sound DICOM files: segmentations of every kind, contours, a slice, many frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from fuzz.seed import Seed

from veinfit.io.inputs.gathering import read_labels
from veinfit.io.inputs.images import read_image

SHAPE = (12, 10, 9)
FIXED = {"DA": "20260102", "TM": "030405", "DT": "20260102030405"}


def dicom_seeds(folder: Path) -> list[Seed]:
    """Return them; none where the packages of the extra are missing."""
    try:
        import dicom_made as made
        from pydicom.uid import RLELossless
    except ImportError:
        return []
    affine = np.diag([1.0, 1.0, 1.2, 1.0])
    mask = np.zeros(SHAPE, bool)
    mask[3:8, 3:7, 2:7] = True
    vein = np.zeros(SHAPE, bool)
    vein[8:11, 4:6, 3:5] = True
    series = made.series(affine, np.arange(mask.size).reshape(SHAPE) % 700)
    objects = {
        "binary": made.segmentation(series, {"LA": mask, "upper left": vein}, "BINARY"),
        "labelmap": made.segmentation(series, {"LA": mask, "upper left": vein}, "LABELMAP"),
        "packed": made.segmentation(
            series, {"LA": mask * 0.9}, "FRACTIONAL", transfer_syntax_uid=RLELossless
        ),
        "contours": made.structure_set(
            {"left atrium": [_square(z, side) for z, side in enumerate((3, 6, 8, 8, 6, 3))]}
        ),
        # On borders of pixels, which are told from them.
        "traced": made.structure_set(
            {"left atrium": [_square(z, side) for z, side in enumerate((3, 5, 7, 9, 7, 5))]}
        ),
    }
    frames = made.enhanced(affine, np.arange(mask.size).reshape(SHAPE) % 700)
    steady({**objects, "frames": frames, **{f"slice{k}": ds for k, ds in enumerate(series)}})
    found = [
        Seed(f"{name}.dcm", "v.dcm", _content(ds, folder), lambda path: read_labels(path, None), {})
        for name, ds in objects.items()
    ]
    slices = {f"s{k}.dcm": _content(ds, folder) for k, ds in enumerate(series)}
    first = slices.pop("s4.dcm")
    found.append(Seed("frames.dcm", "v.dcm", _content(frames, folder), read_image, {}))
    return [*found, Seed("slice.dcm", "s4.dcm", first, lambda p: read_image(p.parent), slices)]


def steady(objects) -> None:
    """Give the same unique identifiers, dates and times in every process."""
    known: dict[str, str] = {}

    def change(ds, element) -> None:
        if element.VR == "UI" and str(element.value).startswith(("1.2.826.", "2.25.")):
            element.value = known.setdefault(str(element.value), f"2.25.{1000 + len(known)}")
        elif element.VR in FIXED and element.value:
            element.value = FIXED[element.VR]

    for ds in objects.values():
        ds.walk(change)
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID


def _content(ds, folder: Path) -> bytes:
    ds.save_as(folder / "object.dcm", enforce_file_format=True)
    return (folder / "object.dcm").read_bytes()


def _square(height: float, side: float) -> np.ndarray:
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
    return np.column_stack([corners, np.full(4, float(height))])
