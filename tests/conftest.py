"""Fixtures that every room's tests share."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings

# The same examples on every run, so that a red check can be repeated.
settings.register_profile("veinfit", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("veinfit")


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed, new for every test."""
    return np.random.default_rng(20261125)
