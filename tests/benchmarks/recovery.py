"""How well a calibration finds known values: ``python tests/benchmarks/recovery.py [RUNS]``.

Draws attempts on 120 invented veins, four each, whose leak is known, from a scatter of 8 degrees
and a tolerance of 0.7 mm, and fits them from other starts; prints what each run came to. Not a
check: ``tests/validation/test_calibration.py`` holds one run of it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from validation.test_calibration import SETTINGS, Known, by_words, observed

from veinfit.validation.calibration.likelihood import maximise
from veinfit.validation.calibration.observations import of_attempts
from veinfit.validation.calibration.quantities import quantities
from veinfit.validation.calibration.responses import respond

SCATTER_DEG, TOLERANCE_MM, VEINS = 8.0, 0.7, 120


def main() -> None:
    """Print a line a run."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    veins = [Known(ovality) for ovality in np.linspace(-0.8, 0.8, VEINS)]
    answers = respond(veins, [f"vein {i}" for i in range(VEINS)], SETTINGS, quantities(SETTINGS))
    print("run  scatter, deg  off     tolerance, mm  off, mm")
    for seed in range(1, runs + 1):
        attempts = observed(veins, SCATTER_DEG, TOLERANCE_MM, seed=seed)
        found = by_words(maximise(answers.quantities, of_attempts(answers, attempts), 1))
        scatter, tolerance = found["scatter"].value, found["tolerance"].value
        print(
            f"{seed:3d}  {scatter:12.2f}  {100 * (scatter / SCATTER_DEG - 1):+5.1f} %  "
            f"{tolerance:13.3f}  {tolerance - TOLERANCE_MM:+.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
