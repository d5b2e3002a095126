"""One case, from files to results and back."""

from veinfit.case.assessing import assess
from veinfit.case.reading import CaseInput, read_case, with_septum
from veinfit.case.result import CaseResult, Progress, WrittenCase
from veinfit.case.writing import load_case, report_input, write_case

__all__ = [
    "CaseInput",
    "CaseResult",
    "Progress",
    "WrittenCase",
    "assess",
    "load_case",
    "read_case",
    "report_input",
    "with_septum",
    "write_case",
]
