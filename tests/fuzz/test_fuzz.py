"""A fixed set of spoiled files: each is read, or refused in one line."""

from __future__ import annotations

import pytest
from fuzz.supervise import run

QUICK = 300
ALL = 2000


def _check(first: int, last: int) -> None:
    outcome = run(1, first, last)
    assert outcome.faults == []
    assert outcome.inputs == last - first
    whats = {what for _, what in outcome.counts}
    # Nothing but refusals would mean that files were not spoiled, but no files at all.
    assert whats == {"read", "refused"}


def test_some_spoiled_files():
    _check(0, QUICK)


@pytest.mark.slow
def test_spoiled_files():
    _check(QUICK, ALL)
