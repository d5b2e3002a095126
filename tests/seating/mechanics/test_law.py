"""The law of indentation against its own differences."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.seating.mechanics.law import NEWTON_PER_KPA_MM2, IndentationLaw

LAWS = pytest.mark.parametrize(
    "law", [IndentationLaw(), IndentationLaw(0.75)], ids=["linear", "locking"]
)


@LAWS
def test_pressure_and_slope_are_derivatives_of_the_energy(law):
    depth, h = np.linspace(0.1, 3.0, 30), 1e-6
    above, below = depth + h, depth - h
    assert np.allclose(
        (law.energy(above) - law.energy(below)) / (2 * h), law.pressure(depth), rtol=1e-6
    )
    assert np.allclose(
        (law.pressure(above) - law.pressure(below)) / (2 * h), law.slope(depth), rtol=1e-6
    )


def test_at_the_locking_depth_the_pressure_is_twice_and_the_slope_four_times_the_linear_one():
    locking, linear, depth = IndentationLaw(0.75), IndentationLaw(), np.array(0.75)
    assert locking.pressure(depth) == pytest.approx(2.0 * linear.pressure(depth))
    assert locking.slope(depth) == pytest.approx(4.0 * linear.slope(depth))
    for law in (locking, linear):
        alone = law.energy(depth), law.pressure(depth), law.slope(depth)
        assert law.terms(depth) == pytest.approx(alone, rel=1e-14)


def test_a_kilopascal_over_a_square_millimetre_is_a_millinewton():
    assert pytest.approx(1e3 * (1e-3) ** 2) == NEWTON_PER_KPA_MM2
