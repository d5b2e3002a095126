"""OFF."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypeVar

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.words import worded_lines


def parse_off(data: bytes) -> Polygons:
    """Read an OFF file: the first three numbers of a vertex, the corners of a face."""
    if data[:64].split()[1:2] == [b"BINARY"]:
        raise DamagedMesh("it is a binary OFF file: only the text form is read")
    lines = list(worded_lines(data))
    if not lines or re.fullmatch(r"(ST)?C?N?OFF", lines[0][1][0].upper()) is None:
        raise DamagedMesh("it does not begin with OFF")
    # The counts stand on the first line after the keyword, or on the next.
    lines[0] = (lines[0][0], lines[0][1][1:])
    lines = [line for line in lines if line[1]]
    if not lines:
        raise DamagedMesh("it ends after its first word: it was cut short")
    vertex_count, face_count = _off_row(lines[0], _off_counts)
    if min(vertex_count, face_count) < 0 or len(lines) < 1 + vertex_count + face_count:
        raise DamagedMesh(
            f"{vertex_count} vertices and {face_count} faces are announced but "
            f"{len(lines) - 1} lines follow: it was cut short"
        )
    vertex_lines = lines[1 : 1 + vertex_count]
    face_lines = lines[1 + vertex_count : 1 + vertex_count + face_count]
    points = [_off_row(line, _off_vertex) for line in vertex_lines]
    return Polygons.from_lists(points, [_off_row(line, _off_face) for line in face_lines])


_Row = TypeVar("_Row")


def _off_row(line: tuple[int, list[str]], parse: Callable[[list[str]], _Row]) -> _Row:
    number, words = line
    try:
        return parse(words)
    except (ValueError, IndexError) as error:
        raise DamagedMesh(f"line {number}: {first_line(error)}") from error


def _off_counts(words: list[str]) -> tuple[int, int]:
    if len(words) < 2:
        raise ValueError("the numbers of vertices and faces are expected")
    return int(words[0]), int(words[1])


def _off_vertex(words: list[str]) -> list[float]:
    if len(words) < 3:
        raise ValueError(f"3 coordinates are expected, {len(words)} stand there")
    return [float(w) for w in words[:3]]


def _off_face(words: list[str]) -> list[int]:
    size = int(words[0])
    face = [int(w) for w in words[1 : 1 + size]]
    if size < 0 or len(face) < size:
        raise ValueError(f"a face of {size} corners has {len(face)}")
    return face
