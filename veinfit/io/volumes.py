"""Reads a label volume: whole numbers on a grid, placed in the patient, LPS mm."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterable
from io import IOBase
from pathlib import Path
from typing import Any, cast

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import FloatArray, ras_affine_to_lps
from veinfit.io.files import VOLUME_SUFFIXES, check_file, first_line, known_suffix
from veinfit.io.quiet import captured_stderr, captured_warnings
from veinfit.labels.model import LabelArray, LabelVolume, plain_number
from veinfit.notes import Note

SMALLEST_GRID = 8
"""Voxels along each axis below which no atrium can be told."""

VOXEL_EDGE_MM = (0.05, 10.0)
"""Voxel edges of cardiac CT and MRI with room on both sides; outside, the unit is not mm."""

SHEAR_LIMIT_DEG = 0.5
"""Grid axes may be this far from perpendicular: far above rounding, far below a gantry tilt."""

PLACEMENT_TOLERANCE_MM = 0.5
"""The two placements of a NIfTI header may differ by this much at the corners of the volume."""

SLAB_VALUES = 1 << 22
"""Values checked and converted in one go, so that no temporary array is as large as the volume."""

HEADER_BYTES = 1 << 16
"""The text headers of NRRD and MHA are sought in this much of a file."""

NIFTI_HEADER_BYTES = {348: 1, 540: 2}
"""The length that a NIfTI header states of itself, and the version that it means."""
NIFTI_UNITS = {0: "unknown", 1: "metre", 2: "mm", 3: "micrometre"}
NIFTI_TEMPLATE_CODES = {3: "Talairach", 4: "MNI", 5: "another template's"}
"""sform and qform codes of spaces that are not the patient's (nifti1.h, nifti2.h)."""

NRRD_SPACES = (
    "left-posterior-superior", "lps",
    "right-anterior-superior", "ras",
    "left-anterior-superior", "las",
)  # fmt: skip
"""Spaces of an NRRD file that say where the patient is, with or without ``-time``."""

ITK_INCOMPLETE = "not read completely"
"""What the reader of MHA prints, and does not always raise, of a file that was cut short."""

MM_WORDS = ("mm", "millimeter", "millimetre", "millimeters", "millimetres")


def read_volume(path: Path) -> LabelVolume:
    """Read a label volume from NIfTI, NRRD or MHA/MHD.

    Parameters
    ----------
    path : Path
        ``.nii``, ``.nii.gz`` (NIfTI-1 and -2), ``.nrrd``, ``.nhdr``, ``.mha`` or
        ``.mhd``, in any case.

    Returns
    -------
    LabelVolume
        In the smallest unsigned type that holds the values. Grids of any
        orientation; NIfTI's RAS [1]_ and NRRD's RAS and LAS are turned into LPS.

    Raises
    ------
    InputError
        The file is missing, damaged or of an unknown extension; it is not one
        3-D volume of whole numbers from 0 up; it does not state how it lies in
        the patient; its spacing is not in mm; or its axes are not perpendicular.

    References
    ----------
    .. [1] NIfTI-1 header, nifti1.h: +x is right, +y anterior, +z superior, and
       coordinates are those of voxel centres.
    """
    path = Path(path)
    suffix = known_suffix(path, VOLUME_SUFFIXES, "volume")
    check_file(path, "volume")
    if suffix.startswith(".nii"):
        values, affine, notes = _read_nifti(path)
    elif suffix in (".nrrd", ".nhdr"):
        _check_nrrd_header(path)
        values, affine, notes = *_read_itk(path, "NrrdImageIO"), []
    else:
        notes = _meta_header_notes(path)
        values, affine = _read_itk(path, "MetaImageIO")
    return LabelVolume(values, affine, tuple(notes))


# ---- NIfTI ----------------------------------------------------------------------------------


def _read_nifti(path: Path) -> tuple[LabelArray, FloatArray, list[Note]]:
    import nibabel
    from nibabel.fileholders import FileHolder

    try:
        with captured_warnings(), _unpacked(path) as stream:
            start = stream.read(4)
            stream.seek(0)
            sizes = {int.from_bytes(start, "little"), int.from_bytes(start, "big")}
            version = next((v for n, v in NIFTI_HEADER_BYTES.items() if n in sizes), None)
            if version is None:
                raise ValueError("it has no NIfTI header")
            kind: Any = nibabel.Nifti1Image if version == 1 else nibabel.Nifti2Image
            image = kind.from_file_map({"image": FileHolder(fileobj=stream)})
            shape = _three_axes(image.shape, path)
            affine, notes = _nifti_placement(image.header, shape, path)
            stored = image.dataobj.get_unscaled()
            slope, intercept = float(image.dataobj.slope), float(image.dataobj.inter)
            values = _whole_numbers(stored.reshape(shape), path, slope, intercept)
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise _damaged(path, error) from error
    return values, affine, notes


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
    _check_grid(affine, path)
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


# ---- NRRD and MHA ---------------------------------------------------------------------------


def _read_itk(path: Path, image_io: str) -> tuple[LabelArray, FloatArray]:
    import SimpleITK

    lines: list[str] = []
    try:
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
            shape = _three_axes(reader.GetSize(), path)
            affine = _itk_affine(reader)
            _check_grid(affine, path)
            image = reader.Execute()
            # ITK's arrays are indexed z, y, x; the view shares the image's memory.
            stored = SimpleITK.GetArrayViewFromImage(image).transpose()
            values = _whole_numbers(stored.reshape(shape, order="F"), path)
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise _damaged(path, _itk_words(error, lines)) from error
    if any(ITK_INCOMPLETE in line for line in lines):
        raise _damaged(path, _itk_words("", lines))
    return values, affine


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


def _header_fields(path: Path, separator: str, last: str = "") -> dict[str, str]:
    """Return the ``name: value`` or ``name = value`` lines at the head of a file."""
    with path.open("rb") as stream:
        text = stream.read(HEADER_BYTES).decode("latin-1")
    fields: dict[str, str] = {}
    for line in text.splitlines():
        if not line.strip():
            break
        name, found, value = line.partition(separator)
        if found and not line.startswith("#"):
            fields[name.strip().lower()] = value.strip().lstrip("=").strip()
            if name.strip().lower() == last:
                break
    return fields


def _check_nrrd_header(path: Path) -> None:
    """Refuse an NRRD file that leaves open how it lies in the patient, or in which unit."""
    with path.open("rb") as stream:
        if stream.read(4) != b"NRRD":
            raise _damaged(path, "it has no NRRD header")
    fields = _header_fields(path, ":")
    space = re.sub(r"-?time$|(?<=^...)t$", "", fields.get("space", "").lower())
    if space not in NRRD_SPACES:
        what = f"states the space {fields['space']!r}" if "space" in fields else "states no space"
        raise InputError(
            f"volume {path} {what}, so that left and right are open; export it with "
            "'space: left-posterior-superior' or 'right-anterior-superior'"
        )
    directions = fields.get("space directions", "")
    if "(" not in directions or "none" in _spatial_part(directions):
        raise InputError(
            f"volume {path} has no 'space directions' for its three axes; export it with them"
        )
    units = re.findall(r'"([^"]*)"', fields.get("space units", ""))
    _check_unit_words(units, path)


def _spatial_part(directions: str) -> str:
    """Return the space directions without axes at either end that are no axes of space."""
    return re.sub(r"^(\s*none\b)+|(\bnone\s*)+$", "", directions)


def _meta_header_notes(path: Path) -> list[Note]:
    """Refuse an MHA or MHD file without a spacing; note one without an orientation."""
    fields = _header_fields(path, "=", last="elementdatafile")
    if "ndims" not in fields:
        raise _damaged(path, "it has no MetaImage header")
    if "elementspacing" not in fields and "elementsize" not in fields:
        raise InputError(
            f"volume {path} states no ElementSpacing, so that its size is open; export it with it"
        )
    _check_unit_words([fields[n] for n in ("distanceunits",) if n in fields], path)
    if not {"transformmatrix", "rotation", "orientation"} & fields.keys():
        text = "the header states no TransformMatrix: its axes were taken as LPS, its default"
        return [Note("input", text, severity="caution")]
    return []


def _check_unit_words(units: Iterable[str], path: Path) -> None:
    for unit in units:
        if unit.strip().lower() not in (*MM_WORDS, "", "?"):
            raise InputError(
                f"volume {path} states its spacing in {unit!r}; write it in mm, or correct the "
                "unit if the numbers are mm already"
            )


# ---- checks ---------------------------------------------------------------------------------


def _damaged(path: Path, error: BaseException | str) -> InputError:
    return InputError(
        f"volume {path} cannot be read: {first_line(error)}; it may be damaged, export it again"
    )


def _three_axes(shape: Iterable[int], path: Path) -> tuple[int, int, int]:
    """Return the first three lengths of a shape whose further axes have one place each."""
    lengths = tuple(int(n) for n in shape)
    size = " × ".join(map(str, lengths))
    if len(lengths) < 3 or any(n != 1 for n in lengths[3:]):
        raise InputError(
            f"volume {path} has {len(lengths)} axes ({size}); one 3-D label volume is needed"
        )
    if min(lengths[:3]) < SMALLEST_GRID:
        raise InputError(
            f"volume {path} has {size} voxels; an atrium needs at least {SMALLEST_GRID} along "
            "each axis"
        )
    return lengths[0], lengths[1], lengths[2]


def _check_grid(affine: FloatArray, path: Path) -> None:
    """Refuse a grid that is singular, sheared, or not in mm."""
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    listed = " × ".join(map(plain_number, edges))
    if not np.isfinite(affine).all() or not (edges > 0).all():
        raise InputError(
            f"volume {path} has a placement that is not finite or has an axis of no length; "
            "export it again"
        )
    axes = affine[:3, :3] / edges
    cosines = np.abs([axes[:, a] @ axes[:, b] for a, b in ((0, 1), (0, 2), (1, 2))])
    off = 90.0 - float(np.degrees(np.arccos(np.clip(cosines.max(), 0.0, 1.0))))
    if off > SHEAR_LIMIT_DEG:
        raise InputError(
            f"volume {path} has axes that are {off:.3g} degrees from perpendicular (a tilted "
            "gantry or a sheared affine); resample it onto a grid with perpendicular axes"
        )
    least, most = VOXEL_EDGE_MM
    if not (edges >= least).all() or not (edges <= most).all():
        raise InputError(
            f"volume {path} has voxels of {listed} mm, but {least:g} to {most:g} mm are usual; "
            "the spacing may be in another unit: write it in mm"
        )


def _whole_numbers(
    stored: np.ndarray[Any, Any], path: Path, slope: float = 1.0, intercept: float = 0.0
) -> LabelArray:
    """Return values as unsigned integers of the smallest type that holds them.

    Works slab by slab: the file's own type is the largest array in memory.
    """
    if stored.dtype.kind not in "biuf":
        raise InputError(f"volume {path} holds {stored.dtype}; export labels as whole numbers")
    slabs = _slabs(stored)
    scaled = (slope, intercept) != (1.0, 0.0)

    def true_values(slab: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return slab * slope + intercept if scaled else slab

    highest = 0
    for box in slabs:
        slab = true_values(stored[box])
        if slab.dtype.kind == "f":
            whole = np.isfinite(slab) & (slab == np.rint(slab))
            if not whole.all():
                example = slab[~whole][0]
                raise InputError(
                    f"volume {path} holds values that are not whole numbers ({example:.4g}); it "
                    "looks like an image or a probability, give the label volume"
                )
        if slab.dtype.kind != "b" and slab.min() < 0:
            raise InputError(
                f"volume {path} holds negative values ({slab.min():g}); it looks like an image, "
                "give the label volume (0 is background)"
            )
        highest = max(highest, int(slab.max()))
    if highest > np.iinfo(np.uint32).max:
        raise InputError(f"volume {path} holds the value {highest}; labels go to {2**32 - 1}")
    if highest == 0:
        raise InputError(
            f"volume {path} is zero everywhere: it has no labels; export the segmentation again"
        )
    order: Any = "F" if stored.flags.f_contiguous else "C"
    values = np.empty(stored.shape, dtype=np.min_scalar_type(highest), order=order)
    for box in slabs:
        values[box] = true_values(stored[box])
    return values


def _slabs(stored: np.ndarray[Any, Any]) -> list[tuple[slice, ...]]:
    """Cut an array along the axis that is slowest in memory."""
    axis = int(np.argmax(np.abs(stored.strides)))
    step = max(1, SLAB_VALUES * stored.shape[axis] // stored.size)
    return [
        (slice(None),) * axis + (slice(k, k + step),) for k in range(0, stored.shape[axis], step)
    ]
