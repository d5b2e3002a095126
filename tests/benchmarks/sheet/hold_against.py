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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks.sheet.shapes import SEATS, seat_surface
from seating.phantoms import as_phantom

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.approach.start import find_start
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.attempt import attempt
from veinfit.seating.prepare import balloon_batch, balloon_contact, prepare
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.seal import find_seal
from veinfit.settings import SeatingSettings, Settings
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray, IntArray

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
    start = find_start(batch, line, prepared.distance_mm(line)).centre
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


@dataclass(frozen=True)
class Held:
    """One seat, ball and push beside the sheets.

    Attributes
    ----------
    seat : str
    push_n, ball_mm : float
    leak_mm : float or None
        None without a seat.
    sheets : list of float
        Leaks of the sheets, mm.
    agrees : bool
        False also where there is no seat.
    """

    seat: str
    push_n: float
    ball_mm: float
    leak_mm: float | None
    sheets: Sequence[float]
    agrees: bool


def held_against(
    table: Mapping[str, Any], settings: SeatingSettings, pushes_n: Sequence[float] = ()
) -> Iterator[Held]:
    """Seat the balls of a table; at some pushes or, without any named, at all.

    Parameters
    ----------
    table : mapping
        As of ``make_table``.
    settings : SeatingSettings
        Push, lateral springs and contact tolerance are set here.
    pushes_n : sequence of float
    """
    settings = replace(
        settings,
        guide_n_per_mm=0.0,
        shaft_n_per_mm=table["shaft_n_per_mm"],
        growth_what_if_mm=0.0,
        contact_tolerance_mm=0.0,
    )
    places = sheet_leaks(table)
    for (name, ball, push), both in sorted(places.items(), key=lambda one: (one[0][0], one[0][2])):
        if pushes_n and push not in pushes_n:
            continue
        leak = leak_at(name, ball, replace(settings, greatest_push_n=push))
        yield Held(name, push, ball, leak, both, leak is not None and agrees(leak, both))


def sizes_agree(held: Sequence[Held]) -> list[bool]:
    """Whether each pair of sizes at one place agrees; pairs without both leaks are left out."""
    places: dict[tuple[str, float], list[Held]] = {}
    for one in held:
        if one.leak_mm is not None:
            places.setdefault((one.seat, one.push_n), []).append(one)
    return [
        same_better_size([one.leak_mm or 0.0 for one in pair], [one.sheets for one in pair])
        for pair in places.values()
        if len(pair) == 2
    ]


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    here = Path(__file__).parent
    parser.add_argument("--table", type=Path, default=here / "table-stiffening-3-mm.json")
    parser.add_argument("--settings", type=Path)
    parser.add_argument("--push", type=float, nargs="*", default=())
    asked = parser.parse_args()
    table = json.loads(asked.table.read_text())
    whole = Settings() if asked.settings is None else Settings.from_toml(asked.settings)
    print("seat    push N  ball   leak  sheets")
    held = []
    for one in held_against(table, whole.seating, asked.push):
        held.append(one)
        told = "     -" if one.leak_mm is None else f"{one.leak_mm:6.2f}"
        sheets = " ".join(f"{x:5.2f}" for x in one.sheets)
        print(
            f"{one.seat}  {one.push_n:6.2f} {one.ball_mm:5.0f} {told}  {sheets}  "
            f"{'' if one.agrees else '  <-'}",
            flush=True,
        )
    sizes = sizes_agree(held)
    print(f"leaks that agree: {sum(one.agrees for one in held)} of {len(held)}")
    print(f"sizes that agree: {sum(sizes)} of {len(sizes)}")


if __name__ == "__main__":
    main()
