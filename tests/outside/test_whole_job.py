"""The whole job on an anatomy that is not ours, from a file to its tables."""

from __future__ import annotations

import csv

import pytest
import trimesh
from outside.scaffold_atrium import LONG_TUBES_MM, scaffold_atrium

import veinfit
from veinfit.frames import RAS_TO_LPS
from veinfit.settings import Settings


@pytest.mark.slow
@pytest.mark.parametrize("frame", ["lps", "ras"])
def test_the_scaffold_atrium_is_assessed_from_a_file(tmp_path, frame):
    atrium = scaffold_atrium(ostium_length_mm=LONG_TUBES_MM)
    points = atrium.surface.points if frame == "lps" else atrium.surface.points @ RAS_TO_LPS
    path = tmp_path / "atrium.stl"
    trimesh.Trimesh(points, atrium.surface.faces, process=False).export(path)
    # What the scatter of tries says is not asked.
    least = Settings.from_mapping({"margin": {"samples": 0}})
    result = veinfit.assess(path, frame=frame, settings=least)
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
