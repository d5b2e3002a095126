"""STL, binary and text."""

from __future__ import annotations

import re

import numpy as np

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons

STL_HEADER_BYTES = 84

STL_FACE_BYTES = 50
"""A binary STL file has 84 + 50 n bytes: 80 of text, a count, and 50 for each triangle."""


def parse_stl(data: bytes) -> Polygons:
    """Read binary or ASCII STL.

    The size decides: binary files may begin with the word ``solid`` too.
    """
    count = int.from_bytes(data[80:84], "little") if len(data) >= STL_HEADER_BYTES else 0
    expected = STL_HEADER_BYTES + STL_FACE_BYTES * count
    text_like = data.lstrip()[:5].lower() == b"solid" and b"facet" in data[:4096].lower()
    # Some writers pad the file; less than a triangle's bytes cannot be one that was left out.
    padded = 0 < len(data) - expected < STL_FACE_BYTES and count > 0
    if len(data) == expected or (padded and not text_like):
        return _binary_stl(data, count)
    if text_like:
        return _ascii_stl(data)
    if len(data) < STL_HEADER_BYTES:
        raise DamagedMesh(f"{len(data)} bytes are too few for a binary STL and it is not ASCII")
    raise DamagedMesh(
        f"not ASCII, and as binary its {count} triangles take {expected} bytes but it has "
        f"{len(data)}: it was cut short or is not STL"
    )


def _binary_stl(data: bytes, count: int) -> Polygons:
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    faces = np.frombuffer(data, dtype=record, count=count, offset=STL_HEADER_BYTES)
    return Polygons.from_triangles(faces["corners"], np.arange(3 * count))


def _ascii_stl(data: bytes) -> Polygons:
    text = data.decode("latin-1").lower()
    found = re.findall(r"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", text)
    facets = len(re.findall(r"\bfacet\s+normal\b", text))
    if "endsolid" not in text.rsplit("endfacet", 1)[-1]:
        raise DamagedMesh("its end (endsolid) is missing: it was cut short")
    if len(found) != 3 * facets or len(re.findall(r"\bendfacet\b", text)) != facets:
        raise DamagedMesh(f"{facets} facets have {len(found)} vertices rather than three each")
    try:
        points = [float(number) for vertex in found for number in vertex]
    except ValueError as error:
        raise DamagedMesh(first_line(error)) from error
    return Polygons.from_triangles(points, np.arange(len(found)))
