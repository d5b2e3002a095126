"""Chains of tries: the first, and those after repositioning toward the leak.

After a try that does not occlude the next one turns the aim about the ostial centre so
that the balloon's centre moves toward the widest leak, which turns the nose away from it,
by at most a stated angle and within what the sheath can do. A stated share of its scatter stays,
the rest is drawn anew. A try that passes through or cannot reach is repeated so without a turn.
A chain ends where the balloon occludes, for that is what an operator sees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.readings import NOT_ASSESSED, SEATED, Readings
from veinfit.seating.uncertainty.unknowns import TryInputs, Unknowns
from veinfit.vectors import BoolArray, FloatArray, IntArray

Limit = Callable[[FloatArray], FloatArray]
"""Aims (N, 3) turned back to where the sheath can point, toward the vein's axis."""


@dataclass(frozen=True, slots=True, eq=False)
class Chains:
    """What chains of tries came to.

    Attributes
    ----------
    unknowns : Unknowns
    attempts : tuple of Readings
        The first tries of all chains, then the second tries of those that go on, ...
    chain : tuple of (N,) int array
        The chain, counted patient by patient, of each try in each of them.
    aim : tuple of (N, 3) array
        About which each try scattered.
    """

    unknowns: Unknowns
    attempts: tuple[Readings, ...]
    chain: tuple[IntArray, ...]
    aim: tuple[FloatArray, ...]

    @property
    def first(self) -> Readings:
        """Return the first tries."""
        return self.attempts[0]

    @property
    def assessed(self) -> BoolArray:
        """Chains (P, T) whose tries could all be assessed."""
        known = np.ones(len(self.chain[0]), dtype=bool)
        for readings, chain in zip(self.attempts, self.chain, strict=True):
            known[chain[~readings.assessed]] = False
        return known.reshape(self.unknowns.shape)

    def last(self, name: str) -> BoolArray:
        """Whether the last try of each chain is ``occluded``, ``sealed`` or ``antral``: (P, T).

        Parameters
        ----------
        name : {'occluded', 'sealed', 'antral'}

        Returns
        -------
        (P, T) array
        """
        result = np.zeros(len(self.chain[0]), dtype=bool)
        for readings, chain in zip(self.attempts, self.chain, strict=True):
            result[chain] = getattr(readings, name)[1]
        return result.reshape(self.unknowns.shape)

    @property
    def made(self) -> IntArray:
        """Tries made in each chain (P, T)."""
        count = np.zeros(len(self.chain[0]), dtype=int)
        for chain in self.chain:
            count[chain] += 1
        return count.reshape(self.unknowns.shape)


def first_tries(simulator: Simulator, unknowns: Unknowns) -> TryInputs:
    """Return the first try of every chain.

    Parameters
    ----------
    simulator : Simulator
    unknowns : Unknowns

    Returns
    -------
    TryInputs
    """
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)
    aim = np.tile(simulator.line.direction, (len(patient), 1))
    return TryInputs(aim, patient, unknowns.first.reshape(len(patient), -1))


def simulate(
    simulator: Simulator, unknowns: Unknowns, limit: Limit, first: Readings | None = None
) -> Chains:
    """Simulate chains of tries of one balloon in one vein.

    Parameters
    ----------
    simulator : Simulator
    unknowns : Unknowns
    limit : callable
        Keeps aims within what the sheath can do.
    first : Readings, optional
        What :func:`first_tries` came to, where it is known already.

    Returns
    -------
    Chains
    """
    patients, each = unknowns.shape
    patient = np.repeat(unknowns.patient, each, axis=0)
    scores = unknowns.attempts.reshape(patients * each, -1, unknowns.attempts.shape[-1])
    going = np.arange(patients * each)
    aim = np.tile(simulator.line.direction, (len(going), 1))
    attempts, chains, aims = [], [], []
    for number in range(scores.shape[1]):
        if number == 0 and first is not None:
            readings = first
        else:
            readings = simulator.tries(aim, patient[going], scores[going, number])
        attempts.append(readings)
        chains.append(going)
        aims.append(aim)
        on = ~readings.occluded[1] & (readings.outcome != NOT_ASSESSED)
        if not on.any():
            break
        going = going[on]
        aim = limit(_steered(simulator, aim, readings)[on])
    return Chains(unknowns, tuple(attempts), tuple(chains), tuple(aims))


def _steered(simulator: Simulator, aim: FloatArray, readings: Readings) -> FloatArray:
    """Turn aims (N, 3) so that the balloons' centres move toward their widest leaks."""
    patch = simulator.prepared.patch
    turnable = (readings.outcome == SEATED) & (readings.narrowest >= 0)
    result = aim.copy()
    if not turnable.any():
        return result
    own = np.flatnonzero(turnable)
    leak = patch.surface.points[readings.narrowest[own]] - patch.centre
    direction = aim[own]
    aside = leak - np.einsum("ni,ni->n", leak, direction)[:, None] * direction
    length = np.linalg.norm(aside, axis=1)
    aside /= np.where(length > 0.0, length, 1.0)[:, None]
    back = np.linalg.norm(readings.centre[own] - patch.centre, axis=1)
    wanted = np.arctan2(np.maximum(readings.width_mm[own], 0.0), np.maximum(back, 1.0))
    angle = np.minimum(wanted, np.radians(simulator.margin.greatest_steering_deg))
    turned = np.cos(angle)[:, None] * direction - np.sin(angle)[:, None] * aside
    result[own] = turned
    return result
