"""The picture of one balloon in one vein, for a talk or a discussion.

python pipelines/fit_picture.py ATRIUM VEIN DIAMETER_MM FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path

from veinfit import InputError, assess
from veinfit.report.pictures import draw_pictures


def fit_picture(atrium: Path, vein: str, diameter_mm: float, folder: Path) -> Path:
    """Seat one balloon and draw it in the vein of that name; return the picture's path."""
    result = assess(atrium, balloons=(diameter_mm,))
    fits = [fit for fit in result.fits if fit.vein == vein]
    if not fits:
        found = ", ".join(v.name for v in result.anatomy.veins)
        raise InputError(f"there is no vein {vein!r}; this atrium has {found}")
    _, picture = draw_pictures(result.anatomy, fits, result.structures, folder)
    print(picture.caption)
    return folder / picture.file


if __name__ == "__main__":
    print(fit_picture(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), Path(sys.argv[4])))
