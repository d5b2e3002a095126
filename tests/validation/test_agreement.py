"""Prediction against observation: the join row by row, and measures known beforehand."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pyarrow.csv
import pyarrow.parquet
import pytest

from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.io.inputs.observed import ObservedRow
from veinfit.validation.agreement import page as agreement_page
from veinfit.validation.agreement.agree import agreement
from veinfit.validation.agreement.join import join
from veinfit.validation.predictions import Prediction, read_predictions


def told(case="c1", vein="LSPV", size=28.0, occluded=True, **more):
    plain = Prediction(
        case, vein, f"{size:g} mm", size, "coaxial", "seated", "", occluded, -6.0, 0.4, None, None,
        None, "occlusion",
    )  # fmt: skip
    return replace(plain, **more)


def seen(line=2, case="c1", vein="LSPV", balloon="28", grade=4, **more):
    row = ObservedRow(line, case, case, vein, balloon, occlusion_grade=grade)
    return replace(row, **more)


def measures(found, group="all"):
    return {m.name: m for m in found.measures if m.group == group}


# ---- join -----------------------------------------------------------------------------------


def test_rows_that_do_not_go_together_are_named_one_by_one():
    predictions = [
        told(),
        told(vein="RSPV", occluded=None, outcome="not assessed", reason="cut edge"),
    ]
    rows = [
        seen(2),
        seen(3, case="c9"),
        seen(4, vein="RIPV"),
        seen(5, balloon="31"),
        seen(6, approach="transseptal"),
        seen(7, vein="RSPV"),
        seen(8, attempt=2, grade=1),
        seen(9, attempt=2, grade=2),
        seen(10),
    ]
    found = join(rows, predictions)
    assert [p.observed.line for p in found.pairs] == [2]
    assert {row.line: reason for row, reason in found.left_out} == {
        3: "the case was not predicted",
        4: "the vein was not predicted; the case has LSPV, RSPV",
        5: "the balloon was not predicted; there are 28 mm",
        6: "the approach was not predicted; there is coaxial",
        7: "the prediction is 'not assessed': cut edge",
        8: "lines 8, 9 are the same attempt with other values; number the attempts",
        9: "lines 8, 9 are the same attempt with other values; number the attempts",
        10: "the same as line 2",
    }


def test_branches_of_a_common_trunk_go_with_it():
    found = join(
        [
            seen(2, vein="LSPV"),
            seen(3, vein="LIPV"),
            seen(4, vein="LSPV", balloon="28 mm", attempt=2),
        ],
        [told(vein="LCPV")],
    )
    assert {p.predicted.vein for p in found.pairs} == {"LCPV"}
    assert len(found.pairs) == 3
    assert found.remarks == (
        "c1: LSPV was predicted as LCPV, a common trunk",
        "c1: LIPV was predicted as LCPV, a common trunk",
    )


def test_approach_that_is_not_said_is_the_transseptal_one():
    both = [told(occluded=False), told(approach="transseptal")]
    assert join([seen()], both).pairs[0].predicted.approach == "transseptal"
    assert join([seen()], both[:1]).pairs[0].predicted.approach == "coaxial"
    assert join([seen(approach="coaxial")], both).pairs[0].predicted.occluded is False


def test_nothing_in_common_is_an_error():
    with pytest.raises(InputError, match=r"no observed row .* line 2 \(c9 LSPV 28, attempt 1\)"):
        join([seen(case="c9")], [told()])
    with pytest.raises(InputError, match="c1 LSPV 28 mm coaxial appears twice"):
        join([seen()], [told(), told()])


# ---- measures -------------------------------------------------------------------------------


def liver(right_closed=231, closed=258, right_open=54, opened=86):
    """Predictions and observations with the counts of the liver scan, four veins a patient."""
    outcomes = [(True, True)] * right_closed + [(False, True)] * (closed - right_closed)
    outcomes += [(False, False)] * right_open + [(True, False)] * (opened - right_open)
    veins = ("LSPV", "LIPV", "RSPV", "RIPV")
    predictions, rows = [], []
    for k, (predicted, observed) in enumerate(outcomes):
        case, vein = f"c{k // 4}", veins[k % 4]
        predictions.append(told(case, vein, occluded=predicted))
        rows.append(seen(k + 2, case, vein, grade=4 if observed else 2))
    return join(rows, predictions)


def test_sensitivity_and_specificity_of_the_liver_scan():
    # Altman & Bland, BMJ 1994;308:1552, as in test_statistics.
    found = measures(agreement(liver()))
    assert found["sensitivity"].interval.value == pytest.approx(231 / 258)
    assert found["specificity"].interval.value == pytest.approx(54 / 86)
    assert found["predictive value of occluded"].interval.value == pytest.approx(231 / 263)
    assert found["predictive value of not occluded"].interval.value == pytest.approx(54 / 81)
    assert found["sensitivity"].interval.low == pytest.approx(0.852021, abs=1e-6)
    assert (found["sensitivity"].number, found["accuracy"].number) == (258, 344)
    # The rows come sorted, four alike a patient: clustered, the interval must be wider.
    plain, spread = found["sensitivity"].interval, found["sensitivity"].clustered
    assert spread.high - spread.low > 1.5 * (plain.high - plain.low)


def test_best_attempt_counts_for_occlusion_and_the_first_for_one_try():
    rows = [seen(2, grade=2), seen(3, grade=4, attempt=2), seen(4, grade=3, attempt=3)]
    found = agreement(join(rows, [told(probability=0.25, steered_probability=0.75)]))
    assert [p.observed.line for p in found.best] == [3]
    all_rows = measures(found)
    assert all_rows["sensitivity"].interval.value == 1.0
    one = all_rows["first attempt: Brier score"]
    assert (one.interval.value, one.number) == (0.25**2, 1)
    assert all_rows["first attempt: observed rate less mean probability"].interval.value == -0.25
    three = all_rows["up to three attempts: Brier score"]
    assert (three.interval.value, three.number) == (0.25**2, 1)


def tries(case, *grades):
    """Attempts of one balloon in one vein, numbered from 1."""
    line = 100 * int(case[1:])
    return [seen(line + k, case, grade=g, attempt=k) for k, g in enumerate(grades, 1)]


STEERED = "up to three attempts: "


def steered_agreement(series):
    predictions = [told(case, steered_probability=0.5) for case in series]
    return agreement(join([row for c, g in series.items() for row in tries(c, *g)], predictions))


def test_series_that_were_broken_off_bound_the_observed_rate():
    """By hand: of four, one fails in three attempts, one occludes at once, two are broken off."""
    found = steered_agreement({"c1": (2, 3), "c2": (1, 1, 1), "c3": (4,), "c4": (1,)})
    all_rows = {k: m for k, m in measures(found).items() if k.startswith(STEERED)}
    rates = {k.removeprefix(STEERED): (m.interval.value, m.number) for k, m in all_rows.items()}
    assert rates == {
        "share of series broken off": (0.5, 4),
        "least observed rate, had all broken off failed": (0.25, 4),
        "greatest observed rate, had all broken off occluded": (0.75, 4),
    }
    for measure in all_rows.values():
        assert measure.note.startswith("Calibration of up to three attempts is left out: more than")
    (text,) = (t for t in found.warnings if "broken off" in t)
    assert text.startswith("2 of 4 series of attempts were broken off without occlusion")
    assert "lies between 0.25 and 0.75" in text and "Calibration of up to three" in text


def test_one_attempt_a_balloon_does_not_make_the_observed_rate_one():
    found = steered_agreement({f"c{k}": (4 if k < 4 else 1,) for k in range(10)})
    named = measures(found)
    assert STEERED + "observed rate less mean probability" not in named
    least = named[STEERED + "least observed rate, had all broken off failed"].interval
    greatest = named[STEERED + "greatest observed rate, had all broken off occluded"].interval
    assert (least.value, greatest.value) == (0.4, 1.0)


def test_few_series_broken_off_leave_calibration_with_a_word():
    done = {f"c{k}": (4,) if k % 2 else (1, 1, 1) for k in range(9)}
    found = steered_agreement({**done, "c9": (1, 2)})
    score = measures(found)[STEERED + "Brier score"]
    assert (score.interval.value, score.number) == (0.25, 9)
    assert score.note.startswith("The observed rate of up to three attempts lies between 0.40 and")
    assert any(t.startswith("1 of 10 series of attempts was broken off") for t in found.warnings)
    # Where none is, nothing is said.
    whole = steered_agreement(done)
    assert not any("broken off" in text for text in (*whole.warnings, *measures(whole)))


def test_series_broken_off_are_told_on_terminal_page_and_in_the_table(tmp_path, capsys):
    assessed = {"case": {"id": "c1"}, "schema": "veinfit case", "schema_version": "1.0"}
    margin = {"occluded": {"probability": 0.5}, "steered_occluded": {"probability": 0.7}}
    fit = {
        "vein": "LSPV", "balloon": "28 mm", "balloon_mm": 28.0, "approach": "coaxial",
        "outcome": "seated", "reason": "", "occluded": True, "depth_mm": -6.0, "margin": margin,
    }  # fmt: skip
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "case.json").write_text(json.dumps({**assessed, "fits": [fit]}))
    observed = tmp_path / "seen.csv"
    observed.write_text("case,vein,balloon,attempt,occlusion_grade\nc1,LSPV,28 mm,1,2\n")
    out = tmp_path / "out"
    command = ["agree", str(observed), "--predictions", str(tmp_path / "a"), "--out", str(out)]
    assert main(command) == 0
    terminal = capsys.readouterr().out
    page = (out / "agreement.html").read_text(encoding="utf-8")
    caution = "1 of 1 series of attempts was broken off without occlusion"
    assert f"caution: {caution}" in terminal and caution in page
    for text in (terminal, page, (out / "agreement.csv").read_text()):
        assert STEERED + "share of series broken off" in text
        assert STEERED + "Brier score" not in text


def test_tries_of_another_number_are_held_against_nothing_and_told():
    rows = [seen(2, "c1", grade=4), seen(3, "c2", grade=4), seen(4, "c3", grade=4)]
    predictions = [
        told("c1", steered_probability=0.5, steered_attempts=1),
        told("c2", steered_probability=0.5, steered_attempts=3),
        told("c3", steered_probability=0.5),
    ]
    found = agreement(join(rows, predictions))
    assert measures(found)["up to three attempts: Brier score"].number == 2
    (caution,) = (text for text in found.warnings if "steered_attempts" in text)
    assert caution.startswith("the steered tries of 1 of 3 rows were predicted with ")
    assert "margin.steered_attempts = 1, and" in caution and "predict with 3" in caution
    plain = agreement(join(rows[1:], predictions[1:]))
    assert not any("steered_attempts" in text for text in plain.warnings)


def test_the_tries_of_a_chain_are_read_from_the_run_or_the_case(tmp_path):
    run, fits = tmp_path / "run.json", [told(probability=0.5)]
    table = fits_csv(tmp_path / "fits.csv", fits)
    assert read_predictions(table)[0].steered_attempts is None
    run.write_text('{"format": "veinfit cohort", "settings": {"margin": {"steered_attempts": 2}}}')
    assert read_predictions(table)[0].steered_attempts == 2
    (tmp_path / "fits").mkdir()
    inner = fits_csv(tmp_path / "fits" / "part.csv", fits)
    pyarrow.parquet.write_table(pyarrow.csv.read_csv(inner), inner.with_suffix(".parquet"))
    inner.unlink()
    for place in (tmp_path, tmp_path / "fits" / "part.parquet"):
        assert read_predictions(place)[0].steered_attempts == 2
    for content in ("{}", '{"settings": []}', '{"settings": {"margin": {"seed": 1}}}'):
        run.write_text(content)
        assert read_predictions(table)[0].steered_attempts is None
    run.write_text("{")
    with pytest.raises(InputError, match=r"run\.json cannot be read, .*; run the cases again$"):
        read_predictions(table)

    fit = {
        "vein": "LSPV", "balloon": "28 mm", "balloon_mm": 28.0, "approach": "coaxial",
        "outcome": "seated", "reason": "", "occluded": True, "depth_mm": -6.0, "margin": None,
    }  # fmt: skip
    document = {
        "schema": "veinfit case", "schema_version": "1.0", "case": {"id": "c1"}, "fits": [fit],
        "run": {"settings": {"margin": {"steered_attempts": {
            "value": 5, "unit": "1", "meaning": "", "basis": "",
        }}}},
    }  # fmt: skip
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "case.json").write_text(json.dumps(document))
    assert read_predictions(tmp_path / "case")[0].steered_attempts == 5


def test_discrimination_is_the_area_under_the_curve():
    """Against the rank-sum statistic of scipy, and DeLong's standard error where rows stand alone.

    Invented probabilities. With one row a patient, patients and rows give one interval.
    """
    from scipy.stats import mannwhitneyu

    random = np.random.default_rng(4)
    chance = random.random(300)
    closed = random.random(300) < chance
    predictions = [told(f"c{k}", probability=float(p)) for k, p in enumerate(chance)]
    rows = [seen(k + 2, f"c{k}", grade=4 if c else 1) for k, c in enumerate(closed)]
    found = measures(agreement(join(rows, predictions)))
    area = found["first attempt: discrimination (area under the curve)"]
    u = mannwhitneyu(chance[closed], chance[~closed]).statistic
    expected = u / (closed.sum() * (~closed).sum())
    assert area.interval.value == pytest.approx(expected, abs=1e-12)
    # Uniform probabilities that are right: P(p1 > p0) = 5/6.
    assert area.interval.low < 5 / 6 < area.interval.high
    assert area.clustered.low == pytest.approx(area.interval.low, abs=1e-9)


def test_grades_by_weighted_kappa():
    # The invented 4-grade table of test_statistics, where statsmodels gives its kappas.
    table = [[8, 3, 1, 0], [2, 10, 4, 1], [0, 5, 20, 8], [0, 1, 6, 51]]
    predictions, rows, k = [], [], 0
    for i in range(4):
        for j in range(4):
            for _ in range(table[i][j]):
                predictions.append(told(f"c{k}", occlusion_grade=i + 1, occluded=i == 3))
                rows.append(seen(k + 2, f"c{k}", grade=j + 1))
                k += 1
    found = agreement(join(rows, predictions))
    assert found.grades.tolist() == table
    by_name = measures(found)
    linear = by_name["kappa of grades, linear weights"]
    assert linear.interval.value == pytest.approx(0.725770, abs=1e-6)
    quadratic = by_name["kappa of grades, quadratic weights"]
    assert quadratic.interval.value == pytest.approx(0.830544, abs=1e-6)
    # One row a patient: both kinds of interval must tell about the same.
    assert linear.clustered.low == pytest.approx(linear.interval.low, abs=0.03)
    assert linear.clustered.high == pytest.approx(linear.interval.high, abs=0.03)


def test_reliability_of_probabilities_that_are_right():
    random = np.random.default_rng(8)
    chance = random.random(2000)
    closed = random.random(2000) < chance
    predictions = [told(f"c{k}", probability=float(p)) for k, p in enumerate(chance)]
    rows = [seen(k + 2, f"c{k}", grade=4 if c else 1) for k, c in enumerate(closed)]
    found = agreement(join(rows, predictions))
    assert [b.number for b in found.reliability] == [200] * 10
    for point in found.reliability:
        assert point.low <= point.predicted <= point.high
        assert point.observed.low - 0.02 < point.predicted < point.observed.high + 0.02
    score = measures(found)["first attempt: Brier score"]
    # E[p (1 - p)] of a uniform p is 1/6.
    assert score.interval.value == pytest.approx(1 / 6, abs=0.015)
    assert score.clustered.low < 1 / 6 < score.clustered.high


def reliability_curve(found, monkeypatch):
    """The drawn reliability curve and its axes."""
    drawn = []
    monkeypatch.setattr(agreement_page, "picture", lambda one: drawn.append(one) or "")
    agreement_page._probability(found)
    (drawing,) = drawn
    drawing.canvas.draw()
    (axes,) = drawing.axes
    return drawing, axes


def test_the_key_of_the_reliability_curve_lies_beside_it(monkeypatch):
    """Intervals of some tables reach every corner, and lay under it."""
    rows = [seen(k + 2, f"c{k}", grade=4 if k % 3 else 1) for k in range(40)]
    found = agreement(join(rows, [told(f"c{k}", probability=0.3 + k / 100) for k in range(40)]))
    drawing, axes = reliability_curve(found, monkeypatch)
    key = axes.get_legend().get_window_extent()
    assert not key.overlaps(axes.patch.get_window_extent())
    assert drawing.bbox.x0 <= key.x0 and key.x1 <= drawing.bbox.x1 and key.y1 <= drawing.bbox.y1


def test_the_numbers_of_the_reliability_curve_lie_beside_all_else(monkeypatch):
    """Groups of nearly one probability had theirs under each other's intervals."""
    rows = [seen(k + 2, f"c{k}", grade=4 if k % 3 else 1) for k in range(100)]
    crowded = [told(f"c{k}", probability=0.6 + k / 1000) for k in range(100)]
    found = agreement(join(rows, crowded))
    _, axes = reliability_curve(found, monkeypatch)
    boxes = [text.get_window_extent() for text in axes.texts]
    assert [text.get_text() for text in axes.texts] == [str(b.number) for b in found.reliability]
    assert len(boxes) > 5 and not any(
        one.overlaps(other) for k, one in enumerate(boxes) for other in boxes[:k]
    )
    highest = max(line.get_window_extent().y1 for line in axes.lines)
    assert all(box.y0 >= highest for box in boxes)


def test_equal_probabilities_stay_in_one_group():
    rows = [seen(k + 2, f"c{k}", grade=4 if k % 2 else 1) for k in range(40)]
    found = agreement(join(rows, [told(f"c{k}", probability=0.5) for k in range(40)]))
    (point,) = found.reliability
    assert (point.number, point.predicted, point.observed.value) == (40, 0.5, 0.5)


def test_depth_by_the_flow_meters():
    # Bland & Altman, Lancet 1986;327:307, as in test_statistics, in place of depths.
    from cohort.test_statistics import LARGE, MINI

    predictions = [told(f"c{k}", depth_mm=float(a)) for k, a in enumerate(LARGE)]
    rows = [seen(k + 2, f"c{k}", grade=None, seating_depth_mm=float(b)) for k, b in enumerate(MINI)]
    found = agreement(join(rows, predictions))
    assert found.depth.bias.value == pytest.approx(-2.117647, abs=1e-6)
    assert found.depth.sd == pytest.approx(38.765130, abs=1e-6)
    bias = measures(found)["depth, mm: bias"]
    assert bias.clustered.low < -2.1 < bias.clustered.high
    assert "sensitivity" not in {m.name for m in found.measures if m.number}


def test_rank_correlation_tells_its_sign():
    rows = [seen(k + 2, f"c{k}", lowest_temperature_c=-60.0 + k) for k in range(12)]
    found = agreement(join(rows, [told(f"c{k}", leak_width_mm=0.1 * k) for k in range(12)]))
    name = "rank correlation of leak width and lowest temperature"
    assert measures(found)[name].interval.value == pytest.approx(1.0)


def test_small_numbers_are_owned_up_to():
    found = agreement(join([seen(), seen(3, vein="RSPV", grade=1)], [told(), told(vein="RSPV")]))
    sensitivity = measures(found)["sensitivity"]
    assert sensitivity.clustered.low is None
    assert "fewer than 10: says little" in sensitivity.note
    assert any(text.startswith("1 patient: too few") for text in found.warnings)
    assert any("only 1 of 2 balloons in veins are of the rarer kind" in t for t in found.warnings)


def test_order_of_sizes_is_warned_of():
    predictions = [told(f"c{k}", size=size) for k in range(5) for size in (28.0, 31.0)]
    rows = [seen(10 * k + 2, f"c{k}", grade=4 if k == 4 else 2) for k in range(5)]
    rows += [seen(10 * k + 3, f"c{k}", balloon="31 mm", grade=4) for k in range(3)]
    found = agreement(join(rows, predictions))
    (text,) = (t for t in found.warnings if "harder veins" in t)
    assert text.startswith("31 mm was observed in 3 veins; in 3 of them 28 mm was observed too "
                           "and had not occluded in 3.")  # fmt: skip
    assert {m.group for m in found.measures} == {"all", "28 mm", "31 mm"}


# ---- files ----------------------------------------------------------------------------------


def fits_csv(path, predictions):
    names = [
        "case", "vein", "balloon", "balloon_mm", "approach", "outcome", "reason", "occluded",
        "depth_mm", "leak_width_mm", "seal_probability",
    ]  # fmt: skip
    with path.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, names, extrasaction="ignore")
        writer.writeheader()
        for item in predictions:
            row = {name: getattr(item, name, None) for name in names}
            row["occluded"] = "" if item.occluded is None else str(item.occluded).lower()
            writer.writerow({**row, "seal_probability": item.probability})
    return path


def test_predictions_from_a_table(tmp_path):
    path = fits_csv(
        tmp_path / "fits.csv",
        [told(probability=0.5), told(vein="RSPV", occluded=None, outcome="passes through")],
    )
    first, second = read_predictions(path)
    assert first == told(probability=0.5, probability_of="seal")
    assert second.occluded is False


def test_a_balloon_that_cannot_reach_has_no_seating_depth(tmp_path):
    """It comes to rest before the vein; that went into the bias of depths."""
    far = told(occluded=None, outcome="cannot reach", depth_mm=-29.6, probability=0.1)
    (found,) = read_predictions(fits_csv(tmp_path / "fits.csv", [far]))
    assert found.depth_mm is None and found.occluded is False


def test_predictions_from_assessed_cases(tmp_path):
    fit = {
        "vein": "LSPV", "balloon": "28 mm", "balloon_mm": 28.0, "approach": "coaxial",
        "outcome": "seated", "reason": "", "occluded": True, "depth_mm": -6.0,
        "margin": {"occluded": {"probability": 0.75}},
    }  # fmt: skip
    for folder, name in (("a", "c1"), ("b", None)):
        (tmp_path / folder).mkdir()
        # Records of an earlier version, which may lack what this one has.
        head = {"schema": "veinfit case", "schema_version": "1.0"}
        document = {**head, "case": {"id": name}, "fits": [fit]}
        (tmp_path / folder / "case.json").write_text(json.dumps(document))
    found = read_predictions(tmp_path)
    assert [(p.case, p.probability, p.probability_of) for p in found] == [
        ("c1", 0.75, "occlusion"), ("b", 0.75, "occlusion"),
    ]  # fmt: skip
    assert read_predictions(tmp_path / "a") == found[:1]
    del document["case"]
    (tmp_path / "a" / "case.json").write_text(json.dumps(document))
    with pytest.raises(InputError, match=r"case\.json lack 'case'; assess the case again"):
        read_predictions(tmp_path / "a")


@pytest.mark.parametrize("what", ["nothing", "empty", "other.csv", "other.txt", "bad.parquet"])
def test_predictions_that_cannot_be_read(tmp_path, what):
    (tmp_path / "empty").mkdir()
    (tmp_path / "other.csv").write_text("case,vein\nc1,LSPV\n")
    (tmp_path / "other.txt").write_text("words")
    (tmp_path / "bad.parquet").write_bytes(b"PAR1")
    with pytest.raises(InputError, match=r"predictions .*(lack|not exist|neither|pass|Parquet)"):
        read_predictions(tmp_path / what)


@pytest.fixture
def study(tmp_path):
    """An invented study: 24 patients, two sizes, and a row that goes with nothing."""
    random = np.random.default_rng(2)
    predictions = []
    lines = ["case,vein,balloon,attempt,occlusion_grade,seating_depth_mm,lowest_temperature_c"]
    for k in range(24):
        for vein in ("LSPV", "LIPV", "RSPV", "RIPV"):
            for size in (28.0, 31.0):
                p = float(random.random())
                closed = random.random() < p
                depth = float(random.normal(-6, 2))
                predictions.append(
                    told(f"p{k}", vein, size, p > 0.5, probability=round(p, 3), depth_mm=depth,
                         leak_width_mm=round(2 * (1 - p), 2))
                )  # fmt: skip
                grade = 4 if closed else int(random.integers(1, 4))
                cold = -55 + 15 * (1 - p) + random.normal(0, 3)
                lines.append(
                    f"p{k},{vein},{size:g} mm,1,{grade},{depth + random.normal(0.5, 1.5):.1f},"
                    f"{cold:.0f}"
                )
    lines.append("p99,LSPV,28,1,4,,")
    (tmp_path / "observed.csv").write_text("\n".join(lines) + "\n")
    fits_csv(tmp_path / "fits.csv", predictions)
    return tmp_path


CLUSTERED = ("clustered_low", "clustered_high")


def test_command(study, capsys):
    out = study / "out"
    command = ["agree", str(study / "observed.csv"), "--predictions", str(study / "fits.csv")]
    assert main([*command, "--out", str(out)]) == 0
    told_words = capsys.readouterr().out
    assert "left out: line 194 (p99 LSPV 28, attempt 1): the case was not predicted" in told_words
    assert "not a medical device" in told_words
    with (out / "agreement.csv").open() as stream:
        rows = {(r["measure"], r["group"]): r for r in csv.DictReader(stream)}
    assert {"all", "28 mm", "31 mm", "LSPV", "RIPV"} <= {group for _, group in rows}
    row = rows["first attempt: Brier score", "all"]
    assert float(row["clustered_low"]) < float(row["value"]) < float(row["clustered_high"])
    assert rows["sensitivity", "all"]["patients"] == "24"
    with (out / "pairs.csv").open() as stream:
        assert len(list(csv.DictReader(stream))) == 192
    with (out / "left_out.csv").open() as stream:
        (left,) = csv.DictReader(stream)
    assert (left["line"], left["reason"]) == ("194", "the case was not predicted")
    page = (out / "agreement.html").read_text(encoding="utf-8")
    first = page[: page.index("<h2>")]
    told = rows["sensitivity", "all"]
    share = f"{float(told['value']):.2f}"
    counted = f"Of {told['number']} balloons that occluded (24 patients), {share} ("
    assert counted in first and first.split("</ul>")[0].count("<li>") == 3
    # Veins of one patient are alike: the interval that is told first allows for that.
    bias = rows["depth, mm: bias", "all"]
    low, high = (f"{float(bias[end]):.2f}".replace("-", "−") for end in CLUSTERED)
    assert f"mm on average ({low} to {high})." in first
    assert page.count("data:image/svg+xml") == 2
    assert "http" not in page.replace("http-equiv", "")
    assert "not a medical device" in page
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert main([*command, "--out", str(out), "--quiet"]) == 0
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    assert capsys.readouterr().out == ""


def test_nothing_in_common_names_both_files(study, capsys):
    seen = study / "seen.csv"
    seen.write_text("case,vein,balloon,attempt,approach,occlusion_grade\nx,LSPV,28,1,,4\n")
    command = ["agree", str(seen), "--predictions", str(study / "fits.csv")]
    assert main([*command, "--out", str(study / "none")]) == 2
    told = capsys.readouterr().err
    assert str(seen) in told and "fits.csv" in told and "as --template does" in told
    assert not (study / "none").exists()


def test_template_command(study, capsys):
    path = study / "template.csv"
    command = ["agree", "--predictions", str(study / "fits.csv"), "--template", str(path)]
    assert main(command) == 0
    assert "192 rows to be filled in" in capsys.readouterr().out
    assert "p3,RSPV,31 mm,1,coaxial,,,,,," in path.read_text(encoding="utf-8").splitlines()
    assert main([*command[:4], str(study / "nowhere" / "t.csv")]) == 2
    assert "there is no folder" in capsys.readouterr().err
    # Never over one that may have been filled in.
    assert main(command) == 2
    assert main(command[:3]) == 2
    assert main([*command[:3], str(study / "observed.csv")]) == 2
