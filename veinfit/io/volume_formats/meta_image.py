"""MetaImage: MHA, and MHD with its data beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.errors import InputError
from veinfit.io.volume_formats.checks import (
    DamagedVolume,
    check_bytes,
    check_grid,
    damaged,
    three_axes,
)
from veinfit.io.volume_formats.data import DataFile, read_data
from veinfit.io.volume_formats.headers import (
    check_unit_words,
    data_files,
    header_fields,
    numbers,
    read_head,
    whole_number,
)
from veinfit.io.volume_formats.whole_numbers import Numbers, whole_numbers
from veinfit.notes import Note
from veinfit.vectors import FloatArray

TYPES = {
    "met_char": "i1", "met_uchar": "u1", "met_short": "i2", "met_ushort": "u2",
    "met_int": "i4", "met_uint": "u4", "met_long": "i4", "met_ulong": "u4",
    "met_long_long": "i8", "met_ulong_long": "u8", "met_float": "f4", "met_double": "f8",
}  # fmt: skip
"""MetaIO counts a long as four bytes on every machine."""

MATRIX_NAMES = ("transformmatrix", "rotation", "orientation")
PLACE_NAMES = ("offset", "position", "origin")
BYTE_ORDER_NAMES = ("binarydatabyteordermsb", "elementbyteordermsb")

MOST_AXES = 10
"""MetaIO's own limit."""


def read_meta_image(
    path: Path, numbers: Numbers = whole_numbers
) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    """Return values by ``numbers``, index to LPS mm, and what is doubtful, of MetaImage [1]_.

    Raises
    ------
    InputError

    References
    ----------
    .. [1] MetaIO documentation, itk.org/Wiki/ITK/MetaIO/Documentation
    """
    try:
        return _read(path, numbers)
    except DamagedVolume as error:
        raise damaged(path, error) from error


def _read(path: Path, numbers: Numbers) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    head = read_head(path)
    fields, end = header_fields(head, "=:", last="elementdatafile")
    if "ndims" not in fields:
        raise DamagedVolume("it has no MetaImage header")
    if "elementspacing" not in fields:
        raise InputError(
            f"volume {path} states no ElementSpacing, so that its size is not known; "
            "export it with it"
        )
    check_unit_words([fields[n] for n in ("distanceunits",) if n in fields], path)
    axes = whole_number(fields["ndims"], "NDims")
    if not 1 <= axes <= MOST_AXES:
        raise DamagedVolume(f"its NDims is {axes}")
    sizes = [whole_number(word, "DimSize") for word in fields.get("dimsize", "").split()]
    if len(sizes) != axes or min(sizes) < 1:
        raise DamagedVolume(f"its DimSize {fields.get('dimsize', '')[:80]!r} is not {axes} lengths")
    parts = whole_number(fields.get("elementnumberofchannels", "1"), "ElementNumberOfChannels")
    if parts != 1:
        raise InputError(f"volume {path} has {parts} numbers a voxel; export one label volume")
    shape = three_axes(sizes, path)
    affine, notes = _affine(fields, axes)
    check_grid(affine, path)
    dtype = _dtype(fields)
    check_bytes(shape, dtype.itemsize, path)
    encoding = _encoding(fields)
    files = _files(path, head, fields, end)
    stored = read_data(files, encoding, dtype, int(np.prod(shape, dtype=np.int64)))
    return numbers(stored.reshape(shape, order="F"), path), affine, notes


def _affine(fields: dict[str, str], axes: int) -> tuple[FloatArray, list[Note]]:
    notes = []
    matrix = np.eye(axes)
    name = next((n for n in MATRIX_NAMES if n in fields), None)
    if name is None:
        text = "the header states no TransformMatrix: its axes were taken as LPS, its default"
        notes.append(Note("input", text, severity="caution"))
    else:
        matrix = np.array(numbers(fields[name], axes * axes, "TransformMatrix"))
        # Each axis of the grid is a row of the file.
        matrix = matrix.reshape(axes, axes).T
    spacing = numbers(fields["elementspacing"], axes, "ElementSpacing")
    if min(spacing) <= 0.0:
        raise DamagedVolume(f"its ElementSpacing {fields['elementspacing'][:80]!r} is not above 0")
    affine = np.eye(4)
    affine[:3, :3] = matrix[:3, :3] * spacing[:3]
    place = next((n for n in PLACE_NAMES if n in fields), None)
    if place is not None:
        affine[:3, 3] = numbers(fields[place], axes, "Offset")[:3]
    return affine, notes


def _dtype(fields: dict[str, str]) -> np.dtype[Any]:
    kind = TYPES.get(fields.get("elementtype", "").lower())
    if kind is None:
        raise DamagedVolume(f"its ElementType {fields.get('elementtype', '')!r} is not known")
    big = any(_is_true(fields.get(name, "")) for name in BYTE_ORDER_NAMES)
    return np.dtype((">" if big else "<") + kind)


def _encoding(fields: dict[str, str]) -> str:
    if not _is_true(fields.get("binarydata", "true")):
        return "text"
    return "zlib" if _is_true(fields.get("compresseddata", "")) else "raw"


def _files(path: Path, head: bytes, fields: dict[str, str], end: int) -> list[DataFile]:
    named = fields.get("elementdatafile", "")
    if named.lower() == "local":
        return [DataFile(path, end)]
    start = whole_number(fields.get("headersize", "0"), "HeaderSize")
    return [DataFile(file, max(-1, start)) for file in data_files(path.parent, named, head[end:])]


def _is_true(word: str) -> bool:
    return word[:1].lower() in ("t", "1")
