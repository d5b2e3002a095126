"""Reads a surface mesh into LPS mm."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, get_args

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import FRAMES, Frame, to_lps
from veinfit.io.files import MESH_SUFFIXES, known_suffix, read_bytes
from veinfit.io.mesh_formats.parsers import PARSERS
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.triangles import triangulated
from veinfit.labels.model import ATRIUM_MM_RANGE, FARTHEST_MM, plain_number
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, IntArray

Unit = Literal["mm", "cm", "m", "um"]
UNITS: tuple[Unit, ...] = get_args(Unit)
LARGEST_TEXT_BYTES = 1 << 27
"""Meshes written as text take more than ten times their size while they are read; as STL, the
longest form, half a million triangles are of this size."""

SAMPLE_BYTES = 1 << 16
"""So much of a large file tells whether it is text: numbers in binary form have zeros."""

MM_PER_UNIT: dict[Unit, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001}


def read_mesh(path: Path, *, frame: Frame = "lps", unit: Unit = "mm") -> Surface:
    """Read the triangles of a mesh file as they are, in LPS mm.

    STL (binary, ASCII), PLY, OBJ, OFF, legacy VTK and VTP, told apart by the
    extension in any case. Polygons and strips are cut into triangles; colours,
    texture and normals are left aside; nothing is repaired.

    Parameters
    ----------
    path : Path
    frame : {'lps', 'ras'}
        Frame of the file's coordinates. RAS to LPS is a half turn about the
        body's long axis, so the winding of the faces stays.
    unit : {'mm', 'cm', 'm', 'um'}
        Unit of the file's coordinates.

    Returns
    -------
    Surface
        Only vertices that a triangle uses.

    Raises
    ------
    InputError
        The file is missing, of an unknown extension, damaged, without
        triangles, with coordinates that are not finite, or of a size that no
        atrium has; the message names the unit that would explain it.
    """
    path = Path(path)
    if frame not in FRAMES:
        raise InputError(f"frame {frame!r} is not known; pass {' or '.join(FRAMES)}")
    if unit not in UNITS:
        raise InputError(f"unit {unit!r} is not known; pass {', '.join(UNITS)}")
    suffix = known_suffix(path, MESH_SUFFIXES, "mesh")
    content = read_bytes(path, "mesh")
    if len(content) > LARGEST_TEXT_BYTES and b"\0" not in content[-SAMPLE_BYTES:]:
        raise InputError(
            f"mesh {path} is written as text and has {len(content) >> 20} MiB, more than the "
            f"{LARGEST_TEXT_BYTES >> 20} that are read; export it in binary form, or smaller"
        )
    try:
        mesh = PARSERS[suffix](content)
        points, faces = _checked(mesh, path)
    except DamagedMesh as damage:
        kind = suffix[1:].upper()
        raise InputError(
            f"mesh {path} is not a whole {kind} mesh: {damage}; export it again"
        ) from damage
    _check_size(points, path, unit)
    return Surface(to_lps(points * MM_PER_UNIT[unit], frame), faces)


def _checked(mesh: Polygons, path: Path) -> tuple[FloatArray, IntArray]:
    """Return the points in use and the triangles of a mesh whose numbers make sense."""
    count = len(mesh.points)
    if not len(mesh.corners):
        raise InputError(f"mesh {path} has no triangles ({count} vertices); export it as a surface")
    wrong = mesh.corners[(mesh.corners < 0) | (mesh.corners >= count)]
    if len(wrong):
        raise DamagedMesh(
            f"faces refer to vertex {wrong[0]} but there are {count} (counted from 0)"
        )
    used, corners = np.unique(mesh.corners, return_inverse=True)
    bad = used[~np.isfinite(mesh.points[used]).all(axis=1)]
    if len(bad):
        where = ", ".join(f"{x:g}" for x in mesh.points[bad[0]])
        raise InputError(
            f"mesh {path}: {len(bad)} of {len(used)} vertices are not finite, the first is "
            f"vertex {bad[0]} ({where}); export it again"
        )
    points = mesh.points[used]
    faces = triangulated(Polygons(points, mesh.sizes, corners))
    if not len(faces):
        raise InputError(f"mesh {path} has no triangles; export it as a surface")
    return points, faces


def _check_size(points: FloatArray, path: Path, unit: Unit) -> None:
    """Refuse a mesh that is no atrium in the stated unit; name the unit in which it is."""
    extent = float(np.ptp(points, axis=0).max())
    least, most = ATRIUM_MM_RANGE
    if least <= extent * MM_PER_UNIT[unit] <= most:
        away = float(np.abs(points).max()) * MM_PER_UNIT[unit]
        if away > FARTHEST_MM:
            raise InputError(
                f"mesh {path} lies {plain_number(away)} mm from the origin of its coordinates, "
                "which no image does; export it again"
            )
        return
    fitting = [u for u in UNITS if least <= extent * MM_PER_UNIT[u] <= most]
    found = f"mesh {path} is {plain_number(extent)} {unit} across"
    usual = f"a left atrium with its veins is {least:g} to {most:g} mm"
    if fitting:
        raise InputError(f"{found}, but {usual}: it fits {fitting[0]}; pass --unit {fitting[0]}")
    raise InputError(f"{found}, but {usual}, and that fits in no unit; check the file")
