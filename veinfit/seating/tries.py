"""Many tries of one balloon in one vein: where each comes to rest and what it closes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import BoolArray, FloatArray
from veinfit.seating.approach import ApproachLine, line_through_ostium
from veinfit.seating.balloon import Balloon
from veinfit.seating.equilibrium import descend
from veinfit.seating.gap import GapField, gap_field
from veinfit.seating.reduced import reduce_wall
from veinfit.seating.seat import Bench, Mount, depth_mm, energy_of, mount, why_no_seat
from veinfit.seating.start import find_start
from veinfit.seating.unknowns import Unknowns, tilted
from veinfit.settings import MarginSettings, SeatingSettings

WIDE_MM = 5.0
"""A gap is followed up to this; what is wider counts as this wide."""


@dataclass(frozen=True, slots=True, eq=False)
class Tries:
    """What P × T tries closed; a try that could not be assessed has NaN and False.

    Attributes
    ----------
    assessed : (P, T) bool array
    through : (P, T) bool array
        The balloon passed through the vein or had no room: nothing is closed.
    width_mm : (P, T) array
        Greatest gap that a path from vein to atrium can keep, at most ``WIDE_MM``;
        negative where it is pressed shut.
    warm_width_mm : (P, T) array
        The same with warm contact counted as open.
    occluded, sealed : (3, P, T) bool array
        At the contact tolerance less its uncertainty, at the tolerance, at the
        tolerance and its uncertainty.
    centre : (P, T, 3) array
        Where the balloon rests, mm; NaN where it does not.
    """

    assessed: BoolArray
    through: BoolArray
    width_mm: FloatArray
    warm_width_mm: FloatArray
    occluded: BoolArray
    sealed: BoolArray
    centre: FloatArray


def simulate(
    bench: Bench,
    vein: Vein,
    balloon: Balloon,
    line: ApproachLine,
    seating: SeatingSettings,
    law: MarginSettings,
    unknowns: Unknowns,
) -> Tries:
    """Seat a balloon once for every draw of the unknowns.

    The surface offset is taken as a change of the balloon's radius: a wall that
    lies farther out by 0.5 mm holds a balloon much as it holds one of 0.5 mm less
    radius where it is. All tries of a patient start where the balloon starts on
    the approach itself.

    Parameters
    ----------
    bench : Bench
        The vein made ready, on the wall of ``law.patch_edge_mm``.
    vein : Vein
    balloon : Balloon
    line : ApproachLine
        About which the push direction scatters.
    seating : SeatingSettings
        Its push, stiffness, guide and shaft are the medians of their laws.
    law : MarginSettings
    unknowns : Unknowns
    """
    patients, each = unknowns.shape
    offsets = unknowns.surface_offset_mm(law)
    factors = unknowns.stiffness_factor(law)
    centre = np.full((patients, each, 3), np.nan)
    assessed = np.ones((patients, each), dtype=bool)
    fields: list[tuple[tuple[int, int], GapField]] = []
    for patient in range(patients):
        ball = balloon.resized(-2.0 * float(offsets[patient]))
        wall = replace(
            seating, stiffness_kpa_per_mm=seating.stiffness_kpa_per_mm * float(factors[patient])
        )
        mounted = mount(bench, ball, wall)
        start = find_start(mounted.foundation, line, bench.axis_way_mm)
        if start.pressed_mm > seating.greatest_start_press_mm:
            continue
        for number in range(each):
            one = _line_of_try(vein, line, unknowns.tilt_deg(law)[patient, number])
            springs = unknowns.spring_factors(law)[patient, number]
            place, known = _rest(bench, mounted, one, start.centre, _with(wall, springs))
            assessed[patient, number] = known
            if place is None:
                continue
            centre[patient, number] = place
            tolerance = seating.contact_tolerance_mm
            seen = gap_field(bench.patch, mounted.touchable, ball, place, one.direction, tolerance)
            fields.append(((patient, number), seen))
    return _read(bench, balloon, seating, law, fields, assessed, centre)


def _line_of_try(vein: Vein, line: ApproachLine, tilt_deg: FloatArray) -> ApproachLine:
    return line_through_ostium(line.kind, vein, tilted(line.direction, tilt_deg))


def _with(seating: SeatingSettings, springs: FloatArray) -> SeatingSettings:
    push, guide, shaft = (float(factor) for factor in springs)
    return replace(
        seating,
        push_n=seating.push_n * push,
        guide_n_per_mm=seating.guide_n_per_mm * guide,
        shaft_n_per_mm=seating.shaft_n_per_mm * shaft,
    )


def _rest(
    bench: Bench, mounted: Mount, line: ApproachLine, start: FloatArray, seating: SeatingSettings
) -> tuple[FloatArray | None, bool]:
    """Where a balloon rests, and whether that could be told."""

    def gone(place: FloatArray) -> bool:
        return depth_mm(bench.patch, place) > seating.greatest_depth_mm

    rest = descend(energy_of(bench, mounted, line, seating), start, gone)
    if rest.state == "at rest":
        return rest.centre, True
    outcome, _ = why_no_seat(bench, mounted, rest, seating)
    return None, outcome == "passes through"


def _read(
    bench: Bench,
    balloon: Balloon,
    seating: SeatingSettings,
    law: MarginSettings,
    fields: list[tuple[tuple[int, int], GapField]],
    assessed: BoolArray,
    centre: FloatArray,
) -> Tries:
    """Read off what the tries that rest close."""
    patch = bench.patch
    shape = assessed.shape
    assessed = assessed.copy()
    through = assessed & np.isnan(centre[:, :, 0])
    width = np.where(through, WIDE_MM, np.nan)
    warm_width = width.copy()
    occluded = np.zeros((3, *shape), dtype=bool)
    sealed = np.zeros((3, *shape), dtype=bool)
    tolerance = seating.contact_tolerance_mm
    shifts = law.tolerance_calibration_mm * np.array([-1.0, 0.0, 1.0])
    near = np.zeros(len(patch.surface.points), dtype=bool)
    for _, field in fields:
        near |= field.gap_mm < WIDE_MM
    wall = reduce_wall(patch, near)
    unknown = patch.wall_edge.copy()
    unknown[patch.atrium_nodes[patch.atrium_nodes < len(unknown)]] = False
    for at, field in fields:
        gap, warm = field.gap_mm[wall.kept], field.warm_open_mm[wall.kept]
        is_warm = ~balloon.freezes_at(field.polar_deg[wall.kept])
        path_width, narrowest = wall.widest(gap)
        at_edge = narrowest >= 0 and bool(patch.wall_edge[narrowest])
        if (field.contact & unknown).any() or at_edge or path_width == -np.inf:
            assessed[at] = False
            continue
        width[at] = min(path_width, WIDE_MM)
        warm_width[at] = min(wall.widest(warm)[0] + tolerance, WIDE_MM)
        for which, shift in enumerate(shifts):
            occluded[(which, *at)] = path_width <= tolerance + shift
            sealed[(which, *at)] = wall.parted_by(~is_warm & (gap <= tolerance + shift))
    return Tries(assessed, through, width, warm_width, occluded, sealed, centre)
