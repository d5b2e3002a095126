"""Seats of a plan on the refined wall: what each covers, and the gap that they leave together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.mechanics.minimise import AT_REST, minimise
from veinfit.seating.patch import WallPatch
from veinfit.seating.prepare import balloon_batch
from veinfit.seating.seal.antral import contact_ring_deg
from veinfit.seating.seal.clock import MERIDIANS, Meridians, meridian_hours, read_clock
from veinfit.seating.seal.gap import GapField, gap_field
from veinfit.seating.seal.grade import is_deep
from veinfit.seating.seal.orifice import CutGraph
from veinfit.seating.seal.paths import widest_path
from veinfit.seating.seal.reach import why_not_reached
from veinfit.seating.seal.seal import verdict
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.readings import Readings
from veinfit.vectors import BoolArray, FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class FullSeat:
    """One seat on the refined wall.

    Attributes
    ----------
    field : GapField or None
        At the patch's points; None where the balloon does not rest before the vein or lies
        deep: then it covers nothing.
    from_h, to_h : float or None
        Longest arc of cold contact, clockwise; 0 and 12 all round.
    band_from_mm, band_to_mm : (M,) array
        Depth of the edges of its cold contact on each meridian; NaN where there is none.
    """

    field: GapField | None
    from_h: float | None
    to_h: float | None
    band_from_mm: FloatArray
    band_to_mm: FloatArray


def full_seat(
    simulator: Simulator, direction: FloatArray, nominal: Readings, row: int, lines: Meridians
) -> FullSeat:
    """Let the balloon of a nominal try come to rest on the refined wall, with the same push.

    Parameters
    ----------
    simulator : Simulator
    direction : (3,) array
        Of the shaft.
    nominal : Readings
        Tries without perturbation.
    row : int
        Which of them.
    lines : Meridians
        Of the vein's wall.
    """
    none = FullSeat(None, None, None, *np.full((2, MERIDIANS), np.nan))
    settings, prepared, balloon = simulator.seating, simulator.prepared, simulator.balloon
    batch = balloon_batch(prepared, simulator.contact, [simulator.line], settings, exact=True)
    batch = replace(batch, direction=direction[None], push_n=nominal.push_n[[row]])
    rest = minimise(batch, nominal.place[[row]], simulator.through)
    if rest.state[0] != AT_REST:
        return none
    centre, patch = rest.place[0, :3], prepared.shaped(rest.place[0, 3:])
    if why_not_reached(patch, centre + balloon.shape.nose_mm * direction, settings):
        return none
    tolerance = settings.contact_tolerance_mm
    field = gap_field(patch, simulator.contact.touchable, balloon, centre, direction, tolerance)
    ring = contact_ring_deg(read_clock(prepared.patch, lines, field, tolerance), tolerance)
    depth = float((centre - patch.centre) @ patch.normal)
    if is_deep(depth, ring, settings):
        return none
    cold = replace(field, gap_mm=field.warm_open_mm + tolerance)
    band = read_clock(prepared.patch, lines, cold, tolerance)
    arc = longest_arc(np.isfinite(band.band_atrial_mm), meridian_hours())
    return FullSeat(field, *arc, band.band_atrial_mm, band.band_distal_mm)


def together(fields: Sequence[GapField | None]) -> GapField | None:
    """Join the gaps of several seats: at each point the least of all; None where none counts."""
    known = [field for field in fields if field is not None]
    if not known:
        return None
    return GapField(
        gap_mm=_least([field.gap_mm for field in known]),
        polar_deg=_least([field.polar_deg for field in known]),
        open_mm=_least([field.open_mm for field in known]),
        warm_open_mm=_least([field.warm_open_mm for field in known]),
        past_missing_mm=-_least([-field.past_missing_mm for field in known]),
    )


def _least(values: Sequence[FloatArray]) -> FloatArray:
    return np.asarray(np.min(np.array(values), axis=0))


def plan_gap(
    patch: WallPatch, graph: CutGraph, fields: Sequence[GapField | None], tolerance_mm: float
) -> tuple[float | None, int]:
    """Return the widest path from vein to atrium past several seats, and where it is narrowest.

    A path goes from face to face. An edge that it crosses is as wide as the seat leaves it that
    closes it best: the greater cold gap of its two ends. So a line that closes the vein goes
    from the band of one seat to that of another only where they overlap. The cold gap is the
    gap in the freezing zone; beyond, at least the distance over the balloon to the zone and
    the tolerance.

    Parameters
    ----------
    patch : WallPatch
    graph : CutGraph
        Of the patch.
    fields : sequence of GapField or None
        None for a seat that covers nothing.
    tolerance_mm : float

    Returns
    -------
    gap_mm : float or None
        At most the tolerance where the seats close the vein; inf where no wall that any of
        them reaches parts the two; None where missing wall decides.
    vertex : int
        -1 for none.
    """
    joined = together(fields)
    if joined is None:
        return np.inf, -1
    if not verdict(patch, joined).sealed:
        return None, -1
    pairs = graph.pairs[graph.inner]
    known = [field.warm_open_mm for field in fields if field is not None]
    cold = np.array([gap[pairs].max(axis=1) for gap in known]).min(axis=0) + tolerance_mm
    crossing = graph.count + np.arange(len(pairs))
    links = np.concatenate(
        [
            np.stack([graph.sides[:, 0], crossing], axis=1),
            np.stack([graph.sides[:, 1], crossing], axis=1),
            graph.fixed,
        ]
    )
    clearance = np.concatenate([np.full(graph.count, np.inf), cold])
    vein, atrium = np.array([graph.count - 2]), np.array([graph.count - 1])
    path = widest_path(links, clearance, vein, atrium)
    if path.narrowest < graph.count:
        return path.width, -1
    ends = pairs[path.narrowest - graph.count]
    return path.width, int(ends[np.argmax(joined.warm_open_mm[ends])])


def line_of(lines: Meridians, fields: Sequence[GapField | None]) -> FloatArray:
    """Points (M, 3) of the line of least gap, one on each meridian; NaN where no seat touches."""
    joined = together(fields)
    result = np.full((MERIDIANS, 3), np.nan)
    if joined is None:
        return result
    gap = lines.at(joined.warm_open_mm)
    touching = np.flatnonzero(gap <= 0.0)
    # The deepest last: it is what stays.
    order = touching[np.argsort(-gap[touching], kind="stable")]
    result[lines.meridian[order]] = lines.position[order]
    return result


def longest_arc(covered: BoolArray, hours: FloatArray) -> tuple[float | None, float | None]:
    """Return where the longest covered arc begins and ends, clockwise; 0 and 12 all round.

    Parameters
    ----------
    covered : (M,) bool array
        Each stands for the arc around it, half way to its neighbours.
    hours : (M,) array
        Evenly spaced, in order.
    """
    count = len(covered)
    if not covered.any():
        return None, None
    if covered.all():
        return 0.0, 12.0
    step = 12.0 / count
    lengths = {}
    for begin in np.flatnonzero(covered & ~np.roll(covered, 1)).tolist():
        length = 1
        while covered[(begin + length) % count]:
            length += 1
        lengths[int(begin)] = length
    first = max(lengths, key=lambda one: lengths[one])
    last = (first + lengths[first] - 1) % count
    return float(hours[first] - 0.5 * step) % 12.0, float(hours[last] + 0.5 * step) % 12.0
