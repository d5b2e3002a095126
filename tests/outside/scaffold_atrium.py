"""A human left atrium that nobody here made, with the numbers it was made from.

The surface is the endocardium of the left atrium in the heart atria scaffold
("Human 1") of the open anatomical scaffold library ``scaffoldmaker``, whose
elements are cubic Hermite; they are evaluated by ``cmlibs.zinc`` (both
Apache-2.0). The scaffold's parameters are given as fractions of a unit scale.

What its parameters mean, so that they are compared with the right measure:

- The two veins of a side leave the atrium through one common, stadium-shaped
  ring. ``ring_width_mm`` (its "Ostium diameter") is the width of that ring on
  the outer surface of the wall, not the diameter of a single vein's ostium;
  the ring is ``ring_width_mm + vein_distance_mm`` long.
- The tubes part between the ring and their ends; the vessel ends are plane
  circles of the stated inner diameter.
- A tube's axis is an arc of a circle of the stated length: straight out of the
  outer surface at first, turned by the stated bend at the end.
- Between ring and end the wall is a cubic blend: it flares toward the ring and,
  in a long tube, narrows to a waist (1 % below the end's diameter at 12 mm of
  tube, 3 % at 16 mm, 9 % at 25 mm).

What it is not: the appendage's wall passes through itself where its tip is
tucked in, and tubes longer than 12 mm make the posterior wall do the same, so
that it also tries what such meshes do to the work.
"""

from __future__ import annotations

import contextlib
import io
import math
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from veinfit.frames import to_lps
from veinfit.surface.mesh import Surface, edges
from veinfit.vectors import FloatArray, IntArray, unit

UNIT_SCALE_MM = 80.0
"""Size that gives the human scaffold a left atrium in millimetres."""

LONG_TUBES_MM = 12.0
"""The longest vein tubes that leave the atrium's wall without folds."""

MERGE_DECIMALS = 6
"""Neighbouring elements meet to rounding; points equal to these decimals of a mm are one."""

BODY, APPENDAGE, LEFT_VEINS, RIGHT_VEINS = range(4)
REGION_GROUPS = {
    APPENDAGE: "left auricle",
    LEFT_VEINS: "left pulmonary vein",
    RIGHT_VEINS: "right pulmonary vein",
}
LUMEN_GROUPS = (
    "luminal surface of left atrium",
    "luminal surface of left pulmonary vein",
    "luminal surface of right pulmonary vein",
)


@dataclass(frozen=True, slots=True, eq=False)
class ScaffoldVein:
    """One pulmonary vein of the scaffold.

    Attributes
    ----------
    name : str
        LSPV, LIPV, RSPV or RIPV; the upper of a side's two vein ends is superior.
    inner_diameter_mm : float
        Stated inner diameter of the vessel end.
    wall_mm : float
        Stated wall thickness of the vessel end.
    ring_width_mm, vein_distance_mm : float
        Stated width of the side's common ring, on the outer surface, and the
        distance of its two veins' centres along it.
    bend_deg : float
        Stated angle by which the tube's axis turns along its length.
    tube_length_mm : float
        Stated length of the tube, along its axis, from the outer surface.
    end_mm : (N, 3) array
        The open end's loop in order, LPS mm.
    end_centre_mm, end_axis : (3,) array
        Centre of the open end, LPS mm, and the unit normal of its plane, out
        of the atrium.
    ring_mm : (M, 3) array
        The side's common ring on the inner surface in order, LPS mm.
    """

    name: str
    inner_diameter_mm: float
    wall_mm: float
    ring_width_mm: float
    vein_distance_mm: float
    bend_deg: float
    tube_length_mm: float
    end_mm: FloatArray
    end_centre_mm: FloatArray
    end_axis: FloatArray
    ring_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class ScaffoldAtrium:
    """The endocardium of the scaffold's left atrium.

    Attributes
    ----------
    surface : Surface
        Body, appendage and veins; open at the vein ends and the mitral rim.
    regions : (F,) array
        BODY, APPENDAGE, LEFT_VEINS or RIGHT_VEINS for each face.
    veins : tuple of ScaffoldVein
        LSPV, LIPV, RSPV, RIPV.
    mitral_mm : (N, 3) array
        The mitral rim in order, LPS mm.
    mitral_axis : (3,) array
        Unit normal of the mitral rim, out of the atrium.
    """

    surface: Surface
    regions: IntArray
    veins: tuple[ScaffoldVein, ...]
    mitral_mm: FloatArray
    mitral_axis: FloatArray


def left_atrium(
    refinement: int = 8,
    ostium_length_mm: float | None = None,
    vein_diameter_mm: float | None = None,
    unit_scale_mm: float = UNIT_SCALE_MM,
) -> Surface:
    """Return the surface alone of ``scaffold_atrium``, LPS mm."""
    return scaffold_atrium(refinement, ostium_length_mm, vein_diameter_mm, unit_scale_mm).surface


@lru_cache(maxsize=8)
def scaffold_atrium(
    refinement: int = 8,
    ostium_length_mm: float | None = None,
    vein_diameter_mm: float | None = None,
    unit_scale_mm: float = UNIT_SCALE_MM,
) -> ScaffoldAtrium:
    """Generate the scaffold's left atrium; skips the calling test without the packages.

    Parameters
    ----------
    refinement : int
        Cells along each side of an element; elements are about 3 to 8 mm wide.
    ostium_length_mm : float, optional
        Length of the vein tubes; the scaffold's own is 3.2 mm.
    vein_diameter_mm : float, optional
        Inner diameter of all four vessel ends; the scaffold's own are 8.8 mm
        (left) and 9.6 mm (right).
    unit_scale_mm : float
        Size of the heart: every length but the two above is in proportion.

    Returns
    -------
    ScaffoldAtrium
        The same object for the same arguments throughout a process.
    """
    with warnings.catch_warnings():
        # the bindings' generator makes Python 3.12 and later warn on import
        warnings.simplefilter("ignore")
        # An ImportError too: the bindings need shared libraries that bare machines lack.
        context_module = pytest.importorskip("cmlibs.zinc.context", exc_type=ImportError)
        atria = pytest.importorskip("scaffoldmaker.meshtypes.meshtype_3d_heartatria1")
    scaffold = atria.MeshType_3d_heartatria1
    options = scaffold.getDefaultOptions("Human 1")
    options["Unit scale"] = unit_scale_mm
    stated = {}
    for region, side in ((LEFT_VEINS, "Left"), (RIGHT_VEINS, "Right")):
        vein_options = options[f"{side} pulmonary vein ostium"].getScaffoldSettings()
        if ostium_length_mm is not None:
            vein_options["Ostium length"] = ostium_length_mm / unit_scale_mm
        if vein_diameter_mm is not None:
            vein_options["Vessel inner diameter"] = vein_diameter_mm / unit_scale_mm
        stated[region] = _stated_measures(vein_options, unit_scale_mm)

    context = context_module.Context("left atrium")
    zinc_region = context.createRegion()
    with contextlib.redirect_stdout(io.StringIO()):  # the scaffold prints its progress
        scaffold.checkOptions(options)
        groups, _ = scaffold.generateMesh(zinc_region, options)
    surface, regions = _lumen(zinc_region, groups, refinement)

    loops = [np.array(loop) for loop in _boundary_loops(surface)]
    vertex_region = np.zeros(len(surface.points), dtype=np.int64)
    for region in REGION_GROUPS:
        vertex_region[surface.faces[regions == region]] = region
    veins = []
    for region, side in ((LEFT_VEINS, "L"), (RIGHT_VEINS, "R")):
        ends = [surface.points[loop] for loop in loops if np.all(vertex_region[loop] == region)]
        ends.sort(key=lambda end: -end[:, 2].mean())
        ring = _ring(surface, regions == region)
        for name, end in zip((f"{side}SPV", f"{side}IPV"), ends, strict=True):
            veins.append(
                ScaffoldVein(
                    name=name,
                    end_mm=end,
                    end_centre_mm=end.mean(axis=0),
                    end_axis=_loop_normal(end),
                    ring_mm=ring,
                    **stated[region],
                )
            )
    vein_regions = (LEFT_VEINS, RIGHT_VEINS)
    (mitral,) = (
        surface.points[q] for q in loops if not np.isin(vertex_region[q], vein_regions).any()
    )
    return ScaffoldAtrium(surface, regions, tuple(veins), mitral, _loop_normal(mitral))


def _stated_measures(vein_options: dict[str, Any], unit_scale_mm: float) -> dict[str, float]:
    """Return what the scaffold's parameters state of one side's veins."""
    turn = [math.radians(vein_options[f"Vessel angle {k} degrees"]) for k in (1, 2)]
    return {
        "inner_diameter_mm": unit_scale_mm * vein_options["Vessel inner diameter"],
        "wall_mm": unit_scale_mm * vein_options["Vessel wall thickness"],
        "ring_width_mm": unit_scale_mm * vein_options["Ostium diameter"],
        "vein_distance_mm": unit_scale_mm * vein_options["Ostium inter-vessel distance"],
        "bend_deg": math.degrees(math.acos(math.cos(turn[0]) * math.cos(turn[1]))),
        "tube_length_mm": unit_scale_mm * vein_options["Ostium length"],
    }


def _lumen(zinc_region: Any, groups: list[Any], refinement: int) -> tuple[Surface, IntArray]:
    """Evaluate the inner faces of the left atrium's elements on a grid and join them."""
    element_face_xi3_0 = 5  # number of the face at xi3 = 0, the inner one, in every element
    module = zinc_region.getFieldmodule()
    volumes, faces = module.findMeshByDimension(3), module.findMeshByDimension(2)
    by_name = {group.getName(): group for group in groups}
    lumen = [by_name[name].getMeshGroup(faces) for name in LUMEN_GROUPS]
    parts = {key: by_name[name].getMeshGroup(volumes) for key, name in REGION_GROUPS.items()}
    coordinates, cache = module.findFieldByName("coordinates"), module.createFieldcache()

    xi = [[i / refinement, j / refinement, 0.0] for j, i in np.ndindex(*[refinement + 1] * 2)]
    corner = np.arange((refinement + 1) ** 2).reshape(refinement + 1, -1)
    a, b, c, d = (
        q.ravel() for q in (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    )
    # xi1, xi2, xi3 are right-handed and xi3 runs outward through the wall
    cell_faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])

    points: list[list[float]] = []
    triangles, regions = [], []
    iterator = volumes.createElementiterator()
    while (element := iterator.next()).isValid():
        face = element.getFaceElement(element_face_xi3_0)
        if not (face.isValid() and any(group.containsElement(face) for group in lumen)):
            continue
        triangles.append(cell_faces + len(points))
        part = next((key for key in parts if parts[key].containsElement(element)), BODY)
        regions.append(np.full(len(cell_faces), part))
        for location in xi:
            cache.setMeshLocation(element, location)
            points.append(coordinates.evaluateReal(cache, 3)[1])
    position = to_lps(np.array(points), "ras")
    _, first, index = np.unique(
        position.round(MERGE_DECIMALS), axis=0, return_index=True, return_inverse=True
    )
    joined, region = index.ravel()[np.concatenate(triangles)], np.concatenate(regions)
    # elements collapsed to a wedge give triangles without area along their edge
    proper = (joined != np.roll(joined, 1, axis=1)).all(axis=1)
    return Surface(position[first], joined[proper]), region[proper]


def _boundary_loops(surface: Surface) -> list[list[int]]:
    """Return the vertices of each boundary in order, the way its faces run along it."""
    half = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, face_edges, counts = edges(surface)
    following = dict(half[counts[face_edges.ravel()] == 1].tolist())
    loops = []
    while following:
        start, vertex = following.popitem()
        loop = [start]
        while vertex != start:
            loop.append(vertex)
            vertex = following.pop(vertex)
        loops.append(loop)
    return loops


def _ring(surface: Surface, vein_faces: np.ndarray) -> FloatArray:
    """Return in order the points of the one loop at which a side's vein tubes meet the rest."""
    half = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    rest = {tuple(pair) for pair in half[~np.repeat(vein_faces, 3)].tolist()}
    pairs = half[np.repeat(vein_faces, 3)].tolist()
    following = {i: j for i, j in pairs if (j, i) in rest}
    start = min(following)
    ring, vertex = [start], following[start]
    while vertex != start:
        ring.append(vertex)
        vertex = following[vertex]
    if len(ring) != len(following):
        raise AssertionError("the ring around a side's veins is not one loop")
    return surface.points[ring]


def _loop_normal(loop: FloatArray) -> FloatArray:
    """Return the unit normal of a boundary loop, out of the lumen through the opening.

    Seen from outside, faces lie to the left of their own boundary, so that it
    runs clockwise for someone outside who looks back through the opening.
    """
    centred = loop - loop.mean(axis=0)
    return unit(-0.5 * np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0))


def perimeter_mm(loop: FloatArray) -> float:
    """Return the length of a closed polygon (N, 3), mm."""
    return math.fsum(np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1))


def closed_with_caps(atrium: ScaffoldAtrium) -> Surface:
    """Return the surface with each opening closed by a fan about its centroid.

    Plane vein ends and mitral rim make plane caps.
    """
    points, faces = [atrium.surface.points], [atrium.surface.faces]
    n = len(atrium.surface.points)
    for loop in map(np.array, _boundary_loops(atrium.surface)):
        points.append(atrium.surface.points[loop].mean(axis=0, keepdims=True))
        faces.append(np.stack([np.roll(loop, -1), loop, np.full(len(loop), n)], axis=1))
        n += 1
    return Surface(np.concatenate(points), np.concatenate(faces))
