"""What a stage decided and how sure it is, carried along with its result."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["info", "caution", "warning"]


@dataclass(frozen=True, slots=True)
class Note:
    """One remark of one stage.

    Attributes
    ----------
    stage : str
        The stage that speaks: ``input``, ``surface``, ``branches``, ``names``,
        ``ostium``, ``measures``, ``corrections``, ``seating``, ``pictures``, and
        ``verdict`` for what the input as a whole is worth.
    text : str
        One sentence for the reader of the report.
    subject : str
        The vein or structure it is about; empty for the whole case.
    severity : {'info', 'caution', 'warning'}
        A caution lowers how far a result can be relied on; a warning puts all of it in doubt
        and stands before everything else.
    """

    stage: str
    text: str
    subject: str = ""
    severity: Severity = "info"

    @property
    def kind(self) -> str:
        """The severity in a word for readers."""
        return "Note" if self.severity == "info" else self.severity.capitalize()


VERDICT = "verdict"
"""The stage whose note stands before all others."""


def verdict_first(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return notes each once: warnings, what the input is worth, then the rest.

    Parameters
    ----------
    notes : iterable of Note

    Returns
    -------
    tuple of Note
    """
    once = dict.fromkeys(notes)
    return tuple(sorted(once, key=lambda n: (n.severity != "warning", n.stage != VERDICT)))
