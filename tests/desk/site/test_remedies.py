"""What the reason of a failed run says would mend it."""

from __future__ import annotations

import pytest

from veinfit.anatomy.naming.frame_check import ALL_AXES, OtherFrame, StatedFrame
from veinfit.desk.site.remedies import turned


@pytest.mark.parametrize("stated", [StatedFrame("lps"), StatedFrame("ras"),
                                    StatedFrame("lps", from_volume=True)])  # fmt: skip
def test_the_frame_that_would_fit_is_read_out_of_every_refusal(stated):
    for axes in ALL_AXES[1:]:
        assert turned(OtherFrame(axes, 99.0).refusal(stated)) == axes


@pytest.mark.parametrize("reason", ["", "volume x is damaged; export it again"])
def test_other_reasons_turn_nothing(reason):
    assert turned(reason) is None
