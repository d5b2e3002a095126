"""Lists of numbers of a VTP file: base64 or raw, in blocks that may be packed."""

from __future__ import annotations

import base64
import binascii
import lzma
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from veinfit.io.mesh_formats.lz4 import unpack_lz4
from veinfit.io.mesh_formats.polygons import DamagedMesh

HEADER_BYTES = {"UInt32": 4, "UInt64": 8}
COMPRESSORS = {
    "vtkZLibDataCompressor": "zlib",
    "vtkLZMADataCompressor": "lzma",
    "vtkLZ4DataCompressor": "lz4",
}


@dataclass(frozen=True, slots=True)
class Form:
    """How the file writes its numbers.

    Attributes
    ----------
    byte_order : {'<', '>'}
    header_bytes : int
        Of each number that tells a length.
    packing : {'', 'zlib', 'lzma', 'lz4'}
    appended : bytes
        What stands behind all elements.
    encoded : bool
        Whether that is base64.
    """

    byte_order: str
    header_bytes: int
    packing: str
    appended: bytes
    encoded: bool

    @classmethod
    def of(cls, about: dict[str, str], behind: dict[str, str], appended: bytes) -> Form:
        """Read the form off the attributes of the file and of its appended data."""
        compressor = about.get("compressor", "")
        if compressor and compressor not in COMPRESSORS:
            raise DamagedMesh(f"it is packed by {compressor[:60]!r}, which is not known")
        length = about.get("header_type", "UInt32")
        if length not in HEADER_BYTES:
            raise DamagedMesh(f"its header_type {length[:40]!r} is not known")
        return cls(
            ">" if about.get("byte_order") == "BigEndian" else "<",
            HEADER_BYTES[length],
            COMPRESSORS.get(compressor, ""),
            appended,
            behind.get("encoding", "base64") == "base64",
        )

    def number(self, data: bytes, k: int) -> int:
        """Return the length that stands in ``data`` at place ``k``."""
        part = data[k * self.header_bytes : (k + 1) * self.header_bytes]
        if len(part) < self.header_bytes:
            raise DamagedMesh("it ends within a length: it was cut short")
        return int.from_bytes(part, "little" if self.byte_order == "<" else "big")


def array_bytes(about: dict[str, str], text: str, form: Form, size: int, called: str) -> bytes:
    """Return the ``size`` bytes of a list.

    Parameters
    ----------
    about : dict of str to str
        Attributes of the list's element.
    text : str
        What stands in it.
    form : Form
    size : int
    called : str
        What it is, for the message.

    Raises
    ------
    DamagedMesh
        There is another number of bytes, or they are damaged.
    """
    if about.get("format") == "appended":
        offset = about.get("offset", "")
        if re.fullmatch(r"\d{1,15}", offset) is None or int(offset) >= len(form.appended):
            raise DamagedMesh(f"its {called} lie outside the file, at {offset[:40]!r}")
        source, encoded = memoryview(form.appended)[int(offset) :], form.encoded
    elif about.get("format", "binary") == "binary":
        source, encoded = memoryview("".join(text.split()).encode()), True
    else:
        raise DamagedMesh(f"its {called} have the format {about['format'][:40]!r}")
    take = _encoded_reader(source) if encoded else _raw_reader(source)
    content = _packed(take, form, size) if form.packing else _plain(take, form, size)
    if len(content) != size:
        raise DamagedMesh(f"its {called} need {size} bytes but there are {len(content)}")
    return content


_Take = Callable[[int, int], bytes]
"""Returns bytes of the list: from where, in the parts that were written apart, and how many."""


def _raw_reader(source: memoryview) -> _Take:
    return lambda start, count: bytes(source[start : start + count])


def _encoded_reader(source: memoryview) -> _Take:
    """Return a reader of base64, of which each part begins anew."""

    def take(start: int, count: int) -> bytes:
        # Only what is written apart has a start of its own: that of the lengths, and that behind.
        first = -(-start // 3) * 4
        letters = bytes(source[first : first + -(-count // 3) * 4])
        try:
            return base64.b64decode(letters, validate=True)[:count]
        except (binascii.Error, ValueError) as error:
            raise DamagedMesh(f"its base64 is damaged: {error}") from error

    return take


def _plain(take: _Take, form: Form, size: int) -> bytes:
    """Return what is not packed: a length and the bytes, written together."""
    whole = take(0, form.header_bytes + size)
    stated = form.number(whole, 0)
    if stated != size:
        raise DamagedMesh(f"a list states {stated} bytes where {size} are needed")
    return whole[form.header_bytes :]


def _packed(take: _Take, form: Form, size: int) -> bytes:
    """Return what is packed in blocks, whose lengths are written apart before them."""
    start = take(0, 3 * form.header_bytes)
    blocks, each, last = (form.number(start, k) for k in range(3))
    # A block that is not full comes last; none is needed where all are full.
    whole = 0 if blocks == 0 else (blocks - 1) * each + (last or each)
    if whole != size or blocks > size:
        raise DamagedMesh(f"a list states {whole} bytes where {size} are needed")
    lengths_bytes = (3 + blocks) * form.header_bytes
    lengths = take(0, lengths_bytes)
    packed = [form.number(lengths, 3 + k) for k in range(blocks)]
    behind = take(lengths_bytes, sum(packed))
    if len(behind) < sum(packed):
        raise DamagedMesh("its packed data are incomplete: it was cut short")
    content, at = [], 0
    for k, length in enumerate(packed):
        room = each if k < blocks - 1 or not last else last
        try:
            content.append(_UNPACK[form.packing](behind[at : at + length], room))
        except (zlib.error, lzma.LZMAError, EOFError, ValueError) as error:
            raise DamagedMesh(f"its packed data are damaged: {error}") from error
        at += length
    return b"".join(content)


def _zlib(data: bytes, room: int) -> bytes:
    inflate = zlib.decompressobj()
    found = inflate.decompress(data, room + 1)
    if not inflate.eof or len(found) != room:
        raise ValueError("a block has another length or no end")
    return found


def _lzma(data: bytes, room: int) -> bytes:
    unpack = lzma.LZMADecompressor(memlimit=1 << 28)
    found = unpack.decompress(data, room + 1)
    if not unpack.eof or len(found) != room:
        raise ValueError("a block has another length or no end")
    return found


_UNPACK: dict[str, Callable[[bytes, int], bytes]] = {
    "zlib": _zlib,
    "lzma": _lzma,
    "lz4": unpack_lz4,
}
