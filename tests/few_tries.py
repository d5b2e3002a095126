"""``python tests/few_tries.py FILE.py ...`` or ``-m veinfit ...``: the job in less time.

As a user runs it, but with one vein alone; a program that calls ``veinfit.assess`` and asks for
no settings does so without a margin and without the pictures of a report: for tests of neither.
"""

from __future__ import annotations

import runpy
import sys
import tomllib
from dataclasses import replace
from functools import partial

import veinfit

FEW = "[margin]\nsamples = 2\n[seating]\ncrossing_map = false\n"
"""Settings, as a file holds them, for tests of what is not about the margin."""

NO_MARGIN = "[margin]\nsamples = 0\n[seating]\ncrossing_map = false\ngrowth_in_place = false\n"
"""Settings for tests of what is not about seats at all."""

ALONE = "LSPV"
"""The vein that is left."""


def leave_one_vein() -> None:
    """Let the whole job seat balloons in one vein; all are found and measured."""
    from veinfit.case import assessing

    find = assessing.find_anatomy

    def found(*given, **options):
        anatomy = find(*given, **options)
        return replace(anatomy, veins=tuple(v for v in anatomy.veins if v.name == ALONE))

    assessing.find_anatomy = found


def main() -> None:
    leave_one_vein()
    del sys.argv[0]
    if sys.argv[0] == "-m":
        del sys.argv[0]
        runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
        return
    settings = veinfit.Settings.from_mapping(tomllib.loads(NO_MARGIN))
    veinfit.assess = partial(veinfit.assess, settings=settings)
    veinfit.write_case = partial(veinfit.write_case, pictures=False)
    runpy.run_path(sys.argv[0], run_name="__main__")


if __name__ == "__main__":
    main()
