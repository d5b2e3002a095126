"""The nominal seat of one balloon before one vein: a try without any perturbation, read off."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from veinfit.notes import Note
from veinfit.seating.approach.line import ApproachLine
from veinfit.seating.approach.start import find_start, start_notes
from veinfit.seating.balloon import Balloon
from veinfit.seating.growth.freeze import constant_size, freeze_drift
from veinfit.seating.growth.loop import LoopReading, loop_reading
from veinfit.seating.mechanics.attempt import attempt
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH
from veinfit.seating.model import Fit, FreezeDrift
from veinfit.seating.neighbours import FreezingZone, Structure, distances_mm
from veinfit.seating.patch import WallPatch
from veinfit.seating.prepare import PreparedVein, balloon_batch
from veinfit.seating.seal.antral import antral_area_mm2, contact_area_mm2, contact_ring_deg
from veinfit.seating.seal.clock import clock_of, clock_readings, contact_arc_deg
from veinfit.seating.seal.gap import GapField, gap_field
from veinfit.seating.seal.grade import is_deep, occlusion_grade
from veinfit.seating.seal.orifice import cut_graph
from veinfit.seating.seal.reach import why_not_reached
from veinfit.seating.seal.seal import (
    Seal,
    find_leaks,
    find_seal,
    leak_place,
    lies_elsewhere,
    missing_notes,
    verdict,
    why_not_assessed,
)
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.readings import SEATED, Readings
from veinfit.seating.uncertainty.unknowns import TryInputs
from veinfit.settings import SeatingSettings
from veinfit.vectors import BoolArray, FloatArray, IntArray

BEFORE_SHARE = 0.7
"""The nominal seat's push begins at this share of the one at which the gathered wall occluded."""

SHAPE_NOTE_MM = 0.5
"""A shape that gives way by more than this says so."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seat:
    """Where the nominal balloon rests."""

    place: FloatArray
    push_n: float
    push_to_seal_n: float | None
    batch: BalloonBatch


def seat_balloon(
    prepared: PreparedVein,
    simulated: Simulator,
    structures: Mapping[str, Structure] | None = None,
    rough: Readings | None = None,
) -> Fit:
    """Seat one balloon before one vein, by one try without any perturbation.

    Parameters
    ----------
    prepared : PreparedVein
    simulated : Simulator
        The balloon on its approach.
    structures : mapping of str to Surface or (N, 3) array, optional
    rough : Readings, optional
        What that try came to on the gathered wall, where it is known already.

    Returns
    -------
    Fit
        With its outcome, and the reason where it is not seated.
    """
    line, settings, balloon = simulated.line, simulated.seating, simulated.balloon
    patch = prepared.patch
    fit = _unseated(patch.vein, balloon, line)
    if line.cannot_reach:
        # The course that fails is none: it has no direction to tell.
        return replace(
            fit,
            outcome="cannot reach",
            reason=line.cannot_reach,
            push_direction=None,
            misalignment_deg=None,
        )
    batch = balloon_batch(prepared, simulated.contact, [line], settings, exact=True)
    start = find_start(batch, line, simulated.distance_mm, simulated.start)
    fit = replace(fit, notes=(*line.notes, *start_notes(start, patch.vein, balloon, settings)))
    if start.pressed_mm > settings.greatest_start_press_mm:
        reason = (
            "no room before the ostium: wherever the balloon starts the wall presses "
            f"{start.pressed_mm:.1f} mm into it"
        )
        return replace(fit, outcome="cannot reach", reason=reason)
    if rough is None:
        still = TryInputs.still(line.direction[None])
        rough = simulated.tries(still.aim, still.patient, still.scores, widths=0)
    found = _nominal(prepared, simulated, batch, start.centre, rough)
    if isinstance(found, str):
        outcome = "not assessed" if found else "passes through"
        limit = settings.greatest_depth_mm
        reason = found or f"no equilibrium up to {limit:g} mm into the vein"
        return replace(fit, outcome=outcome, reason=reason)  # type: ignore[arg-type]
    return _read(prepared, simulated, fit, found, structures or {})


def _unseated(vein: str, balloon: Balloon, line: ApproachLine) -> Fit:
    return Fit(
        vein=vein,
        balloon=balloon.name,
        balloon_mm=balloon.equatorial_mm,
        approach=line.kind,
        outcome="seated",
        push_direction=line.direction,
        misalignment_deg=line.misalignment_deg,
        balloon_section=None if balloon.profile == "sphere" else balloon.half_section(),
        notes=line.notes,
    )


def _nominal(
    prepared: PreparedVein,
    simulated: Simulator,
    batch: BalloonBatch,
    start: FloatArray,
    rough: Readings,
) -> _Seat | str:
    """Make the try on the refined wall; a reason where there is no verdict, empty if it passes.

    The gathered wall tells from which push on the refined one is worth a look, and whence.
    """
    settings, balloon = simulated.seating, simulated.balloon
    known = np.fmin(rough.push_to_occlude_n, batch.push_n)

    def closes(which: IntArray, place: FloatArray) -> tuple[BoolArray, BoolArray]:
        reach, shaft = batch.reach_mm[which], batch.direction[which]
        return simulated.fine.closed_by(balloon, settings.contact_tolerance_mm, reach, shaft, place)

    begin = rough.place.copy()
    if rough.outcome[0] != SEATED:
        begin = np.zeros((1, batch.unknowns))
        begin[0, :3] = start
    else:
        simulated.fine.expect(balloon, batch.reach_mm, batch.direction, rough.place)
    done = attempt(
        batch,
        begin,
        prepared.exit(settings),
        closes,
        settings.push_beyond_occlusion,
        first_push_n=BEFORE_SHARE * known,
    )
    state = int(done.seats.state[0])
    if state == WENT_THROUGH:
        held = bool(simulated.may_be_held(done.seats.place)[0])
        return simulated.missing_on_path if held else ""
    if state != AT_REST:
        return "no equilibrium was found"
    push = float(done.push_to_seal_n[0])
    return _Seat(
        done.seats.place[0],
        float(done.push_n[0]),
        push if math.isfinite(push) else None,
        batch,
    )


def _read(
    prepared: PreparedVein,
    simulated: Simulator,
    fit: Fit,
    seat: _Seat,
    structures: Mapping[str, Structure],
) -> Fit:
    """Read everything off a seat."""
    line, settings, balloon = simulated.line, simulated.seating, simulated.balloon
    centre, amplitude = seat.place[:3], seat.place[3:]
    patch = prepared.shaped(amplitude)
    touchable = simulated.contact.touchable
    field = gap_field(
        patch, touchable, balloon, centre, line.direction, settings.contact_tolerance_mm
    )
    nose = centre + balloon.shape.nose_mm * line.direction
    loop = loop_reading(prepared.vein, nose, settings.loop_diameter_mm)
    fit = replace(
        fit,
        patch=patch.surface,
        shape_amplitudes=tuple(float(a) for a in amplitude),
        push_n=seat.push_n,
        centre=centre,
        depth_mm=_depth_mm(patch, centre),
        nose_depth_mm=_depth_mm(patch, nose),
        loop_depth_mm=loop.depth_mm,
        loop_fit=loop.fit,
        patch_gap_mm=np.where(np.isfinite(field.gap_mm), field.gap_mm, np.nan),
        distances_mm=distances_mm(FreezingZone.of(balloon, centre, line.direction), structures),
        notes=(
            *fit.notes,
            *_shape_notes(fit.vein, balloon, amplitude),
            *_loop_notes(fit.vein, balloon, loop, settings),
        ),
    )
    if held := why_not_reached(patch, nose, settings):
        return replace(fit, outcome="cannot reach", reason=held)
    if lies_elsewhere(patch, field, balloon.shape, centre, line.direction):
        text = (
            f"{balloon.name}: the balloon also touches wall far from the ostium; that contact "
            "does not count for the seal"
        )
        fit = replace(fit, notes=(*fit.notes, Note("seating", text, patch.vein, "caution")))
    seal = find_seal(patch, field, settings.contact_tolerance_mm)
    said = verdict(patch, field)
    reason = why_not_assessed(seal, said)
    if reason:
        return replace(fit, outcome="not assessed", reason=reason)
    fit = replace(fit, notes=(*fit.notes, *missing_notes(patch, said, balloon.name)))
    fit = _read_seal(patch, simulated, fit, field, seal)
    if fit.sealed:
        fit = replace(fit, push_to_seal_n=seat.push_to_seal_n)
    return _with_freezing(prepared, simulated, fit, seal, seat)


def _depth_mm(patch: WallPatch, point: FloatArray) -> float:
    """Depth of a point past the ostial plane along the ostial normal, mm."""
    return float((point - patch.centre) @ patch.normal)


def _loop_notes(
    vein: str, balloon: Balloon, loop: LoopReading, settings: SeatingSettings
) -> tuple[Note, ...]:
    if loop.depth_mm is not None or settings.loop_diameter_mm <= 0.0:
        return ()
    text = f"{balloon.name}: the place of the mapping loop is not told: the vein ends before it"
    return (Note("seating", text, vein),)


def _shape_notes(vein: str, balloon: Balloon, amplitude: FloatArray) -> tuple[Note, ...]:
    """Tell how far the ostium has changed shape, where that is worth a word."""
    if not len(amplitude) or abs(amplitude[0]) < SHAPE_NOTE_MM:
        return ()
    rounder = "rounder" if amplitude[0] > 0.0 else "more oval"
    text = (
        f"{balloon.name}: the ostium is predicted to become {rounder} under the balloon; the ends "
        f"of its short axis move by {abs(amplitude[0]):.1f} mm"
    )
    return (Note("seating", text, vein),)


def _read_seal(patch: WallPatch, simulated: Simulator, fit: Fit, gaps: GapField, seal: Seal) -> Fit:
    settings, balloon, approach = simulated.seating, simulated.balloon, simulated.line.kind
    tolerance, pressing = settings.contact_tolerance_mm, simulated.contact.pressing
    clock = clock_of(patch, gaps, tolerance)
    leaks = (
        ()
        if seal.occluded
        else find_leaks(patch, cut_graph(patch), gaps, tolerance, balloon, approach)
    )
    hour, words = None, ""
    if not seal.occluded:
        _, hour, words = leak_place(patch, seal.narrowest)
    areas = [leak.area_mm2 for leak in leaks if leak.area_mm2 is not None]
    area = float(sum(areas)) if areas else None
    ring = contact_ring_deg(clock, tolerance)
    depth = fit.depth_mm if fit.depth_mm is not None else -math.inf
    deep = is_deep(depth, ring, settings)
    return replace(
        fit,
        deep=deep,
        antral=seal.sealed and not deep,
        occlusion_grade=occlusion_grade(seal.occluded, area, settings),
        contact_area_mm2=contact_area_mm2(patch, pressing, gaps),
        contact_arc_deg=contact_arc_deg(clock, tolerance),
        occluded=seal.occluded,
        sealed=seal.sealed,
        leak_width_mm=seal.leak_width_mm,
        leak_area_mm2=0.0 if seal.occluded else area,
        leak_clock_h=hour,
        leak_side=words,
        antral_area_mm2=antral_area_mm2(patch, pressing, gaps, seal.open_to_atrium),
        leaks=leaks,
        clock=clock_readings(patch, clock, balloon, approach),
    )


def growth_mm(balloon: Balloon, settings: SeatingSettings) -> float:
    """Return the growth that is set beside constant size: the balloon's own or a what-if."""
    return balloon.growth_mm if balloon.growth_mm > 0.0 else settings.growth_what_if_mm


def _with_freezing(
    prepared: PreparedVein, simulated: Simulator, fit: Fit, seal: Seal, seat: _Seat
) -> Fit:
    """Set constant size and growth side by side; the balloon's own is the fit's."""
    settings, balloon = simulated.seating, simulated.balloon
    drifts: list[FreezeDrift] = [constant_size(seal)]
    growth = growth_mm(balloon, settings)
    if growth > 0.0:
        grown = balloon.resized(growth)
        # What the balloon can press is settled by its path in, before it grows.
        pushed = replace(seat.batch, push_n=np.array([seat.push_n]), shape=grown.shape)
        drifts.append(
            freeze_drift(
                prepared,
                simulated.contact.touchable,
                grown,
                growth,
                pushed.resized(grown.shape.reach_mm),
                seat.place,
                settings,
            )
        )
    own = drifts[-1] if balloon.growth_mm > 0.0 else drifts[0]
    notes = fit.notes
    if seal.sealed and drifts[-1].sealed is False:
        who = "it" if balloon.growth_mm > 0.0 else "a balloon of its size"
        text = (
            f"{balloon.name}: the nominal seat is sealed; if {who} grew by {growth:g} mm when "
            "freezing starts, it would lose the seal"
        )
        notes = (*notes, Note("seating", text, prepared.patch.vein))
    return replace(
        fit,
        freeze_shift_mm=own.shift_mm,
        sealed_after_freeze=own.sealed,
        freezing=tuple(drifts),
        notes=notes,
    )
