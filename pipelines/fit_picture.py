"""The picture of one balloon in one vein, for a talk or a discussion.

python pipelines/fit_picture.py ATRIUM VEIN DIAMETER_MM FOLDER
"""

from __future__ import annotations

import argparse
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
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("atrium", type=Path)
    parser.add_argument("vein")
    parser.add_argument("diameter_mm", type=float)
    parser.add_argument("folder", type=Path)
    print(fit_picture(**vars(parser.parse_args())))
