"""Hold seats against the sheet: ``PYTHONPATH=tests python -m benchmarks.sheet.hold_against``.

Seats the two balls of the table in the same six seats, coaxially, at the table's pushes, and
prints each leak beside those of the two sheets. A leak agrees that lies between them or within
``WITHIN_MM`` of one. A pair of sizes whose leaks differ by more than ``TIE_MM`` agrees where no
sheet tells the other size the better by as much. Options: ``--table FILE``, ``--settings FILE``
(TOML; push, lateral springs and contact tolerance are set here), ``--push N ...`` for some
pushes alone.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks.sheet.shapes import SEATS, seat_surface
from seating.phantoms import as_phantom

from veinfit.frames import BoolArray, FloatArray, IntArray
from veinfit.seating.approach import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.gap import gap_field
from veinfit.seating.mechanics.attempt import attempt
from veinfit.seating.prepare import balloon_batch, balloon_contact, prepare
from veinfit.seating.seal import find_seal
from veinfit.seating.start import find_start
from veinfit.settings import SeatingSettings, Settings
from veinfit.surface import Surface

WITHIN_MM = 0.5
TIE_MM = 0.3

Place = tuple[str, float, float]
"""Seat, ball and push."""


def sheet_leaks(table: Mapping[str, Any]) -> dict[Place, list[float]]:
    """Leaks of the sheets, mm, one for each tether, where all have one."""
    found: dict[Place, list[float]] = {}
    for row in table["seats"]:
        for rest in row["pushes"]:
            place = (row["seat"], row["ball_mm"], rest["push_n"])
            leak = rest["leak_mm"]
            found.setdefault(place, []).append(float("nan") if leak is None else max(leak, 0.0))
    return {place: leaks for place, leaks in found.items() if not any(x != x for x in leaks)}


def leak_at(name: str, ball_mm: float, settings: SeatingSettings) -> float | None:
    """Leak of a ball that is pushed as far as the settings say, mm; None without a seat."""
    shape = next(shape for shape in SEATS if shape.name == name)
    surface = seat_surface(shape)
    phantom = as_phantom(Surface(surface.points, surface.faces), surface.contour)
    ball = sphere(ball_mm)
    prepared = prepare(phantom.anatomy, phantom.vein, ball.radius_mm, settings)
    contact = balloon_contact(prepared, ball, settings)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    batch = balloon_batch(prepared, contact, [line], settings, exact=True)
    start = find_start(batch, line, prepared.way_mm(line)).centre
    begin = np.r_[start, np.zeros(batch.unknowns - 3)][None]

    def never(which: IntArray, place: FloatArray) -> tuple[BoolArray, BoolArray]:
        nothing = np.zeros(len(which), dtype=bool)
        return nothing, nothing

    seat = attempt(batch, begin, prepared.exit(settings), never, 1.0).seats
    if not seat.at_rest[0]:
        return None
    patch = prepared.shaped(seat.place[0, 3:])
    tolerance = settings.contact_tolerance_mm
    field = gap_field(patch, contact.touchable, ball, seat.centre[0], line.direction, tolerance)
    return find_seal(patch, field, tolerance).leak_width_mm


def agrees(leak_mm: float, sheets: Sequence[float]) -> bool:
    """Whether a leak lies between those of the sheets or near enough to one."""
    return min(sheets) - WITHIN_MM <= leak_mm <= max(sheets) + WITHIN_MM


def same_better_size(leaks: Sequence[float], sheets: Sequence[Sequence[float]]) -> bool:
    """Whether no sheet (columns) contradicts which of two sizes (rows) leaks less."""
    apart = leaks[0] - leaks[1]
    told = [one - other for one, other in zip(*sheets, strict=True)]
    return abs(apart) <= TIE_MM or all(abs(d) <= TIE_MM or d * apart > 0.0 for d in told)


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    here = Path(__file__).parent
    parser.add_argument("--table", type=Path, default=here / "table-stiffening-3-mm.json")
    parser.add_argument("--settings", type=Path)
    parser.add_argument("--push", type=float, nargs="*")
    asked = parser.parse_args()
    table = json.loads(asked.table.read_text())
    settings = (
        Settings() if asked.settings is None else Settings.from_toml(asked.settings)
    ).seating
    settings = replace(
        settings,
        guide_n_per_mm=0.0,
        shaft_n_per_mm=table["shaft_n_per_mm"],
        growth_what_if_mm=0.0,
        # A try ends soon after it occludes: without tolerance only where the leak is gone.
        contact_tolerance_mm=0.0,
    )
    sheets = sheet_leaks(table)
    counts = {"leaks": [0, 0], "sizes": [0, 0]}
    print("seat    push N  ball   leak  sheets")
    for name, push in dict.fromkeys((name, push) for name, _, push in sheets):
        if asked.push and push not in asked.push:
            continue
        balls = [ball for seat, ball, p in sheets if (seat, p) == (name, push)]
        pushed = replace(settings, greatest_push_n=push)
        found = [leak_at(name, ball, pushed) for ball in balls]
        for ball, leak in zip(balls, found, strict=True):
            both = sheets[name, ball, push]
            well = leak is not None and agrees(leak, both)
            counts["leaks"][0] += well
            counts["leaks"][1] += 1
            told = "     -" if leak is None else f"{leak:6.2f}"
            marked = "" if well else "  <-"
            print(
                f"{name}  {push:6.2f} {ball:5.0f} {told}  "
                f"{' '.join(f'{x:5.2f}' for x in both)}  {marked}"
            )
        leaks = [leak for leak in found if leak is not None]
        if len(leaks) == 2 == len(balls):
            counts["sizes"][0] += same_better_size(leaks, [sheets[name, b, push] for b in balls])
            counts["sizes"][1] += 1
    for what, (good, number) in counts.items():
        print(f"{what} that agree: {good} of {number}")


if __name__ == "__main__":
    main()
