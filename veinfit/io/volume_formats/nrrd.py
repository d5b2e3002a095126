"""NRRD, attached or detached."""

from __future__ import annotations

import re
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
    read_head,
    whole_number,
)
from veinfit.io.volume_formats.whole_numbers import Numbers, whole_numbers
from veinfit.notes import Note
from veinfit.vectors import FloatArray

TO_LPS = {
    "left-posterior-superior": (1, 1, 1), "lps": (1, 1, 1),
    "right-anterior-superior": (-1, -1, 1), "ras": (-1, -1, 1),
    "left-anterior-superior": (1, -1, 1), "las": (1, -1, 1),
}  # fmt: skip
"""Spaces that say where the patient is, with or without ``-time``, and how each becomes LPS."""

TYPES = {
    "signed char": "i1", "int8": "i1", "int8_t": "i1",
    "uchar": "u1", "unsigned char": "u1", "uint8": "u1", "uint8_t": "u1",
    "short": "i2", "short int": "i2", "signed short": "i2", "signed short int": "i2",
    "int16": "i2", "int16_t": "i2",
    "ushort": "u2", "unsigned short": "u2", "unsigned short int": "u2", "uint16": "u2",
    "uint16_t": "u2",
    "int": "i4", "signed int": "i4", "int32": "i4", "int32_t": "i4",
    "uint": "u4", "unsigned int": "u4", "uint32": "u4", "uint32_t": "u4",
    "longlong": "i8", "long long": "i8", "long long int": "i8", "signed long long": "i8",
    "signed long long int": "i8", "int64": "i8", "int64_t": "i8",
    "ulonglong": "u8", "unsigned long long": "u8", "unsigned long long int": "u8",
    "uint64": "u8", "uint64_t": "u8",
    "float": "f4", "double": "f8",
}  # fmt: skip
ENCODINGS = {
    "raw": "raw", "txt": "text", "text": "text", "ascii": "text", "hex": "hex",
    "gz": "gzip", "gzip": "gzip", "bz2": "bzip2", "bzip2": "bzip2",
}  # fmt: skip
ENDS = {"little": "<", "big": ">"}

MOST_AXES = 16
"""NRRD's own limit."""

LONGEST_SKIPPED = 1 << 20
"""Lines, and bytes, before the data that may be told to be skipped."""

VECTOR = re.compile(r"none\b|\(([^()]*)\)")


def read_nrrd(
    path: Path, numbers: Numbers = whole_numbers
) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    """Return values by ``numbers``, index to LPS mm, and what is doubtful, of an NRRD file [1]_.

    Raises
    ------
    InputError

    References
    ----------
    .. [1] Definition of NRRD file format, teem.sourceforge.net/nrrd/format.html
    """
    try:
        return _read(path, numbers)
    except DamagedVolume as error:
        raise damaged(path, error) from error


def _read(path: Path, numbers: Numbers) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    head = read_head(path)
    if not head.startswith(b"NRRD000"):
        raise DamagedVolume("it has no NRRD header")
    fields, end = header_fields(head, ":")
    _check_placed(fields, path)
    sizes = _sizes(fields)
    directions = _directions(fields, len(sizes), path)
    # An axis that is none of space holds several numbers of one voxel.
    parts = [n for n, direction in zip(sizes, directions, strict=True) if direction is None]
    if any(n != 1 for n in parts):
        raise InputError(f"volume {path} has {max(parts)} numbers a voxel; export one label volume")
    spatial = [k for k, direction in enumerate(directions) if direction is not None]
    shape = three_axes([sizes[k] for k in spatial], path)
    affine, notes = _affine(fields, [directions[k] for k in spatial[:3]])
    check_grid(affine, path)
    dtype = _dtype(fields)
    check_bytes(shape, dtype.itemsize, path)
    encoding = ENCODINGS.get(fields.get("encoding", "").lower())
    if encoding is None:
        raise DamagedVolume(f"its encoding {fields.get('encoding', '')!r} is not known")
    files = _files(path, head, fields, end, encoding)
    stored = read_data(files, encoding, dtype, int(np.prod(shape, dtype=np.int64)))
    return numbers(stored.reshape(shape, order="F"), path), affine, notes


def _check_placed(fields: dict[str, str], path: Path) -> None:
    """Refuse a header that leaves open how the volume lies in the patient, or in which unit."""
    if _space(fields) not in TO_LPS:
        what = f"states the space {fields['space']!r}" if "space" in fields else "states no space"
        raise InputError(
            f"volume {path} {what}, so that left and right are not known; export it with "
            "'space: left-posterior-superior' or 'right-anterior-superior'"
        )
    check_unit_words(re.findall(r'"([^"]*)"', fields.get("space units", "")), path)


def _space(fields: dict[str, str]) -> str:
    return re.sub(r"-?time$|(?<=^...)t$", "", fields.get("space", "").lower())


def _sizes(fields: dict[str, str]) -> list[int]:
    sizes = [whole_number(word, "size") for word in fields.get("sizes", "").split()]
    axes = whole_number(fields.get("dimension", ""), "dimension")
    if axes != len(sizes) or not 1 <= axes <= MOST_AXES or min(sizes) < 1:
        raise DamagedVolume(f"its sizes {fields.get('sizes', '')[:80]!r} are not {axes} lengths")
    return sizes


def _directions(fields: dict[str, str], axes: int, path: Path) -> list[list[float] | None]:
    """Return the direction of each axis; None for one that is none of space."""
    given = fields.get("space directions", "")
    found: list[list[float] | None] = []
    for match in VECTOR.finditer(given):
        if match.group() == "none":
            found.append(None)
            continue
        try:
            vector = [float(word) for word in match.group(1).split(",")]
        except ValueError as error:
            raise DamagedVolume(f"its space directions {given[:80]!r} are not numbers") from error
        # A space with time has a fourth number.
        found.append([*vector[:3]] if len(vector) in (3, 4) else None)
    inner = [k for k, vector in enumerate(found) if vector is not None]
    if not inner or None in found[inner[0] : inner[-1] + 1]:
        raise InputError(
            f"volume {path} has no 'space directions' for its three axes; export it with them"
        )
    if len(found) != axes:
        raise DamagedVolume(f"its {axes} axes have {len(found)} space directions")
    return found


def _affine(
    fields: dict[str, str], directions: list[list[float] | None]
) -> tuple[FloatArray, list[Note]]:
    flips = np.array(TO_LPS[_space(fields)], dtype=float)
    affine = np.eye(4)
    affine[:3, :3] = flips[:, None] * np.array(directions, dtype=float).T
    origin = re.fullmatch(r"\(([^()]*)\)", fields.get("space origin", ""))
    if "space origin" not in fields:
        text = "the header states no space origin: the first voxel was taken to lie at 0, 0, 0"
        return affine, [Note("input", text, severity="caution")]
    try:
        place = [float(word) for word in origin.group(1).split(",")][:3] if origin else []
    except ValueError:
        place = []
    if len(place) != 3:
        raise DamagedVolume(f"its space origin {fields['space origin'][:80]!r} is no point")
    affine[:3, 3] = flips * place
    return affine, []


def _dtype(fields: dict[str, str]) -> np.dtype[Any]:
    kind = TYPES.get(" ".join(fields.get("type", "").lower().split()))
    if kind is None:
        raise DamagedVolume(f"its type {fields.get('type', '')!r} is not known")
    if kind.endswith("1"):
        return np.dtype(kind)
    packed = ENCODINGS.get(fields.get("encoding", "").lower()) != "text"
    end = ENDS.get(fields.get("endian", "").lower(), "" if packed else "<")
    if not end:
        raise DamagedVolume("its header does not state its endian")
    return np.dtype(end + kind)


def _files(
    path: Path, head: bytes, fields: dict[str, str], end: int, encoding: str
) -> list[DataFile]:
    lines = _skipped(fields, "line skip")
    skip = _skipped(fields, "byte skip")
    if skip < -1 or (skip == -1 and encoding != "raw") or lines < 0:
        raise DamagedVolume("its header skips a negative number of lines or bytes")
    named = fields.get("data file", fields.get("datafile", ""))
    if not named:
        files, start = [path], end
    else:
        files, start = data_files(path.parent, named, head[end:]), 0
    starts = [_behind(file, start, lines) for file in files]
    if skip == -1:
        return [DataFile(file, -1) for file in files]
    return [DataFile(file, at, skip) for file, at in zip(files, starts, strict=True)]


def _skipped(fields: dict[str, str], name: str) -> int:
    text = fields.get(name, fields.get(name.replace(" ", ""), "0"))
    count = whole_number(text, name)
    if count > LONGEST_SKIPPED:
        raise DamagedVolume(f"its {name} is {count}")
    return count


def _behind(path: Path, start: int, lines: int) -> int:
    """Return where the line after ``lines`` of them begins, bytes."""
    if not lines:
        return start
    with path.open("rb") as stream:
        stream.seek(start)
        for _ in range(lines):
            if not stream.readline(LONGEST_SKIPPED):
                break
        return stream.tell()
