"""The numbers of a volume whose header has been read, from the files that hold them."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from veinfit.io.volume_formats.checks import DamagedVolume
from veinfit.io.volume_formats.packed import CHUNK_BYTES, Stream, read_rest, unpacked

LONGEST_TEXT_BYTES = 1 << 28
"""Numbers written as text are read up to this size of a file."""

LONGEST_NUMBER = 10_000
"""Signs that one number is written in at most."""

NEVER_PACKED = "raw"


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file with numbers.

    Attributes
    ----------
    path : Path
    start : int
        Where in the file its data begin, bytes; with -1 they end with the file.
    skip : int
        Bytes of what is unpacked that come before the numbers.
    """

    path: Path
    start: int = 0
    skip: int = 0


def read_data(
    files: Sequence[DataFile], encoding: str, dtype: np.dtype[Any], count: int
) -> np.ndarray[Any, Any]:
    """Return the ``count`` numbers that files hold in equal parts.

    Parameters
    ----------
    files : sequence of DataFile
    encoding : {'raw', 'gzip', 'bzip2', 'zlib', 'text', 'hex'}
    dtype : dtype
    count : int

    Raises
    ------
    DamagedVolume
        There are fewer numbers, or packed data are not whole.
    """
    if count % len(files):
        raise DamagedVolume(f"{len(files)} files do not hold {count} numbers in equal parts")
    each = count // len(files)
    if encoding in ("text", "hex"):
        return np.concatenate([_written(file, encoding, dtype, each) for file in files])
    content = bytearray(count * dtype.itemsize)
    share = each * dtype.itemsize
    view = memoryview(content)
    for k, file in enumerate(files):
        _fill(view[k * share : (k + 1) * share], file, encoding)
    return np.frombuffer(content, dtype)


def _fill(part: memoryview, file: DataFile, encoding: str) -> None:
    try:
        with file.path.open("rb") as stream:
            start = file.start
            if start < 0:
                start = max(0, file.path.stat().st_size - len(part))
            stream.seek(start)
            source = unpacked(stream, encoding)
            _skip(source, file.skip)
            at = 0
            while at < len(part):
                chunk = source.read(min(CHUNK_BYTES, len(part) - at))
                if not chunk:
                    raise DamagedVolume(
                        f"its data are incomplete: {len(part)} bytes are announced and {at} are "
                        "there, it was cut short"
                    )
                part[at : at + len(chunk)] = chunk
                at += len(chunk)
            if encoding != NEVER_PACKED:
                read_rest(source)
    except (OSError, EOFError, zlib.error) as error:
        raise DamagedVolume(f"its data cannot be read: {error}") from error


def _skip(source: Stream, count: int) -> None:
    while count > 0:
        chunk = source.read(min(CHUNK_BYTES, count))
        if not chunk:
            raise DamagedVolume("its data end before they begin: it was cut short")
        count -= len(chunk)


def _words(stream: IO[bytes], dtype: np.dtype[Any]) -> Iterator[np.ndarray[Any, Any]]:
    """Yield the numbers that a text holds, piece by piece, in the type they are to have.

    A piece at a time: a word takes some forty bytes, whatever it says.
    """
    rest = b""
    while chunk := stream.read(CHUNK_BYTES):
        # What the piece ends with may be half a word.
        *words, rest = (rest + chunk + b"|").split()
        rest = rest[:-1]
        if len(rest) > LONGEST_NUMBER:
            raise ValueError("it has a word that is longer than any number")
        yield _as_numbers(words, dtype)
    yield _as_numbers(rest.split(), dtype)


def _as_numbers(words: list[bytes], dtype: np.dtype[Any]) -> np.ndarray[Any, Any]:
    # NumPy's own reading of text leaves out what it does not understand.
    numbers = np.array([float(word) for word in words])
    if dtype.kind in "iu" and not (numbers == np.rint(numbers)).all():
        raise ValueError("there are fractions among whole numbers")
    with np.errstate(invalid="ignore"):
        short = numbers.astype(dtype)
    # What the announced type does not hold stays as it is.
    return short if np.array_equal(short, numbers) else numbers


def _written(
    file: DataFile, encoding: str, dtype: np.dtype[Any], count: int
) -> np.ndarray[Any, Any]:
    if file.path.stat().st_size > LONGEST_TEXT_BYTES:
        raise DamagedVolume("its numbers are written as text, which is read up to 256 MiB")
    try:
        with file.path.open("rb") as stream:
            stream.seek(max(0, file.start))
            if encoding == "hex":
                content = bytes.fromhex(stream.read().decode("ascii"))
                numbers = np.frombuffer(content, np.uint8).view(dtype)
            else:
                numbers = np.concatenate([np.zeros(0, dtype), *_words(stream, dtype)])
    except ValueError as error:
        raise DamagedVolume(f"its numbers cannot be read: {error}") from error
    if len(numbers) < count:
        raise DamagedVolume(
            f"its data are incomplete: {count} numbers are announced and {len(numbers)} are "
            "there, it was cut short"
        )
    return numbers[:count]
