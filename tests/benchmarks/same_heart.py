"""The same heart again: turned, coarsened and surfaced anew, its veins beside what they were.

    python tests/benchmarks/same_heart.py atrium.ply volume.nii.gz=volume.labels.toml

Each atrium is turned by 15 degrees, coarsened to 40 % of its faces, surfaced anew from voxels of
0.6 and 1.0 mm, and its vertices are scattered by 0.2 mm (SD). Prints what moved by more than 1 mm
or 3 degrees, whether inside its bounds, and how far diameters in one fixed plane, each section of
the first surface, agree. ``--frame ras`` is for meshes in that frame. Not a check: tests/README.md
tells the figures.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkCommonCore import VTK_UNSIGNED_CHAR
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkFiltersCore import vtkQuadricDecimation
from vtkmodules.vtkImagingStencil import vtkImageStencil, vtkPolyDataToImageStencil

from veinfit import Settings
from veinfit.anatomy import find_anatomy
from veinfit.case import read_case
from veinfit.labels import LabelVolume, lumen_input
from veinfit.surface import Surface
from veinfit.surface.cleaning import clean_surface
from veinfit.surface.contours import contour_around, measure_contour
from veinfit.surface.cuts import plane_contours
from veinfit.surface.openings import boundary_loops, cap_loops
from veinfit.surface.vtk_bridge import poly_data
from veinfit.vectors import angle_deg

TURN = Rotation.from_rotvec(np.radians(15.0) * np.array([0.48, -0.6, 0.64])).as_matrix()
KEPT_SHARE = 0.4
VOXELS_MM = (0.6, 1.0)
SCATTER_MM = 0.2

MOST_MM, MOST_DEG, MOST_DIAMETER_MM = 1.0, 3.0, 0.3
"""What the same heart may differ by."""

SECTIONS_MM = (0.5, 15.0)
"""Sections so far from the ostium are compared."""


def coarsened(surface: Surface) -> Surface:
    """Return a surface with fewer faces."""
    thin = vtkQuadricDecimation()
    thin.SetInputData(poly_data(surface.points, surface.faces))
    thin.SetTargetReduction(1.0 - KEPT_SHARE)
    thin.Update()
    output = thin.GetOutput()
    corners = vtk_to_numpy(output.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    points = vtk_to_numpy(output.GetPoints().GetData())
    return Surface(points.astype(np.float64), corners.astype(np.int64))


def surfaced_anew(surface: Surface, edge_mm: float) -> Surface:
    """Return the surface of the voxels whose centres lie in a surface."""
    clean = clean_surface(surface, Settings().surface).surface
    closed, _ = cap_loops(clean, boundary_loops(clean))
    low = closed.points.min(axis=0) - 4.0 * edge_mm
    n = np.ceil((closed.points.max(axis=0) + 4.0 * edge_mm - low) / edge_mm).astype(int)
    extent = (0, n[0], 0, n[1], 0, n[2])
    stencil = vtkPolyDataToImageStencil()
    stencil.SetInputData(poly_data(closed.points, closed.faces))
    stencil.SetOutputOrigin(*low)
    stencil.SetOutputSpacing(edge_mm, edge_mm, edge_mm)
    stencil.SetOutputWholeExtent(*extent)
    stencil.SetTolerance(0.0)
    ones = vtkImageData()
    ones.SetOrigin(*low)
    ones.SetSpacing(edge_mm, edge_mm, edge_mm)
    ones.SetExtent(*extent)
    ones.AllocateScalars(VTK_UNSIGNED_CHAR, 1)
    vtk_to_numpy(ones.GetPointData().GetScalars())[:] = 1
    cut = vtkImageStencil()
    cut.SetInputData(ones)
    cut.SetStencilConnection(stencil.GetOutputPort())
    cut.SetBackgroundValue(0)
    cut.Update()
    values = vtk_to_numpy(cut.GetOutput().GetPointData().GetScalars())
    values = values.reshape(n[2] + 1, n[1] + 1, n[0] + 1).transpose(2, 1, 0)
    affine = np.diag([edge_mm, edge_mm, edge_mm, 1.0])
    affine[:3, 3] = low
    volume = LabelVolume(np.ascontiguousarray(values).astype(np.uint8), affine)
    return lumen_input(volume, None, Settings().surface).surface


def again(lumen):
    """Yield each way of having the same heart again: its name, the input, and a rotation."""
    surface, none = lumen.surface, np.eye(3)
    turned = Surface(surface.points @ TURN.T, surface.faces)
    hints = {name: points @ TURN.T for name, points in lumen.hints.items()}
    yield "turned", replace(lumen, surface=turned, hints=hints, label_borders={}), TURN
    yield "coarsened", replace(lumen, surface=coarsened(surface)), none
    for edge in VOXELS_MM:
        anew = replace(lumen, surface=surfaced_anew(surface, edge), resolution_mm=edge)
        yield f"voxels of {edge} mm", anew, none
    scatter = np.random.default_rng(7).normal(0.0, SCATTER_MM, surface.points.shape)
    noisy = Surface(surface.points + scatter, surface.faces)
    yield "scattered", replace(lumen, surface=noisy), none


def diameter_mm(lumen, centre, normal):
    """Diameter of a lumen in a plane; infinite where it has no contour there."""
    contour = contour_around(plane_contours(lumen, centre, normal), centre, normal)
    return np.inf if contour is None else measure_contour(contour.points, normal).d_area_mm


def compared(name: str, first, second, rotation) -> tuple[int, int, list[float]]:
    """Print what moved, and return how many veins there are, how many moved, and diameters."""
    there = {vein.name: vein for vein in second.veins}
    moved, diameters = 0, []
    for vein in first.veins:
        if vein.name not in there:
            print(f"  {name}: {vein.name} is lost or has another name")
            moved += 1
            continue
        other = there[vein.name]
        off = float(np.linalg.norm(rotation @ vein.ostium.centre - other.ostium.centre))
        turned = float(angle_deg(rotation @ vein.axis, other.axis))
        if off > MOST_MM or turned > MOST_DEG:
            moved += 1
            inside = off <= vein.ostium.error_mm and turned <= vein.axis_error_deg
            where = "inside" if inside else "OUTSIDE"
            print(f"  {name}: {vein.name} by {off:.1f} mm and {turned:.0f} deg, {where} its bounds")
        diameters += [
            abs(
                diameter_mm(second.lumen, rotation @ s.centre, rotation @ s.tangent)
                - s.measures.d_area_mm
            )
            for s in vein.sections
            if SECTIONS_MM[0] <= s.s_mm <= SECTIONS_MM[1]
        ]
    return len(first.veins), moved, diameters


def main() -> None:
    """Run the atria named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("atria", nargs="+", metavar="FILE[=LABELS.toml]")
    parser.add_argument("--frame", choices=("lps", "ras"), default="lps")
    options = parser.parse_args()
    totals: dict[str, list[tuple[int, int, list[float]]]] = {}
    for each in options.atria:
        path, _, labels = each.partition("=")
        frame = options.frame if not labels else "lps"
        lumen = read_case(path, labels=labels or None, frame=frame).lumen
        lumen = replace(lumen, trust_frame=True)
        first = find_anatomy(lumen, Settings())
        print(f"{Path(path).name}: {', '.join(vein.name for vein in first.veins)}", flush=True)
        for name, other, rotation in again(lumen):
            result = compared(name, first, find_anatomy(other, Settings()), rotation)
            totals.setdefault(name, []).append(result)
    for name, results in totals.items():
        count, moved = (sum(result[k] for result in results) for k in (0, 1))
        within = np.array([d for result in results for d in result[2]]) <= MOST_DIAMETER_MM
        share = f"{100 * within.mean():.1f} % of {len(within)}"
        print(
            f"{name:20s} {count - moved} of {count} within {MOST_MM:g} mm and {MOST_DEG:g} deg; "
            f"diameters within {MOST_DIAMETER_MM} mm in {share}"
        )


if __name__ == "__main__":
    main()
