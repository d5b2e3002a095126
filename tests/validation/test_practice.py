"""Sums over veins beside practice, and the fit to them: closed forms.

The split of two sizes is that of independent tries given the patient; phi and the interval
are held against numpy and scipy. The fit is asked to find settings that are known.
"""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
from scipy.stats.contingency import association

from veinfit.cli import main
from veinfit.settings import Settings, with_values
from veinfit.validation import practice, practice_table
from veinfit.validation.practice import (
    TARGETS,
    SizeOutcome,
    VeinOutcome,
    intervals,
    met,
    quantities,
)
from veinfit.validation.practice_fit import RANGES, PracticeFit, fit_to_practice
from veinfit.validation.practice_run import halves, with_chains
from veinfit.validation.practice_table import COLUMNS, Group, practice_csv, practice_markdown


def size(given, *, occluded=0.9, tries=1.5, depth=-9.0, side="", edge=1.5) -> SizeOutcome:
    return SizeOutcome(np.array(given, float), occluded, tries, edge, 8.0, depth, side, True)


def vein(case, name, small, large, ovality=1.2, **more) -> VeinOutcome:
    return VeinOutcome(case, name, ovality, size(small, **more), size(large, depth=-11.0))


CERTAIN = [
    *[vein(f"a{k}", "LSPV", [1.0, 1.0], [1.0, 1.0]) for k in range(3)],
    *[vein(f"b{k}", "RSPV", [1.0, 1.0], [0.0, 0.0]) for k in range(4)],
    *[vein(f"c{k}", "LIPV", [0.0, 0.0], [1.0, 1.0], side="inferior") for k in range(2)],
    vein("d", "RIPV", [0.0, 0.0], [0.0, 0.0], side="anterior"),
]


def test_the_split_counts_veins_when_every_try_is_certain():
    told = quantities(CERTAIN)
    assert told["both"] == pytest.approx(0.3)
    assert told["only_small"] == pytest.approx(0.4)
    assert told["only_large"] == pytest.approx(0.2)
    assert told["neither"] == pytest.approx(0.1)
    table = np.array([[3, 4], [2, 1]])
    sign = np.sign(np.linalg.det(table))
    assert told["phi"] == pytest.approx(sign * association(table, method="cramer"), abs=1e-9)
    assert told["lower_leaks_inferior"] == pytest.approx(2 / 3)
    assert told["larger_farther_back"] == 1.0


def test_tries_are_independent_given_the_patient_alone():
    """Two kinds of patient: in one both sizes always seal, in the other neither does."""
    told = quantities([vein("a", "LSPV", [1.0, 0.0], [1.0, 0.0])])
    assert (told["both"], told["neither"]) == (0.5, 0.5)
    told = quantities([vein("a", "LSPV", [0.5, 0.5], [0.5, 0.5])])
    assert (told["both"], told["neither"]) == (0.25, 0.25)


def test_a_size_that_could_not_be_assessed_takes_its_vein_out_and_is_told():
    none = SizeOutcome(np.array([math.nan]), math.nan, math.nan, math.nan, math.nan, math.nan, "",
                       False)  # fmt: skip
    told = quantities([*CERTAIN, VeinOutcome("e", "LSPV", 1.1, none, none)])
    assert told["both"] == pytest.approx(0.3)
    assert told["not_assessed"] == pytest.approx(1 / 11)
    assert quantities([VeinOutcome("e", "LSPV", 1.1, none, none)])["not_assessed"] == 1.0


@pytest.mark.slow
def test_intervals_draw_atria_and_not_veins():
    """Ten veins of one atrium tell as little as one: their interval has no width."""
    alike = [vein("a", "LSPV", [k / 9, k / 9], [0.5, 0.5]) for k in range(10)]
    low, high = intervals(alike)["seal_probability_small"]
    assert low == high == pytest.approx(0.5)
    apart = [vein(f"a{k}", "LSPV", [k / 9, k / 9], [0.5, 0.5]) for k in range(10)]
    low, high = intervals(apart)["seal_probability_small"]
    error = np.std([k / 9 for k in range(10)]) / math.sqrt(10)
    assert (high - low) / (2 * 1.96 * error) == pytest.approx(1.0, abs=0.1)


def practised(settings: Settings) -> dict[str, float]:
    """Smooth sums that meet the middle of every target at stated settings."""
    at = {
        "push": math.log(settings.seating.greatest_push_n / 0.7),
        "shaft": math.log(settings.seating.shaft_n_per_mm / 0.4),
        "direction": math.log(settings.margin.direction_sd_deg / 20.0),
        "offset": math.log(settings.margin.shaft_offset_sd_mm / 2.5),
    }
    told = {t.name: t.middle for t in TARGETS}
    told["only_small"] += 0.10 * at["direction"] - 0.02 * at["push"] ** 2
    told["only_large"] += 0.10 * at["offset"] - 0.05 * at["direction"]
    told["both"] += 0.25 * at["push"] - 0.05 * at["shaft"]
    told["neither"] -= 0.15 * at["push"] + 0.05 * at["direction"]
    told["small_steered_occlusion"] += 0.1 * at["push"]
    told["distal_edge_mm"] += 1.5 * at["shaft"]
    return told


def test_a_fit_finds_the_settings_that_meet_practice():
    start = with_values(Settings(), {one.name: math.sqrt(one.low * one.high) for one in RANGES})
    fit = fit_to_practice(start, practised, 32)
    told = practised(fit.settings)
    assert all(met(target, told[target.name]) for target in TARGETS)
    # A mild pull to the starting values and the quadratics remain.
    assert fit.values["seating.greatest_push_n"] == pytest.approx(0.7, rel=0.1)
    assert fit.values["seating.shaft_n_per_mm"] == pytest.approx(0.4, rel=0.15)
    # What the sums answer to is known better than its range alone tells it.
    for one in RANGES:
        alone = math.log(one.high / one.low) / math.sqrt(12.0)
        assert 0.0 < fit.uncertainty[one.name] < alone
    assert fit.uncertainty["seating.greatest_push_n"] < 0.25


def test_a_study_keeps_the_physics_and_changes_the_sample_alone():
    settings = with_chains(Settings(), 16)
    assert (settings.margin.samples, settings.margin.chains_per_patient) == (16, 4)
    assert settings.seating == Settings().seating
    # Practice tells of three tries; a chain has as many, whatever was set.
    for tries in (1, 2, 10):
        given = Settings.from_mapping({"margin": {"steered_attempts": tries}})
        assert with_chains(given, 16) == settings


def test_halves_share_no_case():
    ours, others = halves([(f"case-{k}", None) for k in range(7)])
    assert [name for name, _ in ours] == ["case-0", "case-2", "case-4", "case-6"]
    assert [name for name, _ in others] == ["case-1", "case-3", "case-5"]


def test_the_table_tells_every_target_with_its_verdict_and_source(monkeypatch):
    monkeypatch.setattr(practice, "RESAMPLINGS", 100)  # intervals are not in question here
    groups = [Group("defaults", "all", CERTAIN), Group("fitted", "held out", CERTAIN[:4])]
    rows = list(csv.DictReader(io.StringIO(practice_csv(groups))))
    assert tuple(rows[0]) == COLUMNS
    first = {row["quantity"]: row for row in rows if row["settings"] == "defaults"}
    told = quantities(CERTAIN)
    for target in TARGETS:
        row = first[target.name]
        assert row["source"] == target.source
        assert row["met"] == str(met(target, told[target.name])).lower()
    assert float(first["both"]["value"]) == pytest.approx(told["both"], abs=1e-4)
    assert (first["both"]["cases"], first["both"]["veins"]) == ("10", "10")
    # What rounds to nothing has no sign, neither in the table nor for a reader.
    nearly = dict.fromkeys(told, (-0.00004, 0.0))
    monkeypatch.setattr(practice_table, "intervals", lambda outcomes: nearly)
    assert "-0.00" not in practice_csv(groups)
    text = practice_markdown(groups)
    assert "(0.00 to 0.00)" in text and "-0.00" not in text
    assert "held out (4 atria, 4 veins)" in text
    assert text.count("\n") == 2 + len(first)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--chains", "12"], "power of two"),
        (["--trials", "3"], "from 20 to 100000"),
        (["--workers", "0"], "from 1 to 1024"),
    ],
)
def test_options_that_cannot_be(tmp_path, capsys, words, told):
    with pytest.raises(SystemExit) as ended:
        main(["practice", str(tmp_path), "--out", str(tmp_path / "out"), *words])
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_a_folder_without_atria_is_told(tmp_path, capsys):
    (tmp_path / "in").mkdir()
    assert main(["practice", str(tmp_path / "in"), "--out", str(tmp_path / "out")]) == 2
    assert "holds no case" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.fixture
def no_atria(monkeypatch):
    """Let the command find and simulate nothing, and fit what it began with."""
    told = [("one", None), ("two", None), ("three", None), ("four", None)]
    patched = "veinfit.commands.practice."
    monkeypatch.setattr(f"{patched}_anatomies", lambda *_: (told, {}))
    monkeypatch.setattr(f"{patched}_veins", lambda outcomes: "case\n")
    for module, name, does in (
        ("practice_table", "practice_csv", lambda groups: "quantity\n"),
        ("practice_table", "practice_markdown", lambda groups: ""),
        ("practice", "quantities", lambda outcomes: {}),
        ("practice_run", "outcomes_of", lambda *_: []),
        ("growth_table", "growth_rows", lambda grown: [1]),
        ("growth_table", "growth_csv", lambda rows: "quantity\n"),
        ("growth_table", "growth_markdown", lambda rows: ""),
        (
            "practice_fit",
            "fit_to_practice",
            lambda start, *_: PracticeFit(start, {}, {}, {}, {}, np.zeros((0, 0)), ()),
        ),
    ):
        monkeypatch.setattr(f"veinfit.validation.{module}.{name}", does)


def test_nothing_of_an_earlier_run_stands_beside_the_results(no_atria, tmp_path, capsys):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ply").write_bytes(b"")
    out = tmp_path / "out"
    asked = ["practice", str(tmp_path / "in"), "--out", str(out), "--workers", "1", "--quiet"]
    always = {"practice.csv", "veins.csv"}
    for words, made in (
        (["--fit", "--growth"], {"fitted.toml", "growth_practice.csv"}),
        (["--fit"], {"fitted.toml"}),
        ([], set()),
    ):
        assert main([*asked, *words]) == 0
        (out / "of the user.txt").touch()
        assert {p.name for p in out.iterdir()} == {*always, *made, "of the user.txt"}


@pytest.mark.parametrize("option", ["--settings", "--beside"])
def test_settings_that_the_run_would_take_away_are_refused(no_atria, tmp_path, capsys, option):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ply").write_bytes(b"")
    out = tmp_path / "out"
    out.mkdir()
    (out / "practice.csv").touch()
    (out / "fitted.toml").write_text("[margin]\nsamples = 16\n")
    asked = ["practice", str(tmp_path / "in"), "--out", str(out), "--workers", "1"]
    assert main([*asked, option, str(out / "fitted.toml")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{option} {out / 'fitted.toml'} is what an earlier run left" in line
    assert {p.name for p in out.iterdir()} == {"practice.csv", "fitted.toml"}
