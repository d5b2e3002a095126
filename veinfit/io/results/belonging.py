"""Which command's results a folder holds: no other command writes between them.

Commands have names of files in common, as ``veins.csv``; a folder with files of two of them would
pass for the results of one.
"""

from __future__ import annotations

import os
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.results.swap import OLD, STAGE_PREFIX

DESK = "desk"

MARKS = {
    "assess": "case.json",
    "cohort draw": "cohort.json",
    "cohort run": "run.json",
    "cohort summary": "summary.html",
    "cohort shapes": "shapes.json",
    "agree": "agreement.html",
    "changes": "changes.html",
    "practice": "practice.csv",
    DESK: "asked.toml",
}
"""Each command that writes a folder, and the file by which its results are known."""


def check_belongs(out: Path, command: str) -> None:
    """Make sure that no other command has written into a folder.

    Parameters
    ----------
    out : Path
        Need not be there.
    command : str
        Who is about to write, as in ``MARKS``; empty where the folder is nobody's.

    Raises
    ------
    InputError
        Another one has.
    """
    if not command:
        return
    owners = [owner for owner, mark in MARKS.items() if _holds(out, mark)]
    if DESK in owners:
        # A case of the desk has a run.json too, and may be a folder that assess wrote.
        alike = {"cohort run"} | ({DESK} if command == "assess" and command in owners else set())
        owners = [owner for owner in owners if owner not in alike]
    for owner in owners:
        if owner != command:
            whose = "a case of the desk" if owner == DESK else f"what {owner} wrote"
            raise InputError(f"output {out} holds {whose} ({MARKS[owner]}); pass another --out")


def _holds(out: Path, mark: str) -> bool:
    """Tell whether a file is in a folder, or was moved aside by a run that was killed."""
    return os.path.lexists(out / mark) or any(out.glob(f"{STAGE_PREFIX}*/{OLD}/{mark}"))
