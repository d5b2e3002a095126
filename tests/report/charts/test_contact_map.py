"""The unrolled wall, held against a ball in a straight tube and against the clock's readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from veinfit.anatomy.model import Anatomy
from veinfit.report.charts.contact_map import (
    CELL_MM,
    COLUMNS,
    contact_charts,
    contact_charts_of_widths,
    contact_map,
    map_pixels,
    shown_depths,
)
from veinfit.report.colours import CONTACT, gap_bands, rgb
from veinfit.report.render.drawing import Words
from veinfit.report.render.plot import NARROW_PX, WIDE_PX
from veinfit.seating.model import Fit

ZONE = (0.0, 90.0)


def of_vein(anatomy: Anatomy, fits: tuple[Fit, ...], name: str) -> tuple:
    vein = next(v for v in anatomy.veins if v.name == name)
    return vein, tuple(f for f in fits if f.vein == name)


@pytest.mark.parametrize("name", ["LSPV", "LIPV", "RSPV", "RIPV"])
def test_the_least_gap_of_a_direction_is_the_clocks(
    anatomy: Anatomy, fits: tuple[Fit, ...], name: str
) -> None:
    """Readings are over half an hour of the clock, three cells; both take the least."""
    vein, own = of_vein(anatomy, fits, name)
    for fit in own:
        unrolled = contact_map(vein, fit, ZONE, (-25.0, 25.0))
        assert unrolled is not None
        with np.errstate(all="ignore"):
            least = np.nanmin(unrolled.gap_mm, axis=0)
        for reading in fit.clock:
            middle = round(reading.clock_h / 12 * COLUMNS)
            cells = least[np.arange(middle - 1, middle + 2) % COLUMNS]
            # The clock of these fits is read about the balloon, the map about the ostium.
            assert cells.min() == pytest.approx(reading.gap_mm, abs=0.6)


def test_a_cell_holds_the_least_gap_of_its_wall(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    vein, own = of_vein(anatomy, fits, "RIPV")
    fit = own[0]
    unrolled = contact_map(vein, fit, ZONE, (-10.0, 8.0))
    axis_hours = np.arange(COLUMNS) * 12 / COLUMNS
    from veinfit.frames import clock_hours

    offset = fit.patch.points - vein.ostium.centre
    depth, hours = offset @ vein.ostium.normal, clock_hours(offset, vein.axis)
    for column in (0, 17, 53):
        for row in (2, 9, 15):
            high = unrolled.high_mm - row * CELL_MM
            apart = np.abs((hours - axis_hours[column] + 6) % 12 - 6)
            here = (depth <= high) & (depth > high - CELL_MM) & (apart < 6 / COLUMNS)
            if here.any():
                # Edge and face middles may come nearer than the vertices, by no more than an edge.
                nearest = fit.patch_gap_mm[here].min()
                assert nearest - 0.8 <= unrolled.gap_mm[row, column] <= nearest + 1e-9


def test_contact_off_the_freezing_zone_is_told_apart(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein, own = of_vein(anatomy, fits, "RSPV")
    bands = gap_bands(0.5)
    whole = contact_map(vein, own[0], (0.0, 180.0), (-15.0, 8.0))
    none = contact_map(vein, own[0], (0.0, 1.0), (-15.0, 8.0))
    touching = (whole.gap_mm <= 0.5).sum()
    assert touching > 30 and not whole.warm.any()
    assert none.warm[none.gap_mm <= 0.5].all()
    blue = [
        int((np.abs(map_pixels(m, bands) - rgb(CONTACT) * 255).max(axis=2) < 1).sum())
        for m in (whole, none)
    ]
    assert blue[0] == touching * 16 and blue[1] == blue[0] / 2


def test_all_maps_of_a_vein_show_the_same_depths(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    vein, own = of_vein(anatomy, fits, "LIPV")
    low, high = shown_depths(vein, own)
    assert low <= -6 and high >= 6
    shapes = {contact_map(vein, fit, ZONE, (low, high)).gap_mm.shape for fit in own}
    assert len(shapes) == 1


def test_a_fit_without_a_seat_has_no_map(
    anatomy: Anatomy, fits: tuple[Fit, ...], without_seat
) -> None:
    vein, own = of_vein(anatomy, fits, "LIPV")
    assert contact_charts(vein, tuple(map(without_seat, own)), gap_bands(0.5), {}) == ()
    bare = replace(own[0], patch=None, patch_gap_mm=None)
    charts = contact_charts(vein, (bare, own[1]), gap_bands(0.5), {})
    assert [title.replace("\xa0", " ") for title, _ in charts] == ["31 mm"]


def test_only_maps_with_room_for_it_have_a_title_upward(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    """Three to a row on paper, it lay on the figures beside it: the key tells what is upward."""
    vein, own = of_vein(anatomy, fits, "RIPV")
    four = (*own, *(replace(fit, approach="coaxial") for fit in own))
    for shown, titled in ((own, (True, True)), (four, (True, False))):
        found = contact_charts_of_widths(vein, shown, gap_bands(0.5), {}, (WIDE_PX, NARROW_PX))
        for charts, expected in zip(found, titled, strict=True):
            assert len(charts) == len(shown)
            for _, drawing in charts:
                upward = [s for s in drawing.shapes if isinstance(s, Words) and s.turned]
                assert bool(upward) == expected
