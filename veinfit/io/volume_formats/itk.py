"""NRRD and MetaImage, by ITK."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import FloatArray
from veinfit.io.quiet import captured_stderr, captured_warnings
from veinfit.io.volume_formats.checks import check_bytes, check_grid, damaged, three_axes
from veinfit.io.volume_formats.data_files import DataFile, check_packed_files
from veinfit.io.volume_formats.whole_numbers import whole_numbers
from veinfit.labels.model import LabelArray

ITK_INCOMPLETE = "not read completely"
"""What the reader of MHA prints, and does not always raise, of a file that was cut short."""

MOST_BYTES = 8
"""Bytes of the largest of ITK's numbers."""


def read_itk(
    path: Path, image_io: str, data_files: Callable[[Path], list[DataFile]]
) -> tuple[LabelArray, FloatArray]:
    """Return values and index to LPS mm of a volume that ITK reads.

    Parameters
    ----------
    path : Path
    image_io : str
        ITK's name of the format.
    data_files : callable
        Finds, by the header, the files that hold the numbers.
    """
    import SimpleITK

    lines: list[str] = []
    try:
        # Before the library sees the header, which it trusts.
        files = data_files(path)
        with captured_warnings(), captured_stderr() as lines:
            reader: Any = SimpleITK.ImageFileReader()  # type: ignore[no-untyped-call]
            # Named, for the choice by extension does not know it in capitals.
            reader.SetImageIO(image_io)
            reader.SetFileName(str(path))
            reader.ReadImageInformation()
            parts = int(reader.GetNumberOfComponents())
            if parts != 1:
                raise InputError(
                    f"volume {path} has {parts} numbers a voxel; export one label volume"
                )
            shape = three_axes(reader.GetSize(), path)
            affine = _itk_affine(reader)
            check_grid(affine, path)
            size = check_bytes(shape, _bytes_each(reader), path)
            check_packed_files(files, size)
            image = reader.Execute()
            # ITK's arrays are indexed z, y, x; the view shares the image's memory.
            stored = SimpleITK.GetArrayViewFromImage(image).transpose()
            values = whole_numbers(stored.reshape(shape, order="F"), path)
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise damaged(path, _itk_words(error, lines)) from error
    if any(ITK_INCOMPLETE in line for line in lines):
        raise damaged(path, _itk_words("", lines))
    return values, affine


def _bytes_each(reader: Any) -> int:
    """Return how many bytes a number of the volume takes."""
    import SimpleITK

    name: Any = SimpleITK.GetPixelIDValueAsString
    bits = re.search(r"\d+", name(reader.GetPixelID()))
    return int(bits.group()) // 8 if bits else MOST_BYTES


def _itk_words(error: BaseException | str, printed: list[str]) -> str:
    """Return what ITK says was wrong, without its classes, addresses and source files."""
    if any(ITK_INCOMPLETE in line for line in printed):
        return "its data are incomplete: it was cut short"
    said = [line.strip() for line in str(error).splitlines() if line.strip()]
    nrrd = [line for line in said if line.startswith("[nrrd]")]
    if nrrd:
        return re.sub(r"^\[nrrd\] \w+:\s*", "", nrrd[-1])
    found = re.search(r"ERROR: \w+\(0x[0-9a-f]+\):\s*(.+)", str(error))
    return found.group(1) if found else str(error)


def _itk_affine(image: Any) -> FloatArray:
    """Return index to LPS mm of the first three axes of an ITK image."""
    n = image.GetDimension()
    direction = np.array(image.GetDirection(), dtype=float).reshape(n, n)[:3, :3]
    affine = np.eye(4)
    affine[:3, :3] = direction * np.array(image.GetSpacing(), dtype=float)[:3]
    affine[:3, 3] = np.array(image.GetOrigin(), dtype=float)[:3]
    return affine
