"""Numbers as files hold them, and as a reader rounds them once more."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.report.wording import number
from veinfit.result.values import decimals, plain_value


@pytest.mark.parametrize(
    ("name", "shown", "span"),
    [
        ("seal_probability", 2, 1.0),
        ("depth_mm", 1, 30.0),
        ("antral_area_mm2", 0, 900.0),
        # One decimal more in the file than on the report.
        ("leak_width_mm", 2, 3.0),
        ("leak_area_mm2", 1, 90.0),
        ("misalignment_deg", 1, 60.0),
    ],
)
def test_what_is_rounded_from_a_file_is_what_the_report_shows(name, shown, span):
    digits = decimals(name)
    # Just beside every edge between two shown figures, and anywhere.
    edges = (np.arange(60) + 0.5) * 10.0**-shown
    beside = (edges[:, None] + [-1e-9, 1e-9, -3e-5, 3e-5, -3e-4, 3e-4]).ravel()
    anywhere = np.random.default_rng(7).uniform(-span, span, 2000)
    for value in np.concatenate([beside, -beside, anywhere]).tolist():
        held = plain_value(name, value)
        assert held == round(held, digits)
        assert abs(held - value) <= 1.01 * 10.0**-digits
        assert number(held, shown) == number(value, shown)


def test_a_number_at_an_edge_is_held_on_its_side_of_it():
    assert plain_value("seal_probability", 0.8550134) == 0.8551
    assert plain_value("seal_probability", 0.8551) == 0.8551
    assert plain_value("depth_mm", -0.00001) == 0.0
    assert plain_value("depth_mm", float("nan")) is None
