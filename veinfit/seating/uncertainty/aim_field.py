"""Tries over directions of the shaft, from which the probability of any aim is told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.vectors import FloatArray, IntArray

LEAST_EFFECTIVE = 8.0
"""A probability needs so many tries of equal weight."""


@dataclass(frozen=True, slots=True, eq=False)
class AimField:
    """Tries over directions, from which the probability of any aim is told.

    Attributes
    ----------
    direction : (N, 3) array
        Of the shafts.
    antral : (N,) array
        1 where the balloon sealed and did not lie deep.
    density : (N,) array
        Of the distribution by which all of them together were drawn, at each; per square radian.
    scatter_rad : float
        SD of the direction of a try about its aim, in each of two planes.
    row : (N,) array
        Their numbers among all tries, those included that could not be assessed.
    """

    direction: FloatArray
    antral: FloatArray
    density: FloatArray
    scatter_rad: float
    row: IntArray

    def weights(self, aim: FloatArray) -> FloatArray | None:
        """How much each try (N,) counts for one that aims at (3,); None where too few lie near.

        Weights of self-normalised importance sampling; their sum is 1.
        """
        angle = np.arccos(np.clip(self.direction @ aim, -1.0, 1.0))
        weight = normal_density(angle, self.scatter_rad) / self.density
        total = weight.sum()
        if total <= 0.0 or total**2 / (weight**2).sum() < LEAST_EFFECTIVE:
            return None
        return np.asarray(weight / total)

    def probability(self, aim: FloatArray) -> tuple[float, float] | None:
        """Probability of an antral seal of a try that aims at (3,), and its standard error.

        None where too few tries lie near.
        """
        weight = self.weights(aim)
        if weight is None:
            return None
        mean = float(weight @ self.antral)
        spread = float(np.sqrt((weight**2 * (self.antral - mean) ** 2).sum()))
        effective = 1.0 / float((weight**2).sum())
        mild = (mean * effective + 0.5) / (effective + 1.0)
        return mean, max(spread, float(np.sqrt(mild * (1.0 - mild) / effective)))

    def probability_beside(
        self, aim: FloatArray, other: FloatArray, told: float, error: float
    ) -> tuple[float, float] | None:
        """Probability of :meth:`probability`, held to what is told of another aim (3,).

        Tries that count for both aims err for both alike: the miss at the other aim is taken
        off here in the share in which they are the same tries. At the other aim itself the
        probability is the one that is told.

        Parameters
        ----------
        aim, other : (3,) array
        told, error : float
            Probability of a try that aims at the other, and its standard error.

        Notes
        -----
        The other aim's is a control variate [1]_, whose factor is the covariance of the two
        over the variance of the other, for tries of one variance.

        References
        ----------
        .. [1] Hammersley JM, Handscomb DC, Monte Carlo methods, Methuen 1964, section 5.5
           (from memory).
        """
        weight, beside = self.weights(aim), self.weights(other)
        plain = self.probability(aim)
        if weight is None or beside is None or plain is None:
            return plain
        share = min(float(weight @ beside) / float(beside @ beside), 1.0)
        there = float(beside @ self.antral)
        value = min(max(plain[0] + share * (told - there), 0.0), 1.0)
        off = weight * (self.antral - plain[0]) - share * beside * (self.antral - there)
        own = max(float(np.linalg.norm(off)), (1.0 - share) * plain[1])
        return value, float(np.hypot(own, share * error))


def normal_density(angle: FloatArray, scatter: float) -> FloatArray:
    """Density per square radian on the sphere of a try at an angle from its aim."""
    stretch = np.where(angle > 1e-9, angle / np.maximum(np.sin(angle), 1e-9), 1.0)
    plane = np.exp(-0.5 * (angle / scatter) ** 2) / (2.0 * np.pi * scatter**2)
    return np.asarray(plane * stretch)
