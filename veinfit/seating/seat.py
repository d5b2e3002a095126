"""Seating: from an anatomy and some balloons to a fit for each vein."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.notes import Note
from veinfit.seating.antral import antral_area_mm2, contact_area_mm2, contact_ring_deg
from veinfit.seating.approach import ApproachLine, approach_line
from veinfit.seating.balloon import Balloon
from veinfit.seating.bench import Bench, Mount, energy_of, mount, prepare
from veinfit.seating.clock import (
    clock_readings,
    contact_arc_deg,
    read_clock,
)
from veinfit.seating.freeze import constant_size, freeze_drift
from veinfit.seating.gap import GapField, gap_field
from veinfit.seating.grade import is_deep, occlusion_grade
from veinfit.seating.guide import guide_notes
from veinfit.seating.model import Approach, Fit, FreezeDrift
from veinfit.seating.neighbours import FreezingZone, Structure, distances_mm
from veinfit.seating.reach import why_not_reached
from veinfit.seating.resting import depth_mm, find_seat, why_no_seat
from veinfit.seating.rounding import rounding_notes
from veinfit.seating.seal import (
    Seal,
    find_leaks,
    find_seal,
    leak_place,
    lies_elsewhere,
    missing_notes,
    why_not_assessed,
)
from veinfit.settings import SeatingSettings


def seat_balloon(
    bench: Bench,
    mounted: Mount,
    line: ApproachLine,
    settings: SeatingSettings,
    structures: Mapping[str, Structure] | None = None,
) -> Fit:
    """Seat one balloon before one vein and read everything off it."""
    patch, balloon = bench.patch, mounted.balloon
    fit = Fit(
        vein=patch.vein,
        balloon=balloon.name,
        balloon_mm=balloon.equatorial_mm,
        approach=line.kind,
        outcome="seated",
        push_direction=line.direction,
        misalignment_deg=line.misalignment_deg,
        patch=patch.surface,
        balloon_section=None if balloon.profile == "sphere" else balloon.half_section(),
        ostium_rounding=settings.ostium_rounding,
        notes=line.notes,
    )
    if line.cannot_reach:
        # The course that fails is none: it has no direction to tell.
        return replace(
            fit,
            outcome="cannot reach",
            reason=line.cannot_reach,
            push_direction=None,
            misalignment_deg=None,
        )
    seat = find_seat(bench, mounted, line, settings)
    fit = replace(fit, notes=(*line.notes, *seat.notes))
    if seat.rest is None:
        reason = (
            "no room before the ostium: wherever the balloon starts the wall presses "
            f"{seat.start.pressed_mm:.1f} mm into it"
        )
        return replace(fit, outcome="cannot reach", reason=reason)
    centre = seat.rest.centre
    field = gap_field(
        patch,
        mounted.touchable,
        balloon,
        centre,
        line.direction,
        settings.contact_tolerance_mm,
    )
    if seat.rest.state != "at rest":
        outcome, reason = why_no_seat(bench, mounted, seat.rest, settings)
        return replace(fit, outcome=outcome, reason=reason)
    nose = centre + balloon.shape.nose_mm * line.direction
    if held := why_not_reached(patch, nose, settings):
        return replace(fit, outcome="cannot reach", reason=held)
    fit = replace(
        fit,
        centre=centre,
        depth_mm=depth_mm(patch, centre),
        nose_depth_mm=depth_mm(patch, nose),
        patch_gap_mm=np.where(np.isfinite(field.gap_mm), field.gap_mm, np.nan),
        distances_mm=distances_mm(
            FreezingZone.of(balloon, centre, line.direction), structures or {}
        ),
    )
    if lies_elsewhere(patch, field, balloon.shape, centre, line.direction):
        text = (
            f"{balloon.name}: the balloon also lies against wall far from the ostium, "
            "which takes no part in the seal"
        )
        fit = replace(fit, notes=(*fit.notes, Note("seating", text, patch.vein, "caution")))
    seal = find_seal(patch, field, settings.contact_tolerance_mm)
    reason = why_not_assessed(patch, field, seal)
    if reason:
        return replace(fit, outcome="not assessed", reason=reason)
    fit = replace(fit, notes=(*fit.notes, *missing_notes(patch, field, balloon.name)))
    fit = _read_seal(bench, mounted, line.kind, settings, fit, field, seal)
    return _with_freezing(bench, mounted, line, settings, fit, seal)


def seat_vein(
    anatomy: Anatomy,
    vein: Vein,
    balloons: Sequence[Balloon],
    settings: SeatingSettings,
    approaches: Iterable[str] = ("coaxial",),
    structures: Mapping[str, Structure] | None = None,
) -> tuple[Fit, ...]:
    """Seat every balloon before one vein, by every approach.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
        One of ``anatomy.veins``.
    balloons : sequence of Balloon
    settings : SeatingSettings
    approaches : iterable of str
    structures : mapping of str to Surface or (N, 3) array, optional
        Surfaces, polylines or points to measure distances to, LPS mm.

    Returns
    -------
    fits : tuple of Fit
        Balloon by balloon, the approaches of each in turn. The refined wall
        ``patch`` is the same surface in all of them.

    Raises
    ------
    InputError
        There is no such approach.
    """
    lines = [approach_line(name, anatomy, vein, settings) for name in approaches]
    if not balloons or not lines:
        return ()
    largest = max(b.resized(_growth_mm(b, settings)).shape.reach_mm for b in balloons)
    bench = prepare(anatomy, vein, largest, settings)
    fits = []
    for balloon in balloons:
        mounted = mount(bench, balloon, settings)
        fits += [seat_balloon(bench, mounted, line, settings, structures) for line in lines]
    about = (*guide_notes(vein), *rounding_notes(vein, settings.ostium_rounding))
    return tuple(replace(fit, notes=(*fit.notes, *about)) for fit in fits)


def seat_all(
    anatomy: Anatomy,
    balloons: Sequence[Balloon],
    settings: SeatingSettings,
    structures: Mapping[str, Structure] | None = None,
    approaches: Iterable[str] = ("coaxial",),
) -> tuple[Fit, ...]:
    """Seat every balloon before every vein; see :func:`seat_vein`."""
    approaches = tuple(approaches)
    fits: list[Fit] = []
    for vein in anatomy.veins:
        fits += seat_vein(anatomy, vein, balloons, settings, approaches, structures)
    return tuple(fits)


def _read_seal(
    bench: Bench,
    mounted: Mount,
    approach: Approach,
    settings: SeatingSettings,
    fit: Fit,
    gaps: GapField,
    seal: Seal,
) -> Fit:
    patch, balloon = bench.patch, mounted.balloon
    tolerance = settings.contact_tolerance_mm
    clock = read_clock(patch, bench.lines, gaps, tolerance)
    leaks = (
        () if seal.occluded else find_leaks(patch, bench.graph, gaps, tolerance, balloon, approach)
    )
    hour, words = None, ""
    if not seal.occluded:
        _, hour, words = leak_place(patch, seal.path.narrowest)
    areas = [leak.area_mm2 for leak in leaks if leak.area_mm2 is not None]
    area = float(sum(areas)) if areas else None
    ring = contact_ring_deg(clock, tolerance)
    depth = fit.depth_mm if fit.depth_mm is not None else -math.inf
    return replace(
        fit,
        deep=is_deep(depth, ring, settings),
        occlusion_grade=occlusion_grade(seal.occluded, area, settings),
        contact_area_mm2=contact_area_mm2(patch, mounted.pressing, gaps),
        contact_arc_deg=contact_arc_deg(clock, tolerance),
        occluded=seal.occluded,
        sealed=seal.sealed,
        leak_width_mm=seal.leak_width_mm,
        leak_area_mm2=0.0 if seal.occluded else area,
        leak_clock_h=hour,
        leak_side=words,
        antral_area_mm2=antral_area_mm2(patch, mounted.pressing, gaps, seal.open_to_atrium),
        leaks=leaks,
        clock=clock_readings(patch, clock, balloon, approach),
    )


def _growth_mm(balloon: Balloon, settings: SeatingSettings) -> float:
    """Return the growth that is set beside constant size: the balloon's own or a what-if."""
    return balloon.growth_mm if balloon.growth_mm > 0.0 else settings.growth_what_if_mm


def _with_freezing(
    bench: Bench,
    mounted: Mount,
    line: ApproachLine,
    settings: SeatingSettings,
    fit: Fit,
    seal: Seal,
) -> Fit:
    """Set constant size and growth side by side; the balloon's own is the fit's."""
    patch, balloon, centre = bench.patch, mounted.balloon, fit.centre
    drifts: list[FreezeDrift] = [constant_size(seal)]
    growth = _growth_mm(balloon, settings)
    if growth > 0.0 and centre is not None:
        grown = balloon.resized(growth)
        # What the balloon can press is settled by its way in, before it grows.
        wall = mounted.foundation.pressed_by(grown.shape, line.direction)
        larger = replace(mounted, balloon=grown, foundation=wall)
        energy = energy_of(bench, larger, line, settings)
        drifts.append(
            freeze_drift(
                patch,
                mounted.touchable,
                grown,
                growth,
                energy,
                centre,
                lambda c: depth_mm(patch, c) > settings.greatest_depth_mm,
                settings.contact_tolerance_mm,
            )
        )
    own = drifts[-1] if balloon.growth_mm > 0.0 else drifts[0]
    notes = fit.notes
    if seal.sealed and drifts[-1].sealed is False:
        growing = f"growing by {growth:g} mm when freezing starts"
        who = "" if balloon.growth_mm > 0.0 else "a balloon like it but "
        text = f"{balloon.name}: {who}{growing} would lose the seal that constant size keeps"
        notes = (*notes, Note("seating", text, patch.vein))
    return replace(
        fit,
        freeze_shift_mm=own.shift_mm,
        sealed_after_freeze=own.sealed,
        freezing=tuple(drifts),
        notes=notes,
    )
