"""Writes invented atria: meshes, label volumes and landmarks, byte for byte the same every time."""

from __future__ import annotations

import gzip
from pathlib import Path

import nibabel
import numpy as np
import trimesh

from veinfit.frames import ras_affine_to_lps
from veinfit.labels import LabelVolume
from veinfit.surface import Surface
from veinfit.synthetic.wall.neighbours import Neighbours, Tubular

DECIMALS = 3
"""Coordinates are rounded to a micrometre, so that files do not hang on the last bits."""


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 with plain line ends on every system.

    Parameters
    ----------
    path : Path
    text : str
    """
    path.write_bytes(text.encode("utf-8"))


def _mesh(surface: Surface) -> trimesh.Trimesh:
    points = np.round(surface.points, DECIMALS)
    return trimesh.Trimesh(points, surface.faces, process=False)


def write_ply(path: Path, surface: Surface) -> None:
    """Write a binary PLY, LPS mm.

    Parameters
    ----------
    path : Path
    surface : Surface
    """
    path.write_bytes(trimesh.exchange.ply.export_ply(_mesh(surface), vertex_normal=False))


def write_stl(path: Path, surface: Surface) -> None:
    """Write a binary STL, LPS mm."""
    path.write_bytes(trimesh.exchange.stl.export_stl(_mesh(surface)))


def write_nifti(path: Path, volume: LabelVolume) -> None:
    """Write a label volume as compressed NIfTI, whose world is RAS.

    Parameters
    ----------
    path : Path
    volume : LabelVolume
    """
    # The flip of x and y is its own inverse.
    affine = ras_affine_to_lps(np.asarray(volume.affine))
    image = nibabel.Nifti1Image(volume.values, affine)  # type: ignore[no-untyped-call]
    image.header.set_xyzt_units("mm")  # type: ignore[no-untyped-call]
    image.header["descrip"] = b"invented case"
    path.write_bytes(gzip.compress(image.to_bytes(), compresslevel=9, mtime=0))


def landmark_text(
    neighbours: Neighbours, about: str, lines: tuple[Tubular, ...] | None = None
) -> str:
    """Return the landmark file of a case, LPS mm: the septal crossing, and neighbours as lines.

    ``lines`` are the neighbours that no label volume holds; the phrenic nerve if not given.

    Parameters
    ----------
    neighbours : Neighbours
    about : str
        Goes first, as a comment.
    lines : tuple of Tubular, optional

    Returns
    -------
    str
    """
    if lines is None:
        lines = () if neighbours.phrenic_nerve is None else (neighbours.phrenic_nerve,)
    rows = [("septal_crossing", neighbours.septal_crossing)]
    rows += [(line.name, point) for line in lines for point in line.points]
    head = [f"# {about}", "# frame: lps", "name,x_mm,y_mm,z_mm"]
    body = [",".join([name, *(f"{c:.{DECIMALS}f}" for c in point)]) for name, point in rows]
    return "\n".join([*head, *body]) + "\n"
