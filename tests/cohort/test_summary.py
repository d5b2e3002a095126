"""The summary of a cohort against numbers worked out by hand."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from veinfit.anatomy.naming.frame_check import ALL_AXES, OtherFrame, StatedFrame
from veinfit.anatomy.vein import CLOSE_RUNNER_UP
from veinfit.cli import main
from veinfit.cohort.batch.cases import BatchCase
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.rows import COLUMNS, TABLES
from veinfit.cohort.batch.run import run_cohort
from veinfit.cohort.batch.store import Store
from veinfit.cohort.clustered import clustered, clustered_superiority
from veinfit.cohort.statistics import superiority
from veinfit.cohort.summary import plots
from veinfit.cohort.summary.data import read_cohort
from veinfit.cohort.summary.findings import findings
from veinfit.cohort.summary.model import PARTS, Rose
from veinfit.cohort.summary.page import COLUMNS as SUMMARY_COLUMNS
from veinfit.cohort.summary.page import write_summary
from veinfit.cohort.summary.summarise import summarise
from veinfit.errors import InputError
from veinfit.frames import clock_words

VEINS = ("LSPV", "RIPV")


def rows_of(name, fits, veins, leaks=()):
    """One case's rows of every table, with what is not given empty."""
    rows = {
        "cases": [{"case": name, "status": "done", "reason": "", "cautions": ""}],
        "veins": [{"case": name, **vein} for vein in veins],
        "fits": [{"case": name, "approach": "coaxial", "distances_mm": {}, **fit} for fit in fits],
        "leaks": [{"case": name, "approach": "coaxial", **leak} for leak in leaks],
    }
    return {t: [{**dict.fromkeys(COLUMNS[t]), **row} for row in rows[t]] for t in TABLES}


def cohort(folder, cases, failed=0, warned=()):
    """Write cases as cohort run does; those of the given numbers are in doubt as a whole."""
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder)
    (folder / "run.json").write_text(json.dumps(make_plan().as_mapping()))
    entries = [(f"{k:064x}", rows_of(f"c{k}", *case)) for k, case in enumerate(cases)]
    for k in warned:
        entries[k][1]["cases"][0]["warnings"] = "the frame may be wrong"
    for k in range(failed):
        rows = rows_of(f"f{k}", [], [])
        rows["cases"][0]["status"] = "failed"
        entries.append((f"f{k:063x}", rows))
    store.write_part(0, entries)
    return folder


def fit(vein, size, occluded, **more):
    plain = {
        "vein": vein, "balloon": f"{size} mm", "balloon_mm": float(size), "outcome": "seated",
        "reason": "", "occluded": occluded, "sealed": occluded,
    }  # fmt: skip
    return {**plain, **more}


def case(*pairs, **more):
    """A case whose veins are closed by 28 and 31 mm as told, one pair a vein."""
    fits = [
        fit(vein, size, closed, **more)
        for vein, pair in zip(VEINS, pairs, strict=True)
        for size, closed in zip((28, 31), pair, strict=True)
    ]
    return fits, [{"vein": vein} for vein in VEINS]


def only(items, **wanted):
    (item,) = (i for i in items if all(getattr(i, k) == v for k, v in wanted.items()))
    return item


def test_single_seats_are_counted(tmp_path):
    yes, no = True, False
    cases = [case((yes, no), (yes, yes))] * 6 + [case((no, yes), (no, no))] * 14
    found = summarise(read_cohort(cohort(tmp_path / "run", cases, failed=2)))
    assert (found.cohort.cases, found.cohort.failed) == (22, 2)
    lspv = only(found.splits, vein="LSPV", verdict="occluded")
    assert lspv.counts == dict(zip(PARTS, (6, 14, 0, 0), strict=True))
    # Exact McNemar by hand: 2 P(X <= 6), X of B(20, 1/2): 2 * 60460 / 2**20.
    assert lspv.p == pytest.approx(2 * 60460 / 2**20)
    assert lspv.basis == "single seat"
    assert lspv.gain.value == pytest.approx(0.7)
    whole = only(found.splits, vein="all", verdict="occluded")
    assert whole.counts == dict(zip(PARTS, (6, 14, 6, 14), strict=True))
    rate = only(found.rates, vein="LSPV", balloon="28 mm", verdict="occluded")
    assert (rate.count, rate.number) == (6, 20)
    # Wilson of 6 of 20, by statsmodels in test_statistics' way.
    assert (rate.seat.low, rate.seat.high) == pytest.approx((0.14547, 0.51897), abs=1e-5)
    assert any("2 of 22 cases failed" in text for text in found.remarks)
    assert any("nominal seat" in text for text in found.remarks)


def test_expected_split_multiplies_draw_by_draw(tmp_path):
    # Patients differ: in the one draw both sizes close always, in the other never. Both close in
    # half, although 0.5 * 0.5 is a quarter.
    more = {
        "occlusion_probability": 0.5, "seal_probability": 0.5,
        "occluded_given_patient": [1.0, 0.0], "antral_given_patient": [1.0, None],
    }  # fmt: skip
    found = summarise(
        read_cohort(cohort(tmp_path / "run", [case((True,) * 2, (True,) * 2, **more)] * 4))
    )
    split = only(found.splits, vein="all", verdict="occluded")
    assert split.basis == "tries"
    assert [split.parts[p].value for p in PARTS] == pytest.approx([0.0, 0.0, 0.5, 0.5])
    sealed = only(found.splits, vein="all", verdict="sealed")
    assert [sealed.parts[p].value for p in PARTS] == pytest.approx([0.0, 0.0, 1.0, 0.0])


def test_without_draws_probabilities_are_multiplied_and_it_is_said(tmp_path):
    fits, veins = case((True, True), (True, True))
    for item in fits:
        item["occlusion_probability"] = 0.6 if item["balloon_mm"] == 28.0 else 0.5
    found = summarise(read_cohort(cohort(tmp_path / "run", [(fits, veins)] * 4)))
    split = only(found.splits, vein="all", verdict="occluded")
    assert split.basis == "product"
    assert [split.parts[p].value for p in PARTS] == pytest.approx([0.3, 0.2, 0.3, 0.2])
    assert any("as if they were independent" in text for text in found.remarks)
    assert only(found.rates, vein="all", balloon="31 mm",
                verdict="occluded").expected.value == pytest.approx(0.5)  # fmt: skip


def test_what_is_not_assessed_is_not_counted_and_what_cannot_reach_is_open(tmp_path):
    fits = [
        fit("LSPV", 28, None, outcome="not assessed"),
        fit("LSPV", 31, True),
        fit("RIPV", 28, None, outcome="cannot reach"),
        fit("RIPV", 31, None, outcome="passes through"),
    ]
    found = summarise(read_cohort(cohort(tmp_path / "run", [(fits, [])] * 3)))
    small = only(found.rates, vein="all", balloon="28 mm", verdict="occluded")
    assert (small.number, small.count, small.not_assessed, small.out_of_reach) == (3, 0, 3, 3)
    large = only(found.rates, vein="all", balloon="31 mm", verdict="occluded")
    assert (large.number, large.count, large.through) == (6, 3, 3)
    assert only(found.splits, vein="all", verdict="occluded").number == 3


def test_differences_are_paired(tmp_path):
    cases = []
    for k in range(10):
        fits = []
        for vein in VEINS:
            near = {"distances_mm": {"right_phrenic_nerve": 10.0 + k}}
            far = {"distances_mm": {"right_phrenic_nerve": 12.0 + k + (k % 2)}}
            fits.append(fit(vein, 28, True, depth_mm=-5.0 - k, antral_area_mm2=300.0, **near))
            fits.append(fit(vein, 31, True, depth_mm=-7.0 - k, antral_area_mm2=None, **far))
        cases.append((fits, []))
    found = summarise(read_cohort(cohort(tmp_path / "run", cases)))
    depth = only(found.differences, vein="all", measure="depth_mm")
    assert (depth.number, depth.mean.value, depth.sd) == (20, -2.0, 0.0)
    assert depth.mean.low == depth.mean.high == -2.0
    nerve = only(found.differences, vein="LSPV", measure="distance_right_phrenic_nerve_mm")
    assert (nerve.number, nerve.mean.value, nerve.median) == (10, 2.5, 2.5)
    assert nerve.mean.low < 2.5 < nerve.mean.high
    assert not [d for d in found.differences if d.measure == "antral_area_mm2"]


def test_a_balloon_without_a_seat_has_no_depth_to_compare(tmp_path):
    """What cannot reach comes to rest far before the vein; that went into the mean of the seats."""
    cases = []
    for k in range(10):
        far = {"outcome": "cannot reach", "occluded": None, "sealed": None} if k < 2 else {}
        depth = -30.0 if k < 2 else -7.0
        small, large = fit("LSPV", 28, True, depth_mm=-5.0), fit("LSPV", 31, True, depth_mm=depth)
        cases.append(([small, {**large, **far}], []))
    found = summarise(read_cohort(cohort(tmp_path / "run", cases)))
    depth = only(found.differences, vein="all", measure="depth_mm")
    assert (depth.number, depth.mean.value) == (8, -2.0)
    rate = only(found.rates, vein="all", balloon="31 mm", verdict="occluded")
    assert (rate.number, rate.out_of_reach) == (10, 2)


def test_leaks_by_hour_for_a_vein_and_in_words_for_all(tmp_path):
    def leak(vein, hour, side):
        return {"vein": vein, "balloon": "28 mm", "leak": 1, "clock_h": hour, "side": side}

    leaks = [leak("LSPV", 3.2, "anterior"), leak("RIPV", 2.8, "posterior"),
             leak("RIPV", 11.9, "superior"), leak("RIPV", 0.3, "superior")]  # fmt: skip
    fits, veins = case((False, True), (False, True))
    found = summarise(read_cohort(cohort(tmp_path / "run", [(fits, veins, leaks)] * 2)))
    rose = only(found.roses, vein="RIPV", balloon="28 mm")
    assert [(h, n) for h, n in enumerate(rose.counts) if n] == [(0, 4), (3, 2)]
    assert (rose.words[0], rose.words[3]) == ("superior", "posterior")
    pooled = {k.side: (k.leaks, k.of) for k in found.leaks if k.vein == "all"}
    assert pooled == {"superior": (4, 8), "anterior": (2, 8), "posterior": (2, 8)}


def test_an_hour_is_the_one_that_the_report_tells(tmp_path):
    """Half way between two hours the report tells the later one, not the even one."""
    fits, veins = case((False, True), (False, True))
    hours = (2.5, 3.5, 11.5)
    leaks = [{"vein": "LSPV", "balloon": "28 mm", "leak": k, "clock_h": h, "side": "anterior"}
             for k, h in enumerate(hours)]  # fmt: skip
    found = summarise(read_cohort(cohort(tmp_path / "run", [(fits, veins, leaks)])))
    rose = only(found.roses, vein="LSPV", balloon="28 mm")
    assert [h or 12 for h, n in enumerate(rose.counts) if n] == [12, 3, 4]
    for hour in hours:
        told = int(clock_words(hour).split("\xa0")[0])
        assert rose.counts[told % 12] == 1 and rose.words[told % 12] == "anterior"


def test_a_table_without_a_row_has_its_columns(tmp_path):
    """Nothing leaks: a reader that asks for a column by name still finds it."""
    write_summary(
        summarise(read_cohort(cohort(tmp_path / "run", [case((True, True), (True, True))]))),
        tmp_path,
    )
    for name in ("leak_sides", "leak_hours", "predictors"):
        with (tmp_path / f"{name}.csv").open() as stream:
            assert list(csv.reader(stream)) == [list(SUMMARY_COLUMNS[name])]


def test_a_leak_is_as_long_in_every_vein_and_rings_say_what_they_count(monkeypatch):
    seen = []
    monkeypatch.setattr(plots, "picture", lambda drawing: seen.extend(drawing.axes) or "")
    one, ten = ([0] * 12 for _ in range(2))
    one[7], ten[3] = 1, 10
    roses = [Rose(v, "28 mm", tuple(n), ("",) * 12) for v, n in (("LSPV", one), ("RIPV", ten))]
    figure = plots.rose_plot(roses)
    assert len({axes.get_ylim() for axes in seen}) == 1
    rings = [[label.get_text() for label in axes.get_yticklabels()] for axes in seen]
    assert rings == [["4", "7", "10 leaks"]] * 2
    assert [axes.get_title() for axes in seen] == ["LSPV (1 leak)", "RIPV (10 leaks)"]
    assert figure.alt == "LSPV 28 mm: 1 at 7 o'clock; RIPV 28 mm: 10 at 3 o'clock"


def test_means_have_a_decimal_more_than_single_values_and_two_at_most():
    measures = ("antral_area_mm2", "depth_mm", "leak_width_mm", "ovality", "ridge_mm")
    assert [plots.mean_digits(measure) for measure in measures] == [1, 2, 2, 2, 2]


def test_a_planted_predictor_is_found_and_the_others_are_not(tmp_path):
    random = np.random.default_rng(4)
    cases = []
    for _ in range(60):
        veins, fits = [], []
        for vein in VEINS:
            ovality = float(random.uniform(1.0, 1.5))
            leaks = ovality + random.normal(0, 0.05) > 1.25
            veins.append({"vein": vein, "ovality": ovality, "d_area_mm": random.normal(17, 2),
                          "ridge_mm": random.normal(8, 2)})  # fmt: skip
            fits.append(fit(vein, 28, not leaks))
        cases.append((fits, veins))
    found = summarise(read_cohort(cohort(tmp_path / "run", cases)))
    ovality = only(found.predictors, vein="all", measure="ovality")
    assert ovality.superiority.low > 0.9
    assert ovality.effect > 1.5
    assert ovality.mean_leaking > 1.3 > 1.2 > ovality.mean_occluded
    for measure in ("d_area_mm", "ridge_mm"):
        other = only(found.predictors, vein="all", measure=measure)
        assert other.superiority.low < 0.5 < other.superiority.high
    assert not [p for p in found.predictors if p.measure == "takeoff_wall_deg"]
    assert found.splits == ()
    assert "there is one size only, so no sizes are compared" in found.remarks


def test_interval_of_superiority_is_that_of_the_bootstrap():
    # Obuchowski's closed form against drawing whole clusters.
    random = np.random.default_rng(9)
    own = np.repeat(random.normal(size=80), 4)
    values = own + random.normal(size=320)
    group = values + own + random.normal(0, 2, size=320) > 0
    clusters = [f"p{k // 4}" for k in range(320)]
    closed = clustered_superiority(values, group, clusters)
    drawn = clustered(lambda rows: superiority(values[rows], group[rows]), clusters, draws=1000)
    assert closed.value == drawn.value
    assert (closed.low, closed.high) == pytest.approx((drawn.low, drawn.high), abs=0.012)
    alone = clustered_superiority(values, group, [str(k) for k in range(320)])
    assert closed.high - closed.low > 1.08 * (alone.high - alone.low)


@pytest.fixture
def study(tmp_path):
    """An invented cohort with all that is told about one."""
    random = np.random.default_rng(6)
    cases = []
    for _ in range(30):
        veins, fits, leaks = [], [], []
        for vein in ("LSPV", "LIPV", "RSPV", "RIPV"):
            ovality = float(random.uniform(1.0, 1.5))
            veins.append(
                {
                    "vein": vein,
                    "ovality": ovality,
                    "takeoff_wall_deg": 20 * ovality,
                    "d_area_mm": random.normal(17, 2),
                    "ridge_mm": random.normal(8, 2),
                }
            )
            for size in (28, 31):
                given = np.clip(random.normal(1.6 - 0.8 * ovality, 0.2, size=4), 0, 1)
                closed = bool(given.mean() > 0.5)
                fits.append(
                    fit(vein, size, closed, depth_mm=random.normal(-0.2 * size, 1),
                        antral_area_mm2=random.normal(300, 40), leak_width_mm=1 - given.mean(),
                        occlusion_probability=given.mean(), seal_probability=given.mean() * 0.9,
                        occluded_given_patient=list(given), antral_given_patient=list(given * 0.9),
                        distances_mm={"right_phrenic_nerve": random.normal(size - 15, 2)})
                )  # fmt: skip
                if not closed:
                    leaks.append({"vein": vein, "balloon": f"{size} mm", "leak": 1,
                                  "clock_h": float(random.normal(6, 1.5) % 12),
                                  "side": "inferior"})  # fmt: skip
        cases.append((fits, veins, leaks))
    return cohort(tmp_path / "run", cases)


def test_command(study, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["cohort", "summary", str(study), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    # Seals come first on terminal and page, with one figure.
    seals, occlusions = (
        told.index(f"expected share of veins {what} in one try of each size")
        for what in ("with an antral seal", "occluded")
    )
    assert seals < occlusions
    assert "not a medical device" in told
    names = {
        "rates",
        "expected",
        "split",
        "differences",
        "leak_sides",
        "leak_hours",
        "predictors",
    }
    assert {p.name for p in out.iterdir()} == {f"{n}.csv" for n in names} | {"summary.html"}
    with (out / "split.csv").open() as stream:
        rows = {(r["vein"], r["verdict"]): r for r in csv.DictReader(stream)}
    whole = rows["all", "occluded"]
    assert whole["basis"] == "tries"
    assert sum(float(whole[p.replace(" ", "_")]) for p in PARTS) == pytest.approx(1.0, abs=2e-4)
    assert float(whole["both_low"]) < float(whole["both"]) < float(whole["both_high"])
    page = (out / "summary.html").read_text(encoding="utf-8")
    row = told[seals:].splitlines()[2].split()
    first = page[: page.index("<h2>")]
    adds = row[row.index("mm", row.index("mm") + 1) + 2]
    assert (
        f"31 mm alone {adds} (" in first
        and adds == f"{float(rows['all', 'sealed']['only_larger']):.2f}"
    )
    part = page[page.index("<h2>What the second size adds") :]
    assert part.index("Which size leaves a vein sealed") < part.index("leaves a vein occluded")
    assert part.index("With an antral seal in one try of each size: LSPV: 31 mm adds") < part.index(
        "Occluded in one try of each size: LSPV: 31 mm adds"
    )
    assert page.count("data:image/svg+xml") == 7
    # Practice counts a good seat: sealed and not deep (DESIGN.md, "antral").
    practice = page[page.index(">common practice<") :]
    assert practice[: practice.index("</tr>")].count("sealed") == 1
    assert "right phrenic nerve" in page
    before = (out / "summary.html").read_bytes()
    assert main(["cohort", "summary", str(study), "--out", str(out), "--quiet"]) == 0
    assert (out / "summary.html").read_bytes() == before


def test_the_findings_come_first_with_their_figures(tmp_path):
    """Four cases of two veins, one vein of one case besides: all by hand."""
    fits, veins = case((True, False), (True, True))
    for item in veins:
        item["confidence"], item["name_confidence"] = 0.4, 0.95
    extra = [fit("extra-1", size, False) for size in (28, 31)]
    alone = [{"vein": "extra-1", "confidence": 0.9, "name_confidence": 0.6}]
    folder = cohort(tmp_path / "run", [(fits, veins)] * 3 + [(fits + extra, veins + alone)], 1)
    summary = summarise(read_cohort(folder))
    first, *more = findings(summary)
    # 28 mm seals eight of nine veins by its nominal seat, 31 mm four.
    assert first.startswith("Predicted share of veins that the nominal seat seals: 28 mm 0.89")
    assert "31 mm 0.44" in first and first.endswith("in 9 veins.")
    assert more[0].startswith("The least is predicted for LSPV with 31 mm: 0.00")
    # The chart shows the vein of one case, which is lower with 28 mm too.
    assert more[0].endswith(" in 4 veins; veins of a single case are left out.")
    without = summarise(read_cohort(cohort(tmp_path / "without", [(fits, veins)] * 3)))
    assert findings(without)[1].endswith(" in 3 veins.")
    assert more[-1] == (
        "Measurement: of 9 veins 8 have a measurement confidence below 0.5 and 1 a doubtful name "
        "(probability below 0.9); 0 seats could not be assessed; 1 of 5 cases failed."
    )
    write_summary(summary, tmp_path / "out")
    page = (tmp_path / "out" / "summary.html").read_text(encoding="utf-8")
    assert page.index(first[:40]) < page.index("Intervals hold 95 %") < page.index("<h2>")
    # What was seen in one case is folded away.
    folded = page[page.index("more rows of one case or none") :]
    assert "extra-1" in folded[: folded.index("</details>")]
    assert page.count(">extra-1<") == folded.count(">extra-1<")


def test_folders_that_hold_no_finished_cohort(study, tmp_path):
    with pytest.raises(InputError, match="no folder of cohort run"):
        read_cohort(tmp_path)
    with pytest.raises(InputError, match="has no approach 'transseptal'; it has coaxial"):
        read_cohort(study, "transseptal")
    (study / "work").mkdir()
    with pytest.raises(InputError, match="is not finished"):
        read_cohort(study)


def test_cohort_in_which_every_case_failed(tmp_path):
    run_cohort(
        [BatchCase("a", str(tmp_path / "missing.stl"))], tmp_path / "run", make_plan(), workers=1
    )
    with pytest.raises(InputError, match="every case failed"):
        read_cohort(tmp_path / "run")


def with_draws(vein, size, one, several, grown=None):
    """A fit with probabilities for two draws of the patient's unknowns."""
    return fit(
        vein, size, True, antral_given_patient=one, occluded_given_patient=one,
        steered_antral_given_patient=several, grown_antral_given_patient=grown,
    )  # fmt: skip


def test_the_whole_case_multiplies_draw_by_draw_what_veins_share(tmp_path):
    """Two veins, two draws of the patient, by hand: alike over all cases."""
    fits = [
        with_draws("LSPV", 28, [1.0, 0.0], [1.0, 0.5], [1.0, 0.5]),
        with_draws("LSPV", 31, [0.5, 0.5], [1.0, 1.0]),
        with_draws("RIPV", 28, [0.8, 0.2], [0.9, 0.5], [0.8, 0.2]),
        with_draws("RIPV", 31, [0.0, 0.0], [0.5, 0.0]),
    ]
    veins = [{"vein": vein} for vein in VEINS]
    whole = summarise(read_cohort(cohort(tmp_path / "run", [(fits, veins)] * 4))).whole
    told = {(one.choice, one.tries): one for one in whole}
    assert set(told) == {
        *((c, t) for c in ("28 mm", "31 mm", "28 mm and 31 mm") for t in ("one", "several")),
        ("28 mm grown to 31 mm", "one"),
    }
    expected = {
        ("28 mm", "one"): (0.5 + 0.5, (1.0 * 0.8 + 0.0 * 0.2) / 2),
        ("31 mm", "one"): (0.5, 0.0),
        ("28 mm and 31 mm", "one"): (0.75 + 0.5, (1.0 * 0.8 + 0.5 * 0.2) / 2),
        ("28 mm grown to 31 mm", "one"): (0.75 + 0.5, (1.0 * 0.8 + 0.5 * 0.2) / 2),
        ("28 mm", "several"): (0.75 + 0.7, (0.9 + 0.25) / 2),
        ("28 mm and 31 mm", "several"): (1.0 + (0.95 + 0.5) / 2, (0.95 + 0.5) / 2),
    }
    for key, (sealed, every) in expected.items():
        assert told[key].sealed.value == pytest.approx(sealed), key
        assert told[key].every.value == pytest.approx(every), key
        assert (told[key].cases, told[key].veins) == (4, 2.0)
        assert told[key].sealed.low == pytest.approx(sealed)  # cases alike: no spread


def test_a_vein_with_an_unknown_size_is_not_counted_and_one_out_of_reach_is_never_sealed(tmp_path):
    fits = [
        with_draws("LSPV", 28, [0.6, 0.6], [0.6, 0.6]),
        with_draws("LSPV", 31, [0.6, 0.6], [0.6, 0.6]),
        with_draws("RIPV", 28, [0.6, 0.6], [0.6, 0.6]),
        fit("RIPV", 31, None, outcome="not assessed", sealed=None),
    ]
    veins = [{"vein": vein} for vein in VEINS]
    found = summarise(read_cohort(cohort(tmp_path / "unknown", [(fits, veins)] * 3))).whole
    assert only(found, choice="28 mm", tries="one").veins == 1.0
    fits[-1] = fit("RIPV", 31, None, outcome="cannot reach", sealed=None)
    found = summarise(read_cohort(cohort(tmp_path / "far", [(fits, veins)] * 3))).whole
    larger = only(found, choice="31 mm", tries="one")
    assert (larger.veins, larger.sealed.value, larger.every.value) == (2.0, 0.6, 0.0)


def test_the_whole_case_is_written_and_shown(tmp_path):
    fits = [with_draws("LSPV", size, [0.6, 0.4], [0.8, 0.6]) for size in (28, 31)]
    folder = cohort(tmp_path / "run", [(fits, [{"vein": "LSPV"}])] * 3)
    files = write_summary(summarise(read_cohort(folder)), tmp_path / "out")
    assert "expected.csv" in files
    head = (tmp_path / "out" / "expected.csv").read_text(encoding="utf-8").splitlines()[:2]
    assert head[0].startswith("choice,tries,cases,veins,expected_sealed,expected_sealed_low,")
    assert head[1].startswith("28 mm,one,3,1.0000,0.5000,")
    (page,) = (name for name in files if name.endswith(".html"))
    assert "Expected seals of a case" in (tmp_path / "out" / page).read_text(encoding="utf-8")


def test_veins_with_doubtful_names_are_counted_and_left_out(tmp_path):
    fits, _ = case((True, True), (False, False))
    veins = [
        {"vein": "LSPV", "name_confidence": 0.95, "confidence": 0.9},
        {"vein": "RIPV", "name_confidence": 0.5, "confidence": 0.5},
    ]
    leaks = [{"vein": vein, "balloon": "28 mm", "clock_h": 6.0, "side": "atrial"} for vein in VEINS]
    folder = cohort(tmp_path / "run", [(fits, veins, leaks)] * 4)
    everything, sure = read_cohort(folder), read_cohort(folder, least_name_confidence=0.9)
    assert any("of 8 veins" in text and "4 a doubtful name" in text for text in findings(
        summarise(everything)
    ))  # fmt: skip
    assert (everything.left_out, sure.left_out) == (0, 4)
    assert set(sure.vein) == {"LSPV"}
    assert sure.anatomy.keys() == everything.anatomy.keys()
    assert set(sure.leaks.vein) == {"LSPV"}
    assert any("4 veins with a doubtful name were left out" in t for t in findings(summarise(sure)))
    with pytest.raises(InputError, match="least-name-confidence"):
        read_cohort(folder, least_name_confidence=0.99)


def test_the_command_says_how_many_veins_it_left_out(tmp_path, capsys):
    fits, _ = case((True, True), (False, False))
    veins = [
        {"vein": vein, "name_confidence": sure}
        for vein, sure in zip(VEINS, (1.0, 0.4), strict=True)
    ]
    folder = cohort(tmp_path / "run", [(fits, veins)] * 4)
    told = [
        "cohort",
        "summary",
        str(folder),
        "--out",
        str(tmp_path / "out"),
        "--least-name-confidence",
    ]
    assert main([*told, "0.9"]) == 0
    assert "4 cases, 4 veins (4 more with a doubtful name left out)" in capsys.readouterr().out
    assert main([*told, "90"]) == 2
    assert "pass 0 to 1" in capsys.readouterr().err


def test_cases_in_doubt_are_a_caution_before_all_and_can_be_left_out(tmp_path, capsys):
    def named(sure):
        fits, _ = case((True, True), (False, False))
        return fits, [{"vein": vein, "name_confidence": sure, "confidence": 0.9} for vein in VEINS]

    doubted = named(0.5)
    folder = cohort(tmp_path / "run", [named(0.95), *[doubted] * 4], warned=(1, 2, 3, 4))
    out = tmp_path / "out"
    assert main(["cohort", "summary", str(folder), "--out", str(out)]) == 0
    first, second, *_ = capsys.readouterr().out.splitlines()
    assert first == "5 cases, 10 veins"
    caution = (
        "4 of 5 cases carry a warning that puts the whole case in doubt, and count in every figure "
        "(c1: the frame may be wrong; c2: the frame may be wrong; c3: the frame may be wrong; and "
        "1 more)"
    )
    assert second.startswith(f"caution: {caution}")
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert page.index(caution) < page.index("<h2>")
    # The filter of doubtful names leaves them out, and then nothing is said of them.
    sure = summarise(read_cohort(folder, least_name_confidence=0.9))
    assert not sure.cohort.warned and not any("in doubt" in text for text in sure.remarks)


@pytest.mark.parametrize("axes", ALL_AXES[1:])
def test_names_in_a_doubted_frame_are_below_the_filter_that_the_caution_tells(axes):
    for better_by in np.linspace(-1.999, 50.0, 60):
        other = OtherFrame(axes, float(better_by))
        assert other.note(StatedFrame("lps")) is not None
        assert other.most_confidence < CLOSE_RUNNER_UP


def test_a_share_without_an_interval_has_no_empty_brackets(tmp_path, capsys):
    """One case: no interval that is clustered by case can be had."""
    fits, veins = case((True, False), (True, True))
    extra = [with_draws("LIPV", size, [0.6, 0.4], [0.8, 0.6]) for size in (28, 31)]
    folder = cohort(tmp_path / "run", [(fits + extra, [*veins, {"vein": "LIPV"}])])
    assert main(["cohort", "summary", str(folder), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "summary.html").read_text(encoding="utf-8")
    told = capsys.readouterr().out
    assert "0.50" in told
    assert "(–)" not in told and "(–)" not in page
