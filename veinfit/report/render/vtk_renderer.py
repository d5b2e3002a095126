"""A renderer that has the graphics library draw, in a child process.

Without an OpenGL library the graphics library ends its process with no
exception, so nothing of it is loaded here.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.memory import give_back_memory
from veinfit.report.render import _vtk_worker as worker
from veinfit.report.render.plain_renderer import KEY_LIGHT
from veinfit.report.render.scene import Camera, Layer, Pass, Raster
from veinfit.report.render.seen_part import seen_part

START_ALLOWANCE_S = 60.0
"""Time given to the child to start, load the graphics library and draw for the first time."""

PASS_ALLOWANCE_S = 20.0
"""Time given to the child for each further drawing; 0.1 s is usual without a graphics card."""

POLL_S = 0.01
"""How often the child's progress is looked at."""


class GraphicsUnavailable(RuntimeError):
    """The graphics library could not draw; the message says why."""


def paint(passes: tuple[Pass, ...], scale: int = 2) -> Iterator[Raster]:
    """Draw every pass at ``scale`` times its camera's size.

    Rasters are handed on as they are finished, while the child goes on drawing.

    Raises
    ------
    GraphicsUnavailable
        The child ended early, took too long, or drew nothing; some rasters may
        have been handed on before.
    """
    with tempfile.TemporaryDirectory(prefix="veinfit-") as name:
        folder = Path(name)
        _write_job(passes, scale, folder)
        give_back_memory()
        faults = []
        for environment in _environments():
            handed_on = False
            try:
                for raster in _run(folder, environment, len(passes)):
                    handed_on = True
                    yield raster
                return
            except GraphicsUnavailable as fault:
                faults.append(str(fault))
                if handed_on:
                    break
        raise GraphicsUnavailable("; ".join(dict.fromkeys(faults)))


def _environments() -> list[dict[str, str]]:
    """Return the surroundings in which drawing is tried, in order."""
    usual = dict(os.environ)
    if not sys.platform.startswith("linux"):
        return [usual]
    # EGL draws without a display, and opens no window where there is one.
    without_display = {**usual, "VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
    return [without_display, usual] if usual.get("DISPLAY") else [without_display]


def _run(folder: Path, environment: dict[str, str], count: int) -> Iterator[Raster]:
    # -P: the worker's own folder must not come before the standard library.
    command = [sys.executable, "-P", str(worker.__file__), str(folder)]
    try:
        child = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError as error:
        raise GraphicsUnavailable(f"it could not be started: {error}") from error
    try:
        for index in range(count):
            _await(child, folder / worker.DONE.format(index), index)
            colour, depth = (folder / name.format(index) for name in (worker.COLOUR, worker.DEPTH))
            raster = Raster(_three_channels(np.load(colour)), np.load(depth))
            if index == 0 and not np.isfinite(raster.depth).any():
                raise GraphicsUnavailable("nothing was drawn")
            colour.unlink()
            depth.unlink()
            yield raster
        code = child.wait(PASS_ALLOWANCE_S)
        if code:
            raise GraphicsUnavailable(_ended(code))
    except subprocess.TimeoutExpired as error:
        raise GraphicsUnavailable("it did not end") from error
    finally:
        child.kill()
        child.wait()


def _three_channels(colour: np.ndarray) -> np.ndarray:
    """Return (H, W, 3) of what has one channel for grey, or three."""
    return np.broadcast_to(colour, (*colour.shape[:2], 3))


def _await(child: subprocess.Popen[bytes], file: Path, index: int) -> None:
    """Wait until ``file`` is there."""
    allowance = PASS_ALLOWANCE_S if index else START_ALLOWANCE_S
    deadline = time.monotonic() + allowance
    while not file.exists():
        code = child.poll()
        if code is not None and not file.exists():
            raise GraphicsUnavailable(_ended(code))
        if time.monotonic() > deadline:
            raise GraphicsUnavailable(f"a drawing took longer than {allowance:g} s")
        time.sleep(POLL_S)


def _ended(code: int) -> str:
    return f"it was ended by signal {-code}" if code < 0 else f"it ended with code {code}"


def _write_job(passes: tuple[Pass, ...], scale: int, folder: Path) -> None:
    # Each array goes to the file as soon as it is there: of fine meshes all take much memory.
    with zipfile.ZipFile(folder / "job.npz", "w") as arrays:
        described = _described(passes, scale, arrays)
    (folder / "job.json").write_text(json.dumps({"passes": described}), encoding="utf-8")


def _described(
    passes: tuple[Pass, ...], scale: int, arrays: zipfile.ZipFile
) -> list[dict[str, Any]]:
    described = []
    number = 0
    for one in passes:
        camera = one.camera
        layers = []
        for layer in one.layers:
            layers.append(_describe(layer, camera, arrays, number))
            number += 1
            layer.surface.drop_tables()
        ahead, aside, direction = KEY_LIGHT
        total = ahead + aside
        front = (0.0, 0.0, 1.0)
        lights = (
            [(1.0, front)]
            if one.facing_light
            else [(ahead / total, front), (aside / total, direction)]
        )
        described.append(
            {
                "camera": {
                    "focal": camera.focal.tolist(),
                    "towards": camera.towards.tolist(),
                    "up": camera.up.tolist(),
                    "height_mm": camera.height_px * camera.mm_per_px,
                    "width": camera.width_px * scale,
                    "height": camera.height_px * scale,
                },
                "lights": lights,
                "grey": one.facing_light,
                "layers": layers,
            }
        )
    return described


def _keep(arrays: zipfile.ZipFile, name: str, values: np.ndarray) -> None:
    """Put an array into an open file of arrays, as ``numpy.load`` reads it."""
    with arrays.open(f"{name}.npy", "w", force_zip64=True) as file:
        np.lib.format.write_array(file, values, allow_pickle=False)


def _describe(layer: Layer, camera: Camera, arrays: zipfile.ZipFile, number: int) -> dict[str, Any]:
    """Describe a layer; what can be seen of it goes into the file of arrays under its number."""
    shift = -layer.set_back_mm * camera.towards
    part, normals = seen_part(layer, camera)
    # The graphics library itself draws with so many digits: twice as many only take time.
    _keep(arrays, f"points-{number}", part.surface.points.astype(np.float32))
    _keep(arrays, f"faces-{number}", part.surface.faces.astype(np.int32))
    _keep(arrays, f"normals-{number}", normals.astype(np.float32))
    if part.values is not None:
        _keep(arrays, f"values-{number}", np.asarray(part.values, dtype=np.float32))
    return {
        "number": number,
        "valued": part.values is not None,
        "edges": layer.edges.tolist(),
        "palette": layer.palette.tolist(),
        "cull": layer.cull,
        "clip": None
        if layer.clip is None
        else [(layer.clip[0] + shift).tolist(), layer.clip[1].tolist()],
        "ambient": layer.ambient,
        "shift": shift.tolist(),
    }
