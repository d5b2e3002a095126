"""Draws passes with the graphics library, in a process of its own.

Where no OpenGL library is installed the graphics library ends the process
without an exception; a process of its own leaves the caller unharmed. Run as
``python _vtk_worker.py FOLDER``: reads ``job.json`` and ``job.npz`` there and
writes ``colour-N.npy``, ``depth-N.npy`` and then ``done-N`` for each pass, in the
coordinates of ``veinfit.report.render.scene``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

COLOUR, DEPTH, DONE = "colour-{}.npy", "depth-{}.npy", "done-{}"
"""Files written for each pass, the last when the others are complete."""

STAND_OFF_MM = 1000.0
"""The camera's distance from the focal point; it has no influence on a parallel projection."""


def main(folder: Path) -> None:
    """Draw every pass of the job in ``folder``."""
    job = json.loads((folder / "job.json").read_text(encoding="utf-8"))
    # Each array is read when it is drawn: of fine meshes all take much memory.
    arrays = np.load(folder / "job.npz")
    # Imported late, so that the job is known to be readable before the risky part.
    import vtkmodules.vtkRenderingOpenGL2
    from vtkmodules.vtkCommonCore import vtkObject
    from vtkmodules.vtkRenderingCore import vtkLight, vtkRenderer, vtkRenderWindow

    vtkObject.GlobalWarningDisplayOff()
    window = vtkRenderWindow()
    window.SetOffScreenRendering(1)
    window.SetMultiSamples(0)
    renderer = vtkRenderer()
    renderer.SetBackground(1.0, 1.0, 1.0)
    renderer.SetAutomaticLightCreation(0)
    window.AddRenderer(renderer)
    for index, one in enumerate(job["passes"]):
        camera = one["camera"]
        window.SetSize(camera["width"], camera["height"])
        renderer.RemoveAllLights()
        for weight, direction in one["lights"]:
            lamp = vtkLight()
            lamp.SetLightTypeToCameraLight()
            lamp.SetPosition(*direction)
            lamp.SetFocalPoint(0.0, 0.0, 0.0)
            lamp.SetIntensity(weight)
            renderer.AddLight(lamp)
        # The last layer mostly lies nearest: what it hides is then not shaded.
        actors = [_actor(layer, arrays) for layer in reversed(one["layers"])]
        for actor in actors:
            renderer.AddActor(actor)
        _aim(renderer.GetActiveCamera(), camera)
        window.Render()
        colour, depth = _read(window)
        for actor in actors:
            renderer.RemoveActor(actor)
        if one["grey"]:
            # All that there is to tell of grey: a third of what is written and read.
            colour = colour[..., :1]
        # In the order of the file: else it is written in many small pieces.
        np.save(folder / COLOUR.format(index), np.ascontiguousarray(colour))
        np.save(folder / DEPTH.format(index), depth)
        (folder / DONE.format(index)).touch()
    del vtkmodules


def _aim(view: Any, camera: dict[str, Any]) -> None:
    focal, towards = np.array(camera["focal"]), np.array(camera["towards"])
    view.ParallelProjectionOn()
    view.SetFocalPoint(*focal)
    view.SetPosition(*(focal + STAND_OFF_MM * towards))
    view.SetViewUp(*camera["up"])
    view.SetParallelScale(0.5 * camera["height_mm"])
    view.SetClippingRange(*_range())


def _range() -> tuple[float, float]:
    return 0.25 * STAND_OFF_MM, 1.75 * STAND_OFF_MM


def _actor(layer: dict[str, Any], arrays: Any) -> Any:
    from vtkmodules.vtkCommonDataModel import vtkPlane
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    data = _poly_data(arrays, layer)
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.SetPosition(*layer["shift"])
    look = actor.GetProperty()
    if layer["valued"]:
        _map_values(mapper, layer)
    else:
        mapper.ScalarVisibilityOff()
        look.SetColor(*layer["palette"][0])
    # White light of every side: the ambient colour is the surface's own.
    look.SetAmbient(layer["ambient"])
    look.SetDiffuse(1.0 - layer["ambient"])
    look.SetSpecular(0.0)
    look.SetInterpolationToPhong()
    if layer["cull"] == "facing":
        look.FrontfaceCullingOn()
    elif layer["cull"] == "averted":
        look.BackfaceCullingOn()
    if layer["clip"] is not None:
        origin, normal = layer["clip"]
        plane = vtkPlane()
        plane.SetOrigin(*origin)
        plane.SetNormal(*(-c for c in normal))
        mapper.AddClippingPlane(plane)
    return actor


def _poly_data(arrays: Any, layer: dict[str, Any]) -> Any:
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    number = layer["number"]
    points, cells, data = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(arrays[f"points-{number}"], deep=1))
    cells.SetData(3, numpy_to_vtk(arrays[f"faces-{number}"].ravel(), deep=1))
    data.SetPoints(points)
    data.SetPolys(cells)
    data.GetPointData().SetNormals(numpy_to_vtk(arrays[f"normals-{number}"], deep=1))
    if layer["valued"]:
        data.GetPointData().SetScalars(numpy_to_vtk(arrays[f"values-{number}"], deep=1))
    return data


def _map_values(mapper: Any, layer: dict[str, Any]) -> None:
    """Colour by bands whose borders are sharp: found for each pixel, not for each vertex."""
    from vtkmodules.vtkCommonCore import vtkLookupTable

    edges, palette = np.array(layer["edges"]), layer["palette"]
    steps = 2048
    low, high = edges[0] - 1.0, edges[-1] + 1.0
    table = vtkLookupTable()
    table.SetNumberOfTableValues(steps)
    middle = low + (np.arange(steps) + 0.5) * (high - low) / steps
    for k, band in enumerate(np.searchsorted(edges, middle, side="left")):
        red, green, blue = palette[band]
        table.SetTableValue(k, red, green, blue, 1.0)
    table.SetTableRange(low, high)
    mapper.SetLookupTable(table)
    mapper.UseLookupTableScalarRangeOn()
    mapper.InterpolateScalarsBeforeMappingOn()
    mapper.SetScalarModeToUsePointData()


def _read(window: Any) -> tuple[np.ndarray, np.ndarray]:
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkFloatArray, vtkUnsignedCharArray

    width, height = window.GetSize()
    pixels, depths = vtkUnsignedCharArray(), vtkFloatArray()
    window.GetPixelData(0, 0, width - 1, height - 1, 0, pixels, 0)
    window.GetZbufferData(0, 0, width - 1, height - 1, depths)
    colour = vtk_to_numpy(pixels).reshape(height, width, 3)[::-1]
    z = vtk_to_numpy(depths).reshape(height, width)[::-1]
    near, far = _range()
    depth = np.multiply(z, far - near, order="C")
    depth += near
    depth -= STAND_OFF_MM
    depth[z >= 1.0] = np.inf
    return colour, depth


if __name__ == "__main__":
    main(Path(sys.argv[1]))
