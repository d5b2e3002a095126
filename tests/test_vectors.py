"""Numbers and rows told apart, held against numpy's own general and slower way."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.vectors import distinct, distinct_pairs, row_keys


@pytest.mark.parametrize("count", [0, 1, 2000])
def test_distinct_numbers_and_pairs_are_those_of_numpy(count):
    rng = np.random.default_rng(3)
    pairs = rng.integers(0, 40, (count, 2))
    assert np.array_equal(distinct(pairs[:, 0]), np.unique(pairs[:, 0]))
    assert np.array_equal(distinct_pairs(pairs), np.unique(pairs, axis=0))


@pytest.mark.parametrize("top", [8, 2**21, 2**40], ids=["few", "just one number", "too large"])
def test_keys_tell_rows_apart_in_their_order(top):
    rng = np.random.default_rng(4)
    rows = rng.integers(0, top, (500, 3))
    rows = np.concatenate([rows, rows[::3]])
    _, first, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    _, own_first, own_inverse = np.unique(row_keys(rows), return_index=True, return_inverse=True)
    assert np.array_equal(own_first, first)
    assert np.array_equal(own_inverse.ravel(), inverse.ravel())
