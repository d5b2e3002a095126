"""Chains of tries: the first, and those after repositioning toward the leak.

After a try that does not occlude the next one turns the aim about the ostial centre so
that the balloon's centre moves toward the widest leak, which turns the nose away from it,
by at most a stated angle and within what the sheath can do. A stated share of its scatter stays,
the rest is drawn anew. A try that passes through or cannot reach is repeated so without a turn.
A chain ends where the balloon occludes, for that is what an operator sees.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.seating.uncertainty.attempts import Simulator, tries_together
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

    def alone(asked: Sequence[tuple[Simulator, TryInputs, int | None]]) -> list[Readings]:
        return [one.tries(made.aim, made.patient, made.scores) for one, made, _ in asked]

    if first is None:
        first = alone([(simulator, first_tries(simulator, unknowns), None)])[0]
    return simulate_each([(simulator, unknowns, limit, first)], alone)[0]


def simulate_each(
    asked: Sequence[tuple[Simulator, Unknowns, Limit, Readings]],
    make: Callable[
        [Sequence[tuple[Simulator, TryInputs, int | None]]], list[Readings]
    ] = tries_together,
) -> list[Chains]:
    """Simulate the chains of several balloons in one vein; see :func:`simulate`.

    Parameters
    ----------
    asked : sequence of (Simulator, Unknowns, callable, Readings)
        The last is what the first tries came to.
    make : callable, optional
        Makes the further ones.

    Returns
    -------
    list of Chains
    """
    under_way = [_UnderWay(*one) for one in asked]
    while going := [one for one in under_way if one.next is not None]:
        told = make([(one.simulator, one.next, None) for one in going if one.next])
        for one, readings in zip(going, told, strict=True):
            one.take(readings)
    return [one.chains for one in under_way]


class _UnderWay:
    """Chains of one balloon, try by try."""

    def __init__(
        self, simulator: Simulator, unknowns: Unknowns, limit: Limit, first: Readings
    ) -> None:
        self.simulator, self._unknowns, self._limit = simulator, unknowns, limit
        patients, each = unknowns.shape
        self._patient = np.repeat(unknowns.patient, each, axis=0)
        scores = unknowns.attempts
        self._scores = scores.reshape(patients * each, -1, scores.shape[-1])
        self._going = np.arange(patients * each)
        self._aim = np.tile(simulator.line.direction, (patients * each, 1))
        self._attempts: list[Readings] = []
        self._chains: list[IntArray] = []
        self._aims: list[FloatArray] = []
        self.next: TryInputs | None = None
        self.take(first)

    def take(self, readings: Readings) -> None:
        """Take down what the last tries came to, and lay out the next ones."""
        self._attempts.append(readings)
        self._chains.append(self._going)
        self._aims.append(self._aim)
        on = ~readings.occluded[1] & (readings.outcome != NOT_ASSESSED)
        number, self.next = len(self._attempts), None
        if number < self._scores.shape[1] and on.any():
            self._going = self._going[on]
            self._aim = self._limit(_steered(self.simulator, self._aim, readings)[on])
            scores = self._scores[self._going, number]
            self.next = TryInputs(self._aim, self._patient[self._going], scores)

    @property
    def chains(self) -> Chains:
        """Return the chains."""
        parts = tuple(self._attempts), tuple(self._chains), tuple(self._aims)
        return Chains(self._unknowns, *parts)


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
