"""What every reader and writer of DICOM needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veinfit.errors import InputError
from veinfit.io.files import check_file, first_line
from veinfit.io.quiet import captured_warnings
from veinfit.notes import Note

if TYPE_CHECKING:
    import numpy.typing as npt

    from veinfit.vectors import FloatArray

SEGMENTATION = "1.2.840.10008.5.1.4.1.1.66.4"
LABEL_MAP_SEGMENTATION = "1.2.840.10008.5.1.4.1.1.66.7"
CONTOUR_SET = "1.2.840.10008.5.1.4.1.1.481.3"
"""Classes of objects that hold labels (PS3.4 B.5)."""


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """One segment of a Segmentation, or one region of a Structure Set.

    Attributes
    ----------
    number : int
    name : str
        As whoever drew it called it.
    codes : tuple of str
        Of what it shows, ``SCHEME:VALUE``; with a laterality, ``SCHEME:VALUE SCHEME:VALUE``.
    shares : (I, J, K) array
        Masks, or for a fractional one the share of each voxel, 0 to 1.
    """

    number: int
    name: str
    codes: tuple[str, ...]
    shares: npt.NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """All segments of a file, on one grid.

    Attributes
    ----------
    segments : tuple of Segment
    affine : (4, 4) array
        Index of a voxel to its centre, LPS mm.
    frame_of_reference : str
        Two files of one frame of reference lie in one space.
    bounded : tuple of bool
        Of each axis, whether the grid's border is that of the image. Contours have none, and
        of a Segmentation empty slices are commonly left out.
    notes : tuple of Note
        What the reader had to remark.
    """

    segments: tuple[Segment, ...]
    affine: FloatArray
    frame_of_reference: str
    bounded: tuple[bool, bool, bool]
    notes: tuple[Note, ...] = ()


def need_dicom(purpose: str) -> None:
    """Make sure that the libraries for DICOM are installed.

    Parameters
    ----------
    purpose : str
        What needs them, for the message.

    Raises
    ------
    InputError
        They are not; the message says what to install.
    """
    try:
        import highdicom  # noqa: F401
        import pydicom  # noqa: F401
    except ImportError as error:
        raise InputError(
            f"{purpose} needs packages that are not installed: pip install 'veinfit[dicom]'"
        ) from error


def read_dataset(path: Path, role: str, **options: Any) -> Any:
    """Read the data set of a DICOM file.

    Parameters
    ----------
    path : Path
    role : str
        What the file is, for the message.
    options : object
        Keywords of ``pydicom.dcmread``.

    Returns
    -------
    pydicom.Dataset

    Raises
    ------
    InputError
        The file cannot be read as DICOM, or the libraries for it are not installed.
    """
    check_file(path, role)
    need_dicom(f"{role} {path} is DICOM, which")
    import pydicom

    try:
        with captured_warnings():
            return pydicom.dcmread(path, **options)
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise InputError(
            f"{role} {path} cannot be read as DICOM: {first_line(error)}; it may be damaged, "
            "export it again"
        ) from error


def class_of(ds: Any, path: Path) -> str:
    """Return the class of a label file's object; empty where it states none."""
    try:
        with captured_warnings():
            return str(ds.get("SOPClassUID", ""))
    except Exception as error:  # Values are taken apart when they are asked for.
        raise InputError(
            f"volume {path} cannot be read as DICOM: {first_line(error)}; it may be damaged, "
            "export it again"
        ) from error


CODED_LABELS: Mapping[str, str] = {
    "SCT:82471001": "left_atrium",
    "SCT:43863001": "LSPV",
    "SCT:51249003": "LIPV",
    "SCT:8629005": "RSPV",
    "SCT:113273001": "RIPV",
    "SCT:443714006": "RMPV",
    "SCT:443705001": "LCPV",
    "SCT:443591004": "RCPV",
    "SCT:122972007": "pulmonary_veins",
    "SCT:430757002": "pulmonary_veins",
    "SCT:33626005": "appendage",
    "SCT:68786006 SCT:7771000": "appendage",
    "SCT:32849002": "oesophagus",
    "SCT:15825003": "aorta",
    "MDC:7:98": "right_phrenic_nerve",
    "MDC:7:97": "left_phrenic_nerve",
}
"""What codes mean here (PS3.16 CID 3011, 7192, 12280). Of the appendage both are read: the left
auricular appendage, and an atrial appendage (68786006) with the laterality left (7771000)."""


def coded(item: Any) -> str:
    """Return a code sequence's item as ``SCHEME:VALUE``, in SNOMED CT where it was SNOMED RT."""
    from pydicom.sr._snomed_dict import mapping

    value = str(
        getattr(item, "CodeValue", "")
        or getattr(item, "LongCodeValue", "")
        or getattr(item, "URNCodeValue", "")
    )
    scheme = str(getattr(item, "CodingSchemeDesignator", ""))
    if scheme in ("SRT", "SNM3", "99SDM"):
        scheme, value = "SCT", str(mapping["SRT"].get(value, value))
    return f"{scheme}:{value}"
