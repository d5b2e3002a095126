"""The leak width of one balloon in one vein as a smooth function of what is unknown.

Balloons are seated for a wide sample of directions, pushes, springs and surfaces;
in between the leak width is interpolated. The probability of occlusion under any
distributions of the unknowns then costs no further seats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import RBFInterpolator
from scipy.special import ndtr

from veinfit.seating.approach.line import ApproachLine
from veinfit.seating.balloon import Balloon
from veinfit.seating.prepare import PreparedVein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.seating.uncertainty.unknowns import (
    Unknowns,
    draw,
    spring_factors,
    stiffness_factors,
)
from veinfit.settings import MarginSettings, SeatingSettings, Settings
from veinfit.vectors import FloatArray, IntArray

WIDE = MarginSettings(
    samples=512,
    chains_per_patient=32,
    direction_sd_deg=30.0,
    push_spread=0.6,
    guide_spread=0.8,
    shaft_spread=0.8,
    stiffness_spread=0.0,
    shape_stiffness_spread=0.0,
    aim_tilt_step_deg=0.0,
    surface_offset_sd_mm=0.7,
)
"""The sample that is seated: wider than any distribution under which it is used. How far the
shaft's line and the guide scatter is not fitted: it is added by ``WIDER``."""

WIDER = 1.4
"""The wide sample's scatter of the shaft's line and of the guide over that of the distribution."""

PLACES = ("direction", "direction", "push", "guide", "shaft", "offset", "offset", "lean", "lean")
"""What the scores of a try are of; the last score is of the surface."""

REACH = 2.7
"""Scores of the wide sample beyond this are taken as this: farther out it has no points."""

WIDTH_MM_RANGE = (-2.5, 3.0)
"""Leak widths are followed in this range, in which every tolerance lies."""

SMOOTHING = 0.1
"""Of the interpolation: a seat jumps where the balloon slips."""

HELD_OUT = 0.2
"""Share of the sample that is first held out to tell the error."""

FINEST_MM = 0.02
"""The error of the interpolation is taken as no less than this."""


@dataclass(frozen=True, slots=True, eq=False)
class Emulator:
    """Leak widths of one balloon in one vein.

    Attributes
    ----------
    widths : RBFInterpolator
        From scores of the wide sample to the leak width, mm.
    columns : (K,) array
        The unknowns that have an effect.
    error_mm : float
        Root mean square error on seats that were held out.
    """

    widths: RBFInterpolator
    columns: IntArray
    error_mm: float

    def chances(
        self, unknowns: Unknowns, margin: MarginSettings, shifts: FloatArray, tolerance: FloatArray
    ) -> FloatArray:
        """Probability of occlusion (M, P) for each of M distributions and P patients.

        Parameters
        ----------
        unknowns : Unknowns
        margin : MarginSettings
            Spreads of the tries and of the patients; its scatter is not used.
        shifts : (M, 4) array
            Logarithm of the factor on push, guide and shaft, and the scatter, degrees.
        tolerance : (M,) array
            mm.
        """
        patients, each = unknowns.shape
        points = np.zeros((len(shifts), patients, each, len(PLACES) + 1))
        points[..., :2] = (
            unknowns.first[..., :2] * shifts[:, None, None, 3:] / WIDE.direction_sd_deg
        )
        stiffness = np.log(stiffness_factors(unknowns.patient, margin))[:, None, None]
        springs = np.log(spring_factors(unknowns.first, margin)) - stiffness
        wide = np.array([WIDE.push_spread, WIDE.guide_spread, WIDE.shaft_spread])
        points[..., 2:5] = (springs + shifts[:, None, None, :3]) / wide
        points[..., 5:9] = unknowns.first[..., 5:9] / WIDER
        offset = unknowns.surface_offset_mm(margin) / WIDE.surface_offset_sd_mm
        points[..., 9] = offset[:, None]
        flat = np.clip(points.reshape(-1, len(PLACES) + 1)[:, self.columns], -REACH, REACH)
        widths = self.widths(flat).reshape(len(shifts), patients, each)
        return np.asarray(ndtr((tolerance[:, None, None] - widths) / self.error_mm).mean(axis=2))


def emulate(
    prepared: PreparedVein, balloon: Balloon, line: ApproachLine, settings: Settings, label: str
) -> Emulator | None:
    """Seat a wide sample and interpolate it; None where too few tries could be assessed."""
    margin = replace(
        WIDE,
        seed=settings.margin.seed,
        shaft_offset_sd_mm=WIDER * settings.margin.shaft_offset_sd_mm,
        guide_lean_sd_deg=WIDER * settings.margin.guide_lean_sd_deg,
    )
    unknowns = draw(margin, label, 1)
    count = unknowns.patient.shape[0] * unknowns.shape[1]
    # Past occlusion the width goes on falling: where tries stop, it would tell the tolerance alone.
    tries = simulator(prepared, balloon, line, settings.seating, margin).pushed_on(
        np.tile(line.direction, (count, 1)),
        np.repeat(unknowns.patient, unknowns.shape[1], axis=0),
        unknowns.first.reshape(count, -1),
    )
    if tries.assessed.mean() < 0.9:
        return None
    scores = np.concatenate(
        [
            unknowns.first.reshape(-1, len(PLACES)),
            np.repeat(unknowns.patient[:, :1], unknowns.shape[1], axis=0),
        ],
        axis=1,
    )
    columns = np.flatnonzero(_active(settings.seating, margin))
    known = tries.assessed
    scores = scores[known][:, columns]
    widths = np.clip(tries.width_mm[known], *WIDTH_MM_RANGE)
    held = np.random.default_rng(margin.seed).permutation(len(widths)) < HELD_OUT * len(widths)
    trial = _interpolate(scores[~held], widths[~held])
    error = float(np.sqrt(np.mean((trial(scores[held]) - widths[held]) ** 2)))
    return Emulator(_interpolate(scores, widths), columns, max(error, FINEST_MM))


def _active(seating: SeatingSettings, margin: MarginSettings) -> list[bool]:
    """Which scores have an effect."""
    effect = {
        "direction": True,
        "push": seating.greatest_push_n > 0.0,
        "guide": seating.guide_n_per_mm > 0.0,
        "shaft": seating.shaft_n_per_mm > 0.0,
        "offset": seating.shaft_n_per_mm > 0.0 and margin.shaft_offset_sd_mm > 0.0,
        "lean": seating.guide_n_per_mm > 0.0 and margin.guide_lean_sd_deg > 0.0,
    }
    return [*(effect[place] for place in PLACES), True]


def _interpolate(scores: FloatArray, widths: FloatArray) -> RBFInterpolator:
    return RBFInterpolator(scores, widths, kernel="cubic", smoothing=SMOOTHING, degree=1)
