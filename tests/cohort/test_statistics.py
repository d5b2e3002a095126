"""Statistics against published worked examples and a second library, each named."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from veinfit.cohort.clustered import clustered, clustered_sums, share
from veinfit.cohort.statistics import (
    cross_table,
    exact_paired,
    kappa_weights,
    limits_of_agreement,
    standardised_difference,
    superiority,
    weighted_kappa,
    wilson,
)


@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        # Newcombe, Stat Med 1998;17:857, Table I.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_as_published(count, total, low, high):
    found = wilson(count, total)
    assert found.value == pytest.approx(count / total)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)


def test_wilson_as_scipy_and_statsmodels():
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for count, total in [(0, 1), (1, 1), (3, 10), (7, 7), (231, 258), (54, 86)]:
        found = wilson(count, total)
        other = stats.binomtest(count, total).proportion_ci(0.95, method="wilson")
        assert (found.low, found.high) == pytest.approx((other.low, other.high), abs=1e-12)
        third = proportion.proportion_confint(count, total, method="wilson")
        assert (found.low, found.high) == pytest.approx(third, abs=1e-12)
    assert wilson(0, 0).value is None


def test_sensitivity_and_specificity_of_the_liver_scan():
    # Altman & Bland, BMJ 1994;308:1552: 231 of 258 abnormal, 54 of 86 normal livers told.
    sensitivity, specificity = wilson(231, 258), wilson(54, 86)
    assert (sensitivity.value, specificity.value) == pytest.approx((0.895349, 0.627907), abs=1e-6)
    assert (sensitivity.low, sensitivity.high) == pytest.approx((0.852021, 0.927076), abs=1e-6)
    assert (specificity.low, specificity.high) == pytest.approx((0.522338, 0.722537), abs=1e-6)


FLEISS_WEIGHTS = np.array([[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]])


@pytest.mark.parametrize(
    ("table", "weights", "kappa", "error"),
    [
        # statpsych's manual of ci.kappa prints these.
        ([[31, 12], [4, 58]], np.eye(2), 0.6756757, 0.07344761),
        # SAS printout in statsmodels' tests: unweighted, and linear weights.
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], np.eye(3), 0.4842, 0.1380),
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], kappa_weights(3, 1), 0.4701, 0.1457),
        # Cohen, Psychol Bull 1968;70:213, n = 200: "reports .492", and .348 with these weights.
        (200 * np.array([[44, 7, 9], [5, 20, 5], [1, 3, 6]]) / 100, np.eye(3), 0.491525, 0.051002),
        (
            200 * np.array([[44, 7, 9], [5, 20, 5], [1, 3, 6]]) / 100,
            1.0 - np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]]) / 6,
            0.347826,
            None,
        ),
        # Fleiss, Cohen, Everitt, Psychol Bull 1969;72:323.
        ([[106, 10, 4], [22, 28, 10], [2, 12, 6]], np.eye(3), 0.428571, 0.053711),
        ([[106, 10, 4], [22, 28, 10], [2, 12, 6]], FLEISS_WEIGHTS, 0.507070, 0.056994),
    ],
)
def test_kappa_as_published(table, weights, kappa, error):
    value, spread = weighted_kappa(np.array(table, dtype=float), weights)
    assert value == pytest.approx(kappa, abs=6e-5)
    if error is not None:
        assert spread == pytest.approx(error, abs=6e-5)


@pytest.mark.parametrize(("power", "name"), [(1, "linear"), (2, "quadratic")])
def test_kappa_as_statsmodels(power, name):
    rater = pytest.importorskip("statsmodels.stats.inter_rater")
    table = np.array([[8, 3, 1, 0], [2, 10, 4, 1], [0, 5, 20, 8], [0, 1, 6, 51]], dtype=float)
    value, error = weighted_kappa(table, kappa_weights(4, power))
    other = rater.cohens_kappa(table, wt=name)
    assert (value, error) == pytest.approx((other.kappa, other.std_kappa), rel=1e-9)


def test_kappa_without_meaning():
    assert weighted_kappa(np.array([[5.0, 0.0], [0.0, 0.0]]), np.eye(2)) == (None, None)
    assert weighted_kappa(np.zeros((2, 2)), np.eye(2)) == (None, None)


def test_cross_table():
    table = cross_table(np.array([0, 1, 1]), np.array([0, 1, 2]), 3)
    assert table.tolist() == [[1, 0, 0], [0, 1, 1], [0, 0, 0]]


LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_limits_of_agreement_of_the_flow_meters():
    # Bland & Altman, Lancet 1986;327:307: peak flow of 17 people by two meters, l/min. They print
    # -2.1, 38.8 and for the lower limit's interval -114.3 to -45.1 from limits at 2 SD.
    found = limits_of_agreement(np.array(LARGE, dtype=float) - np.array(MINI))
    assert found.number == 17
    assert found.bias.value == pytest.approx(-2.117647, abs=1e-6)
    assert found.sd == pytest.approx(38.765130, abs=1e-6)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0488, 17.8135), abs=1e-4)
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.0973, 73.8620), abs=2e-3)
    half = (found.lower.high - found.lower.low) / 2
    assert half == pytest.approx((-45.126 + 114.170) / 2, abs=2e-3)
    assert half == pytest.approx((-45.1 + 114.3) / 2, abs=0.1)


def test_limits_of_one_pair_are_not_made_up():
    found = limits_of_agreement(np.array([1.5]))
    assert (found.number, found.bias.value, found.bias.low, found.lower.value) == (
        1,
        1.5,
        None,
        None,
    )
    assert limits_of_agreement(np.array([])).bias.value is None


def test_exact_test_as_statsmodels():
    tables = pytest.importorskip("statsmodels.stats.contingency_tables")
    for b, c in [(0, 5), (1, 9), (5, 15), (10, 10), (3, 4)]:
        other = tables.mcnemar([[20, b], [c, 30]], exact=True).pvalue
        assert exact_paired(b, c) == pytest.approx(other, rel=1e-12)
    # By hand: 2 (1/2)^5.
    assert exact_paired(0, 5) == pytest.approx(0.0625)
    assert exact_paired(0, 0) is None


def test_superiority_as_scipy():
    random = np.random.default_rng(5)
    values = np.round(random.normal(size=60), 1)
    group = random.random(60) < 0.4
    u = stats.mannwhitneyu(values[group], values[~group]).statistic
    assert superiority(values, group) == pytest.approx(u / (group.sum() * (~group).sum()))
    assert superiority(values, np.ones(60, dtype=bool)) is None


def test_standardised_difference_by_hand():
    # Means 2 and 5, both variances 1, four degrees of freedom: -3 (1 - 3/15).
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    group = np.array([True] * 3 + [False] * 3)
    assert standardised_difference(values, group) == pytest.approx(-3.0 * 0.8)
    assert standardised_difference(np.ones(6), group) is None


def test_bootstrap_covers_the_mean_of_clusters_and_not_less():
    # Ten equal rows in each of 40 clusters are 40 values: the interval is theirs, about
    # 1.96 / sqrt(40) to each side, and not that of 400.
    random = np.random.default_rng(3)
    values = np.repeat(random.normal(size=40), 10)
    clusters = [f"p{k // 10}" for k in range(400)]
    found = clustered(lambda rows: float(values[rows].mean()), clusters)
    half = (found.high - found.low) / 2
    expected = 1.96 * values[::10].std() / np.sqrt(40)
    assert half == pytest.approx(expected, rel=0.08)
    sums = np.stack([values, np.ones(400)], axis=1)
    other = clustered_sums(sums, share, clusters)
    assert other.value == pytest.approx(found.value)
    # Two streams of draws for one distribution.
    assert (other.low, other.high) == pytest.approx((found.low, found.high), abs=0.03)
    again = clustered(lambda rows: float(values[rows].mean()), clusters)
    assert again == found


def test_bootstrap_is_not_given_for_two_patients_or_lost_draws():
    values = np.arange(4.0)
    found = clustered(lambda rows: float(values[rows].mean()), ["a", "a", "b", "b"])
    assert (found.value, found.low) == (1.5, None)
    rare = clustered(lambda rows: 1.0 if 0 in rows else None, [f"p{k}" for k in range(30)])
    assert (rare.value, rare.low) == (1.0, None)
