"""Packed data, unpacked to the end: only there do they say whether they are whole.

A library stops where it has the numbers it needs. The check sum and the length that follow
them are then never compared, and wrong numbers are taken for right ones.
"""

from __future__ import annotations

import bz2
import gzip
import zlib
from collections.abc import Callable
from typing import IO, Any, Protocol

from veinfit.io.volume_formats.checks import DamagedVolume

CHUNK_BYTES = 1 << 20
"""Bytes unpacked at a time."""

SURPLUS_BYTES = 1 << 24
"""Data may go on this far behind the numbers that the header announces; no more is unpacked."""

ZLIB_OR_GZIP = 32 + zlib.MAX_WBITS
"""Tells zlib to see by the first bytes which of its two wrappings data have."""


class Stream(Protocol):
    """What data are read from."""

    def read(self, size: int, /) -> bytes:
        """Return at most ``size`` bytes; none at the end."""


def read_rest(stream: Stream) -> None:
    """Read a stream to its end; raise DamagedVolume where that is far away."""
    found = 0
    while chunk := stream.read(CHUNK_BYTES):
        found += len(chunk)
        if found > SURPLUS_BYTES:
            raise DamagedVolume("its data go on behind what its header announces")


def unpacked(stream: IO[bytes], packing: str) -> Stream:
    """Return a stream of what is packed in another by ``gzip``, ``bzip2`` or ``zlib``.

    ``zlib`` takes the wrapping of gzip too; anything else is not packed.
    """
    return _OPENERS[packing](stream) if packing in _OPENERS else stream


class _Inflating:
    """A zlib stream, read like a file."""

    def __init__(self, packed: IO[bytes]) -> None:
        self._packed, self._inflate = packed, zlib.decompressobj(ZLIB_OR_GZIP)

    def read(self, size: int, /) -> bytes:
        while not self._inflate.eof:
            waiting = self._inflate.unconsumed_tail or self._packed.read(size)
            if not waiting:
                raise EOFError("they end before their end was reached")
            if data := self._inflate.decompress(waiting, size):
                return data
        return b""


_OPENERS: dict[str, Callable[[Any], Stream]] = {
    "gzip": lambda stream: gzip.GzipFile(fileobj=stream),
    "bzip2": bz2.BZ2File,
    "zlib": _Inflating,
}
