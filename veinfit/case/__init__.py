"""One case, from files to results and back."""

from veinfit.case.assessing import assess
from veinfit.case.progress import Progress
from veinfit.case.reading import CaseInput, read_case, with_septum
from veinfit.case.writing import WrittenCase, load_case, write_case
from veinfit.result.case_result import CaseResult

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
