"""What is predicted for the whole case: how many veins each choice of sizes seals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from veinfit.report.wording import MISSING, SPACE, either, number
from veinfit.seating.expected import Expected
from veinfit.seating.model import Fit

CASE_KEY = (
    "Expected number of veins with an antral seal (sealed and not deep); in brackets, the "
    'probability that all have one. "Then" and "grown": tried where the first size gives none.'
)
"""What the figures of a whole case are."""

LEAST_LIKELY = "Least likely vein, by choice"
"""The vein with the least probability; another choice of sizes may have another one."""

CASE_TITLE = "The whole case: veins predicted to be sealed antrally"


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice of sizes: what it is, the veins it is expected to seal, the chance of all."""

    title: str
    sealed: str
    every: str

    @property
    def figures(self) -> str:
        """The number of veins, and the probability of all."""
        return f"{self.sealed} (all: {self.every})"

    @property
    def words(self) -> str:
        """The choice in one phrase."""
        return f"{self.title} {self.figures}"


@dataclass(frozen=True, slots=True)
class CaseLine:
    """All choices with the same number of tries.

    ``weakest`` is the vein, or the veins, with the least probability.
    """

    label: str
    tries: str
    choices: tuple[Choice, ...]
    weakest: str

    @property
    def words(self) -> str:
        """The line without its label."""
        told = "; ".join(choice.words for choice in self.choices)
        return f"{told}. {LEAST_LIKELY}: {self.weakest}."


def case_lines(expected: Sequence[Expected], fits: Sequence[Fit]) -> tuple[CaseLine, ...]:
    """Return a line for one try and one for several; none where no margin was computed.

    Parameters
    ----------
    expected : sequence of Expected
    fits : sequence of Fit
        The case's; where they have several approaches, the lines name the one they are for.

    Returns
    -------
    tuple of CaseLine
    """
    veins = len({fit.vein for fit in fits})
    several = len({fit.approach for fit in fits}) > 1
    by_tries: dict[int, list[Expected]] = {}
    for one in expected:
        by_tries.setdefault(one.tries, []).append(one)
    return tuple(
        CaseLine(
            _label(choices[0], veins, several),
            _tries(tries),
            tuple(
                Choice(
                    _title(one.choice),
                    number(one.expected_sealed),
                    number(one.all_sealed_probability, 2),
                )
                for one in choices
            ),
            either(tuple(dict.fromkeys(one.weakest_vein for one in choices))),
        )
        for tries, choices in by_tries.items()
    )


def case_rows(lines: Sequence[CaseLine]) -> tuple[tuple[str, ...], ...]:
    """Return the lines as a table: a row a choice of sizes, a column a number of tries.

    The first row is the heading, the last the vein that is least likely to be sealed.
    """
    if not lines:
        return ()
    by_title = [{choice.title: choice.figures for choice in line.choices} for line in lines]
    titles = dict.fromkeys(title for each in by_title for title in each)
    return (
        (lines[0].label.rpartition(", ")[0], *(line.tries for line in lines)),
        *((title, *(each.get(title, MISSING) for each in by_title)) for title in titles),
        (LEAST_LIKELY, *(line.weakest for line in lines)),
    )


def _tries(tries: int) -> str:
    return "one try" if tries == 1 else f"up to {tries} tries"


def _label(one: Expected, veins: int, several: bool) -> str:
    which = f"All {veins} veins" if one.veins == veins else f"{one.veins} of {veins} veins"
    by = f", {one.approach} approach" if several else ""
    return f"{which}{by}, {_tries(one.tries)}"


def _title(choice: str) -> str:
    """Return a choice as it is told: the second counts where the first gives no antral seal."""
    told = choice.replace(" and ", ", then ").replace(" grown to ", ", grown to ")
    return told.replace(" mm", f"{SPACE}mm")
