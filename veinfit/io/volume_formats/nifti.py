"""NIfTI-1 and -2, packed or not."""

from __future__ import annotations

import gzip
import math
from io import IOBase
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt
from nibabel import Nifti1Header, Nifti2Header
from nibabel.arrayproxy import ArrayProxy

from veinfit.errors import InputError
from veinfit.frames import ras_affine_to_lps
from veinfit.io.quiet import captured_warnings
from veinfit.io.volume_formats.checks import (
    DamagedVolume,
    check_bytes,
    check_grid,
    damaged,
    three_axes,
)
from veinfit.io.volume_formats.packed import SURPLUS_BYTES, read_rest
from veinfit.io.volume_formats.whole_numbers import Numbers, whole_numbers
from veinfit.notes import Note
from veinfit.vectors import FloatArray

PLACEMENT_TOLERANCE_MM = 0.5
"""The two placements of a NIfTI header may differ by this much at the corners of the volume."""

NIFTI_HEADER_BYTES = {348: Nifti1Header, 540: Nifti2Header}
"""The length that a NIfTI header states of itself, and the version that it means."""
UNPACKED_AT_ONCE = 1 << 20
"""So many bytes are unpacked in one go."""
NIFTI_UNITS = {0: "unknown", 1: "metre", 2: "mm", 3: "micrometre"}
NIFTI_TEMPLATE_CODES = {3: "Talairach", 4: "MNI", 5: "another template's"}
"""sform and qform codes of spaces that are not the patient's (nifti1.h, nifti2.h)."""


def read_nifti(
    path: Path, numbers: Numbers = whole_numbers
) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    """Return values by ``numbers``, index to LPS mm, and what is doubtful, of a NIfTI file."""
    try:
        with captured_warnings(), _unpacked(path) as stream:
            header, offset = _header(stream)
            shape = three_axes(header.get_data_shape(), path)
            check_bytes(shape, header.get_data_dtype().itemsize, path)
            affine, notes = _nifti_placement(header, shape, path)
            placed = shape, header.get_data_dtype(), offset
            if isinstance(stream, gzip.GzipFile):
                stored = _unpacked_numbers(stream, *placed)
                read_rest(stream)
            else:
                data: Any = ArrayProxy(stream, placed, order="F")  # type: ignore[no-untyped-call]
                stored = data.get_unscaled()
            slope, intercept = header.get_slope_inter()
            values = numbers(
                stored,
                path,
                1.0 if slope is None else float(slope),
                0.0 if intercept is None else float(intercept),
            )
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise damaged(path, error) from error
    return values, affine, notes


def _header(stream: IOBase) -> tuple[Any, int]:
    """Return the header, and how far behind the beginning of the file the numbers begin, bytes.

    What may stand between them is not looked at: its stated length can be of any size.
    """
    start = stream.read(4)
    sizes = {int.from_bytes(start, "little"), int.from_bytes(start, "big")}
    size = next((n for n in NIFTI_HEADER_BYTES if n in sizes), None)
    if size is None:
        raise DamagedVolume("it has no NIfTI header")
    kind: Any = NIFTI_HEADER_BYTES[size]
    block = start + stream.read(size - 4)
    if len(block) < size:
        raise DamagedVolume("it ends within its header: it was cut short")
    header = kind(block)
    offset = float(header["vox_offset"])
    if not size <= offset <= SURPLUS_BYTES:
        raise DamagedVolume(f"its header says that its numbers begin at byte {offset:g}")
    return header, int(offset)


def _unpacked_numbers(
    stream: gzip.GzipFile, shape: tuple[int, ...], dtype: np.dtype[Any], offset: int
) -> npt.NDArray[Any]:
    """Return the numbers of a packed file, unpacked bit by bit: they are in memory once."""
    stream.seek(offset)
    data = np.empty(math.prod(shape) * dtype.itemsize, dtype=np.uint8)
    room, filled = data.data, 0
    while filled < len(data):
        count = stream.readinto(room[filled : filled + UNPACKED_AT_ONCE])
        if not count:
            raise DamagedVolume(
                f"it holds {filled} bytes of numbers of {len(data)}: it was cut short"
            )
        filled += count
    return data.view(dtype).reshape(shape, order="F")


def _unpacked(path: Path) -> IOBase:
    """Open a file, unpacking it where its first bytes say that it is packed."""
    with path.open("rb") as stream:
        packed = stream.read(2) == b"\x1f\x8b"
    return cast(IOBase, gzip.open(path, "rb") if packed else path.open("rb"))


def _nifti_placement(
    header: Any, shape: tuple[int, ...], path: Path
) -> tuple[FloatArray, list[Note]]:
    """Return index to LPS mm as the header states it, and what is doubtful about it."""
    unit = int(header["xyzt_units"]) & 7
    if unit in (1, 3):
        raise InputError(
            f"volume {path} states its spacing in {NIFTI_UNITS[unit]}; write it in mm "
            "(xyzt_units 2), or correct the unit if the numbers are mm already"
        )
    sform, qform = int(header["sform_code"]), int(header["qform_code"])
    if sform <= 0 and qform <= 0:
        raise InputError(
            f"volume {path} does not state how it lies in the patient (sform_code and qform_code "
            "are 0); set one of them when exporting, from the affine of the image it was drawn on"
        )
    code = sform if sform > 0 else qform
    affine = ras_affine_to_lps(header.get_sform() if sform > 0 else header.get_qform())
    check_grid(affine, path)
    notes = []
    if code in NIFTI_TEMPLATE_CODES:
        text = (
            f"the volume lies in {NIFTI_TEMPLATE_CODES[code]} space (code {code}): sizes are the "
            "patient's only if it was not scaled to a template"
        )
        notes.append(Note("input", text, severity="caution"))
    if sform > 0 and qform > 0:
        other = ras_affine_to_lps(header.get_qform())
        corners = np.array(np.meshgrid(*[(0.0, n - 1.0) for n in shape])).reshape(3, -1)
        apart = affine[:3, :3] @ corners - other[:3, :3] @ corners
        apart += (affine[:3, 3] - other[:3, 3])[:, None]
        most = float(np.linalg.norm(apart, axis=0).max())
        if not most <= PLACEMENT_TOLERANCE_MM:
            text = (
                f"the header places the volume twice, up to {most:.3g} mm apart: its sform "
                "was taken, its qform was not"
            )
            notes.append(Note("input", text, severity="caution"))
    return affine, notes
