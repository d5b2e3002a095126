"""The palette must order itself in grey, and stay apart for colour-blind readers."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from veinfit.report import colours
from veinfit.report.charts.aims import aim_key
from veinfit.report.colours import (
    band_edges,
    colour_of_gap,
    colour_on_ring,
    contrast,
    gap_bands,
    lightness,
    over_widest,
    rgb,
)

# Machado, Oliveira and Fernandes, IEEE Trans Vis Comput Graph 15(6), 2009, severity 1.0,
# applied to linear RGB; the matrices are from memory.
DEFICIENCIES = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
SRGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
"""IEC 61966-2-1."""


def _linear(colour: str) -> np.ndarray:
    c = rgb(colour)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def _lab(linear: np.ndarray) -> np.ndarray:
    white = SRGB_TO_XYZ @ np.ones(3)
    t = (SRGB_TO_XYZ @ np.clip(linear, 0, 1)) / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_appendage_looks_like_no_vein_and_like_no_wall() -> None:
    appendage = _lab(_linear(colours.APPENDAGE_TINT))
    for tint in (*colours.VEIN_TINTS, colours.WALL_OUTER, colours.WALL_INNER):
        assert np.linalg.norm(appendage - _lab(_linear(tint))) > 18.0


def test_lightness_of_known_greys() -> None:
    assert lightness("#ffffff") == pytest.approx(100.0, abs=1e-6)
    assert lightness("#000000") == pytest.approx(0.0, abs=1e-9)
    # sRGB 119 has L* 50.03 (from memory); the closed form agrees to a hundredth.
    assert lightness("#777777") == pytest.approx(50.03, abs=0.02)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)


@pytest.mark.parametrize("tolerance", [0.0, 0.25, 0.5, 1.0, 1.5, 4.0])
def test_the_wider_the_gap_the_stronger_its_colour(tolerance: float) -> None:
    contact, *gaps, bare = (lightness(band.colour) for band in gap_bands(tolerance))
    steps = np.diff(gaps)
    assert (steps < -13.0).all(), gaps
    # Perceptually ordered: no step of lightness is much larger than another.
    assert len(steps) < 2 or steps.max() / steps.min() > 0.8
    # Contact is the calm end of the same order, and the bare wall no part of it.
    assert contact > max(gaps) + 13.0
    assert bare > contact + 13.0


def test_every_two_bands_are_told_apart_in_grey() -> None:
    shades = [lightness(band.colour) for band in gap_bands(0.5)]
    # Six times what is just noticeable (2.3; Mahy 1994, from memory), as the light on a wall
    # takes a part of it.
    assert min(abs(a - b) for a, b in itertools.combinations(shades, 2)) > 13.0


def test_colours_of_the_gap_are_written_in_one_place() -> None:
    package = Path(colours.__file__).parents[1]
    written = [band.colour for band in gap_bands(0.5)[:-1]]
    elsewhere = [
        path
        for path in package.rglob("*")
        if path.suffix in {".py", ".js", ".css", ".j2"} and path != Path(colours.__file__)
        if any(colour in path.read_text(encoding="utf-8").lower() for colour in written)
    ]
    assert elsewhere == []


def test_on_the_ring_nothing_is_stronger_than_the_widest_gap() -> None:
    bands = gap_bands(0.5)
    assert colours.colour_on_ring(99.0, bands) == colour_of_gap(4.9, bands)
    assert colours.colour_on_ring(0.7, bands) == colour_of_gap(0.7, bands)
    assert colours.colour_on_ring(0.2, bands) == colours.CONTACT
    shades = [lightness(colours.colour_on_ring(gap, bands)) for gap in (0.7, 1.5, 2.5, 4.0, 9.0)]
    assert shades == sorted(shades, reverse=True)


def test_the_picture_of_the_readme_has_these_colours() -> None:
    file = Path(__file__).parents[2] / "sample_meshes" / "pictures" / "fit.png"
    pixels = np.asarray(Image.open(file).convert("RGB")).reshape(-1, 3)
    for band in gap_bands(0.5):
        off = np.abs(pixels - np.rint(255 * rgb(band.colour))).max(axis=1)
        shown = (off <= 8).sum()
        assert shown > 400, f"draw it anew: {band.label} has another colour"


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_bands_stay_apart_for_colour_blind_readers(deficiency: str) -> None:
    seen = [
        _lab(np.array(DEFICIENCIES[deficiency]) @ _linear(band.colour)) for band in gap_bands(0.5)
    ]
    apart = [float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2)]
    # 2.3 is just noticeable (Mahy 1994, from memory); five times that reads at a glance.
    assert min(apart) > 11.5


def test_bands_follow_each_other_without_a_break() -> None:
    bands = gap_bands(0.5)
    assert bands[0].low_mm is None and bands[-1].high_mm is None
    assert all(a.high_mm == b.low_mm for a, b in itertools.pairwise(bands))
    assert (np.diff(band_edges(bands)) > 0).all()


@pytest.mark.parametrize("tolerance", [0.5, 2.5, 3.5])
def test_what_a_key_says_of_the_darkest_on_a_ring_holds_for_every_wide_gap(
    tolerance: float,
) -> None:
    bands = gap_bands(tolerance)
    low = float(over_widest(bands).removeprefix("over "))
    assert low == max(tolerance, 3.0)
    darkest = {colour_on_ring(gap, bands) for gap in (low + 0.01, 5.0, 5.01, 6.33, 99.0)}
    assert darkest == {colours.GAP_BANDS[-1][1]}
    assert colour_on_ring(low, bands) not in darkest
    assert f"any gap over {low:g} mm" in aim_key(bands)


def test_a_gap_at_the_tolerance_is_contact() -> None:
    bands = gap_bands(0.5)
    assert colour_of_gap(0.5, bands) == colours.CONTACT
    assert colour_of_gap(-3.0, bands) == colours.CONTACT
    assert colour_of_gap(0.501, bands) != colours.CONTACT
    assert colour_of_gap(99.0, bands) == colours.WALL_INNER


def test_a_wide_tolerance_drops_the_bands_below_it() -> None:
    assert [band.high_mm for band in gap_bands(2.5)] == [2.5, 3.0, 5.0, None]


@pytest.mark.parametrize(
    "ink", [colours.INK, colours.MUTED, colours.PLANE, colours.BALLOON_LINE, colours.LEAK]
)
def test_writing_is_readable(ink: str) -> None:
    assert contrast(ink, colours.PAPER) >= 4.5  # WCAG 2.2, 1.4.3, AA
