"""Fixtures that every package's tests share."""

from __future__ import annotations

import os
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from browser import end_browsers
from hypothesis import settings
from once import made_once

if TYPE_CHECKING:
    import numpy as np
    from whole import ByCommand, Whole

# As many processes as cores run the tests: more threads would only wait for each other. It is read
# when numpy is loaded, which is why that is imported nowhere above.
for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

# The same examples on every run, so that a red check can be repeated.
settings.register_profile("veinfit", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("veinfit")

SLOW_TEST = 30
"""A slow test takes as long as so many others: about ten seconds and a third of one."""

MADE_ONCE, WHOLE_JOB = ("whole", "by_command", "begin", "assessed_folder"), 100
"""Fixtures that run a whole job once for all processes, and how many tests take as long."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take longest: the processes then end at about the same time."""
    load: Counter[object] = Counter()
    for item in items:
        load[item.path] += 1 if item.get_closest_marker("slow") is None else SLOW_TEST
    for name in MADE_ONCE:
        # One file makes it, early: another that began at the same time would only wait for it.
        asking = {item.path for item in items if name in getattr(item, "fixturenames", ())}
        if asking:
            load[max(asking, key=lambda path: (load[path], path))] += WHOLE_JOB
    items.sort(key=lambda item: -load[item.path])


def pytest_sessionfinish() -> None:
    end_browsers()


@pytest.fixture(scope="session")
def whole(tmp_path_factory) -> Whole:
    """The whole job on the first sample, from Python."""
    from whole import do_whole, whole_in

    return whole_in(made_once(tmp_path_factory, "whole", do_whole))


@pytest.fixture(scope="session")
def by_command(tmp_path_factory) -> ByCommand:
    """The same job by the command of the README."""
    from whole import command_in, do_command

    return command_in(made_once(tmp_path_factory, "by_command", do_command))


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed, new for every test."""
    import numpy as np

    return np.random.default_rng(20261125)
