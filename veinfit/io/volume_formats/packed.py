"""Packed data, unpacked to the end: only there do they say whether they are whole.

A library stops where it has the numbers it needs. The check sum and the length that follow
them are then never compared, and wrong numbers are taken for right ones.
"""

from __future__ import annotations

import bz2
import gzip
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from veinfit.io.volume_formats.checks import DamagedVolume

CHUNK_BYTES = 1 << 20
"""Bytes unpacked at a time."""

SURPLUS_BYTES = 1 << 24
"""Data may go on this far behind the numbers that the header announces; no more is unpacked."""

ZLIB_OR_GZIP = 32 + zlib.MAX_WBITS
"""Tells zlib to see by the first bytes which of its two wrappings data have."""

WHAT_IS_RAISED = (OSError, EOFError, zlib.error)
"""What the libraries raise of packed data that are damaged."""


class _Stream(Protocol):
    def read(self, size: int, /) -> bytes: ...


def read_rest(stream: _Stream, allowed: int = SURPLUS_BYTES) -> int:
    """Read a stream to its end and return how many bytes that were.

    Raises
    ------
    DamagedVolume
        There are more than ``allowed``.
    """
    found = 0
    while chunk := stream.read(CHUNK_BYTES):
        found += len(chunk)
        if found > allowed:
            raise DamagedVolume("its data go on behind what its header announces")
    return found


def check_packed(path: Path, kind: str, start: int, most: int) -> int:
    """Unpack a file to its end, keep nothing, and return how many bytes it holds.

    Parameters
    ----------
    path : Path
    kind : {'gzip', 'bzip2', 'zlib'}
        ``zlib`` takes the wrapping of gzip too.
    start : int
        Where in the file the packed data begin, bytes.
    most : int
        No more bytes than this, and ``SURPLUS_BYTES``, are unpacked.

    Raises
    ------
    DamagedVolume
        The data are cut short, their check sum or length is another one, or
        there are more of them.
    """
    try:
        with path.open("rb") as stream:
            stream.seek(start)
            return read_rest(_OPENERS[kind](stream), most + SURPLUS_BYTES)
    except WHAT_IS_RAISED as error:
        raise DamagedVolume(f"its packed data are damaged: {error}") from error


class _Inflating:
    """A zlib stream, read like a file."""

    def __init__(self, packed: _Stream) -> None:
        self._packed, self._inflate = packed, zlib.decompressobj(ZLIB_OR_GZIP)

    def read(self, size: int, /) -> bytes:
        while not self._inflate.eof:
            waiting = self._inflate.unconsumed_tail or self._packed.read(size)
            if not waiting:
                raise EOFError("they end before their end was reached")
            if data := self._inflate.decompress(waiting, size):
                return data
        return b""


_OPENERS: dict[str, Callable[[Any], _Stream]] = {
    "gzip": lambda stream: gzip.GzipFile(fileobj=stream),
    "bzip2": bz2.BZ2File,
    "zlib": _Inflating,
}
