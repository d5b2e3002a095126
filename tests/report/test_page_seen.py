"""The report as a browser shows it: wide, on a telephone, and printed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import Browser, browser
from PIL import Image
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.report.model import Picture, Report
from veinfit.report.page.page import write_page
from veinfit.report.practice import AGAINST_PRACTICE
from veinfit.report.viewer.viewer import write_viewer
from veinfit.seating.model import Fit

AA = 4.5
"""Least contrast of text, WCAG 2.2, 1.4.3, AA."""

LOWEST_CONTRAST = """(() => {
  const rgb = (text) => {
    const [r, g, b, a] = text.match(/[\\d.]+/g).map(Number);
    return [r, g, b, a ?? 1];
  };
  const lit = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, k) => sum + c * [0.2126, 0.7152, 0.0722][k], 0);
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const colour = rgb(getComputedStyle(e).backgroundColor);
      if (colour[3] > 0.8) return colour;
    }
    return [255, 255, 255, 1];
  };
  let low = [99, ""], count = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const element = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !element.getClientRects().length) continue;
    if (element.closest(":disabled, script, style")) continue;
    const style = getComputedStyle(element), inside = element.closest("svg");
    const ink = rgb(inside ? style.fill : style.color);
    const [a, b] = [lit(ink), lit(inside ? ground(inside) : ground(element))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    count += 1;
    if (ratio < low[0]) low = [ratio, walk.currentNode.data.trim().slice(0, 60)];
  }
  return [...low, count];
})()"""

CLIPPED = """[...document.querySelectorAll(
    "td, th, li, p, h1, h2, h3, figcaption, dd, dt, caption")]
  .filter((e) => e.getClientRects().length && !e.closest(".wide, .pan, thead, .unseen"))
  .filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline"
    && e.clientWidth > 0)
  .map((e) => `${e.tagName} ${e.className}: ${e.textContent.trim().slice(0, 60)}`)"""

OVER_EACH_OTHER = """(() => {
  const found = [];
  for (const drawing of document.querySelectorAll("svg[role=img]")) {
    const frame = drawing.getBoundingClientRect();
    const boxes = [...drawing.querySelectorAll("text")].map((e) => [e.getBoundingClientRect(),
      e.textContent]);
    boxes.forEach(([a, words], i) => {
      if (a.left < frame.left - 2 || a.right > frame.right + 2 || a.top < frame.top - 2
          || a.bottom > frame.bottom + 2) found.push(`outside: ${words}`);
      boxes.slice(i + 1).forEach(([b, others]) => {
        const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (x > 1.5 && y > 4) found.push(`${words} over ${others} in ${
          drawing.getAttribute("aria-label").slice(0, 40)}`);
      });
    });
  }
  return found;
})()"""


def seen_report(anatomy: Anatomy, fits: tuple[Fit, ...], **changes: Any) -> Report:
    return report_of(anatomy, fits, **{"viewer": "viewer.html", **changes})


@pytest.fixture(scope="module")
def tab() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def usual(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    folder = tmp_path_factory.mktemp("seen")
    Image.new("RGB", (1200, 900), "#88aacc").save(folder / "x.png")
    pictures = (
        Picture("x.png", "", "", "overview", "alt"),
        *(Picture("x.png", fit.vein, fit.balloon, "c", "a") for fit in fits),
    )
    report = seen_report(anatomy, fits, pictures=pictures, folder=folder)
    (folder / "report.html").write_text(write_page(report), encoding="utf-8")
    (folder / "viewer.html").write_text(write_viewer(report), encoding="utf-8")
    return folder / "report.html"


@pytest.fixture(scope="module")
def crowded(
    six_veins: tuple[Anatomy, tuple[Fit, ...]], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Six veins, three balloons with long names, a long case name, no vein sealed."""
    anatomy, fits = six_veins
    fits = tuple(
        replace(fit, balloon=f"{fit.balloon} mm with a very_long_name_of_a_balloon_indeed",
                sealed=False, seal_probability=0.1, seal_probability_low=0.01,
                seal_probability_high=0.5)
        for fit in fits
    )  # fmt: skip
    path = tmp_path_factory.mktemp("seen") / "crowded.html"
    report = seen_report(anatomy, fits, case_id="Larkmoor-" + "long" * 40)
    path.write_text(write_page(report), encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("which", ["usual", "crowded"])
def test_nothing_is_clipped_and_no_word_lies_over_another(
    tab: Browser, which: str, width: int, request: pytest.FixtureRequest
) -> None:
    tab.size(width, 900)
    tab.requests.clear()
    page = request.getfixturevalue(which)
    tab.open(page)
    for opened in (False, True):
        if opened:
            tab.evaluate("document.querySelectorAll('details').forEach((e) => { e.open = true; })")
            tab.evaluate("document.querySelectorAll('.fold-state').forEach((e) => e.click())")
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        assert tab.evaluate(CLIPPED) == []
        assert tab.evaluate(OVER_EACH_OTHER) == []
    assert tab.faults == []
    assert {r for r in tab.requests if not r.startswith("data:")} == {page.as_uri()}


ABOVE = """(() => {
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const words = [];
  while (walk.nextNode()) {
    const range = document.createRange();
    range.selectNodeContents(walk.currentNode);
    const boxes = [...range.getClientRects()];
    if (boxes.length && boxes.every((b) => b.bottom <= 800 && b.right <= innerWidth))
      words.push(walk.currentNode.data);
  }
  return words.join(" ").replace(/\\s+/g, " ");
})()"""
"""What is written wholly above 800 pixels."""


@pytest.mark.parametrize("width", [1280, 400])
def test_the_first_screenful_tells_every_vein_its_best_size_and_the_probability(
    tab: Browser, anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, width: int
) -> None:
    chances = [0.91, 0.84, 0.12, 0.27, 0.55, 0.48, 0.66, 0.79]
    told = tuple(
        replace(fit, seal_probability=chance, seal_probability_low=0.6 * chance,
                seal_probability_high=0.5 + 0.5 * chance, distances_mm={"oesophagus": 3.25})
        for fit, chance in zip(fits, chances, strict=True)
    )  # fmt: skip
    notes = (
        Note("verdict", "the input is good to a millimetre " * 9),
        Note("seating", "the crossing was estimated " * 9, "septal_crossing", "caution"),
    )
    path = tmp_path / "first.html"
    path.write_text(write_page(seen_report(anatomy, told, notes=notes)), encoding="utf-8")
    tab.size(width, 800)
    tab.open(path)
    seen = " ".join(tab.evaluate(ABOVE).split())
    best = {"LIPV": ("31 mm", "unlikely", "0.27"), "RSPV": ("28 mm", "uncertain", "0.55"),
            "RIPV": ("31 mm", "likely", "0.79"), "LSPV": ("28 mm", "likely", "0.91")}  # fmt: skip
    at = [re.search(rf"{vein} (ostium )?\d", seen).start() for vein in best]
    assert at == sorted(at), "veins in doubt come first"
    for (_, words), start, end in zip(best.items(), at, [*at[1:], None], strict=True):
        line = seen[start:end]
        assert re.search(r" +".join(words), line), line
    assert "Input" in seen and "Approach" in seen
    if width == 1280:
        assert AGAINST_PRACTICE in seen and "0.66 or more" in seen


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize("fifth", ["RMPV", "extra-1"])
def test_the_first_screenful_holds_five_veins_and_how_the_model_does(
    tab: Browser,
    six_veins: tuple[Anatomy, tuple[Fit, ...]],
    tmp_path: Path,
    fifth: str,
    width: int,
) -> None:
    every, fits = six_veins
    veins = (*every.veins[:3], every.veins[4], replace(every.veins[3], name=fifth))
    told = tuple(
        replace(
            fit, vein=vein.name, seal_probability=0.62, seal_probability_low=0.29,
            seal_probability_high=0.97,
            distances_mm={"oesophagus": 12.3, "right_phrenic_nerve": 9},
        )
        for vein, own in zip(veins, (0, 1, 2, 4, 3), strict=True)
        for fit in fits[3 * own + 1 : 3 * own + 3]
    )  # fmt: skip
    notes = (Note("verdict", "good " * 40), Note("seating", "far " * 40, "septal_crossing"))
    path = tmp_path / "five.html"
    page = write_page(seen_report(replace(every, veins=veins), told, notes=notes))
    path.write_text(page, encoding="utf-8")
    tab.size(width, 800)
    tab.open(path)
    seen = " ".join(tab.evaluate(ABOVE).split())
    for vein in veins:
        assert re.search(rf"{vein.name} .*?28 mm.*?0\.62.*?31 mm.*?0\.62", seen), vein.name
    assert seen.count("0.62 (0.29 to 0.97") == 10
    assert AGAINST_PRACTICE in seen


def test_a_telephone_folds_what_lies_below_the_answers(tab: Browser, usual: Path) -> None:
    heights = {}
    for width in (400, 1280):
        tab.size(width, 800)
        tab.open(usual)
        heights[width] = tab.evaluate("document.documentElement.scrollHeight")
        shown = "[...document.querySelectorAll('{}')].map((e) => e.getClientRects().length > 0)"
        points, bodies = (tab.evaluate(shown.format(one)) for one in (".points", "section .body"))
        # Nothing is folded where there is room.
        assert set(points) == set(bodies) == {width == 1280}
        assert set(tab.evaluate(shown.format(".fold-label"))) == {width == 400}
    assert heights[400] < 4500
    tab.size(400, 800)
    tab.open(usual)
    tab.click("label[for=points-open]")
    assert set(tab.evaluate(shown.format(".points"))) == {True}
    # A link to a vein opens it.
    tab.click(".line h3 a")
    opened = tab.evaluate(shown.format("section .body"))
    assert opened.count(True) == 1 and tab.evaluate("scrollY") > 100


def test_text_stands_out_from_its_ground(tab: Browser, usual: Path) -> None:
    tab.size(1280, 900)
    for name in ("report.html", "viewer.html"):
        tab.open(usual.with_name(name))
        if name == "viewer.html":
            tab.click("#veins label:nth-of-type(2) input")
        ratio, words, count = tab.evaluate(LOWEST_CONTRAST)
        assert ratio >= AA, (name, words)
        assert count > 40


def test_the_report_leads_to_the_3d_view_and_back(tab: Browser, usual: Path) -> None:
    tab.size(1280, 900)
    tab.open(usual)
    tab.click("nav a[href='viewer.html']")
    tab.wait("location.pathname.endsWith('viewer.html') && window.viewer")
    tab.click("header a")
    tab.wait("location.pathname.endsWith('report.html') && document.readyState === 'complete'")


def test_paper_shows_whole_pictures_and_the_table_of_the_first_screen(
    tab: Browser, usual: Path
) -> None:
    """A sheet of A4 is narrower than many a screen: it must not be taken for a telephone."""
    tab.size(690, 976)
    tab.open(usual)
    tab.call("Emulation.setEmulatedMedia", media="print")
    try:
        assert tab.evaluate("document.documentElement.scrollWidth") <= 690
        widths = tab.evaluate("[...document.images].map((e) => [e.getBoundingClientRect().right,"
                              "e.getBoundingClientRect().left])")  # fmt: skip
        assert widths and all(0 <= left < right <= 690 for right, left in widths)
        assert tab.evaluate("getComputedStyle(document.querySelector('.line')).display") == "grid"
        kept = "[...document.querySelectorAll('.fits, .line')].map((e) => getComputedStyle(e)"
        assert set(tab.evaluate(kept + ".breakInside)")) == {"avoid"}
        assert tab.evaluate("getComputedStyle(document.querySelector('nav')).display") == "none"
    finally:
        tab.call("Emulation.setEmulatedMedia", media="")
    pdf = tab.pdf(preferCSSPageSize=True)
    assert pdf.startswith(b"%PDF") and len(pdf) > 50_000
