"""The whole job on an anatomy that is not ours, from a file to its tables."""

from __future__ import annotations

import csv
import tomllib

import numpy as np
import pytest
import trimesh
from few_tries import NO_MARGIN
from outside.scaffold_atrium import LONG_TUBES_MM, scaffold_atrium

import veinfit
from veinfit.case import read_case
from veinfit.frames import RAS_TO_LPS
from veinfit.settings import Settings


def saved(atrium, path, to_file=None):
    """Write the atrium as STL, its coordinates times a matrix where one is given."""
    points = atrium.surface.points if to_file is None else atrium.surface.points @ to_file
    trimesh.Trimesh(points, atrium.surface.faces, process=False).export(path)
    return path


def test_the_scaffold_atrium_is_read_alike_in_both_frames(tmp_path):
    atrium = scaffold_atrium(ostium_length_mm=LONG_TUBES_MM)
    lps = read_case(saved(atrium, tmp_path / "lps.stl")).lumen.surface
    ras = read_case(saved(atrium, tmp_path / "ras.stl", RAS_TO_LPS), frame="ras").lumen.surface
    assert np.array_equal(lps.points, ras.points)
    assert np.array_equal(lps.faces, ras.faces)


@pytest.mark.slow
def test_the_scaffold_atrium_is_assessed_from_a_file(tmp_path):
    atrium = scaffold_atrium(ostium_length_mm=LONG_TUBES_MM)
    path = saved(atrium, tmp_path / "atrium.stl")
    # What the scatter of tries says is not asked, nor how a balloon grows.
    least = Settings.from_mapping(tomllib.loads(NO_MARGIN))
    result = veinfit.assess(path, settings=least)
    veinfit.write_case(result, tmp_path / "out", pictures=False)
    with (tmp_path / "out" / "veins.csv").open(encoding="utf-8", newline="") as stream:
        veins = {row["vein"]: row for row in csv.DictReader(stream)}
    with (tmp_path / "out" / "fits.csv").open(encoding="utf-8", newline="") as stream:
        fits = list(csv.DictReader(stream))
    assert list(veins) == ["LSPV", "LIPV", "RSPV", "RIPV"]
    for vein in atrium.veins:
        row = veins[vein.name]
        # The ostium lies on the flare: wider than the tube, within the ring that holds both veins.
        assert vein.inner_diameter_mm < float(row["d_area_mm"]) < 2.0 * vein.inner_diameter_mm
        assert float(row["name_confidence"]) > 0.9
    assert len(fits) == 8
    assert {fit["outcome"] for fit in fits} == {"seated"}
    for small, large in zip(fits[::2], fits[1::2], strict=True):
        # common practice, no source: the larger size seats farther back in the same vein
        assert float(large["depth_mm"]) < float(small["depth_mm"]) < 0.0
