"""What is predicted for the whole case: how many veins each choice of sizes seals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from veinfit.report.wording import SPACE, number
from veinfit.seating.expected import Expected, expected_seals
from veinfit.seating.model import Fit

CASE_KEY = (
    "Number of veins predicted to have an antral seal (sealed and not deep), and the probability "
    "that all have one. Then: where the first does not give one."
)
"""What the figures of a whole case are."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice of sizes: what it is, the veins it is expected to seal, the chance of all."""

    title: str
    sealed: str
    every: str

    @property
    def words(self) -> str:
        """The choice in one phrase."""
        return f"{self.title} {self.sealed} (all {self.every})"


@dataclass(frozen=True, slots=True)
class CaseLine:
    """All choices with the same number of tries.

    ``weakest`` is the vein, or the veins, with the least probability.
    """

    label: str
    choices: tuple[Choice, ...]
    weakest: str

    @property
    def words(self) -> str:
        """The line without its label."""
        told = "; ".join(choice.words for choice in self.choices)
        return f"{told}. Least likely: {self.weakest}."


def case_lines(fits: Sequence[Fit], steered_tries: int = 3) -> tuple[CaseLine, ...]:
    """Return a line for one try and one for several; none where no margin was computed.

    Parameters
    ----------
    fits : sequence of Fit
        Of all veins.
    steered_tries : int
        Tries in a chain at most.
    """
    by_tries: dict[int, list[Expected]] = {}
    for one in expected_seals(fits, steered_tries=steered_tries):
        by_tries.setdefault(one.tries, []).append(one)
    return tuple(
        CaseLine(
            _label(tries, choices[0].veins, len({fit.vein for fit in fits})),
            tuple(
                Choice(
                    _title(one.choice),
                    number(one.expected_sealed),
                    number(one.all_sealed_probability, 2),
                )
                for one in choices
            ),
            " or ".join(dict.fromkeys(one.weakest_vein for one in choices)),
        )
        for tries, choices in by_tries.items()
    )


def _label(tries: int, counted: int, veins: int) -> str:
    which = f"All {veins} veins" if counted == veins else f"{counted} of {veins} veins"
    return f"{which}, {'one try' if tries == 1 else f'up to {tries} tries'}"


def _title(choice: str) -> str:
    """Return a choice as it is told: the second counts where the first gives no antral seal."""
    told = choice.replace(" and ", ", then ").replace(" grown to ", ", then grown to ")
    return told.replace(" mm", f"{SPACE}mm")
