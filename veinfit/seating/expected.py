"""The whole case: how many veins are expected to be sealed, by the sizes that are at hand.

The patient's unknowns are shared by all veins: probabilities are multiplied patient by
patient and only then averaged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from veinfit.seating.kinds import DEFAULT_APPROACH
from veinfit.seating.model import Chance, Fit
from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True)
class Expected:
    """What one choice of sizes is predicted to come to over all veins of a case.

    Attributes
    ----------
    choice : str
        ``28 mm``, ``28 mm and 31 mm`` (the second where the first does not seal), ``28 mm
        grown to 31 mm`` (where it does not seal before, it may once grown).
    tries : int
        Of each size in each vein, the later ones steered.
    expected_sealed : float
        Number of veins with an antral seal.
    all_sealed_probability : float
    weakest_vein : str
        The one with the least probability.
    veins : int
        How many veins are counted; one whose sizes could not be assessed is not.
    approach : str
    """

    choice: str
    tries: int
    expected_sealed: float
    all_sealed_probability: float
    weakest_vein: str
    veins: int
    approach: str


def expected_seals(
    fits: Sequence[Fit], approach: str = DEFAULT_APPROACH, steered_tries: int = 3
) -> tuple[Expected, ...]:
    """Sum up the margins of a case by one approach, or by the only one there is.

    Parameters
    ----------
    fits : sequence of Fit
    approach : str
    steered_tries : int
        Tries in a chain at most.

    Returns
    -------
    tuple of Expected
        For one try and for steered ones: each size, each two next to each other, and growth from
        one to the other; none without probabilities.
    """
    own = [fit for fit in fits if fit.approach == approach] or list(fits)
    by_vein: dict[str, list[Fit]] = {}
    for fit in own:
        by_vein.setdefault(fit.vein, []).append(fit)
    veins = {
        vein: sorted(group, key=lambda fit: fit.balloon_mm)
        for vein, group in by_vein.items()
        if all(counts(fit) for fit in group)
    }
    if not veins or all(fit.margin is None for group in veins.values() for fit in group):
        return ()
    names = [fit.balloon for fit in next(iter(veins.values()))]
    found = []
    for tries in dict.fromkeys((1, steered_tries)):
        choices: list[tuple[str, dict[str, FloatArray]]] = [
            (name, {v: _given(_of(g, name), tries) for v, g in veins.items()}) for name in names
        ]
        for first, second in pairwise(names):
            both = {
                v: _either(_given(_of(g, first), tries), _given(_of(g, second), tries))
                for v, g in veins.items()
            }
            choices.append((f"{first} and {second}", both))
            small = {v: _of(g, first) for v, g in veins.items()}
            if tries == 1 and any(fit.growth is not None for fit in small.values()):
                grown = {v: _grown(fit) for v, fit in small.items()}
                choices.append((f"{first} grown to {second}", grown))
        for choice, given in choices:
            found.append(_expected(choice, tries, given, own[0].approach))
    return tuple(found)


def _expected(choice: str, tries: int, given: dict[str, FloatArray], approach: str) -> Expected:
    shape = np.broadcast_shapes(*(values.shape for values in given.values()))
    table = np.array([np.broadcast_to(values, shape) for values in given.values()])
    means = np.nanmean(table, axis=1)
    known = np.isfinite(table).all(axis=0)
    together = table[:, known].prod(axis=0) if known.any() else means.prod(keepdims=True)
    return Expected(
        choice,
        tries,
        float(means.sum()),
        float(together.mean()),
        list(given)[int(np.argmin(means))],
        len(given),
        approach,
    )


def counts(fit: Fit) -> bool:
    """Whether a fit has a margin, or cannot reach and so seals nothing; a vein needs all such."""
    return fit.margin is not None or fit.outcome == "cannot reach"


def _of(group: Sequence[Fit], balloon: str) -> Fit:
    return next(fit for fit in group if fit.balloon == balloon)


def _given(fit: Fit, tries: int) -> FloatArray:
    """Probability of an antral seal for each draw of the patient's unknowns (P,)."""
    if fit.margin is None:
        return np.zeros(1)
    chance: Chance = fit.margin.antral if tries == 1 else fit.margin.steered_antral
    return np.array(chance.given_patient)


def _grown(fit: Fit) -> FloatArray:
    """Probability of an antral seal before growth in place or after it (P,).

    Without a nominal seat to grow from, that of the size itself.
    """
    given = () if fit.growth is None else fit.growth.given_patient
    return np.array(given) if given else _given(fit, 1)


def _either(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.asarray(1.0 - (1.0 - first) * (1.0 - second))
