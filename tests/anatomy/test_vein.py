"""What a part that branches share, and that shows no ostium, says of their names."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from veinfit.anatomy.vein import _unnamed_trunk

LIMIT_MM = 10.0


def shared_by(first, second, length_mm=13.0, weighed=False):
    """Two branches that share a part, and what it says of the first of them."""
    candidates = [SimpleNamespace(members=(0,)), SimpleNamespace(members=(1,))]
    if weighed:
        candidates.append(SimpleNamespace(members=(0, 1)))
    found = SimpleNamespace(
        candidates=candidates,
        roles={first: 0, second: 1},
        branches=SimpleNamespace(
            shared=[SimpleNamespace(members=(0, 1), length_mm=length_mm)],
        ),
    )
    return _unnamed_trunk(found, candidates[0], LIMIT_MM)


@pytest.mark.parametrize(
    ("first", "second", "sure"),
    [
        ("LSPV", "LIPV", 0.5),
        # Right common trunks are rare: 0.5 % (Cronin et al., Acad Radiol 2007).
        ("RSPV", "RIPV", 0.9),
        ("RSPV", "RMPV", 0.5),
    ],
)
def test_two_veins_that_share_a_long_part_may_be_branches_of_one(first, second, sure):
    assert shared_by(first, second) == (13.0, sure)


@pytest.mark.parametrize(
    ("first", "second", "length_mm", "weighed"),
    [
        ("LSPV", "LIPV", 9.0, False),  # too short to be common
        ("LSPV", "LIPV", 13.0, True),  # a candidate of its own, which the names weighed
        ("LSPV", "LAA", 13.0, False),  # a vein and the appendage share the atrium
    ],
)
def test_what_is_no_trunk_says_nothing(first, second, length_mm, weighed):
    assert shared_by(first, second, length_mm, weighed) == (None, 1.0)
