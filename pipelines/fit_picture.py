"""The picture of one balloon in one vein, for a talk or a discussion.

python pipelines/fit_picture.py ATRIUM VEIN DIAMETER_MM FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path

import veinfit


def fit_picture(atrium: Path, vein: str, diameter_mm: float, folder: Path) -> Path:
    """Seat one balloon and draw it in the vein of that name; return the picture's path."""
    anatomy = veinfit.find_veins(atrium)
    (fit,) = veinfit.seat(anatomy, diameter_mm, vein=vein)
    drawn = veinfit.picture(anatomy, fit)
    print(drawn.caption)
    folder.mkdir(parents=True, exist_ok=True)
    return drawn.save(folder / f"{fit.vein}-{diameter_mm:g}mm.png")


if __name__ == "__main__":
    print(fit_picture(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), Path(sys.argv[4])))
