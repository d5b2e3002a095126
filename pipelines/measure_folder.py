"""The measures of every vein of every atrium in a folder, as one table.

    python pipelines/measure_folder.py FOLDER TABLE.csv

Nothing is seated. An atrium that cannot be used is named with its reason and passed over.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import pyarrow as pa
from pyarrow import csv

import veinfit

ENDINGS = (".ply", ".stl", ".vtp", ".vtk", ".obj", ".off", ".nii", ".nii.gz", ".nrrd", ".mha")


def measure_folder(folder: Path, table: Path) -> int:
    """Write a row a vein, with the file it comes from; return how many files were measured."""
    measured = []
    for path in sorted(folder.iterdir()):
        if not path.name.lower().endswith(ENDINGS):
            continue
        try:
            veins = veinfit.tables(veinfit.find_veins(path))["veins"]
        except veinfit.InputError as reason:
            print(f"{path.name}: {reason}")
            continue
        measured.append(veins.add_column(0, "file", [[path.name] * len(veins)]))
    if measured:
        csv.write_csv(pa.concat_tables(measured), table)
    return len(measured)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("table", type=Path)
    print(f"{measure_folder(**vars(parser.parse_args()))} atria measured")
