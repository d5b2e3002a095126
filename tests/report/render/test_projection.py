"""Names of projections: the clinical convention, common practice, no source for the words."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.frames import LEFT, POSTERIOR, SUPERIOR
from veinfit.report.render.projection import (
    projection_name,
    viewer_angles,
    viewer_direction,
    viewer_up,
)


@pytest.mark.parametrize(
    ("towards", "name"),
    [
        (-POSTERIOR, "AP"),
        (POSTERIOR, "PA"),
        (LEFT, "left lateral"),
        (-LEFT, "right lateral"),
        (LEFT - POSTERIOR, "LAO 45°"),
        (-LEFT - POSTERIOR, "RAO 45°"),
        (LEFT + POSTERIOR, "LPO 45°"),
        (-LEFT + POSTERIOR, "RPO 45°"),
        (-POSTERIOR + SUPERIOR, "AP, cranial 45°"),
        (-POSTERIOR - SUPERIOR, "AP, caudal 45°"),
        (SUPERIOR, "from the head"),
        (-SUPERIOR, "from the feet"),
    ],
)
def test_a_viewer_on_a_side_of_the_patient_has_its_clinical_name(
    towards: np.ndarray, name: str
) -> None:
    assert projection_name(*viewer_angles(towards)) == name


def test_angles_and_directions_are_each_others_inverse() -> None:
    for lao in range(-175, 181, 25):
        for cranial in (-80, -10, 0, 35, 85):
            towards, up = viewer_direction(lao, cranial), viewer_up(lao, cranial)
            assert np.allclose(viewer_angles(towards), (lao, cranial))
            assert np.allclose([towards @ towards, up @ up, towards @ up], [1, 1, 0])
            assert up @ SUPERIOR > 0


def test_names_go_round_without_a_gap() -> None:
    assert projection_name(360.2, 0.2) == "AP"
    assert projection_name(-180, 0) == projection_name(179.7, 0) == "PA"
    assert projection_name(-30.4, 20.4) == "RAO 30°, cranial 20°"
