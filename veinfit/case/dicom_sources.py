"""Which DICOM files a case comes from: where its results go."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from veinfit.io.files import is_dicom
from veinfit.io.inputs.label_map import read_label_map


def dicom_sources(
    volumes: Iterable[Path], label_map: Path | None, image: Iterable[Path]
) -> tuple[Path, ...]:
    """Return the DICOM files of a case, those of the image before those of the labels.

    Labels are often exported under a study of their own; the image is what was taken of the
    patient. So patient and study are the image's, where it is DICOM.

    Parameters
    ----------
    volumes : iterable of Path
        The input, and further volumes of labels.
    label_map : Path or None
        May name further files.
    image : iterable of Path
        The image's slices.

    Returns
    -------
    tuple of Path
        Each once; none where nothing is DICOM.
    """
    parts = read_label_map(label_map).parts.values() if label_map is not None else ()
    mapped = (Path(part.file) for part in parts if part.file)
    labels = [path for path in (*volumes, *mapped) if is_dicom(path)]
    return tuple(dict.fromkeys([*image, *labels]))
