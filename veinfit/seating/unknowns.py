"""The unknowns of a balloon's seat, and a seeded low-discrepancy sample of them.

Some belong to the patient: how far the true surface lies from the segmented one,
and how stiff the wall is. They are the same for every vein, balloon and try. The
others belong to the try and are drawn anew for each: where the push points, how
strong it is, how firmly guide and shaft hold, past which point of the ostium the
shaft's line runs, and how the guide lies in the vein.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from veinfit.frames import FloatArray, perpendicular_basis, unit
from veinfit.settings import MarginSettings

PATIENT_UNKNOWNS = ("surface offset", "stiffness")
"""In the order of ``Unknowns.patient``."""

TRY_UNKNOWNS = (
    "direction 1",
    "direction 2",
    "push",
    "guide",
    "shaft",
    "shaft offset 1",
    "shaft offset 2",
    "guide lean 1",
    "guide lean 2",
)
"""In the order of ``Unknowns.tries``."""

SMALLEST_SHARE = 1e-9
"""Sobol numbers are kept this far from 0 and 1, where the normal law has no value."""


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """A nested sample, in standard normal scores: P patients with T tries each.

    Attributes
    ----------
    patient : (P, 2) array
        Scores of ``PATIENT_UNKNOWNS``.
    tries : (P, T, 9) array
        Scores of ``TRY_UNKNOWNS``.
    """

    patient: FloatArray
    tries: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """P and T."""
        return self.tries.shape[0], self.tries.shape[1]

    def surface_offset_mm(self, law: MarginSettings) -> FloatArray:
        """How far the true surface lies outside the segmented one (P,), mm."""
        return self.patient[:, 0] * law.surface_offset_sd_mm

    def stiffness_factor(self, law: MarginSettings) -> FloatArray:
        """Factor (P,) on the wall's stiffness."""
        return np.exp(self.patient[:, 1] * law.stiffness_spread)

    def tilt_deg(self, law: MarginSettings) -> FloatArray:
        """Turn of the push direction (P, T, 2) about two axes across it, degrees."""
        return self.tries[:, :, :2] * law.direction_sd_deg

    def spring_factors(self, law: MarginSettings) -> FloatArray:
        """Factors (P, T, 3) on push, guide and shaft."""
        spread = np.array([law.push_spread, law.guide_spread, law.shaft_spread])
        return np.exp(self.tries[:, :, 2:5] * spread)

    def shaft_offset_mm(self, law: MarginSettings) -> FloatArray:
        """How far (P, T, 2) the shaft's line runs beside the ostial centre, across itself, mm."""
        return self.tries[:, :, 5:7] * law.shaft_offset_sd_mm

    def guide_lean_deg(self, law: MarginSettings) -> FloatArray:
        """Turn of the guide (P, T, 2) about the ostial centre, about two axes, degrees."""
        return self.tries[:, :, 7:9] * law.guide_lean_sd_deg


def draw(law: MarginSettings, label: str) -> Unknowns:
    """Draw a sample.

    Parameters
    ----------
    law : MarginSettings
    label : str
        What the tries are of, such as a vein and a balloon. Tries of different
        labels are independent; the patients are the same for all labels.

    References
    ----------
    .. [1] Owen AB, Scrambling Sobol' and Niederreiter-Xing points, J Complexity 1998;14:466-489.
    """
    total = _power_of_two(law.samples)
    each = min(_power_of_two(law.tries_per_patient), total)
    patients = _scores(total // each, len(PATIENT_UNKNOWNS), [law.seed])
    # Every run of a power of two of Sobol's points is spread evenly by itself.
    tries = _scores(total, len(TRY_UNKNOWNS), [law.seed, *label.encode()])
    return Unknowns(patients, tries.reshape(total // each, each, len(TRY_UNKNOWNS)))


def tilted(direction: FloatArray, tilt_deg: FloatArray) -> FloatArray:
    """Turn a direction (3,) by a rotation vector across it (2,), degrees."""
    first, second = perpendicular_basis(direction)
    angle = float(np.radians(np.hypot(*tilt_deg)))
    if angle == 0.0:
        return unit(direction)
    toward = unit(tilt_deg[0] * first + tilt_deg[1] * second)
    return np.cos(angle) * unit(direction) + np.sin(angle) * toward


def _scores(count: int, unknowns: int, seed: list[int]) -> FloatArray:
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    shares = qmc.Sobol(unknowns, scramble=True, rng=rng).random(count)
    return np.asarray(ndtri(np.clip(shares, SMALLEST_SHARE, 1.0 - SMALLEST_SHARE)))


def _power_of_two(number: int) -> int:
    """Round up to a power of two, without which Sobol's points lose their balance."""
    return 1 << max(number - 1, 0).bit_length()
