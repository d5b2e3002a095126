from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from veinfit.anatomy.model import Anatomy
from veinfit.frames import clock_basis
from veinfit.report.colours import gap_bands
from veinfit.report.pictures.fit_scene import (
    FitFrame,
    balloon_surface,
    fit_views,
    frame_vein,
    ring_radius_mm,
)
from veinfit.seating.model import Fit
from veinfit.vectors import unit

SIZE = (590, 610)


def _of(fits: tuple[Fit, ...], name: str) -> list[Fit]:
    return [fit for fit in fits if fit.vein == name]


def _frame(anatomy: Anatomy, fits: tuple[Fit, ...], name: str) -> FitFrame:
    vein = next(v for v in anatomy.veins if v.name == name)
    return frame_vein(vein, _of(fits, name), *SIZE)


@pytest.mark.parametrize("name", ["LSPV", "LIPV", "RSPV", "RIPV"])
def test_both_balloons_and_the_ostium_are_inside_both_views(
    anatomy: Anatomy, fits: tuple[Fit, ...], name: str
) -> None:
    frame = _frame(anatomy, fits, name)
    for camera in (frame.side, frame.axial):
        for fit in _of(fits, name):
            ball = balloon_surface(fit, {})
            assert ball is not None
            flat = camera.project(np.vstack([ball.points, frame.vein.ostium.contour.points]))
            assert (flat[:, :2] > 10).all() and (flat[:, :2] < np.array(SIZE) - 10).all()


@pytest.mark.parametrize("name", ["LSPV", "LIPV", "RSPV", "RIPV"])
def test_down_the_axis_twelve_is_up_and_three_is_right(
    anatomy: Anatomy, fits: tuple[Fit, ...], name: str
) -> None:
    frame = _frame(anatomy, fits, name)
    twelve, three, _ = clock_basis(frame.vein.axis)
    assert frame.axial.up == pytest.approx(twelve)
    assert frame.axial.right == pytest.approx(three)
    # The viewer stands in the atrium.
    assert frame.axial.towards == pytest.approx(-frame.vein.axis)


def test_from_the_side_the_widest_leak_is_in_profile(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    frame = _frame(anatomy, fits, "RIPV")
    fit = next(f for f in _of(fits, "RIPV") if f.leaks)
    leak = fit.leaks[0]
    assert fit.centre is not None
    offset = np.array([leak.x_mm, leak.y_mm, leak.z_mm]) - fit.centre
    # In the cut through the balloon's centre, and the axis lies in the picture.
    assert offset @ frame.side.towards == pytest.approx(0.0, abs=1e-9)
    assert frame.vein.axis @ frame.side.towards == pytest.approx(0.0, abs=1e-9)


def test_without_a_leak_the_widest_gap_is_in_profile(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    frame = _frame(anatomy, fits, "RSPV")
    twelve, three, _ = clock_basis(frame.vein.axis)
    readings = [r for fit in _of(fits, "RSPV") for r in fit.clock]
    worst = max(readings, key=lambda r: r.gap_mm)
    turn = np.radians(30 * worst.clock_h)
    assert frame.weak == pytest.approx(np.cos(turn) * twelve + np.sin(turn) * three)


def test_a_balloon_beside_the_axis_is_shown_beside_it(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein = next(v for v in anatomy.veins if v.name == "RSPV")
    twelve, three, _ = clock_basis(vein.axis)
    aside = unit(0.6 * twelve - 0.8 * three)
    for far, shown in ((4.0, True), (2.0, False)):
        moved = [
            replace(fit, centre=fit.centre + far * aside)
            for fit in _of(fits, "RSPV")
            if fit.centre is not None
        ]
        frame = frame_vein(vein, moved, *SIZE)
        assert (float(frame.weak @ aside) == pytest.approx(1.0)) is shown
        if shown:
            # Ostium and balloon lie in one cut.
            offset = moved[0].centre - vein.ostium.centre
            assert offset @ frame.side.towards == pytest.approx(0.0, abs=1e-9)


def test_without_any_reading_the_longest_diameter_is_in_profile(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    vein = anatomy.veins[0]
    bare = [replace(fit, clock=(), leaks=(), leak_clock_h=None) for fit in _of(fits, vein.name)]
    frame = frame_vein(vein, bare, *SIZE)
    offsets = vein.ostium.contour.points - vein.ostium.centre
    longest = unit(offsets[np.argmax(np.linalg.norm(offsets, axis=1))])
    assert abs(frame.weak @ longest) == pytest.approx(1.0, abs=1e-6)


def test_a_vein_without_any_seat_has_views_too(anatomy: Anatomy) -> None:
    frame = frame_vein(anatomy.veins[0], [], *SIZE)
    assert frame.side.mm_per_px > 0 and frame.axial.mm_per_px > 0
    fit = Fit("LSPV", "28", 28.0, "coaxial", "cannot reach")
    side, axial = fit_views(anatomy, fit, frame, gap_bands(0.5), {})
    assert not side.translucent and not axial.translucent
    assert side.layers and axial.layers


def test_the_clock_ring_is_inside_the_view_and_outside_the_balloon(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    frame = _frame(anatomy, fits, "LSPV")
    half = 0.5 * min(SIZE) * frame.axial.mm_per_px
    assert 15.5 < ring_radius_mm(frame) < half


def test_the_near_wall_is_cut_away_at_the_balloons_centre(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    frame = _frame(anatomy, fits, "LIPV")
    for fit in _of(fits, "LIPV"):
        side, axial = fit_views(anatomy, fit, frame, gap_bands(0.5), {})
        for layer in side.layers:
            assert layer.clip is not None
            assert layer.clip[0] == pytest.approx(fit.centre)
        # Down the axis only the wall's inner side is drawn: the outer would hide the balloon.
        assert {layer.cull for layer in axial.layers} == {"facing"}


def test_a_balloon_of_another_shape_is_drawn_as_it_is(fits: tuple[Fit, ...]) -> None:
    fit = fits[0]
    profile = np.array([[-10.0, 0.0], [0.0, 14.0], [10.0, 0.0]])
    body = balloon_surface(fit, {fit.balloon: profile})
    assert body is not None and fit.centre is not None and fit.push_direction is not None
    along = (body.points - fit.centre) @ fit.push_direction
    assert along.min() == pytest.approx(-10.0) and along.max() == pytest.approx(10.0)
