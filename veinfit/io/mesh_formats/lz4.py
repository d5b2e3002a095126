"""Blocks of LZ4, which have no check sum."""

from __future__ import annotations


def unpack_lz4(data: bytes, size: int) -> bytes:
    """Return the ``size`` bytes that a block of LZ4 [1]_ holds.

    Raises
    ------
    ValueError
        It holds fewer or more, or is damaged.

    References
    ----------
    .. [1] LZ4 block format description, github.com/lz4/lz4, doc/lz4_Block_format.md
    """
    out = bytearray()
    at, end = 0, len(data)

    def length(start: int) -> int:
        nonlocal at
        if start == 15:
            while True:
                if at >= end:
                    raise ValueError("a block ends within a length")
                more = data[at]
                at += 1
                start += more
                if more != 255:
                    break
        return start

    while at < end:
        token = data[at]
        at += 1
        literals = length(token >> 4)
        if at + literals > end or len(out) + literals > size:
            raise ValueError("a block is longer than it says")
        out += data[at : at + literals]
        at += literals
        if at == end:
            # The last sequence has no match.
            break
        if at + 2 > end:
            raise ValueError("a block ends within a distance")
        back = data[at] | data[at + 1] << 8
        at += 2
        copied = length(token & 15) + 4
        if not 0 < back <= len(out) or len(out) + copied > size:
            raise ValueError("a block refers to what it does not hold")
        source = out[-back:] if back < copied else out[-back : len(out) - back + copied]
        out += (source * (copied // back + 1))[:copied]
    if len(out) != size:
        raise ValueError("a block is shorter than it says")
    return bytes(out)
