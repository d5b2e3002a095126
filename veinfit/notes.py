"""What a stage decided and how sure it is, carried along with its result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["info", "caution"]


@dataclass(frozen=True, slots=True)
class Note:
    """One remark of one stage.

    Attributes
    ----------
    stage : str
        The stage that speaks: ``input``, ``surface``, ``branches``, ``names``,
        ``ostium``, ``measures``, ``seating``, ``pictures``.
    text : str
        One sentence for the reader of the report.
    subject : str
        The vein or structure it is about; empty for the whole case.
    severity : {'info', 'caution'}
        A caution lowers how far a result can be relied on.
    """

    stage: str
    text: str
    subject: str = ""
    severity: Severity = "info"
