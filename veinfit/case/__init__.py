"""One case, from files to results and back.

The names below are loaded when first used: who reads or assesses a case needs no report.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from veinfit.case.assessing import assess as assess
    from veinfit.case.progress import Progress as Progress
    from veinfit.case.reading import CaseInput as CaseInput
    from veinfit.case.reading import read_case as read_case
    from veinfit.case.reading import with_septum as with_septum
    from veinfit.case.writing import WrittenCase as WrittenCase
    from veinfit.case.writing import load_case as load_case
    from veinfit.case.writing import write_case as write_case
    from veinfit.result.case_result import CaseResult as CaseResult

_HOMES = {
    "CaseInput": "veinfit.case.reading",
    "CaseResult": "veinfit.result.case_result",
    "Progress": "veinfit.case.progress",
    "WrittenCase": "veinfit.case.writing",
    "assess": "veinfit.case.assessing",
    "load_case": "veinfit.case.writing",
    "read_case": "veinfit.case.reading",
    "with_septum": "veinfit.case.reading",
    "write_case": "veinfit.case.writing",
}
"""Where each of them is defined."""

__all__ = [
    "CaseInput",
    "CaseResult",
    "Progress",
    "WrittenCase",
    "assess",
    "load_case",
    "read_case",
    "with_septum",
    "write_case",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
