"""Nominal seats in the vein under review: worked out when asked for, and kept while it stays."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.case import CaseResult
from veinfit.seating.model import Fit
from veinfit.seating.seat import each_seat
from veinfit.settings import SeatingSettings


@dataclass(slots=True, eq=False)
class _Asked:
    """Seats in a vein that are worked out when they are asked for, and those that were."""

    vein: Vein
    fits: Iterator[Fit]
    done: list[Fit]


class VeinSeats:
    """The seats of a case's balloons in one vein at a time; one caller at a time.

    Parameters
    ----------
    result : CaseResult
    """

    def __init__(self, result: CaseResult) -> None:
        self._result = result
        self._asked: _Asked | None = None

    @property
    def approaches(self) -> tuple[str, ...]:
        """Those of the case."""
        return tuple(dict.fromkeys(fit.approach for fit in self._result.fits)) or ("coaxial",)

    def are_whole(self, fits: tuple[Fit, ...]) -> bool:
        """Whether every balloon is among the fits by every approach."""
        return len(fits) == len(self._result.balloons) * len(self.approaches)

    def seated(self, anatomy: Anatomy, vein: Vein, first: int | None) -> tuple[Fit, ...]:
        """Seat the balloons; what was seated last is not done again.

        Parameters
        ----------
        anatomy : Anatomy
        vein : Vein
        first : int or None
            Of this fit's size alone; None for all.

        Returns
        -------
        tuple of Fit
            Those that are seated by now, in the order of the balloons.
        """
        balloons, each = self._result.balloons, len(self.approaches)
        if self._asked is None or self._asked.vein is not vein:
            size = 0 if first is None else min(first // each, len(balloons) - 1)
            order = (balloons[size], *balloons[:size], *balloons[size + 1 :])
            fits = each_seat(
                anatomy, vein, order, _nominal_only(self._result.settings.seating),
                self.approaches, self._result.structures,
            )  # fmt: skip
            self._asked = _Asked(vein, fits, [])
        wanted = None if first is None else max(0, each - len(self._asked.done))
        self._asked.done.extend(itertools.islice(self._asked.fits, wanted))
        place = {balloon.name: k for k, balloon in enumerate(balloons)}
        return tuple(sorted(self._asked.done, key=lambda fit: place[fit.balloon]))


def _nominal_only(settings: SeatingSettings) -> SeatingSettings:
    """Return settings that leave out what a review does not show and a drag would wait for."""
    return replace(settings, growth_in_place=False, crossing_map=False, growth_what_if_mm=0.0)
