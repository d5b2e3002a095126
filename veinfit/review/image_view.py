"""The image behind the labels, for the review page: one plane at a time, with the wall's cut."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import clock_direction
from veinfit.labels.image import ImageVolume, display_window, sample_plane
from veinfit.report.charts.image_planes import HALF_MM, lumen_curves, plane_frames
from veinfit.report.render.scene import side_letters
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, unit

POINTS = 201
"""Points a side of a plane: 0.3 mm apart, finer than any CT."""

UNSEEN = 65535
"""Stands for a point past the image; other numbers are steps above the lowest value."""

KINDS = 3
"""The ostial plane, and two along its normal."""


@dataclass(frozen=True, slots=True, eq=False)
class ImageView:
    """An image and the wall that is drawn over it.

    Attributes
    ----------
    image : ImageVolume
    wall : Surface
        LPS mm.
    """

    image: ImageVolume
    wall: Surface

    def about(self) -> dict[str, Any]:
        """Return what the page is told at its beginning: how the image is shown at first."""
        low, high = display_window(self.image)
        return {"window": [low, high], "half_mm": HALF_MM, "points": POINTS, "unseen": UNSEEN}

    def plane(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Return one plane of an ostium.

        Parameters
        ----------
        wanted : mapping
            ``centre``, ``normal`` and ``axis``: three numbers each, LPS mm; ``kind``: 0 for the
            ostial plane, 1 and 2 for those along its normal.

        Returns
        -------
        dict
            ``right`` and ``up``, unit vectors; ``values``, rows from the top as base64 of 16-bit
            steps of ``step`` above ``low``; ``curves`` of the wall, mm along right and up;
            ``twelve`` and ``three``, directions of the vein's clock in the ostial plane;
            ``sides``, the letters of what lies right, left, up and down.

        Raises
        ------
        InputError
            The question is no plane.
        """
        centre, normal, axis = (_vector(wanted.get(name)) for name in ("centre", "normal", "axis"))
        kind = wanted.get("kind")
        if type(kind) is not int or not 0 <= kind < KINDS or not normal.any() or not axis.any():
            raise InputError("the page asked for an impossible plane; reload it")
        _, right, up = plane_frames(unit(normal))[kind]
        grey = sample_plane(self.image, centre, right, up, HALF_MM, POINTS)
        low, step, packed = _packed(grey)
        clock = [clock_direction(hour, unit(axis)) for hour in (0.0, 3.0)]
        return {
            "right": _plain(right),
            "up": _plain(up),
            "low": low,
            "step": step,
            "values": packed,
            "curves": [
                np.round(curve, 2).tolist()
                for curve in lumen_curves(self.wall, centre, right, up)
                if np.abs(curve).min(axis=0).max() < HALF_MM
            ],
            "twelve": _plain(clock[0]),
            "three": _plain(clock[1]),
            "sides": [side_letters(towards) for towards in (right, -right, up, -up)],
        }


def _packed(grey: FloatArray) -> tuple[float, float, str]:
    """Return the lowest value, the step, and values (N, N) in steps as base64."""
    seen = np.isfinite(grey)
    low = float(grey[seen].min()) if seen.any() else 0.0
    high = float(grey[seen].max()) if seen.any() else 0.0
    step = max((high - low) / (UNSEEN - 1), 1e-6)
    steps = np.full(grey.shape, UNSEEN, dtype="<u2")
    steps[seen] = np.rint((grey[seen] - low) / step)
    return low, step, base64.b64encode(steps.tobytes()).decode("ascii")


def _vector(value: object) -> FloatArray:
    given = value if isinstance(value, list) else []
    if len(given) == 3 and all(type(c) in (int, float) and np.isfinite(c) for c in given):
        return np.array(given, dtype=float)
    raise InputError("the page asked for an impossible plane; reload it")


def _plain(vector: FloatArray) -> list[float]:
    return [round(float(c), 6) for c in vector]
