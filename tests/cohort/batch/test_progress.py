"""What is told while a run goes on."""

from __future__ import annotations

import argparse
import io

import pytest

from veinfit.cohort.batch.progress import Bar, Lines, clock_words
from veinfit.commands.cohort.run import cohort_progress


def test_lines_tell_count_failures_and_time_left():
    now = [0.0]
    stream = io.StringIO()
    lines = Lines(stream, clock=lambda: now[0])
    lines.start(100)
    lines.passed(20)
    for k in range(80):
        now[0] += 10.0
        lines.finished(failed=k == 0)
    told = stream.getvalue().splitlines()
    assert told[0] == "veinfit: 100 cases"
    # Those of an earlier run took no time: 80 at 10 s each are left, not 5 times what has passed.
    assert told[1] == "veinfit: 21 of 100 cases, 1 failed, 10 s, about 13 min 10 s left"
    assert told[-1] == "veinfit: 100 of 100 cases, 1 failed, 13 min 20 s, about 0 s left"
    assert 20 <= len(told) <= 30


def test_time_spans():
    assert [clock_words(s) for s in (0.4, 59.6, 3599, 3600, 90061)] == [
        "0 s", "1 min 00 s", "59 min 59 s", "1 h 00 min", "25 h 01 min",
    ]  # fmt: skip


def test_bar_tells_the_same():
    stream = io.StringIO()
    bar = Bar(stream)
    bar.start(3)
    bar.passed(1)
    bar.finished(failed=True)
    bar.say("the [disk] is full")
    bar.finished(failed=False)
    bar.close()
    told = stream.getvalue()
    assert "3/3" in told
    assert "1 failed" in told
    assert "the [disk] is full" in told


@pytest.mark.parametrize(("quiet", "lines"), [(True, 1), (False, 4)])
def test_a_run_that_stands_still_says_so_however_quiet_it_is(quiet, lines):
    stream = io.StringIO()
    asked = argparse.Namespace(quiet=quiet, verbose=False)
    with cohort_progress(asked, stream) as progress:
        progress.start(1)
        progress.say("a remark")
        progress.warn("the disk is full: waiting")
        progress.finished(failed=False)
        progress.close()
    told = stream.getvalue().splitlines()
    assert "veinfit: the disk is full: waiting" in told
    assert len(told) == lines
