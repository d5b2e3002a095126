"""Make an oval ostium round: ``PYTHONPATH=tests python -m benchmarks.sheet.rounding``.

A pressure that presses the ends of the long axis in and those of the short one out grows until
the ostium is round; the stiffness of the oval mode is then twice the elastic energy over the
square of the amplitude, along the ends of the long axis. Writes ``rounding.json``.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from benchmarks.sheet.elastic import Material, Sheet
from benchmarks.sheet.seats import WALL_MM, loaded_corners, oval_field, perimeter, ring_radius_mm
from benchmarks.sheet.shapes import SEATS, SeatShape, seat_surface
from scipy.sparse.linalg import splu

from veinfit.vectors import FloatArray, IntArray

FIRST_LOAD = 2e-4
"""N/mm², at which the pressure begins; it grows by half each time."""

MOST_STEPS = 40


@dataclass(frozen=True)
class Rounding:
    """An ostium under a pressure that rounds it.

    Attributes
    ----------
    ovality : float
        Long over short axis.
    amplitude_mm : float
    stiffness_n_per_mm : float
        Twice the elastic energy over the square of the amplitude.
    ring_stretch : float
        Perimeter over that at rest: below 1 where the ring finds it easier to shorten.
    """

    ovality: float
    amplitude_mm: float
    stiffness_n_per_mm: float
    ring_stretch: float


def rounded(
    shape: SeatShape,
    tether_kpa_per_mm: float,
    load: str,
    stiffness_kpa_per_mm: float = 1.0,
    stiffening_depth_mm: float = math.inf,
) -> list[Rounding]:
    """Press an oval ostium round, step by step; parameters as of ``seats``.

    ``load`` is ``ring`` or ``band``, as of ``oval_mode_n_per_mm``.
    """
    surface = seat_surface(shape)
    material = Material.of_ring(
        stiffness_kpa_per_mm,
        ring_radius_mm(surface),
        WALL_MM,
        tether_kpa_per_mm,
        stiffening_depth_mm,
    )
    sheet = Sheet(surface.points, surface.faces, material)
    unit = np.zeros_like(surface.points)
    corners = loaded_corners(surface, load)
    unit[corners] = -(sheet.vertex_areas[:, None] * oval_field(surface.points))[corners]
    held = np.zeros(len(surface.points), dtype=bool)
    held[surface.vein_rim] = held[surface.atrial_rim] = True
    free = np.flatnonzero(np.repeat(~held, 3))
    points, size, found = surface.points, FIRST_LOAD, []
    while not found or found[-1].ovality > 1.0:
        points = _under(sheet, free, points, size * unit)
        ring = points[surface.ostial_ring]
        amplitude = 0.5 * float(np.ptp(surface.contour[:, 0]) - np.ptp(ring[:, 0]))
        found.append(
            Rounding(
                ovality=float(np.ptp(ring[:, 0]) / np.ptp(ring[:, 1])),
                amplitude_mm=amplitude,
                stiffness_n_per_mm=2.0 * sheet.energy(points) / amplitude**2,
                ring_stretch=perimeter(ring) / perimeter(surface.contour),
            )
        )
        size *= 1.5
    return found


def _under(sheet: Sheet, free: IntArray, points: FloatArray, load: FloatArray) -> FloatArray:
    """Corners (V, 3) at which the sheet carries a load (V, 3), N, of fixed direction."""
    none = np.zeros((len(points), 3, 3))
    for _ in range(MOST_STEPS):
        energy, force = sheet.energy_and_force(points)
        residual = (force - load).ravel()[free]
        if np.abs(residual).max() < 1e-7:
            return points
        for exact in (True, False):
            matrix = sheet.stiffness(points, exact, none)[free][:, free].tocsc()
            factor = splu(
                matrix, "MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
            if (factor.U.diagonal() > 0.0).all():
                break
        move = np.zeros(points.size)
        move[free] = factor.solve(-residual)
        step = move.reshape(-1, 3) * min(1.0, 1.0 / np.abs(move).max())
        potential = energy - float((load * points).sum())
        while True:
            there = points + step
            if sheet.energy(there) - float((load * there).sum()) <= potential + 1e-12:
                break
            step = 0.5 * step
        points = there
    raise RuntimeError("the sheet finds no equilibrium under this load")


def main() -> None:
    """Write the last step before each seat is round and the first after it."""
    rows = []
    for shape in SEATS:
        for tether in (0.0, 0.5):
            for load in ("ring", "band"):
                last = [asdict(one) for one in rounded(shape, tether, load)[-2:]]
                steps = [{key: round(value, 5) for key, value in one.items()} for one in last]
                rows.append(
                    {"seat": shape.name, "tether_kpa_per_mm": tether, "load": load, "steps": steps}
                )
    content = {"made_by": "PYTHONPATH=tests python -m benchmarks.sheet.rounding", "rounding": rows}
    Path(__file__).with_name("rounding.json").write_text(json.dumps(content, indent=1) + "\n")


if __name__ == "__main__":
    main()
