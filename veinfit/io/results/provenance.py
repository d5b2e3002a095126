"""Inputs by their checksums, and the versions that a result is made with."""

from __future__ import annotations

import hashlib
import re
from hashlib import sha256
from importlib import metadata
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.files import hash_file, is_dicom
from veinfit.result.provenance import InputFile
from veinfit.surface import Surface

LIBRARIES = ("numpy", "scipy", "vtk", "trimesh", "fast-simplification", "nibabel", "matplotlib")
"""Libraries whose versions are recorded with a case."""


def program_versions() -> dict[str, str]:
    """Return the versions of the program and of the libraries under it.

    Raises
    ------
    InputError
        The program runs from a copy of its source that is not installed.
    """
    try:
        return {name: metadata.version(name) for name in ("veinfit", *LIBRARIES)}
    except metadata.PackageNotFoundError as error:
        raise InputError(
            f"{error.name} is not installed, so its version cannot be recorded; "
            "run pip install . in the folder of the source"
        ) from error


SERIES_FORMAT = ".dcm series"
"""Of a folder: its files are told together."""


def input_files(role: str, path: Path) -> tuple[InputFile, ...]:
    """Describe a file by its content, and the data file that a bare header names.

    Of a folder, the hash is that of its files' hashes, sorted, a line each: whatever they are
    called.

    Parameters
    ----------
    role : str
        What the file is for, such as ``input``.
    path : Path

    Returns
    -------
    tuple of InputFile

    Raises
    ------
    InputError
        A file cannot be read.
    """
    if path.is_dir():
        files = [file for file in path.iterdir() if file.is_file()]
        hashes = "".join(f"{digest}\n" for digest in sorted(map(hash_file, files)))
        size = sum(file.stat().st_size for file in files)
        return (InputFile(role, SERIES_FORMAT, size, sha256(hashes.encode()).hexdigest()),)
    found = [(role, path), *((f"{role} data", part) for part in _detached_data(path))]
    return tuple(_input_file(name, part) for name, part in found)


def surface_in_memory(role: str, surface: Surface) -> InputFile:
    """Describe a surface that came from no file, by its points and faces.

    Parameters
    ----------
    role : str
        What the surface is for.
    surface : Surface

    Returns
    -------
    InputFile
    """
    content = surface.points.tobytes() + surface.faces.tobytes()
    return InputFile(role, "memory", len(content), hashlib.sha256(content).hexdigest())


def _input_file(role: str, path: Path) -> InputFile:
    # Hashed first: that is what words a file which is not there.
    digest = hash_file(path)
    return InputFile(role, _ending(path), path.stat().st_size, digest)


def _ending(path: Path) -> str:
    if is_dicom(path):
        # Its name may be a number of the study.
        return ".dcm"
    compressed = path.suffix.lower() == ".gz"
    return "".join(path.suffixes[-2 if compressed else -1 :]).lower()


def _detached_data(path: Path) -> list[Path]:
    """Return the data file that an MHD or NHDR header names, where there is one."""
    key = {".mhd": rb"ElementDataFile\s*=", ".nhdr": rb"data ?file:"}.get(path.suffix.lower())
    if key is None:
        return []
    with path.open("rb") as stream:
        found = re.search(rb"^" + key + rb"\s*(\S[^\r\n]*)", stream.read(1 << 16), re.M | re.I)
    name = found.group(1).decode(errors="replace").strip() if found else ""
    data = path.parent / name
    return [data] if name and data.is_file() else []
