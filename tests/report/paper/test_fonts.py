"""The files of the fonts on paper, found without their library."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import pytest

from veinfit.report.paper.fonts import BOLD_FILE, PLAIN_FILE, font_file


@pytest.mark.parametrize("name", [PLAIN_FILE, BOLD_FILE])
def test_a_font_is_where_its_library_says(name):
    assert font_file(name) == Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
    assert font_file(name).is_file()
