"""``python tests/few_tries.py FILE.py ...``: runs a program that calls ``veinfit.assess``.

As a user runs it, but without a margin where it asks for no settings, and without the pictures of
a report: for tests of neither.
"""

from __future__ import annotations

import runpy
import sys
import tomllib
from functools import partial

import veinfit

FEW = "[margin]\nsamples = 2\n[seating]\ncrossing_map = false\n"
"""Settings, as a file holds them, for tests of what is not about the margin."""

NO_MARGIN = "[margin]\nsamples = 0\n[seating]\ncrossing_map = false\ngrowth_in_place = false\n"
"""Settings for tests of what is not about seats at all."""


def main() -> None:
    settings = veinfit.Settings.from_mapping(tomllib.loads(NO_MARGIN))
    veinfit.assess = partial(veinfit.assess, settings=settings)
    veinfit.write_case = partial(veinfit.write_case, pictures=False)
    del sys.argv[0]
    runpy.run_path(sys.argv[0], run_name="__main__")


if __name__ == "__main__":
    main()
