"""Atria of the real kind: samples stand for the function, truth agrees with the surface."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from veinfit.surface.cuts import plane_contours
from veinfit.synthetic import AtriumShape, BodyShape, SyntheticAtrium, VeinShape, build
from veinfit.synthetic.draw.distributions import built_in_distributions
from veinfit.synthetic.draw.drawn_case import draw_case
from veinfit.synthetic.truth.entries import trunk_entry
from veinfit.synthetic.truth.ostia import widening
from veinfit.synthetic.wall.meshing import folds


@lru_cache
def real() -> SyntheticAtrium:
    """One case; the same for every test of a process."""
    return draw_case(built_in_distributions(), 3, 1).atrium


@pytest.mark.slow
def test_samples_stand_for_the_function_near_the_wall(rng) -> None:
    atrium = real()
    surface = atrium.open_surface(2.0, even=False)
    points = surface.points + rng.normal(scale=0.3, size=surface.points.shape)
    off = np.abs(atrium.working.value(points) - atrium.working.exact(points))
    assert np.quantile(off, 0.95) < 0.04
    assert np.median(off) < 0.002
    assert off.max() > 0.0  # they are not the function itself


@pytest.mark.slow
def test_true_sections_are_those_of_the_surface() -> None:
    # The truth is found along rays in the implicit function, the contours by cutting triangles.
    atrium = real()
    surface = atrium.closed_surface(0.9, even=False)
    assert folds(surface) == 0
    assert len(atrium.truth.veins) == len(atrium.shape.veins)
    compared = []
    for vein in atrium.truth.veins:
        assert vein.ostium.kind == "half_turn" or vein.ostium.sectors_found < 48
        past_end = [(vein.ostium.contour - end) @ vein.axis for end in vein.end_centres]
        if not vein.ostium.closed or np.max(past_end) > -1.0:
            continue
        cuts = plane_contours(surface, vein.ostium.centre, vein.ostium.normal)
        areas = []
        for cut in cuts:
            apart = np.linalg.norm(cut.points.mean(axis=0) - vein.ostium.centre)
            if cut.closed and apart < 0.2 * vein.ostium.d_area_mm:
                a, b = cut.points, np.roll(cut.points, -1, axis=0)
                areas.append(0.5 * abs(np.cross(a, b).sum(axis=0) @ vein.ostium.normal))
        compared.append(vein.name)
        assert areas
        assert min(areas) == pytest.approx(vein.ostium.area_mm2, rel=0.02)
        # Half turns lie on the wall: the function is zero there.
        off = np.abs(atrium.implicit.longer(6.0).exact(vein.ostium.half_turn_points))
        # The samples stand for it to 0.04 mm over the wall, and a little less well on lips.
        assert np.quantile(off, 0.9) < 0.06
        assert off.max() < 0.2  # on the edge of a carina, which samples round
    assert len(compared) >= 2


def test_neighbours_are_close_and_the_body_is_flat() -> None:
    shape = real().shape
    x, y, z = shape.body.semi_axes_mm
    assert y < 0.8 * min(x, z)
    assert shape.waves is not None
    assert any(vein.mouth != (1.0, 1.0) for vein in shape.veins)


def test_where_no_wall_turns_the_ostium_is_where_sections_widen_half_as_fast_as_ever() -> None:
    # A funnel whose width follows a smoothstep from s = -2 to 14 mm: its rate 6u(1 - u) is half
    # of its greatest where u = (1 + sqrt(1/2)) / 2 from the mouth, at s = 11.66 mm.
    vein = VeinShape(
        name="LSPV", exit=(1.0, 0.0, 0.0), direction=(1.0, 0.0, 0.0),
        end_direction=(1.0, 0.0, 0.0), length_mm=24.0, d_long_mm=12.0, d_short_mm=12.0,
        taper=1.0, fillet_mm=1.0, funnel_mm=(2.0, 14.0), mouth=(1.6, 1.6),
    )  # fmt: skip
    # The body lies within the funnel's mouth: no other wall widens.
    body = BodyShape(semi_axes_mm=(6.0, 6.0, 6.0), exponent=2.0)
    atrium = build(AtriumShape(body=body, veins=(vein,)))
    field = atrium.implicit
    middle, normal, contour = widening(trunk_entry(vein, field), field)
    place = -2.0 + 16.0 * 0.5 * (1.0 + np.sqrt(0.5))
    assert middle[0] - 6.0 == pytest.approx(place, abs=0.8)  # steps of 0.5 mm, blurred over 1 mm
    assert normal == pytest.approx([1.0, 0.0, 0.0], abs=1e-9)
    assert np.linalg.norm(contour[:, 1:], axis=1) == pytest.approx(
        float(field.tubes[0].semi_axes(np.array([place / 24.0]))[0][0]), abs=0.2
    )
