"""The shapes of a case's parts for the 3D view: to be looked at and clicked, never measured."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.desk.jobs.inspecting import LISTED_PARTS
from veinfit.errors import InputError
from veinfit.io.files import input_kind, is_dicom
from veinfit.labels.counting import value_counts
from veinfit.labels.lumen import IMAGE_VALUES
from veinfit.labels.voxel_surface import crop_to, lumen_surface
from veinfit.report.colours import STRUCTURE_TINTS, VEIN_TINTS, WALL_INNER, WALL_OUTER, rgb
from veinfit.report.viewer.viewer_packing import pack_mesh, thinned
from veinfit.settings import SurfaceSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import face_normals
from veinfit.surface.vtk_bridge import windowed_sinc
from veinfit.vectors import BoolArray, FloatArray, apply_affine

MOST_VOXELS = 96
"""A part is shown on at most so many voxels along its longest side."""

PART_FACES, MESH_FACES = 9_000, 40_000

PICTURE_PX, PICTURE_RIM_PX = 120, 6

NAMED_PLACES = 60
"""Places of a part at which its number may stand: one that is seen is taken."""

TINTS = (WALL_OUTER, *VEIN_TINTS, *STRUCTURE_TINTS)


def part_scene(files: list[Path], frame: str, unit: str) -> dict[str, Any]:
    """Return the 3D scene of a case that is not assessed yet.

    Parameters
    ----------
    files : list of Path
        Its meshes and label volumes.
    frame, unit : str
        Of meshes; LPS and mm where nothing was stated.

    Returns
    -------
    dict
        ``scene`` for the 3D view; ``parts``, each with ``file``, ``value``, ``colour`` and
        ``mesh``; and ``picture``, a small PNG from behind in base64, empty without parts.
    """
    parts: list[dict[str, Any]] = []
    surfaces: list[tuple[Surface, str]] = []
    names: list[dict[str, Any]] = []
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for file in files:
        try:
            for value, surface in _surfaces(file, frame, unit):
                low = np.minimum(low, surface.points.min(axis=0))
                high = np.maximum(high, surface.points.max(axis=0))
                tint = TINTS[len(parts) % len(TINTS)]
                mesh = pack_mesh(surface)
                surfaces.append((surface, tint))
                places = surface.points[:: -(-len(surface.points) // NAMED_PLACES)].round(1)
                names.append({"text": str(value), "places": places.tolist()})
                parts.append({"file": file.name, "value": value, "colour": tint, "mesh": mesh})
        except InputError:
            continue  # The look into the file tells why.
    if not parts:
        low, high = np.zeros(3), np.ones(3)
    dot = Surface(np.tile(0.5 * (low + high), (3, 1)), np.array([[0, 1, 2]]))
    scene = {
        "centre": [round(float(c), 2) for c in 0.5 * (low + high)],
        "radius": round(0.5 * float(np.linalg.norm(high - low)), 2),
        "colours": {"wall_outer": WALL_OUTER, "wall_inner": WALL_INNER},
        "bands": [{"colour": WALL_INNER, "label": ""}],
        "edges": [],
        "wall": pack_mesh(dot),
        # Told by their numbers too, not by colour alone; a mesh is one part without a number.
        "names": names if len(names) > 1 else [],
        **{name: [] for name in ("rims", "dropped", "marks", "structures", "veins")},
    }
    return {"scene": scene, "parts": parts, "picture": small_picture(surfaces)}


def small_picture(surfaces: list[tuple[Surface, str]]) -> str:
    """Return surfaces and their colours as a small PNG, seen from behind, in base64."""
    import base64
    import io

    from PIL import Image

    if not surfaces:
        return ""
    middles = [s.points[s.faces].mean(axis=1) for s, _ in surfaces]
    normals = np.concatenate([face_normals(s) for s, _ in surfaces])
    colours = [
        np.tile(rgb(tint), (len(m), 1)) for m, (_, tint) in zip(middles, surfaces, strict=True)
    ]
    places = np.concatenate(middles)
    # From behind the patient's left is on the left: x falls to the right, z to below.
    seen = places[:, [0, 2]]
    low, high = seen.min(axis=0), seen.max(axis=0)
    pixel = float((high - low).max()) / (PICTURE_PX - 2 * PICTURE_RIM_PX) or 1.0
    shift = 0.5 * (PICTURE_PX - (high - low) / pixel)
    at = np.rint((high - seen) / pixel + shift).astype(int)
    light = 0.45 + 0.55 * np.abs(normals[:, 1])
    shade = np.concatenate(colours) * light[:, None]
    picture = np.ones((PICTURE_PX, PICTURE_PX, 3))
    # Painted from the front to the back, so that what is nearest to the viewer is painted last.
    for k in np.argsort(places[:, 1]):
        x, z = at[k]
        picture[z - 1 : z + 2, x - 1 : x + 2] = shade[k]
    stream = io.BytesIO()
    Image.fromarray((255 * picture).astype(np.uint8)).save(stream, "PNG")
    return base64.b64encode(stream.getvalue()).decode("ascii")


def _surfaces(file: Path, frame: str, unit: str) -> Iterator[tuple[int, Surface]]:
    if input_kind(file) == "mesh":
        from veinfit.io.inputs.meshes import read_mesh

        surface = read_mesh(file, frame=frame or "lps", unit=unit or "mm")  # type: ignore[arg-type]
        yield 0, thinned(surface, MESH_FACES)[0]
    elif is_dicom(file):
        from veinfit.io.dicom.labels import read_segments

        held = read_segments(file)
        for segment in held.segments[:LISTED_PARTS]:
            inside = segment.shares >= 0.5
            if inside.any():
                yield segment.number, _of_mask(inside, held.affine)
    else:
        from veinfit.io.inputs.volumes import read_volume

        volume = read_volume(file)
        counts = value_counts(volume.values)
        if len(counts) > IMAGE_VALUES:
            return
        for value in sorted(counts, key=lambda v: -counts[v])[:LISTED_PARTS]:
            yield value, _of_mask(volume.values == value, volume.affine)


def _of_mask(mask: BoolArray, affine: FloatArray) -> Surface:
    """Return a coarse surface of a mask, LPS mm."""
    inside, low = crop_to(mask)
    step = max(1, -(-max(inside.shape) // MOST_VOXELS))
    placed = affine.copy()
    placed[:3, 3] = apply_affine(affine, low)
    if step > 1:
        # A block of voxels is inside where one of them is: thin vessels stay in one piece.
        room = [(0, -n % step) for n in inside.shape]
        blocks = np.pad(inside, room)
        split = [part for n in blocks.shape for part in (n // step, step)]
        inside = np.asarray(blocks.reshape(split).any(axis=(1, 3, 5)))
        placed[:3, :3] *= step
        placed[:3, 3] = apply_affine(affine, low + 0.5 * (step - 1))
    surface = lumen_surface(inside, placed, SurfaceSettings(smoothing_iterations=0))
    return thinned(_smoothed(surface), PART_FACES)[0]


def _smoothed(surface: Surface) -> Surface:
    smooth = windowed_sinc(surface.points, surface.faces, 12, 0.1)
    return Surface(smooth, surface.faces)
