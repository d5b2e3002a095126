"""The aim map in words and as a picture, on maps whose answer is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from veinfit.anatomy.model import Anatomy
from veinfit.frames import clock_direction, side_words
from veinfit.report.charts.aims import RADIUS_PX, aim_charts, aim_words
from veinfit.report.colours import CONTACT, gap_bands
from veinfit.report.render.drawing import Circle, Line
from veinfit.seating.model import Aim, Fit

TILTS = (8.0, 16.0, 24.0)
AXIS = np.array([0.0, -1.0, 0.0])


def aim_map(
    seals: Callable[[float | None, float], bool], outcome: str = "seated", deep: bool = False
) -> tuple[Aim, ...]:
    """Every 30 degrees of the clock at three tilts, and straight along the axis."""
    places: list[tuple[float | None, float]] = [(None, 0.0)]
    places += [(float(hour), tilt) for tilt in TILTS for hour in range(12)]
    return tuple(
        Aim(
            "LSPV", "28", "coaxial", hour,
            "" if hour is None else side_words(clock_direction(hour, AXIS)), tilt,
            "seated" if seals(hour, tilt) else outcome, seals(hour, tilt), seals(hour, tilt),
            seals(hour, tilt) and not deep, 0.1 if seals(hour, tilt) else 2.4, "", None, None,
        )
        for hour, tilt in places
    )  # fmt: skip


def words(seals: Callable[[float | None, float], bool], **how: bool) -> str:
    return aim_words(aim_map(seals, **how)).replace("\xa0", " ")  # type: ignore[arg-type]


def test_a_sector_is_told_by_tilts_side_and_hours() -> None:
    def inferior(hour: float | None, tilt: float) -> bool:
        return hour in (5.0, 6.0, 7.0) and tilt >= 16

    assert words(inferior) == (
        "seals from 6 of 37 directions, when the shaft points 16 to 24° inferior (5 to 7 o'clock)"
    )


def test_a_sector_across_twelve_is_one_sector() -> None:
    def superior(hour: float | None, tilt: float) -> bool:
        return hour in (11.0, 0.0, 1.0) and tilt == 8

    assert "points 8° superior (11 to 1 o'clock)" in words(superior)


def test_several_sectors_and_the_axis_are_alternatives() -> None:
    def both(hour: float | None, tilt: float) -> bool:
        return hour is None or (hour in (3.0, 9.0) and tilt == 8)

    said = words(both)
    assert said.startswith("seals from 3 of 37 directions, when the shaft lies along the vein's")
    assert "(9 o'clock)" in said and "(3 o'clock)" in said and " or points 8°" in said


def test_all_round_names_no_side() -> None:
    def near(hour: float | None, tilt: float) -> bool:
        return tilt <= 8

    assert words(near) == (
        "seals from 13 of 37 directions, when the shaft lies along the vein's axis or points 8° "
        "off axis in any direction"
    )


def test_where_most_directions_seal_the_others_are_told() -> None:
    def all_but(hour: float | None, tilt: float) -> bool:
        return not (hour in (6.0, 7.0) and tilt == 24)

    said = words(all_but)
    assert said.startswith("seals from 35 of 37 directions, not when the shaft points 24°")
    assert said.endswith("(6 to 7 o'clock)")


def test_a_ragged_sector_is_told_to_be_partly_so() -> None:
    def ragged(hour: float | None, tilt: float) -> bool:
        return hour in (5.0, 6.0, 7.0) and (tilt == 16 or (hour == 6.0 and tilt == 24))

    assert "points 16 to 24° inferior (5 to 7 o'clock, in part)" in words(ragged)


def test_everywhere_and_nowhere_are_counted() -> None:
    assert words(lambda hour, tilt: True) == "seals from all 37 directions"
    assert words(lambda hour, tilt: False) == "seals from none of 37 directions"
    assert aim_words(()) == ""


def test_a_deep_seal_is_none_that_counts() -> None:
    assert words(lambda hour, tilt: True, deep=True) == (
        "seals without lying deep from none of 37 directions"
    )


def test_the_picture_puts_every_direction_where_the_nose_points(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein = anatomy.veins[0]

    def three(hour: float | None, tilt: float) -> bool:
        return hour == 3.0 and tilt == 16

    fit = replace(fits[0], aims=aim_map(three), misalignment_deg=0.0)
    ((title, drawing),) = aim_charts(vein, [fit], gap_bands(0.5))
    assert title.replace("\xa0", " ") == "28 mm"
    cells = [s for s in drawing.shapes if isinstance(s, Line) and s.closed]
    assert len(cells) == 36
    (sealed,) = [cell for cell in cells if cell.fill == CONTACT]
    middle = np.array([drawing.width, drawing.height]) / 2
    offset = sealed.points.mean(axis=0) - middle
    # Three o'clock is to the right, and 16 of 24 degrees is two thirds of the radius.
    assert abs(offset[1]) < 1.0
    assert offset[0] == pytest.approx(RADIUS_PX * 16 / 24, rel=0.06)
    dots = [s for s in drawing.shapes if isinstance(s, Circle) and s.radius == 2.6]
    assert len(dots) == 1
    assert "from 1 of 37 directions" in drawing.alt
    assert {"12", "3", "6", "9", "10°", "20°"} <= set(drawing.texts)
    ElementTree.fromstring(drawing.svg)


def test_no_seat_is_crossed_out_and_the_nominal_direction_is_ringed(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein = anatomy.veins[0]
    bare = aim_map(lambda hour, tilt: False, outcome="passes through")
    fit = replace(fits[0], aims=bare, misalignment_deg=0.0)
    ((_, drawing),) = aim_charts(vein, [fit], gap_bands(0.5))
    arms = [s for s in drawing.shapes if isinstance(s, Line) and len(s.points) == 2]
    assert len(arms) == 2 * 37
    rings = [s for s in drawing.shapes if isinstance(s, Circle) and s.radius == 7.0]
    assert len(rings) == 2
    assert (rings[0].x, rings[0].y) == (drawing.width / 2, drawing.height / 2)
    assert aim_charts(vein, [fits[0]], gap_bands(0.5)) == ()
