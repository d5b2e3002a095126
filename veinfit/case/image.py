"""The image that a case is shown on, held against the case."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from veinfit.errors import InputError
from veinfit.io.files import is_dicom
from veinfit.io.inputs.images import read_image
from veinfit.labels.image import ImageVolume
from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.vectors import apply_affine

WHOLE_SHARE = 0.99
"""An atrium of which less is on the image is told as shown in part."""


def read_case_image(
    path: Path, labels: Path | None, lumen: Surface
) -> tuple[ImageVolume, tuple[Note, ...]]:
    """Read the image of a case.

    Parameters
    ----------
    path : Path
        A volume file, a folder with a DICOM series, or an enhanced multi-frame file.
    labels : Path or None
        What the atrium was read from; None for a surface in memory.
    lumen : Surface
        The atrium's.

    Returns
    -------
    image : ImageVolume
    notes : tuple of Note

    Raises
    ------
    InputError
        It cannot be read, is of another patient or frame of reference than the labels, or
        lies beside the atrium.
    """
    image, notes = read_shown_image(path, lumen)
    if image.sources and labels is not None and is_dicom(labels):
        from veinfit.io.dicom.study import check_together

        check_together(labels, image.sources[0])
    return image, notes


def read_shown_image(path: Path, wall: Surface) -> tuple[ImageVolume, tuple[Note, ...]]:
    """Read an image and hold it against the place of an atrium.

    Parameters
    ----------
    path : Path
        NIfTI, NRRD, MetaImage, or a folder or file of DICOM.
    wall : Surface
        Of the atrium, LPS mm.

    Returns
    -------
    image : ImageVolume
    notes : tuple of Note
        Those of the image; a caution where part of the atrium lies past it.

    Raises
    ------
    InputError
        It cannot be read, or lies beside the atrium.
    """
    image = read_image(path)
    index = apply_affine(np.asarray(np.linalg.inv(image.affine)), wall.points)
    inside = ((index > -0.5) & (index < np.array(image.values.shape) - 0.5)).all(axis=1)
    share = float(inside.mean())
    if not share:
        raise InputError(
            f"image {path} shows nothing of the atrium; give the image that its labels were drawn "
            "on, in the same coordinates"
        )
    notes = image.notes
    if share < WHOLE_SHARE:
        text = f"the image shows {100 * share:.0f} % of the atrium's surface: the rest lies past it"
        notes = (*notes, Note("input", text, severity="caution"))
    return image, notes
