"""The report of one case, made before the procedure.

    python pipelines/pre_case_report.py ATRIUM FOLDER [CASE_ID]

ATRIUM is a surface mesh or a label volume; with a label volume, a label map
``labels.toml`` and landmarks ``landmarks.csv`` beside it are used where they are there.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import veinfit

VOLUMES = (".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd", ".dcm")


def pre_case_report(atrium: Path, folder: Path, case_id: str | None = None) -> None:
    """Assess ``atrium`` for balloons of 28 and 31 mm and write everything into ``folder``."""
    beside = {"landmarks": atrium.parent / "landmarks.csv"}
    if atrium.name.lower().endswith(VOLUMES):
        beside["labels"] = atrium.parent / "labels.toml"
    given = {option: path for option, path in beside.items() if path.exists()}
    result = veinfit.assess(atrium, balloons=(28, 31), case_id=case_id, progress=print, **given)
    veinfit.write_case(result, folder, progress=print)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("atrium", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("case_id", nargs="?")
    pre_case_report(**vars(parser.parse_args()))
