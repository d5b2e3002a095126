"""The files that hold the numbers of an NRRD or MetaImage volume, and whether they are whole.

A header may stand before the numbers, or name the files that hold them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from veinfit.io.volume_formats.checks import DamagedVolume
from veinfit.io.volume_formats.headers import HEADER_BYTES, header_fields
from veinfit.io.volume_formats.packed import check_packed

NRRD_PACKED = {"gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2"}
"""Encodings of NRRD that are packed, and the packing."""

MOST_FILES = 10_000
"""A volume of more slices than this is none."""

LONGEST_LINE = 4096
"""Bytes of a line before the data of a detached NRRD file that is skipped."""

COUNTED_NAME = re.compile(r"[^%]*%0?\d{0,2}[du][^%]*")
"""A name with the number of a slice in it, as ``slice%03d.raw``; anything else after a per cent
sign would be taken by the library as an order to look into memory."""


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file with numbers.

    Attributes
    ----------
    path : Path
    packing : str
        ``gzip``, ``bzip2``, ``zlib``, or empty.
    start : int
        Where they begin in the file, bytes.
    """

    path: Path
    packing: str
    start: int


def check_packed_files(files: list[DataFile], size: int) -> None:
    """Raise DamagedVolume unless what is packed is whole.

    Parameters
    ----------
    files : list of DataFile
    size : int
        Bytes of the numbers of all of them together.
    """
    packed = [file for file in files if file.packing]
    found = sum(check_packed(file.path, file.packing, file.start, size) for file in packed)
    if packed and found < size:
        raise DamagedVolume(
            f"its packed data hold {found} bytes but {size} are announced: it was cut short"
        )


def nrrd_data_files(path: Path) -> list[DataFile]:
    """Return the files with the numbers of an NRRD header, the header's own file or others.

    Raises
    ------
    DamagedVolume
        One of them is not there, or their names are none.
    """
    fields = header_fields(path, ":")
    packing = NRRD_PACKED.get(fields.get("encoding", "").lower(), "")
    named = fields.get("data file", fields.get("datafile", ""))
    if packing == "bzip2":
        raise DamagedVolume("its data are packed by bzip2, which is not read: use gzip")
    if not named:
        return [DataFile(path, packing, _behind(path, re.compile(rb"\n\r?\n")))]
    skipped = _whole(fields.get("line skip", fields.get("lineskip", "0")), "line skip")
    files = []
    for name in _names(path, named, rb"\n[ \t]*data ?file[ \t]*:[^\n]*\n"):
        data = _there(path.parent / name)
        start = _lines_end(data, skipped) if packing and skipped else 0
        files.append(DataFile(data, packing, start))
    return files


def meta_data_files(path: Path) -> list[DataFile]:
    """Return the files with the numbers of a MetaImage header, its own file or others."""
    fields = header_fields(path, "=:", last="elementdatafile")
    packing = "zlib" if fields.get("compresseddata", "").lower()[:1] in ("t", "1") else ""
    named = fields.get("elementdatafile", "")
    if not named:
        raise DamagedVolume("its header names no ElementDataFile")
    last = rb"(?:^|\n)[ \t]*ElementDataFile[ \t]*[=:][^\n]*\n"
    if named.lower() == "local":
        return [DataFile(path, packing, _behind(path, re.compile(last, re.I)))]
    start = max(0, _whole(fields.get("headersize", "0"), "HeaderSize"))
    names = _names(path, named, last)
    return [DataFile(_there(path.parent / name), packing, start) for name in names]


def _there(path: Path) -> Path:
    """Return the path of a data file that is one: a device or a pipe has no end."""
    if not path.is_file():
        raise DamagedVolume(f"its data file {path} does not exist or is no file")
    return path


def _names(path: Path, named: str, before: bytes) -> Iterator[str]:
    """Yield the names of data files that a header's field stands for."""
    words = named.split()
    if words[0].upper() == "LIST":
        start = _behind(path, re.compile(before, re.I))
        with path.open("rb") as stream:
            stream.seek(start)
            listed = stream.read(HEADER_BYTES).decode("latin-1").splitlines()
        yield from (name.strip() for name in listed if name.strip())
    elif "%" in named:
        if COUNTED_NAME.fullmatch(words[0]) is None or len(words) < 4:
            raise DamagedVolume(f"its header names the data files {named!r}")
        first, last, step = (_whole(word, "number of a data file") for word in words[1:4])
        if step == 0 or not 0 <= (last - first) // step < MOST_FILES:
            raise DamagedVolume(f"its header names the data files {named!r}")
        for number in range(first, last + (1 if step > 0 else -1), step):
            yield words[0] % number
    else:
        yield named


def _behind(path: Path, mark: re.Pattern[bytes]) -> int:
    """Return where in a file what follows ``mark`` begins, bytes."""
    with path.open("rb") as stream:
        found = mark.search(stream.read(HEADER_BYTES))
    if found is None:
        raise DamagedVolume("its header does not end: it was cut short")
    return found.end()


def _lines_end(path: Path, count: int) -> int:
    """Return where the line after the first ``count`` ones begins, bytes."""
    with path.open("rb") as stream:
        for _ in range(count):
            if not stream.readline(LONGEST_LINE):
                break
        return stream.tell()


def _whole(text: str, name: str) -> int:
    try:
        number = int(text)
    except ValueError:
        raise DamagedVolume(f"its {name} {text!r} is no whole number") from None
    return number
