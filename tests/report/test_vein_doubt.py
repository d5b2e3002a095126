"""Where a vein's ostium or name is in doubt, pictures and the 3D view say so beside its figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import browser
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.report.pictures.overview import overview_caption
from veinfit.report.pictures.pictures import draw_pictures
from veinfit.report.render.canvas import Canvas
from veinfit.report.vein_doubt import UNCLEAR, doubt_words
from veinfit.report.viewer.viewer import write_viewer
from veinfit.report.wording import SPACE
from veinfit.seating.model import Fit

LONGEST = max(UNCLEAR, key=lambda kind: len(UNCLEAR[kind]))
BOTH = f"the name is in doubt, ostium ±10.5 mm, {UNCLEAR[LONGEST]}"


@pytest.fixture
def doubted(anatomy: Anatomy) -> Anatomy:
    """LSPV's ostium and name are unclear, RIPV's name is in doubt, the others are sure."""
    told = []
    for vein in anatomy.veins:
        ostium = replace(vein.ostium, confidence=0.8)
        sure = 0.9
        if vein.name == "LSPV":
            ostium = replace(ostium, confidence=0.04, error_mm=10.5, kind=LONGEST)  # type: ignore[arg-type]
            sure = 0.3
        if vein.name == "RIPV":
            sure = 0.45
        told.append(replace(vein, ostium=ostium, name_confidence=sure))
    return replace(anatomy, veins=tuple(told))


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """All that is written on pictures."""
    written: list[str] = []
    write = Canvas.write

    def noted(canvas: Canvas, x: float, y: float, text: str, *more: Any, **options: Any) -> Any:
        written.append(text)
        return write(canvas, x, y, text, *more, **options)

    monkeypatch.setattr(Canvas, "write", noted)
    yield written


def test_in_words(doubted: Anatomy) -> None:
    words = {vein.name: doubt_words(vein).replace(SPACE, " ") for vein in doubted.veins}
    assert words == {
        "LSPV": BOTH,
        "LIPV": "",
        "RSPV": "",
        "RIPV": "the name is in doubt",
    }


def test_on_the_pictures_with_the_longest_of_captions(
    doubted: Anatomy, fits: tuple[Fit, ...], lines: list[str], tmp_path: Path
) -> None:
    leaking = next(fit for fit in fits if fit.vein == "LSPV" and fit.leak_clock_h is not None)
    pressed = tuple(replace(row, gap_mm=-3.3) for row in leaking.clock)
    shown = (
        replace(leaking, occluded=False, deep=True, clock=pressed),
        next(fit for fit in fits if fit.vein == "RIPV"),
        next(fit for fit in fits if fit.vein == "LIPV"),
    )
    drawn = draw_pictures(doubted, shown, {}, tmp_path, renderer="plain")
    captions = {one.vein: one.caption.replace(SPACE, " ") for one in drawn}
    unclear = f"Measurement confidence 0.04: {BOTH}. "
    assert unclear in captions["LSPV"] and "the leak running between contacts" in captions["LSPV"]
    assert "Measurement confidence 0.45: the name is in doubt. " in captions["RIPV"]
    assert "confidence" not in captions["LIPV"]
    whole = " ".join(lines).replace(SPACE, " ")
    assert unclear in whole and "0.45: the name is in doubt" in whole
    assert not any(line.endswith("…") for line in lines)


def test_on_the_overview(doubted: Anatomy, anatomy: Anatomy) -> None:
    caption = overview_caption(doubted).replace(SPACE, " ")
    assert caption.endswith(f" In doubt: LSPV: {BOTH}; RIPV: the name is in doubt.")
    assert "In doubt" not in overview_caption(
        replace(doubted, veins=tuple(v for v in doubted.veins if v.name in {"LIPV", "RSPV"}))
    )


def test_in_the_3d_view(doubted: Anatomy, fits: tuple[Fit, ...], tmp_path: Path) -> None:
    page = tmp_path / "viewer.html"
    page.write_text(write_viewer(report_of(doubted, fits)), encoding="utf-8")
    with browser() as tab:
        tab.open(page, "window.viewer")
        told = {}
        for k, vein in enumerate(doubted.veins):
            tab.click(f"#veins label:nth-of-type({k + 2}) input")
            told[vein.name] = tab.evaluate("document.getElementById('told').textContent")
    assert f"0.04: {BOTH.replace(' mm', SPACE + 'mm')}." in told["LSPV"]
    assert "Measurement confidence 0.45: the name is in doubt." in told["RIPV"]
    assert "confidence" not in told["LIPV"] and "confidence" not in told["RSPV"]


def test_why_there_is_no_seat_is_written_whole(
    doubted: Anatomy, fits: tuple[Fit, ...], lines: list[str], tmp_path: Path
) -> None:
    """The header's line was cut in the midst of the reason."""
    reason = (
        "wall before the ostium stops the balloon: its nose comes to rest 15 mm before the ostial "
        "plane; more than 10 mm counts as not reached"
    )
    fit = replace(
        next(fit for fit in fits if fit.vein == "LSPV"),
        outcome="cannot reach", reason=reason, occluded=None, sealed=None, leak_width_mm=None,
        contact_arc_deg=None, contact_area_mm2=None, antral_area_mm2=None, deep=None, leaks=(),
        clock=(),
    )  # fmt: skip
    draw_pictures(doubted, (fit,), {}, tmp_path, renderer="plain")
    assert f"W{reason[1:]}. " in " ".join(lines)
