"""What the reason of a failed run says would mend it."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from veinfit.anatomy.naming.frame_check import ALL_AXES, OtherFrame, StatedFrame
from veinfit.desk.site.remedies import page_words, remedies, turned
from veinfit.io.results.output import unwritable


@pytest.mark.parametrize("stated", [StatedFrame("lps"), StatedFrame("ras"),
                                    StatedFrame("lps", from_volume=True)])  # fmt: skip
def test_the_frame_that_would_fit_is_read_out_of_every_refusal(stated):
    for axes in ALL_AXES[1:]:
        assert turned(OtherFrame(axes, 99.0).refusal(stated)) == axes


@pytest.mark.parametrize("reason", ["", "volume x is damaged; export it again"])
def test_other_reasons_turn_nothing(reason):
    assert turned(reason) is None


def test_what_cannot_be_written_is_told_without_its_path():
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    told = page_words(str(unwritable(Path("/a/b/asked.toml"), full)))
    assert told.startswith("asked.toml cannot be written, for the disk is full")
    assert os.strerror(errno.ENOSPC) in told and "/a" not in told and "--out" not in told
    closed = OSError(errno.EROFS, os.strerror(errno.EROFS))
    told = page_words(str(unwritable(Path("/a/b/result"), closed)))
    assert told == f"result cannot be written: {os.strerror(errno.EROFS)}"


def test_corrections_that_hinder_a_run_can_be_put_aside():
    (way,) = remedies("corrections /a/corrections.toml: RMPV is no vein of this case")
    assert (way.options, way.act) == ({}, "put-aside")
    assert remedies("input /a/b.ply: no vein was found; add corrections") == ()
