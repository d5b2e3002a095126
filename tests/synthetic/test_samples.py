"""The sample cases in the repository are what the generator makes today."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from veinfit.io.inputs.meshes import read_mesh
from veinfit.synthetic import build, draw_shape

SAMPLES = Path(__file__).parents[2] / "sample_meshes"


@pytest.mark.slow
def test_the_first_sample_and_its_truth_are_up_to_date() -> None:
    atrium = build(draw_shape(6, "four"))
    mesh = read_mesh(SAMPLES / "larkmoor-01.ply")
    today = atrium.open_surface(edge_mm=1.2)
    assert np.abs(mesh.points - today.points).max() < 0.002
    stored = json.loads((SAMPLES / "larkmoor-01.truth.json").read_text("utf-8"))["truth"]
    for kept, vein in zip(stored["veins"], atrium.truth.veins, strict=True):
        assert kept["name"] == vein.name
        assert kept["ostium"]["centre"] == pytest.approx(vein.ostium.centre, abs=0.005)
        assert kept["ostium"]["d_area_mm"] == pytest.approx(vein.ostium.d_area_mm, abs=0.005)
        assert kept["axis"] == pytest.approx(vein.axis, abs=0.002)
