"""Scrambled Sobol points against those of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from veinfit.seating.uncertainty.sobol import sobol_points


def _generator() -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence([7, 3]))


@pytest.mark.parametrize(("dimensions", "count"), [(1, 1), (2, 64), (27, 128), (90, 16)])
def test_they_are_those_of_scipy_to_the_last_bit(dimensions: int, count: int) -> None:
    theirs = qmc.Sobol(dimensions, scramble=True, rng=_generator()).random(count)
    assert np.array_equal(sobol_points(dimensions, count, _generator()), theirs)


def test_each_half_of_an_axis_holds_half_of_them() -> None:
    points = sobol_points(5, 64, _generator())
    assert (points >= 0.0).all() and (points < 1.0).all()
    for parts in (2, 8, 64):
        cells = np.floor(points * parts).astype(int)
        assert all(
            np.bincount(column, minlength=parts).tolist() == [64 // parts] * parts
            for column in cells.T
        )


def test_there_are_no_more_dimensions_than_the_table_has() -> None:
    with pytest.raises(ValueError):
        sobol_points(91, 2, _generator())
