"""The text headers of NRRD and MetaImage: what ITK leaves open in them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.volume_formats.checks import damaged
from veinfit.notes import Note

HEADER_BYTES = 1 << 20
"""The text headers of NRRD and MHA are sought in this much of a file. A segmentation of a hundred
parts describes each of them there."""

NRRD_SPACES = (
    "left-posterior-superior", "lps",
    "right-anterior-superior", "ras",
    "left-anterior-superior", "las",
)  # fmt: skip
"""Spaces of an NRRD file that say where the patient is, with or without ``-time``."""

MM_WORDS = ("mm", "millimeter", "millimetre", "millimeters", "millimetres")


def header_fields(path: Path, separators: str, last: str = "") -> dict[str, str]:
    """Return the ``name: value`` or ``name = value`` lines at the head of a file.

    Pairs of a key and a value, ``key:=value`` in NRRD, are no fields.
    """
    with path.open("rb") as stream:
        text = stream.read(HEADER_BYTES).decode("latin-1")
    fields: dict[str, str] = {}
    for line in text.split("\n"):
        if not line.strip():
            break
        parts = re.split(f"[{separators}]", line, maxsplit=1)
        if len(parts) == 2 and not line.startswith("#") and not parts[1].startswith("="):
            name = parts[0].strip().lower()
            fields[name] = parts[1].strip()
            if name == last:
                break
    return fields


def check_nrrd_header(path: Path) -> None:
    """Refuse an NRRD file that leaves open how it lies in the patient, or in which unit."""
    with path.open("rb") as stream:
        if stream.read(4) != b"NRRD":
            raise damaged(path, "it has no NRRD header")
    fields = header_fields(path, ":")
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


def meta_header_notes(path: Path) -> list[Note]:
    """Refuse an MHA or MHD file without a spacing; note one without an orientation."""
    fields = header_fields(path, "=:", last="elementdatafile")
    if "ndims" not in fields:
        raise damaged(path, "it has no MetaImage header")
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
