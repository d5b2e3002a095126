"""Many tries of one balloon in one vein: where each comes to rest and what it closes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from veinfit.frames import BoolArray, FloatArray, perpendicular_basis
from veinfit.seating.approach import ApproachLine
from veinfit.seating.balloon import Balloon
from veinfit.seating.bench import Bench, Mount, mount
from veinfit.seating.flock import Flock, descend_all
from veinfit.seating.gap import GapField, gap_field
from veinfit.seating.patch import WallPatch
from veinfit.seating.reach import reached
from veinfit.seating.reduced import reduce_wall
from veinfit.seating.resting import why_no_seat
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
        The balloon passed through the vein, had no room or was held far before it: nothing is
        closed.
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
    balloon : Balloon
    line : ApproachLine
        About which the push direction scatters.
    seating : SeatingSettings
        Its push, stiffness, guide and shaft are the medians of their laws.
    law : MarginSettings
    unknowns : Unknowns
    """
    patients, each = unknowns.shape
    tolerance = seating.contact_tolerance_mm
    mounted = mount(bench, balloon, seating)
    balls = [balloon.resized(-2.0 * float(o)) for o in unknowns.surface_offset_mm(law)]
    way = bench.way_mm(line)
    starts = [_start(mounted, line, way, ball, seating) for ball in balls]
    ready = np.repeat([start is not None for start in starts], each)
    start = np.repeat([np.zeros(3) if at is None else at for at in starts], each, axis=0)
    flock = _flock(bench, mounted, line, seating, law, unknowns)
    rests = descend_all(
        flock.only(ready),
        start[ready],
        bench.patch.centre,
        bench.patch.normal,
        seating.greatest_depth_mm,
    )
    assessed = np.ones(len(ready), dtype=bool)
    centre = np.full((len(ready), 3), np.nan)
    fields: dict[int, GapField] = {}
    for number, rest in zip(np.flatnonzero(ready), rests, strict=True):
        if rest.state != "at rest":
            outcome, _ = why_no_seat(bench, mounted, rest, seating)
            assessed[number] = outcome == "passes through"
            continue
        nose = rest.centre + balls[number // each].shape.nose_mm * flock.direction[number]
        if not reached(bench.patch, nose, seating):
            continue
        centre[number] = rest.centre
        fields[int(number)] = gap_field(
            bench.patch,
            mounted.touchable,
            balls[number // each],
            rest.centre,
            flock.direction[number],
            tolerance,
        )
    read = _read(bench.patch, balloon, tolerance, law, fields, assessed)
    return Tries(
        assessed=read.assessed.reshape(patients, each),
        through=(assessed & np.isnan(centre[:, 0])).reshape(patients, each),
        width_mm=read.width_mm.reshape(patients, each),
        warm_width_mm=read.warm_width_mm.reshape(patients, each),
        occluded=read.occluded.reshape(3, patients, each),
        sealed=read.sealed.reshape(3, patients, each),
        centre=centre.reshape(patients, each, 3),
    )


def _start(
    mounted: Mount, line: ApproachLine, way_mm: float, ball: Balloon, seating: SeatingSettings
) -> FloatArray | None:
    """Where a balloon of another radius starts; None where it has no room."""
    wall = mounted.foundation.pressed_by(ball.shape, line.direction)
    start = find_start(wall, line, way_mm)
    return None if start.pressed_mm > seating.greatest_start_press_mm else start.centre


def _flock(
    bench: Bench,
    mounted: Mount,
    line: ApproachLine,
    seating: SeatingSettings,
    law: MarginSettings,
    unknowns: Unknowns,
) -> Flock:
    """Return the energies of all tries, one patient's after the other's."""
    each = unknowns.shape[1]
    offset = np.repeat(unknowns.surface_offset_mm(law), each)
    push, guide, shaft = unknowns.spring_factors(law).reshape(-1, 3).T
    tilts = unknowns.tilt_deg(law).reshape(-1, 2)
    direction = np.array([tilted(line.direction, tilt) for tilt in tilts])
    aside = unknowns.shaft_offset_mm(law).reshape(-1, 2)
    lean = unknowns.guide_lean_deg(law).reshape(-1, 2)
    return Flock(
        foundation=mounted.foundation.pressed_by(mounted.balloon.shape, line.direction),
        radius_mm=mounted.balloon.shape.reach_mm - offset,
        stiffness=np.repeat(unknowns.stiffness_factor(law), each),
        push_n=seating.push_n * push,
        guide_n_per_mm=seating.guide_n_per_mm * guide,
        shaft_n_per_mm=seating.shaft_n_per_mm * shaft,
        direction=direction,
        origin=line.origin + _across(direction, aside),
        guide=bench.patch.guide,
        pivot=bench.patch.centre,
        guide_turn=Rotation.from_rotvec(
            lean @ np.stack(perpendicular_basis(bench.patch.axis)), degrees=True
        ).as_matrix(),
    )


def _across(direction: FloatArray, offset: FloatArray) -> FloatArray:
    """Offsets (N, 2) across unit directions (N, 3) in space (N, 3)."""
    basis = np.array([perpendicular_basis(one) for one in direction])
    return np.asarray(np.einsum("nk,nki->ni", offset, basis))


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    """What N tries close; see ``Tries``."""

    assessed: BoolArray
    width_mm: FloatArray
    warm_width_mm: FloatArray
    occluded: BoolArray
    sealed: BoolArray


def _read(
    patch: WallPatch,
    balloon: Balloon,
    tolerance: float,
    law: MarginSettings,
    fields: Mapping[int, GapField],
    assessed: BoolArray,
) -> _Reading:
    """Read off what the tries that rest close; all others that are assessed close nothing."""
    count = len(assessed)
    assessed = assessed.copy()
    width = np.where(assessed, WIDE_MM, np.nan)
    warm_width = width.copy()
    occluded = np.zeros((3, count), dtype=bool)
    sealed = np.zeros((3, count), dtype=bool)
    tolerances = tolerance + law.tolerance_calibration_mm * np.array([-1.0, 0.0, 1.0])
    near = np.zeros(len(patch.surface.points), dtype=bool)
    for field in fields.values():
        near |= field.gap_mm < WIDE_MM
    wall = reduce_wall(patch, near)
    for number, field in fields.items():
        gap = field.gap_mm[wall.kept]
        path_width, _ = wall.widest(gap)
        if path_width == -np.inf or not wall.verdict_stands(field):
            assessed[number] = False
            width[number] = warm_width[number] = np.nan
            continue
        width[number] = warm_width[number] = min(path_width, WIDE_MM)
        occluded[:, number] = sealed[:, number] = path_width <= tolerances
        warm = ~balloon.freezes_at(field.polar_deg[wall.kept])
        if not (warm & (gap <= tolerances[2])).any():
            continue
        cold_gap = np.where(warm, np.maximum(gap, tolerance + field.warm_open_mm[wall.kept]), gap)
        warm_width[number] = min(wall.widest(cold_gap)[0], WIDE_MM)
        for which in np.flatnonzero(occluded[:, number]):
            sealed[which, number] = wall.parted_by(~warm & (gap <= tolerances[which]))
    return _Reading(assessed, width, warm_width, occluded, sealed)
