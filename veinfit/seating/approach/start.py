"""Where a balloon starts: before the ostium, clear of the wall where it can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.notes import Note
from veinfit.seating.approach.line import ApproachLine
from veinfit.seating.approach.rays import distance_back_mm
from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.minimise import Exit, minimise
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.vectors import FloatArray

FARTHEST_MM = 40.0
"""A balloon is not backed off farther than this: about an atrium's depth."""

SEARCH_STEP_MM = 0.5
"""Step in which a place that presses least is sought where none is clear."""

CLEAR_MM = 0.05
"""A balloon that the walls have pushed off counts as clear when they press it less deep."""

GATHERED_MM = 0.25
"""The same place presses a balloon at most so much deeper before the refined wall than before the
gathered one, whose points are means."""

BACKED_OFF_NOTE_MM = 10.0
"""A balloon that starts farther back than this says so."""

BESIDE_NOTE_MM = 1.0
"""A balloon that starts farther beside its shaft line than this says so."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """The first place of a balloon.

    Attributes
    ----------
    centre : (3,) array
    backed_off_mm : float
        How far behind the nominal start along the shaft.
    beside_mm : float
        How far from the shaft line the walls have pushed it.
    pressed_mm : float
        How deep the wall lies inside the balloon there; 0 where it is clear.
    """

    centre: FloatArray
    backed_off_mm: float
    beside_mm: float
    pressed_mm: float


def shaft_distance_mm(lumen: Surface, line: ApproachLine) -> float:
    """How far the blood reaches back from the ostium along a shaft, mm; inf if without end."""
    return distance_back_mm(lumen, line.origin, line.direction)


def nominal_back_mm(distance_mm: float, nose_mm: float) -> float:
    """How far before the ostium a balloon's centre is to start, mm.

    As far as its nose: the nose on the ostial plane. Where the shaft meets a wall before
    that, the middle of the line to it, so that the centre is in the blood.
    """
    return min(nose_mm, 0.5 * distance_mm)


def find_start(
    batch: BalloonBatch, line: ApproachLine, distance_mm: float, about: Start | None = None
) -> Start:
    """Place a balloon, alone in its batch, before the ostium; see :func:`find_starts`."""
    return find_starts(batch, line, distance_mm, None if about is None else [about])[0]


def find_starts(
    batch: BalloonBatch,
    line: ApproachLine,
    distance_mm: float,
    about: Sequence[Start] | None = None,
) -> list[Start]:
    """Place balloons before the ostium and back them off until they are clear of the wall.

    A balloon is backed off along the shaft, no farther than the blood reaches. Where no
    place on the way is clear the walls push it, from the nominal start or else
    from where it presses least, to where they press it least.

    Parameters
    ----------
    batch : BalloonBatch
        The balloons, each on this line.
    line : ApproachLine
    distance_mm : float
        How far the blood reaches back from the ostium along the shaft.
    about : sequence of N Start, optional
        Before much the same wall: a balloon without a clear place on its way is pushed off the wall
        from there. Where that presses it deeper, it is sought as without.
    """
    found: dict[int, Start] = {}
    nominal = np.zeros((batch.count, 3))
    back_mm, room = np.zeros(batch.count), np.zeros(batch.count)
    for number, reach in enumerate(batch.reach_mm.tolist()):
        nose_mm = batch.shape.nose_mm + (reach - batch.shape.reach_mm)
        back_mm[number] = nominal_back_mm(distance_mm, nose_mm)
        nominal[number] = line.origin - back_mm[number] * line.direction
        room[number] = min(FARTHEST_MM, distance_mm - back_mm[number])
        clear = _first_clear(_blocked(batch, reach, nominal[number], -line.direction))
        if clear <= room[number]:
            centre = nominal[number] - clear * line.direction
            found[number] = Start(centre, clear, 0.0, 0.0)

    def pushed_off(which: list[int], places: FloatArray) -> dict[int, Start]:
        rests = _pushed_off(batch.only(np.array(which, dtype=int)), places)
        return {
            number: _start_at(batch, number, line, rest, float(back_mm[number]))
            for number, rest in zip(which, rests, strict=True)
        }

    left = [number for number in range(batch.count) if number not in found]
    if about is not None:
        near = pushed_off(left, np.array([about[number].centre for number in left]))
        # The same search before much the same wall would find the same again.
        as_known = [k for k in left if near[k].pressed_mm <= about[k].pressed_mm + GATHERED_MM]
        found |= {number: near[number] for number in as_known}
        left = [number for number in left if number not in found]
    near = pushed_off(left, nominal[left])
    pressed = [number for number in left if near[number].pressed_mm > 0.0]
    least = [_least_pressed(batch, k, nominal[k], line.direction, room[k]) for k in pressed]
    far = pushed_off(pressed, np.array(least))
    for number in left:
        both = [near[number], *([far[number]] if number in far else [])]
        found[number] = min(both, key=lambda place: place.pressed_mm)
    return [found[number] for number in range(batch.count)]


def _least_pressed(
    batch: BalloonBatch, number: int, nominal: FloatArray, direction: FloatArray, room_mm: float
) -> FloatArray:
    """Return the place (3,) back along the shaft where the wall presses a balloon least."""
    back = np.arange(0.0, room_mm + 0.5 * SEARCH_STEP_MM, SEARCH_STEP_MM)
    places = nominal - back[:, None] * direction
    return np.asarray(places[int(np.argmax(_least_gaps(batch, number, places)))])


def _start_at(
    batch: BalloonBatch, number: int, line: ApproachLine, centre: FloatArray, back_mm: float
) -> Start:
    pressed = -float(_least_gaps(batch, number, centre[None])[0])
    offset = centre - line.origin
    along = float(offset @ line.direction)
    beside = float(np.linalg.norm(offset - along * line.direction))
    return Start(centre, -along - back_mm, beside, pressed if pressed > CLEAR_MM else 0.0)


def _least_gaps(batch: BalloonBatch, number: int, centres: FloatArray) -> FloatArray:
    """Distances (K,), mm, from a balloon at (K, 3) to the nearest point of the wall as imaged."""
    amplitudes = np.zeros((len(centres), batch.unknowns - 3))
    return batch.least_gaps(number, np.concatenate([centres, amplitudes], axis=1))


def _pushed_off(batch: BalloonBatch, centres: FloatArray) -> FloatArray:
    """Follow balloons at (N, 3) that only the walls push until they balance or leave them."""
    if not batch.count:
        return centres
    none = np.zeros(batch.count)
    alone = replace(batch, push_n=none, guide_n_per_mm=none, shaft_n_per_mm=none)
    nowhere = Exit(np.zeros(3), np.zeros(3), 1.0)
    begin = np.concatenate([centres, np.zeros((batch.count, batch.unknowns - 3))], axis=1)
    return minimise(alone, begin, nowhere).place[:, :3]


def _blocked(
    batch: BalloonBatch, reach_mm: float, centre: FloatArray, direction: FloatArray
) -> FloatArray:
    """Ways (N, 2) along a unit direction, from and to, on which a wall point is inside.

    Of what is no ball the ball around it is meant: none is clear that is not.
    """
    offset = batch.wall.points - centre
    along = offset @ direction
    half = reach_mm**2 - np.einsum("ij,ij->i", offset, offset) + along**2
    met = half > 0.0
    reach = np.sqrt(half[met])
    return np.stack([along[met] - reach, along[met] + reach], axis=1)


def _first_clear(blocked: FloatArray) -> float:
    """Return the least distance, 0 or more, that no open interval (N, 2) contains."""
    begin, end = blocked[np.argsort(blocked[:, 0])].T
    reached = np.maximum.accumulate(np.r_[0.0, end])
    clear = np.flatnonzero(np.r_[begin, np.inf] >= reached)
    return float(reached[clear[0]])


def start_notes(
    start: Start, vein: str, balloon: Balloon, settings: SeatingSettings
) -> tuple[Note, ...]:
    """Tell where a balloon starts, where that is not the usual place."""
    if 0.0 < start.pressed_mm <= settings.greatest_start_press_mm:
        text = (
            f"{balloon.name}: everywhere before the ostium the balloon would touch the wall; it "
            f"starts pressed {start.pressed_mm:.1f} mm into the wall"
        )
        return (Note("seating", text, vein, "caution"),)
    if start.beside_mm > BESIDE_NOTE_MM:
        text = (
            f"{balloon.name}: on the shaft line before the ostium the balloon would touch the "
            f"wall; it starts {start.beside_mm:.0f} mm beside that line"
        )
        return (Note("seating", text, vein),)
    if start.backed_off_mm > BACKED_OFF_NOTE_MM:
        text = (
            f"{balloon.name}: with its nose on the ostial plane the balloon would touch the wall; "
            f"it starts {start.backed_off_mm:.0f} mm farther back"
        )
        return (Note("seating", text, vein),)
    return ()
