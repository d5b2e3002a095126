"""The text headers of NRRD and MetaImage: names and values, and the data files they name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.volume_formats.checks import DamagedVolume

HEADER_BYTES = 1 << 20
"""Headers are sought in this much of a file. A segmentation of a hundred parts describes each of
them there."""

LONGEST_SHOWN = 80
"""Of a file's name, characters that a message shows."""

MOST_FILES = 10_000
"""A volume of more slices than this is none."""

COUNTED_NAME = re.compile(r"[^%]*%0?\d{0,2}[du][^%]*")
"""A name with the number of a slice in it, as ``slice%03d.raw``."""

MM_WORDS = ("mm", "millimeter", "millimetre", "millimeters", "millimetres")


def read_head(path: Path) -> bytes:
    """Return the beginning of a file, in which its header lies."""
    with path.open("rb") as stream:
        return stream.read(HEADER_BYTES)


def header_fields(head: bytes, separators: str, last: str = "") -> tuple[dict[str, str], int]:
    """Return the ``name: value`` or ``name = value`` lines at the head of a file.

    Parameters
    ----------
    head : bytes
    separators : str
        Characters of which the first parts name and value. ``:=`` parts what is no field.
    last : str
        Name of the field that ends the header; without one it ends at an empty line.

    Returns
    -------
    fields : dict of str to str
        Names in lower case.
    end : int
        Where what follows the header begins, bytes.

    Raises
    ------
    DamagedVolume
        A field stands twice.
    """
    fields: dict[str, str] = {}
    end = 0
    for line in head.split(b"\n"):
        end += len(line) + 1
        text = line.decode("latin-1")
        if not text.strip():
            break
        parts = re.split(f"[{separators}]", text, maxsplit=1)
        if len(parts) < 2 or text.startswith("#") or parts[1].startswith("="):
            continue
        name = parts[0].strip().lower()
        if name in fields:
            raise DamagedVolume(f"its header gives {name!r} twice")
        fields[name] = parts[1].strip()
        if last and name == last:
            break
    return fields, min(end, len(head))


def whole_number(text: str, name: str) -> int:
    """Return a whole number of a header, or raise DamagedVolume."""
    if re.fullmatch(r"[-+]?\d{1,18}", text.strip()) is None:
        raise DamagedVolume(f"its {name} {text[:40]!r} is no whole number")
    return int(text)


def numbers(text: str, count: int, name: str) -> list[float]:
    """Return ``count`` numbers of a header, or raise DamagedVolume."""
    try:
        found = [float(word) for word in text.split()]
    except ValueError:
        found = []
    if len(found) != count:
        raise DamagedVolume(f"its {name} {text[:80]!r} is not {count} numbers")
    return found


def data_files(folder: Path, named: str, listed: bytes) -> list[Path]:
    """Return the files that a header names for its numbers.

    Parameters
    ----------
    folder : Path
        Of the header.
    named : str
        A name; a name with a number in it, the first, the last and the step; or
        ``LIST``, after which the names stand behind the header.
    listed : bytes
        What stands there.

    Raises
    ------
    DamagedVolume
        One of them is not there or is no file: a device or a pipe has no end.
    """
    names = list(_names(named, listed))
    if not names:
        raise DamagedVolume("its header names no data file")
    for name in names:
        if not _is_file(folder / name):
            shown = name if len(name) <= LONGEST_SHOWN else f"{name[:LONGEST_SHOWN]}…"
            raise DamagedVolume(f"its data file {folder / shown} does not exist or is no file")
    return [folder / name for name in names]


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        # A name that no file can have, as it is too long or holds a null.
        return False


def _names(named: str, listed: bytes) -> Iterator[str]:
    words = named.split()
    if words[:1] and words[0].upper() == "LIST":
        lines = listed.decode("utf-8", errors="replace").split("\n")
        yield from [line.strip() for line in lines if line.strip()][:MOST_FILES]
    elif "%" in named:
        if len(words) < 4 or COUNTED_NAME.fullmatch(words[0]) is None:
            raise DamagedVolume(f"its header names the data files {named!r}")
        first, last, step = (whole_number(word, "number of a data file") for word in words[1:4])
        if step == 0 or not 0 <= (last - first) // step < MOST_FILES:
            raise DamagedVolume(f"its header names the data files {named!r}")
        for number in range(first, last + (1 if step > 0 else -1), step):
            yield words[0] % number
    elif named:
        yield named


def check_unit_words(units: Iterable[str], path: Path) -> None:
    """Refuse a header that states its spacing in another unit than mm."""
    for unit in units:
        if unit.strip().lower() not in (*MM_WORDS, "", "?"):
            raise InputError(
                f"volume {path} states its spacing in {unit!r}; write it in mm, or correct the "
                "unit if the numbers are mm already"
            )
