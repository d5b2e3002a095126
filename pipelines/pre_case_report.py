"""The report of one case, made before the procedure.

    python pipelines/pre_case_report.py ATRIUM FOLDER [CASE_ID]

ATRIUM is a surface mesh or a label volume; with a label volume, a label map
``labels.toml`` and landmarks ``landmarks.csv`` beside it are used where they are there.
"""

from __future__ import annotations

import sys
from pathlib import Path

from veinfit import assess, write_case
from veinfit.case import WrittenCase
from veinfit.io.files import input_kind


def pre_case_report(atrium: Path, folder: Path, case_id: str | None = None) -> WrittenCase:
    """Assess ``atrium`` for balloons of 28 and 31 mm and write everything into ``folder``."""
    beside = {"labels": atrium.parent / "labels.toml", "landmarks": atrium.parent / "landmarks.csv"}
    if input_kind(atrium) == "mesh":
        del beside["labels"]
    given = {option: path for option, path in beside.items() if path.exists()}
    result = assess(atrium, balloons=(28, 31), case_id=case_id, progress=print, **given)
    return write_case(result, folder, progress=print)


if __name__ == "__main__":
    pre_case_report(Path(sys.argv[1]), Path(sys.argv[2]), *sys.argv[3:4])
