"""How the probability of occlusion of many fits answers to the fitted quantities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import RBFInterpolator
from scipy.special import expit
from scipy.stats import qmc

from veinfit.seating.uncertainty.unknowns import draw
from veinfit.settings import Settings
from veinfit.validation.calibration.emulator import Emulator
from veinfit.validation.calibration.quantities import Quantity
from veinfit.vectors import FloatArray

DESIGN = 256
"""Points in the box of the quantities at which probabilities are worked out."""

CHECK = 32
"""Further points at which the interpolation between them is checked."""

PATIENTS, TRIES = 8, 64
"""Draws of the patient and of tries of each over which a probability is taken."""

SMALLEST = 0.005
"""Probabilities are kept this far from 0 and 1: no sample tells better."""


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """Probabilities of N fits for P patients as functions of Q quantities.

    Attributes
    ----------
    quantities : tuple of Quantity
    logits : RBFInterpolator
        From shares of the ranges to the logits of all fits and patients.
    shape : (int, int)
        N and P.
    error : float
        Root mean square error of the probabilities at points that were held out.
    """

    quantities: tuple[Quantity, ...]
    logits: RBFInterpolator
    shape: tuple[int, int]
    error: float

    def chances(self, share: FloatArray) -> FloatArray:
        """Probabilities (N, P) at shares (Q,) of the ranges."""
        return np.asarray(expit(self.logits(share[None, :])[0])).reshape(self.shape)


def respond(
    emulators: Sequence[Emulator],
    labels: Sequence[str],
    settings: Settings,
    fitted: tuple[Quantity, ...],
) -> Responses:
    """Work out the answers of all fits.

    Parameters
    ----------
    emulators : sequence of Emulator
    labels : sequence of str
        One for each; tries of different labels are independent.
    settings : Settings
        From which the emulators were made.
    fitted : tuple of Quantity
    """
    margin = replace(settings.margin, samples=PATIENTS * TRIES, chains_per_patient=TRIES)
    rng = np.random.default_rng(margin.seed)
    shares = qmc.Sobol(len(fitted), scramble=True, rng=rng).random(DESIGN)
    shares = np.concatenate([shares, rng.random((CHECK, len(fitted)))])
    shifts, tolerance = _distributions(shares, settings, fitted)
    chances = np.stack(
        [
            emulator.chances(draw(margin, label, 1), margin, shifts, tolerance)
            for emulator, label in zip(emulators, labels, strict=True)
        ],
        axis=1,
    )
    mild = np.clip(chances, SMALLEST, 1.0 - SMALLEST)
    logit = np.log(mild / (1.0 - mild)).reshape(len(shares), -1)
    # A quadratic alone makes the fitted scatter a fifth too large.
    trial = RBFInterpolator(shares[:DESIGN], logit[:DESIGN], kernel="cubic", degree=2)
    told = expit(trial(shares[DESIGN:])).reshape(CHECK, *chances.shape[1:])
    error = float(np.sqrt(np.mean((told - chances[DESIGN:]) ** 2)))
    whole = RBFInterpolator(shares, logit, kernel="cubic", degree=2)
    return Responses(fitted, whole, (chances.shape[1], chances.shape[2]), error)


def _distributions(
    shares: FloatArray, settings: Settings, fitted: tuple[Quantity, ...]
) -> tuple[FloatArray, FloatArray]:
    """Shifts (M, 4) and tolerances (M,) at shares (M, Q) of the ranges."""
    shifts = np.zeros((len(shares), 4))
    shifts[:, 3] = settings.margin.direction_sd_deg
    tolerance = np.full(len(shares), settings.seating.contact_tolerance_mm)
    places = {"push": 0, "guide": 1, "shaft": 2}
    for column, quantity in enumerate(fitted):
        values = quantity.at(shares[:, column])
        if quantity.words in places:
            shifts[:, places[quantity.words]] = np.log(values / quantity.start)
        elif quantity.words == "scatter":
            shifts[:, 3] = values
        else:
            tolerance = values
    return shifts, tolerance
