"""The unknowns of a balloon's seat, and a seeded low-discrepancy sample of them.

Some belong to the patient: how far the true surface lies from the segmented one, and
how stiff the wall is against indentation and against a change of its shape. They are the
same for every vein, balloon and try. The others belong to the try: where the push points,
how strong it is at most, how firmly guide and shaft hold, past which point of the ostium the
shaft's line runs, and how the guide lies in the vein. All but the push stay in part from one try
of a chain to the next: the sheath and the guide lie much as they lay before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import ndtri

from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.settings import MarginSettings
from veinfit.vectors import FloatArray, perpendicular_basis, unit

PATIENT_UNKNOWNS = ("surface offset", "stiffness", "shape stiffness")
"""In the order of ``Unknowns.patient``."""

ATTEMPT_UNKNOWNS = (
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
"""In the order of the last axis of ``Unknowns.attempts``."""

DIRECTIONS = slice(0, 2)
SPRINGS = slice(2, 5)
OFFSETS = slice(5, 7)
LEANS = slice(7, 9)

KEPT = (0, 1, 3, 4, 5, 6, 7, 8)
"""Unknowns of which a part stays over a chain: how sheath and guide lie; all but the push."""

SMALLEST_SHARE = 1e-9
"""Sobol numbers are kept this far from 0 and 1, where the normal distribution has no value."""


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """A nested sample, in standard normal scores: P patients, T chains of A attempts each.

    Attributes
    ----------
    patient : (P, 3) array
        Scores of ``PATIENT_UNKNOWNS``.
    attempts : (P, T, A, 9) array
        Scores of ``ATTEMPT_UNKNOWNS``.
    """

    patient: FloatArray
    attempts: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """P and T."""
        return self.attempts.shape[0], self.attempts.shape[1]

    @property
    def first(self) -> FloatArray:
        """Scores of the first attempt of every chain (P, T, 9)."""
        return self.attempts[:, :, 0]

    def surface_offset_mm(self, margin: MarginSettings) -> FloatArray:
        """How far the true surface lies outside the segmented one (P,), mm.

        Parameters
        ----------
        margin : MarginSettings

        Returns
        -------
        (P,) array
        """
        return self.patient[:, 0] * margin.surface_offset_sd_mm


@dataclass(frozen=True, slots=True, eq=False)
class TryInputs:
    """What N tries start from.

    Attributes
    ----------
    aim : (N, 3) array
        Unit vectors about which the shafts scatter.
    patient : (N, 3) array
        Scores of the patients.
    scores : (N, 9) array
        Scores of the tries.
    """

    aim: FloatArray
    patient: FloatArray
    scores: FloatArray

    @classmethod
    def joined(cls, parts: Sequence[TryInputs]) -> TryInputs:
        """Put tries one after the other."""
        names = ("aim", "patient", "scores")
        return cls(*(np.concatenate([getattr(one, name) for one in parts]) for name in names))

    @classmethod
    def still(cls, aim: FloatArray) -> TryInputs:
        """Return tries without any perturbation, with aims (N, 3)."""
        patient = np.zeros((len(aim), len(PATIENT_UNKNOWNS)))
        return cls(aim, patient, np.zeros((len(aim), len(ATTEMPT_UNKNOWNS))))

    @property
    def count(self) -> int:
        """Return N."""
        return len(self.aim)


def draw(margin: MarginSettings, label: str, attempts: int | None = None) -> Unknowns:
    """Draw a sample.

    Parameters
    ----------
    margin : MarginSettings
    label : str
        What the tries are of, such as a vein and a balloon. Tries of different
        labels are independent; the patients are the same for all labels.
    attempts : int, optional
        A; as many as the settings say where None.

    Returns
    -------
    Unknowns

    References
    ----------
    .. [1] Owen AB, Scrambling Sobol' and Niederreiter-Xing points, J Complexity 1998;14:466-489.
    """
    total = _power_of_two(margin.samples)
    each = min(_power_of_two(margin.chains_per_patient), total)
    count = margin.steered_attempts if attempts is None else attempts
    patients = _scores(total // each, len(PATIENT_UNKNOWNS), [margin.seed])
    # Every run of a power of two of Sobol's points is spread evenly by itself.
    scores = _scores(total, count * len(ATTEMPT_UNKNOWNS), [margin.seed, *label.encode()])
    shape = (total // each, each, count, len(ATTEMPT_UNKNOWNS))
    return Unknowns(patients, _kept(scores.reshape(shape), margin.kept_scatter_share))


def _kept(scores: FloatArray, share: float) -> FloatArray:
    """Let each try of a chain (P, T, A, 9) keep a share of the variance of the one before.

    Each by itself has the same distribution as without. The push is the operator's own each time.
    """
    result = scores.copy()
    for number in range(1, scores.shape[2]):
        last, new = result[:, :, number - 1, KEPT], scores[:, :, number, KEPT]
        result[:, :, number, KEPT] = np.sqrt(share) * last + np.sqrt(1.0 - share) * new
    return result


def unperturbed(attempts: int = 1) -> Unknowns:
    """Return the sample of one chain in which nothing is perturbed."""
    return Unknowns(
        np.zeros((1, len(PATIENT_UNKNOWNS))), np.zeros((1, 1, attempts, len(ATTEMPT_UNKNOWNS)))
    )


def perturbed(
    batch: BalloonBatch,
    aim: FloatArray,
    origin: FloatArray,
    patient: FloatArray,
    scores: FloatArray,
    axis: FloatArray,
    margin: MarginSettings,
) -> BalloonBatch:
    """Return a batch of one balloon as N tries of it.

    The surface offset is taken as a change of the balloon's radius: a wall that lies
    farther out by 0.5 mm holds a balloon much as it holds one of 0.5 mm less radius
    where it is.

    Parameters
    ----------
    batch : BalloonBatch
        Of one balloon, unperturbed.
    aim : (N, 3) array
        Unit vectors about which the shafts scatter.
    origin : (3,) array
        The point through which the shafts would run without scatter.
    patient : (N, 3) array
        Scores of the patient of each try.
    scores : (N, 9) array
    axis : (3,) array
        The vein's axis, about which the guide leans.
    margin : MarginSettings

    Returns
    -------
    BalloonBatch
        Of N balloons.
    """
    one = batch.only(np.zeros(len(scores), dtype=int))
    push, guide, shaft = spring_factors(scores, margin).T
    direction = tilted(aim, scores[:, DIRECTIONS] * margin.direction_sd_deg)
    lean = scores[:, LEANS] * margin.guide_lean_sd_deg
    turn = Rotation.from_rotvec(lean @ np.stack(perpendicular_basis(axis)), degrees=True)
    stiffness = stiffness_factors(patient, margin)
    shape = shape_factors(patient, margin)
    return replace(
        one,
        reach_mm=one.reach_mm - patient[:, 0] * margin.surface_offset_sd_mm,
        stiffness=one.stiffness * stiffness,
        shape_stiffness=one.shape_stiffness * (stiffness * shape)[:, None],
        push_n=one.push_n * push,
        guide_n_per_mm=one.guide_n_per_mm * guide,
        shaft_n_per_mm=one.shaft_n_per_mm * shaft,
        direction=direction,
        origin=origin + across(direction, scores[:, OFFSETS] * margin.shaft_offset_sd_mm),
        guide_turn=turn.as_matrix(),
    )


def stiffness_factors(patient: FloatArray, margin: MarginSettings) -> FloatArray:
    """Return the factors (...) on the wall's stiffness against indentation.

    Parameters
    ----------
    patient : (..., 3) array
        Scores of patients.
    margin : MarginSettings

    Returns
    -------
    (...) array
    """
    return np.exp(patient[..., 1] * margin.stiffness_spread)


def shape_factors(patient: FloatArray, margin: MarginSettings) -> FloatArray:
    """Return the factors (...) on the shape stiffness over that against indentation.

    Parameters
    ----------
    patient : (..., 3) array
        Scores of patients.
    margin : MarginSettings

    Returns
    -------
    (...) array
    """
    return np.exp(patient[..., 2] * margin.shape_stiffness_spread)


def spring_factors(scores: FloatArray, margin: MarginSettings) -> FloatArray:
    """Return the factors (..., 3) on push, guide and shaft of tries with scores (..., 9).

    Parameters
    ----------
    scores : (..., 9) array
    margin : MarginSettings

    Returns
    -------
    (..., 3) array
    """
    spread = np.array([margin.push_spread, margin.guide_spread, margin.shaft_spread])
    return np.exp(scores[..., SPRINGS] * spread)


def tilted(direction: FloatArray, tilt_deg: FloatArray) -> FloatArray:
    """Turn unit directions (N, 3) by rotation vectors across them (N, 2), degrees."""
    angle = np.radians(np.hypot(tilt_deg[:, 0], tilt_deg[:, 1]))
    toward = across(direction, tilt_deg)
    length = np.linalg.norm(toward, axis=1)
    toward = toward / np.where(length > 0.0, length, 1.0)[:, None]
    turned = np.cos(angle)[:, None] * direction + np.sin(angle)[:, None] * toward
    return np.asarray(turned / np.linalg.norm(turned, axis=1)[:, None])


def across(direction: FloatArray, offset: FloatArray) -> FloatArray:
    """Offsets (N, 2) across unit directions (N, 3) in space (N, 3)."""
    basis = np.array([perpendicular_basis(unit(one)) for one in direction])
    return np.asarray(np.einsum("nk,nki->ni", offset, basis))


def _scores(count: int, unknowns: int, seed: list[int]) -> FloatArray:
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    from scipy.stats import qmc  # slow to import, and not every job has a margin

    shares = qmc.Sobol(unknowns, scramble=True, rng=rng).random(count)
    return np.asarray(ndtri(np.clip(shares, SMALLEST_SHARE, 1.0 - SMALLEST_SHARE)))


def _power_of_two(number: int) -> int:
    """Round up to a power of two, without which Sobol's points lose their balance."""
    return 1 << max(number - 1, 0).bit_length()
