"""The parser of each ending."""

from __future__ import annotations

from collections.abc import Callable

from veinfit.io.mesh_formats.obj import parse_obj
from veinfit.io.mesh_formats.off import parse_off
from veinfit.io.mesh_formats.ply import parse_ply
from veinfit.io.mesh_formats.polygons import Polygons
from veinfit.io.mesh_formats.stl import parse_stl
from veinfit.io.mesh_formats.vtk_legacy import parse_vtk
from veinfit.io.mesh_formats.vtp import parse_vtp

PARSERS: dict[str, Callable[[bytes], Polygons]] = {
    ".stl": parse_stl,
    ".ply": parse_ply,
    ".obj": parse_obj,
    ".off": parse_off,
    ".vtk": parse_vtk,
    ".vtp": parse_vtp,
}
"""Formats read from the bytes of the file."""
