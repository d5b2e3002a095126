"""What the benchmark tells of general libraries holds on a small atrium; no time is checked."""

from __future__ import annotations

import json

import atria
import pytest
from benchmarks.speed import floor, inputs, libraries, table

from veinfit.synthetic.files import write_nifti, write_ply


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A coarse mesh and a coarse label volume of one atrium."""
    folder = tmp_path_factory.mktemp("small")
    write_ply(folder / "a.ply", atria.open_surface())
    volume = atria.atrium().label_volume((1.0, 1.0, 1.0), multi_label=False)
    write_nifti(folder / "v.nii.gz", volume)
    return folder / "a.ply", folder / "v.nii.gz"


@pytest.mark.slow
def test_general_libraries_give_answers_that_can_be_told(small):
    rows = libraries.beside(*small)
    told = {row["other"]: row["differs"] for row in rows}
    assert json.loads(json.dumps(rows)) == rows
    # The same straight lines across the same triangles.
    assert float(told["trimesh `section`"].split()[1]) < 1e-6
    # A path along edges is never shorter than one that may cross faces.
    assert float(told["scipy `dijkstra` along the edges"].split()[2]) >= 0.0
    # Minimisers with the same energy, of which one keeps to the bounds of the modes, end alike.
    near, _, all_seats = told["scipy `minimize`, `trust-constr`"].split()[:3]
    assert int(near) >= 0.75 * int(all_seats)


def test_the_floor_is_that_of_the_lumen(small):
    told = floor.floor(small[1])
    assert {*table.FLOOR, "crop_mb", "peak_mb"} == set(told)
    assert 0.1 < told["crop_mb"] < 10.0


def test_a_table_replaces_the_one_before(tmp_path):
    document = tmp_path / "text.md"
    document.write_text(f"a\n{table.BEGIN}\nold\n{table.END}\nb\n")
    for text in ("new", "newer"):
        table.put_between_marks(document, text)
    assert document.read_text() == f"a\n{table.BEGIN}\nnewer\n{table.END}\nb\n"


@pytest.mark.slow
def test_the_volume_fills_its_grid():
    volume = inputs.in_grid(atria.atrium().label_volume(inputs.SPACING_MM, multi_label=False))
    assert volume.values.shape == inputs.GRID
    assert 50.0 < (volume.values > 0).sum() * volume.voxel_ml < 300.0
