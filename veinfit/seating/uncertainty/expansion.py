"""How an outcome depends on normally distributed unknowns: an expansion in Hermite polynomials.

The terms are orthonormal under the distribution of the unknowns, so the square of a
coefficient is the variance that its term explains, and the coefficients of the
first terms tell how sensitive the mean is to a shift or a stretch of the distribution.

References
----------
.. [1] Sudret B, Global sensitivity analysis using polynomial chaos expansions, Reliab Eng Syst
   Saf 2008;93:964-979.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.vectors import FloatArray

TRIES_PER_TERM = 2.0
"""With fewer tries than this for each coefficient no expansion is fitted."""


@dataclass(frozen=True, slots=True, eq=False)
class Term:
    """One polynomial of the unknowns.

    Attributes
    ----------
    group : str
        The unknowns whose share it counts to.
    values : (N,) array
        Of the polynomial, orthonormal under the distribution of the unknowns.
    quantity : str
        The parameter of the distribution whose change the coefficient tells of; empty for none.
    sensitivity : float
        Derivative of the mean outcome by that parameter, over the coefficient.
    """

    group: str
    values: FloatArray
    quantity: str = ""
    sensitivity: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """Coefficients of orthonormal terms and their standard errors.

    Attributes
    ----------
    terms : tuple of Term
    coefficients, errors : (K,) array
    variance : float
        Of the outcome.
    """

    terms: tuple[Term, ...]
    coefficients: FloatArray
    errors: FloatArray
    variance: float

    @property
    def explained(self) -> FloatArray:
        """Variance (K,) that each term explains, without what noise alone would seem to."""
        return np.asarray(self.coefficients**2 - self.errors**2)

    def share(self, group: str) -> float:
        """Share of the variance that the terms of one group explain, 0 to 1."""
        if self.variance <= 0.0:
            return 0.0
        own = [i for i, term in enumerate(self.terms) if term.group == group]
        return float(np.clip(self.explained[own].sum() / self.variance, 0.0, 1.0))


def expand(outcome: FloatArray, terms: Sequence[Term]) -> Expansion | None:
    """Fit an expansion of outcomes (N,) by least squares; None where there are too few."""
    n, k = len(outcome), len(terms)
    if n < TRIES_PER_TERM * (k + 1):
        return None
    design = np.column_stack([np.ones(n), *(term.values for term in terms)])
    solution, _, rank, _ = np.linalg.lstsq(design, outcome, rcond=None)
    coefficients: FloatArray = np.asarray(solution[1:], dtype=float)
    if rank < k + 1:
        return None
    rest = outcome - design @ solution
    noise = float(rest @ rest) / (n - k - 1)
    errors = np.asarray(np.sqrt(noise * np.diag(np.linalg.inv(design.T @ design))), dtype=float)
    return Expansion(tuple(terms), coefficients, errors[1:], float(np.var(outcome)))
