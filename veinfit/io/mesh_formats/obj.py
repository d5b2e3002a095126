"""OBJ."""

from __future__ import annotations

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.words import worded_lines


def parse_obj(data: bytes) -> Polygons:
    """Read the vertices and polygons of an OBJ file; texture, normals and groups are ignored."""
    points: list[list[float]] = []
    faces: list[list[int]] = []
    for number, words in worded_lines(data, joined=True):
        try:
            if words[0] == "v":
                points.append([float(w) for w in words[1:4]])
                if len(words) < 4:
                    raise ValueError("a vertex needs three coordinates")
            elif words[0] == "f":
                face = [int(w.split("/", 1)[0]) for w in words[1:]]
                if len(face) < 3 or 0 in face:
                    raise ValueError("a face needs three vertices, counted from 1")
                # Negative numbers count back from the latest vertex.
                faces.append([v - 1 if v > 0 else len(points) + v for v in face])
        except ValueError as error:
            raise DamagedMesh(f"line {number}: {first_line(error)}") from error
    if not points:
        raise DamagedMesh("it has no vertices")
    return Polygons.from_lists(points, faces)
