"""Ways to spoil a file: bytes, numbers, words and lines, as transfers, editors and people do it."""

from __future__ import annotations

import gzip
import json
import random
import re
from typing import Any

from fuzz.structured import structured

BYTES = (
    b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x80\0\0\0",
    b"\0\0\0\x80", b"\xff", b"\0", b"\r", b"\n", b"\x1a", b"\xef\xbb\xbf", b"\xff\xfe",
)  # fmt: skip
WORDS = (
    b"-1", b"0", b"1e308", b"1e-320", b"nan", b"-nan", b"inf", b"-inf", b"4294967296",
    b"2147483647", b"-2147483648", b"18446744073709551616", b"9" * 400, b"9" * 5000, b"0x10",
    b"1_000", b"1,5", b"%s%n", b"%d", b"../../x", b"/dev/zero", b"\xc3\xa9", b"\xe2\x80\xa8",
    b'"', b'"""', b"[", b"]", b"[[", b"{", b"}", b"=", b",", b";", b"#", b"\\", b"<", b"true",
    b"1979-05-27", b"LSPV", b"solid", b"end_header", b"LIST", b"LOCAL", b"[" * 3000, b"a." * 2000,
    b"A" * 150_000,
)  # fmt: skip
NUMBER = re.compile(rb"[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?")
HEAD_BYTES = 600
KNOWING = 0.5
"""Share of the files of a known form that are spoiled by one who knows it."""


def spoiled(content: bytes, rng: random.Random) -> bytes:
    """Return ``content`` with one to eight things changed."""
    packed = content[:2] == b"\x1f\x8b"
    if packed and rng.random() < 0.5:
        # What is packed is spoiled too, and packed again: its check sum is right.
        return gzip.compress(spoiled(gzip.decompress(content), rng), 1)
    if content[:1] == b"{" and rng.random() < 0.7:
        return json.dumps(other_tree(json.loads(content), rng)).encode()
    if rng.random() < KNOWING and (changed := structured(content, rng)) is not None:
        return changed
    for _ in range(rng.choice((1, 1, 1, 2, 4, 8))):
        content = rng.choice(MUTATIONS)(content, rng)
    return content


def other_tree(tree: Any, rng: random.Random) -> Any:
    """Return JSON of which something is gone, or of another kind."""
    parent, key = None, None
    at = tree
    while isinstance(at, (dict, list)) and at and (parent is None or rng.random() < 0.8):
        parent, key = at, rng.choice(list(at) if isinstance(at, dict) else range(len(at)))
        at = parent[key]
    if parent is None or rng.random() < 0.4:
        if parent is not None:
            del parent[key]
        return tree
    parent[key] = rng.choice(
        (None, True, -1, 10**30, 1e308, "", "x" * 9000, "2", [], [[]], {}, {"a": 1}, float("nan"))
    )
    return tree


def _place(content: bytes, rng: random.Random) -> int:
    """Return a place in a file; headers are short, and more depends on them."""
    return rng.randrange(
        1 + (len(content) if rng.random() < 0.5 else min(len(content), HEAD_BYTES))
    )


def _flip(content: bytes, rng: random.Random) -> bytes:
    k = min(_place(content, rng), len(content) - 1)
    return (
        content
        if k < 0
        else content[:k] + bytes([content[k] ^ 1 << rng.randrange(8)]) + content[k + 1 :]
    )


def _overwrite(content: bytes, rng: random.Random) -> bytes:
    k, new = _place(content, rng), rng.choice(BYTES)
    return content[:k] + new + content[k + len(new) :]


def _insert(content: bytes, rng: random.Random) -> bytes:
    k = _place(content, rng)
    return content[:k] + rng.choice((*BYTES, *WORDS)) + content[k:]


def _remove(content: bytes, rng: random.Random) -> bytes:
    k = _place(content, rng)
    return content[:k] + content[k + rng.choice((1, 2, 4, 50, 1000)) :]


def _cut(content: bytes, rng: random.Random) -> bytes:
    return content[: _place(content, rng)]


def _repeat(content: bytes, rng: random.Random) -> bytes:
    k, m = _place(content, rng), _place(content, rng)
    return content[:k] + content[m : m + rng.choice((4, 40, 400))] + content[k:]


def _window(content: bytes, rng: random.Random) -> tuple[int, bytes]:
    start = 0 if rng.random() < 0.6 else _place(content, rng)
    return start, content[start : start + 4 * HEAD_BYTES]


def _number(content: bytes, rng: random.Random) -> bytes:
    start, part = _window(content, rng)
    found = list(NUMBER.finditer(part))
    if not found:
        return _overwrite(content, rng)
    one = rng.choice(found)
    return content[: start + one.start()] + rng.choice(WORDS) + content[start + one.end() :]


def _word(content: bytes, rng: random.Random) -> bytes:
    start, part = _window(content, rng)
    found = list(re.finditer(rb"[A-Za-z_]{2,}", part))
    if not found:
        return _insert(content, rng)
    one, other = rng.choice(found), rng.choice(found)
    return content[: start + one.start()] + other.group() + content[start + one.end() :]


def _line(content: bytes, rng: random.Random) -> bytes:
    """Drop, repeat, exchange or empty a line."""
    lines = content.split(b"\n")
    k, m = rng.randrange(len(lines)), rng.randrange(len(lines))
    if rng.random() < 0.7:
        k %= 30
        k = min(k, len(lines) - 1)
    path = rng.randrange(4)
    if path == 0:
        del lines[k]
    elif path == 1:
        lines.insert(m, lines[k])
    elif path == 2:
        lines[k], lines[m] = lines[m], lines[k]
    else:
        lines[k] = b""
    return b"\n".join(lines)


def _line_ends(content: bytes, rng: random.Random) -> bytes:
    return content.replace(b"\n", rng.choice((b"\r\n", b"\r", b"\n\n")))


def _noise(content: bytes, rng: random.Random) -> bytes:
    k = _place(content, rng)
    size = rng.choice((8, 64, 512))
    return content[:k] + rng.randbytes(size) + content[k + size :]


MUTATIONS = (
    _flip, _flip, _overwrite, _overwrite, _insert, _remove, _cut, _repeat, _number, _number, _word,
    _line, _line_ends, _noise,
)  # fmt: skip
