"""The likelihood of observed occlusion, and that of a split of a cohort."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from veinfit.cohort.calibration.likelihood import LogLikelihood
from veinfit.cohort.calibration.responses import Responses
from veinfit.frames import FloatArray

COMPLETE_GRADE = 4
"""The occlusion grade that counts as occluded; lower ones leak."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One observed try of a balloon in a vein.

    Attributes
    ----------
    patient : str
    fit : int
        Index of the vein and balloon among the responses.
    occluded : bool
    """

    patient: str
    fit: int
    occluded: bool


def of_attempts(responses: Responses, attempts: Sequence[Attempt]) -> LogLikelihood:
    """Return the log-likelihood of attempts.

    Attempts in one patient share that patient's unknowns, over which the
    likelihood of all of them together is averaged; given these they are independent.
    """
    fit = np.array([attempt.fit for attempt in attempts])
    occluded = np.array([attempt.occluded for attempt in attempts])[:, None]
    names = sorted({attempt.patient for attempt in attempts})
    number = {name: i for i, name in enumerate(names)}
    patient = np.array([number[attempt.patient] for attempt in attempts])

    def log_likelihood(share: FloatArray) -> float:
        chances = responses.chances(share)[fit]
        each = np.log(np.where(occluded, chances, 1.0 - chances))
        together = np.zeros((len(names), each.shape[1]))
        np.add.at(together, patient, each)
        return float(np.sum(logsumexp(together, axis=1) - np.log(each.shape[1])))

    return log_likelihood


def split(chances: FloatArray, pairs: Sequence[tuple[int, int]]) -> FloatArray:
    """Return the share (4,) of veins that only the first, only the second, both, neither close.

    It is taken over tries first, then over patients and veins.

    Parameters
    ----------
    chances : (N, P) array
        Of N fits for P patients.
    pairs : sequence of (int, int)
        The fits of the two balloons in each vein.
    """
    first, second = (chances[[pair[which] for pair in pairs]] for which in (0, 1))
    parts = (
        first * (1.0 - second), (1.0 - first) * second, first * second,
        (1.0 - first) * (1.0 - second),
    )  # fmt: skip
    return np.array([part.mean() for part in parts])


def of_split(
    responses: Responses,
    pairs: Sequence[tuple[int, int]],
    target: Sequence[float],
    veins: float,
    prior: Sequence[float],
) -> LogLikelihood:
    """Return the log-likelihood of a split of a cohort, with a prior at the starting values.

    A split holds three numbers and cannot tell five quantities: the prior keeps
    those that it does not tell where they were.

    Parameters
    ----------
    responses : Responses
    pairs : sequence of (int, int)
    target : sequence of four float
        Only the first, only the second, both, neither.
    veins : float
        On how many veins the split is taken to rest.
    prior : sequence of float
        Standard deviation of each quantity about its start, in the unit of its
        uncertainty.
    """
    wanted = np.array(target)
    start = np.array([q.share(q.start) for q in responses.quantities])
    width = np.array([q.width for q in responses.quantities])

    def log_likelihood(share: FloatArray) -> float:
        told = split(responses.chances(share), pairs)
        moved = (share - start) * width / np.array(prior)
        return float(veins * (wanted @ np.log(told)) - 0.5 * moved @ moved)

    return log_likelihood
