"""The likelihood of observed occlusion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.validation.calibration.likelihood import LogLikelihood
from veinfit.validation.calibration.responses import Responses
from veinfit.vectors import FloatArray


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
        # Means of likelihoods that may be very small: beside the greatest of each patient.
        greatest = together.max(axis=1)
        means = np.exp(together - greatest[:, None]).mean(axis=1)
        return float(np.sum(greatest + np.log(means)))

    return log_likelihood
