"""Where a balloon comes to rest before a vein, or why it does not."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.seating.approach import ApproachLine
from veinfit.seating.bench import Bench, Mount, energy_of
from veinfit.seating.equilibrium import Rest, descend
from veinfit.seating.model import Outcome
from veinfit.seating.patch import WallPatch
from veinfit.seating.start import Start, find_start
from veinfit.settings import SeatingSettings

BACKED_OFF_NOTE_MM = 10.0
"""A balloon that starts farther back than this says so."""

BESIDE_NOTE_MM = 1.0
"""A balloon that starts farther beside its shaft line than this says so."""


@dataclass(frozen=True, slots=True, eq=False)
class Seat:
    """Where a balloon came to rest, before anything is read off it.

    Attributes
    ----------
    start : Start
    rest : Rest or None
        None where the balloon has no room.
    """

    start: Start
    rest: Rest | None
    notes: tuple[Note, ...] = field(default=())


def find_seat(bench: Bench, mounted: Mount, line: ApproachLine, settings: SeatingSettings) -> Seat:
    """Push a balloon along its approach until it rests or has passed through."""
    patch = bench.patch
    energy = energy_of(bench, mounted, line, settings)
    start = find_start(energy.foundation, line, bench.way_mm(line))
    notes = []
    if start.pressed_mm > settings.greatest_start_press_mm:
        return Seat(start, None)
    if start.pressed_mm > 0.0:
        text = (
            f"{mounted.balloon.name}: no place before the ostium is clear of the wall; "
            f"the balloon starts pressed {start.pressed_mm:.1f} mm into it"
        )
        notes.append(Note("seating", text, patch.vein, "caution"))
    elif start.beside_mm > BESIDE_NOTE_MM:
        text = (
            f"{mounted.balloon.name}: no place on the shaft line before the ostium is clear of "
            f"the wall; the balloon starts {start.beside_mm:.0f} mm beside it"
        )
        notes.append(Note("seating", text, patch.vein))
    elif start.backed_off_mm > BACKED_OFF_NOTE_MM:
        text = (
            f"{mounted.balloon.name}: starts {start.backed_off_mm:.0f} mm farther back than "
            "with its nose on the ostial plane, where the wall leaves it room"
        )
        notes.append(Note("seating", text, patch.vein))

    def gone(centre: FloatArray) -> bool:
        return depth_mm(patch, centre) > settings.greatest_depth_mm

    return Seat(start, descend(energy, start.centre, gone), tuple(notes))


def why_no_seat(
    bench: Bench, mounted: Mount, rest: Rest, settings: SeatingSettings
) -> tuple[Outcome, str]:
    """Return the outcome and the reason of a way down that does not end at rest."""
    patch = bench.patch
    if rest.state == "gave up":
        return "not assessed", f"no equilibrium was found within {rest.steps} steps"
    # A wall that ends too early lets a balloon through that more wall might have held; past
    # the mitral side and the ends of other veins there is none.
    rims = [wall.rim for wall in patch.missing if wall.kind != "atrium"]
    rim = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *rims]))
    edge = patch.surface.points[rim[mounted.touchable[rim]]]
    before = rest.path[[depth_mm(patch, centre) <= 0.0 for centre in rest.path]]
    for centre in before:
        if (
            len(edge)
            and np.linalg.norm(edge - centre, axis=1).min() < mounted.balloon.shape.reach_mm
        ):
            return "not assessed", "the wall ends before the balloon comes to rest"
    limit = settings.greatest_depth_mm
    return "passes through", f"no equilibrium up to {limit:g} mm into the vein"


def depth_mm(patch: WallPatch, centre: FloatArray) -> float:
    """Depth of a point past the ostial plane along the ostial normal, mm."""
    return float((centre - patch.centre) @ patch.normal)
