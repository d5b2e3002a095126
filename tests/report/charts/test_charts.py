from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import clock_basis
from veinfit.report.charts.charts import (
    GREATEST_GAP_MM,
    OSTIUM_PX_PER_MM,
    calipers,
    gap_chart,
    ostium_chart,
    profile_chart,
    series_style,
)
from veinfit.report.colours import PAPER, contrast
from veinfit.report.render.drawing import Drawing
from veinfit.seating.model import Fit


def _tree(drawing: Drawing | None) -> ElementTree.Element:
    assert drawing is not None
    return ElementTree.fromstring(str(drawing.svg))


def _points(element: ElementTree.Element) -> np.ndarray:
    return np.array([pair.split(",") for pair in element.attrib["points"].split()], dtype=float)


def _words(tree: ElementTree.Element) -> list[str]:
    return ["".join(text.itertext()) for text in tree.iter("text")]


def _of(fits: tuple[Fit, ...], name: str) -> list[Fit]:
    return [fit for fit in fits if fit.vein == name]


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.3])
def test_calipers_of_an_ellipse(turn: float) -> None:
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    ellipse = np.stack([11.0 * np.cos(t), 7.0 * np.sin(t)], axis=1)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    longest, across = calipers(ellipse @ rotation.T)
    # Vertices lie on the ellipse: never over.
    assert np.linalg.norm(longest[1] - longest[0]) == pytest.approx(22.0, abs=1e-3)
    assert np.linalg.norm(across[1] - across[0]) == pytest.approx(14.0, abs=1e-3)
    assert (longest[1] - longest[0]) @ (across[1] - across[0]) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", ["LSPV", "RIPV"])
def test_the_ostium_is_drawn_to_scale(anatomy: Anatomy, fits: tuple[Fit, ...], name: str) -> None:
    vein = next(v for v in anatomy.veins if v.name == name)
    tree = _tree(ostium_chart(vein, _of(fits, name)))
    polygon = next(tree.iter("polygon"))
    drawn = _points(polygon) / OSTIUM_PX_PER_MM
    measures = vein.ostium.measures
    reach = np.linalg.norm(drawn[:, None] - drawn[None], axis=2)
    assert reach.max() == pytest.approx(measures.d_max_mm, abs=0.01)
    radii = [float(c.attrib["r"]) / OSTIUM_PX_PER_MM for c in tree.iter("circle")]
    assert radii == pytest.approx([14.0, 15.5], abs=0.01)
    told = " ".join(_words(tree))
    assert f"d_max {measures.d_max_mm:.1f} mm" in told
    assert f"d_min {measures.d_min_mm:.1f} mm" in told
    assert "10 mm" in told


def test_the_ostium_is_seen_from_the_atrium(anatomy: Anatomy) -> None:
    """A bulge toward three o'clock is drawn on the right, one toward twelve above."""
    vein = anatomy.veins[0]
    twelve, three, _ = clock_basis(vein.axis)
    for direction, axis, sign in ((three, 0, 1), (twelve, 1, -1)):
        turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)[:, None]
        points = vein.ostium.centre + 9 * (np.cos(turn) * twelve + np.sin(turn) * three)
        tip = np.argmax((points - vein.ostium.centre) @ direction)
        points[tip] += 3 * direction
        ostium = replace(vein.ostium, contour=replace(vein.ostium.contour, points=points))
        tree = _tree(ostium_chart(replace(vein, ostium=ostium), ()))
        drawn = _points(next(tree.iter("polygon")))
        offset = sign * (drawn[:, axis] - np.median(drawn[:, axis]))
        assert int(np.argmax(offset)) == tip


def test_the_hours_stand_around_the_ostium(anatomy: Anatomy) -> None:
    vein = anatomy.veins[1]
    tree = _tree(ostium_chart(vein, ()))
    at = {
        "".join(t.itertext()): (float(t.attrib["x"]), float(t.attrib["y"]))
        for t in tree.iter("text")
    }
    assert at["12"][1] < at["3"][1] < at["6"][1]
    assert at["9"][0] < at["12"][0] < at["3"][0]


def test_the_profile_follows_the_sections(anatomy: Anatomy) -> None:
    vein = anatomy.veins[0]
    tree = _tree(profile_chart(vein))
    curve = max((_points(p) for p in tree.iter("polyline")), key=len)
    area = np.array([s.measures.area_mm2 for s in vein.sections])
    assert len(curve) == len(area)
    # Linear in the area, downward on the page.
    fit = np.polyfit(area, curve[:, 1], 1)
    assert fit[0] < 0
    assert curve[:, 1] == pytest.approx(np.polyval(fit, area), abs=0.02)
    assert "ostium" in _words(tree)


def test_a_profile_of_one_section_is_left_out(anatomy: Anatomy) -> None:
    vein = anatomy.veins[0]
    assert profile_chart(replace(vein, sections=vein.sections[:1])) is None
    assert profile_chart(replace(vein, sections=())) is None


def test_the_first_branching_is_marked(anatomy: Anatomy) -> None:
    vein = replace(anatomy.veins[0], trunk_length_mm=9.0, trunk_at_least=False)
    assert "first branching" in _words(_tree(profile_chart(vein)))
    assert "first branching" not in _words(_tree(profile_chart(anatomy.veins[0])))


def test_the_gap_chart_shows_every_reading(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    vein = next(v for v in anatomy.veins if v.name == "RIPV")
    own = _of(fits, "RIPV")
    tree = _tree(gap_chart(vein, own, 0.5))
    curves = [_points(p) for p in tree.iter("polyline") if len(_points(p)) > 10]
    assert len(curves) == 2
    for curve, fit in zip(curves, own, strict=True):
        gap = np.array([r.gap_mm for r in fit.clock])
        assert len(curve) == len(gap) + 1  # closed at twelve
        slope = np.polyfit(gap, curve[:-1, 1], 1)
        assert slope[0] < 0
        assert curve[:-1, 1] == pytest.approx(np.polyval(slope, gap), abs=0.02)
    assert any("0.5 mm" in words for words in _words(tree))
    dashes = {p.attrib["stroke-dasharray"] for p in tree.iter("polyline") if len(_points(p)) > 10}
    assert len(dashes) == 2  # told apart without colour


def test_wide_and_missing_gaps_are_not_made_up(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    vein = anatomy.veins[0]
    fit = fits[0]
    wide = [replace(r, gap_mm=40.0) if 3 <= r.clock_h <= 4 else r for r in fit.clock]
    kept = tuple(r for r in wide if not 7 < r.clock_h < 10)
    tree = _tree(gap_chart(vein, [replace(fit, clock=kept)], 0.5))
    curves = [_points(p) for p in tree.iter("polyline") if len(_points(p)) > 2]
    curves = [c for c in curves if c[0, 0] != c[-1, 0] and len(c) > 3]
    assert len(curves) == 2  # broken where there are no readings
    assert f"at the top: gaps over {GREATEST_GAP_MM:g} mm" in _words(tree)
    assert "run along its top" in tree.attrib["aria-label"]


def test_the_gaps_axis_reaches_what_there_is_or_says_where_it_is_cut(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    fit = replace(fits[0], clock=tuple(replace(r, gap_mm=0.4 * k) for k, r in
                                       enumerate(fits[0].clock[:17])))  # fmt: skip
    tree = _tree(gap_chart(anatomy.veins[0], [fit], 0.5))
    assert not any("at the top" in words for words in _words(tree))
    (curve,) = (c for c in map(_points, tree.iter("polyline")) if len(c) > 10)
    assert len(set(curve[:, 1])) == 17  # up to 6.4 mm no two of them share a height
    missing = replace(fit, clock=(*fit.clock[:-1], replace(fit.clock[-1], gap_mm=np.inf)))
    assert any(
        "at the top" in w for w in _words(_tree(gap_chart(anatomy.veins[0], [missing], 0.5)))
    )


def test_without_readings_there_is_no_gap_chart(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    assert gap_chart(anatomy.veins[0], [replace(fits[0], clock=())], 0.5) is None


def test_hostile_names_are_written_as_words(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    name = '"><script>alert(1)</script>&amp;'
    vein: Vein = replace(anatomy.veins[0], name=name)
    hostile = [replace(fits[0], balloon=name)]
    for svg in (ostium_chart(vein, hostile), profile_chart(vein), gap_chart(vein, hostile, 0.5)):
        tree = _tree(svg)
        assert not list(tree.iter("script"))
        assert name in tree.attrib["aria-label"]


def test_lines_are_told_apart_by_colour_and_by_dash_alone() -> None:
    """Six fits, three balloons with two approaches; graphics need 3 to 1 (WCAG 2.2, 1.4.11)."""
    styles = [series_style(k) for k in range(6)]
    assert len({dash for _, dash in styles}) == len({colour for colour, _ in styles}) == 6
    assert all(contrast(colour, PAPER) >= 3 for colour, _ in styles)
