"""``veinfit calibrate`` from its arguments to its file, with the fitting itself stood in for."""

from __future__ import annotations

import pytest

from veinfit.cli import main
from veinfit.settings import Settings
from veinfit.validation.calibration import run as calibration
from veinfit.validation.calibration.likelihood import Calibration, Estimate
from veinfit.validation.calibration.quantities import quantities
from veinfit.validation.calibration.run import Outcome

OBSERVED = "case,vein,balloon,occlusion_grade\nlarkmoor-01,LSPV,28 mm,4\n"


@pytest.fixture
def command(tmp_path, monkeypatch):
    """A command whose fit raises the push by a fifth and tells nothing of the rest."""
    asked = {}

    def fit(rows, cases, balloons, approach, settings, tell, source):
        asked.update(rows=rows, balloons=balloons, approach=approach, source=source)
        estimates = [Estimate(q, q.start, None, None) for q in quantities(settings)]
        push = estimates[0].quantity
        estimates[0] = Estimate(push, 1.2 * push.start, 1.1 * push.start, 1.3 * push.start)
        found = Calibration(tuple(estimates), (), -5.0, -6.0)
        return Outcome(found, 40, 10, 20, 0.2, 0.02, ("line 3: no such vein",))

    monkeypatch.setattr(calibration, "calibrate", fit)
    (tmp_path / "observed.csv").write_text(OBSERVED)
    (tmp_path / "larkmoor-01.stl").write_text("not read")
    return asked, [
        "calibrate", str(tmp_path / "observed.csv"), "--cases", str(tmp_path / "larkmoor-01.stl"),
        "--out", str(tmp_path / "fitted.toml"),
    ]  # fmt: skip


def test_fitted_settings_are_written_and_told(command, tmp_path, capfd):
    asked, words = command
    assert main(words) == 0
    fitted = Settings.from_toml(tmp_path / "fitted.toml")
    start = Settings().seating.greatest_push_n
    assert fitted.seating.greatest_push_n == pytest.approx(1.2 * start)
    # ln(1.3/1.1) over twice 1.96 standard deviations.
    assert fitted.margin.push_calibration == pytest.approx(0.04262, rel=1e-3)
    told = capfd.readouterr().out
    assert "40 attempts in 10 patients" in told
    assert "not used: line 3: no such vein" in told
    assert "not a medical device" in told
    assert [row.vein for row in asked["rows"]] == ["LSPV"]
    assert [balloon.name for balloon in asked["balloons"]] == ["28 mm", "31 mm"]


def test_an_existing_file_is_left_alone(command, tmp_path, capfd):
    _, words = command
    (tmp_path / "fitted.toml").write_text("precious")
    assert main(words) == 2
    assert (tmp_path / "fitted.toml").read_text() == "precious"
    assert "exists; pass the name of a new file" in capfd.readouterr().err


def test_a_folder_that_is_not_there_is_told_before_the_work(command, tmp_path, capfd):
    asked, words = command
    words[-1] = str(tmp_path / "nowhere" / "fitted.toml")
    assert main(words) == 2
    assert not asked
    assert "make it first" in capfd.readouterr().err
