"""Published sizes, and what is said of a vein outside them."""

from __future__ import annotations

import pytest

from veinfit.anatomy.naming.diameters import PUBLISHED_MM_RANGES, USUAL_DIAMETERS, unusual_diameter


@pytest.mark.parametrize(("name", "d_mm"), [("RSPV", 17.6), ("LIPV", 23.5), ("extra-1", 40.0)])
def test_a_usual_diameter_is_not_remarked_on(name, d_mm):
    assert unusual_diameter(name, d_mm) is None


@pytest.mark.parametrize(
    ("name", "d_mm", "words"),
    [
        # Least and greatest of 200 patients: Cronin et al., Acad Radiol 2007, Table 3.
        ("LIPV", 30.0, ("30.0 mm", "5.2 to 23.5 mm", "atrium")),
        ("RMPV", 2.6, ("2.6 mm", "3 to 14 mm", "in the vein")),
        ("LCPV", 45.0, ("45.0 mm", "12 to 44 mm", "atrium")),
    ],
)
def test_an_unusual_diameter_is_named_with_the_published_range(name, d_mm, words):
    text = unusual_diameter(name, d_mm)
    assert text is not None and all(word in text for word in words)


def test_means_lie_in_their_ranges_and_the_left_inferior_vein_is_the_smallest():
    for name, (low, high) in PUBLISHED_MM_RANGES.items():
        assert low < USUAL_DIAMETERS[name][0] < high
    named = ("LSPV", "LIPV", "RSPV", "RIPV")
    assert min(named, key=lambda name: USUAL_DIAMETERS[name][0]) == "LIPV"
