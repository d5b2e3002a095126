"""Shapes of atria: closed forms of turn and lip, quantiles, and the table beside patients'."""

from __future__ import annotations

import csv
import io
from types import SimpleNamespace

import numpy as np
import pytest

from veinfit.cli import main
from veinfit.cohort.shapes.measure import AtriumShape, VeinShape, turn_and_lip
from veinfit.cohort.shapes.table import (
    MEASURES,
    patients_table,
    shape_table,
    table_csv,
    table_markdown,
)
from veinfit.errors import InputError


def profile(turn_deg: float, radius_mm: float) -> np.ndarray:
    """A vein's straight wall that goes over into the atrium's by an arc about s = -2 mm."""
    s = np.arange(-16.0, 16.25, 0.5)
    fine = np.arange(-16.0, 16.01, 0.01)
    arc = radius_mm * np.radians(turn_deg)
    turned = np.clip((-2.0 + 0.5 * arc - fine) / arc, 0.0, 1.0) * np.radians(turn_deg)
    # From the vein inward the wall turns away from the axis.
    x = np.cumsum(-np.sin(turned)) * 0.01
    z = np.cumsum(np.cos(turned)) * 0.01
    return np.stack([np.interp(s, fine, x), np.interp(s, fine, z)])


@pytest.mark.parametrize(("turn_deg", "radius_mm"), [(90.0, 5.0), (40.0, 8.0), (70.0, 6.0)])
def test_turn_and_lip_of_an_arc(turn_deg: float, radius_mm: float) -> None:
    # An arc of radius R that turns by T makes the half from 25 to 75 % of it over R T / 2.
    turn, lip = turn_and_lip(profile(turn_deg, radius_mm))
    assert turn == pytest.approx(turn_deg, abs=1.5)
    assert lip == pytest.approx(radius_mm, rel=0.15)


def test_a_small_turn_has_no_lip() -> None:
    turn, lip = turn_and_lip(profile(8.0, 20.0))
    assert turn == pytest.approx(8.0, abs=1.0)
    assert np.isnan(lip)


def atrium(scale: float) -> AtriumShape:
    """Invented figures."""
    vein = VeinShape(
        d_area_mm={-6.0: 20.0 * scale, 0.0: 16.0, 6.0: 12.0},
        ovality={0.0: 1.5},
        turn_deg=np.full(20, 40.0),
        lip_mm=np.full(20, 6.0),
        length_mm=12.0,
        takeoff_deg=None,
        ostium_mm=16.0,
    )
    return AtriumShape(
        volume_ml=64.0,
        extents_mm=np.array([60.0, 40.0, 50.0]),
        principal_mm=np.array([30.0, 45.0, 60.0]),
        waviness_mm=0.2,
        ridges_mm={("LSPV", "LIPV"): 3.0, ("LSPV", "RSPV"): 30.0, ("LSPV", "LAA"): 12.0},
        veins={"LSPV": vein},
    )


def test_the_table_tells_quantiles_of_what_there_is() -> None:
    rows = {row.measure: row for row in shape_table([atrium(1.0), atrium(2.0), atrium(1.5)])}
    assert rows["body extent left-right over cube root of volume"].quantiles[2] == pytest.approx(
        1.5
    )
    assert rows["d_area at s = -6 mm over that at the ostium"].quantiles[2] == pytest.approx(1.875)
    # (30 - 16) / 12 over 6 mm on either side: atan(7 / 6).
    angle = rows["half angle of the funnel over 6 mm before the ostium, deg"]
    assert angle.quantiles[2] == pytest.approx(np.degrees(np.arctan(7.0 / 6.0)))
    assert rows["narrowest wall between ipsilateral ostia, mm"].quantiles[2] == 3.0
    assert rows["ridge from LSPV to appendage, mm"].count == 3
    share = rows["share of sectors that turn by less than 30 deg or cannot be followed"]
    assert share.quantiles[2] == pytest.approx(16 / 36)
    assert "take-off from the wall, deg" not in rows
    parsed = list(csv.DictReader(io.StringIO(table_csv(list(rows.values())))))
    assert len(parsed) == len(rows)


def test_patients_have_every_row_and_disagreement_is_told() -> None:
    assert set(patients_table()) == set(MEASURES)
    text = table_markdown(shape_table([atrium(9.0)]), "invented")
    (row,) = [line for line in text.splitlines() if "s = -6 mm over" in line]
    assert row.endswith("| apart |")


def test_a_folder_without_atria_is_told_in_a_line(tmp_path, capsys) -> None:
    assert main(["cohort", "shapes", str(tmp_path), "--out", str(tmp_path / "out")]) == 2
    assert not (tmp_path / "out").exists()
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


@pytest.mark.parametrize("quiet", [True, False])
def test_what_could_not_be_measured_is_told_in_a_line(tmp_path, capfd, monkeypatch, quiet) -> None:
    for name in "abc":
        (tmp_path / f"{name}.stl").write_text("solid\nendsolid\n")

    def read(path, **_):
        if path.stem != "b":
            raise InputError(f"mesh {path} is empty; export it again")
        return SimpleNamespace(lumen=SimpleNamespace(surface=None))

    monkeypatch.setattr("veinfit.case.reading.read_case", read)
    monkeypatch.setattr("veinfit.anatomy.find_anatomy", lambda *_, **__: None)
    monkeypatch.setattr("veinfit.cohort.shapes.measure.measure_shape", lambda *_: atrium(9.0))
    words = ["--quiet"] if quiet else []
    assert main(["cohort", "shapes", str(tmp_path), "--out", str(tmp_path / "out"), *words]) == 3
    told = capfd.readouterr()
    if quiet:
        assert told == ("", "veinfit: 2 cases could not be measured: a, c\n")
    else:
        assert told.err.count("is empty; export it again") == 2
        assert "could not be measured" not in told.err
