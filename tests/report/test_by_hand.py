"""What a person corrected is marked as such wherever the vein is named."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy, AppliedCorrection
from veinfit.report.answers.parts import vein_parts
from veinfit.report.by_hand import dropped, hand_words
from veinfit.report.model import Report
from veinfit.report.page.page import write_page
from veinfit.report.pictures.overview import landmarks, overview_caption
from veinfit.report.viewer.viewer_scene import viewer_scene
from veinfit.seating.model import Fit


@pytest.fixture(scope="module")
def corrected(anatomy: Anatomy, fits: tuple[Fit, ...]) -> Report:
    """LSPV's ostium is set, RSPV was called RMPV, LIPV is dropped."""
    veins = {vein.name: vein for vein in anatomy.veins}
    ostium = replace(veins["LSPV"].ostium, kind="set_by_hand", error_mm=2.0, confidence=1.0)
    moved = replace(veins["LSPV"], ostium=ostium)
    kept = (moved, *(v for name, v in veins.items() if name not in {"LSPV", "LIPV"}))
    who = {"who": "reader 2", "why": "seen otherwise"}
    corrections = (
        AppliedCorrection("LSPV", "ostium moved", **who, automatic=veins["LSPV"], corrected=moved),
        AppliedCorrection(
            "RMPV", "renamed from RMPV to RSPV", **who,
            automatic=veins["RSPV"], corrected=veins["RSPV"],
        ),
        AppliedCorrection(
            "LIPV", "dropped: it is no vein", **who, automatic=veins["LIPV"], corrected=None
        ),
    )  # fmt: skip
    told = replace(anatomy, veins=kept, corrections=corrections)
    return report_of(told, tuple(fit for fit in fits if fit.vein != "LIPV"))


def test_in_words(corrected: Report) -> None:
    anatomy = corrected.result.anatomy
    assert hand_words(anatomy, "LSPV") == "ostium set by hand"
    assert hand_words(anatomy, "RSPV") == "renamed by hand from RMPV"
    assert hand_words(anatomy, "RIPV") == ""
    assert [one.vein for one in dropped(anatomy)] == ["LIPV"]


def test_on_the_page_beside_each_vein(corrected: Report) -> None:
    text = write_page(corrected, vein_parts(corrected))
    lines = {
        name: html.unescape(re.sub(r"<[^>]+>", " ", body))
        for name, body in re.findall(r'<li class="line" data-line="(\w+)">(.*?)</li>', text, re.S)
    }
    assert "ostium set by hand" in lines["LSPV"]
    assert "renamed by hand from RMPV" in lines["RSPV"]
    assert "dropped by hand: it is no vein (reader 2: seen otherwise)" in lines["LIPV"]
    assert "by hand" not in lines["RIPV"]


def test_in_the_picture(corrected: Report) -> None:
    told = {one.text: one.figures for one in landmarks(corrected.result.anatomy, {})}
    assert told["LSPV"].endswith("mm, by hand") and told["LIPV"] == "dropped by hand"
    assert told["RIPV"].endswith(" mm")
    # The ostium that was found stays one that was found, whatever the vein is called.
    assert told["RSPV"].endswith("mm, renamed by hand")
    assert "LIPV dropped by hand" in overview_caption(corrected.result.anatomy)


def test_a_vein_that_was_added_has_an_ostium_that_was_found(anatomy: Anatomy) -> None:
    (vein,) = (vein for vein in anatomy.veins if vein.name == "LSPV")
    added = AppliedCorrection(
        "LSPV", "added from a point inside it", who="reader 2", why="missed",
        automatic=None, corrected=vein,
    )  # fmt: skip
    told = {one.text: one.figures for one in landmarks(replace(anatomy, corrections=(added,)), {})}
    assert told["LSPV"].endswith("mm, added by hand")


def test_in_the_3d_view(corrected: Report) -> None:
    scene = viewer_scene(corrected)
    assert {name["text"]: name["told"] for name in scene["names"]} == {
        "LSPV": "by hand",
        "RSPV": "by hand",
        "RIPV": "",
        "LIPV": "dropped",
        "LAA": "",
        "MV": "",
    }
    assert scene["veins"][0]["told"] == "ostium set by hand"
    (gone,) = scene["dropped"]
    assert gone["name"] == "LIPV" and len(gone["contour"]) > 10
