"""The measures of every vein of every atrium in a folder, as one table.

    python pipelines/measure_folder.py FOLDER TABLE.csv

Nothing is seated. An atrium that cannot be used is named with its reason and passed over.
"""

from __future__ import annotations

import sys
from pathlib import Path

from veinfit import InputError, Settings
from veinfit.anatomy import find_anatomy
from veinfit.case import read_case
from veinfit.io.cells import csv_table
from veinfit.io.files import MESH_SUFFIXES, VOLUME_SUFFIXES
from veinfit.io.tables import VEIN_COLUMNS, vein_rows


def measure_folder(folder: Path, table: Path) -> int:
    """Write a row a vein, with the file it comes from; return how many files were measured."""
    endings = MESH_SUFFIXES + VOLUME_SUFFIXES
    atria = [p for p in sorted(folder.iterdir()) if p.name.lower().endswith(endings)]
    rows, measured = [], 0
    for path in atria:
        try:
            anatomy = find_anatomy(read_case(path).lumen, Settings())
        except InputError as reason:
            print(f"{path.name}: {reason}")
            continue
        measured += 1
        rows += [{"file": path.name, **row} for row in vein_rows(anatomy)]
    table.write_bytes(csv_table(("file", *VEIN_COLUMNS), rows))
    return measured


if __name__ == "__main__":
    print(f"{measure_folder(Path(sys.argv[1]), Path(sys.argv[2]))} atria measured")
