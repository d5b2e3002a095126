from __future__ import annotations

import io
import itertools
import struct

import numpy as np
import pytest
from PIL import Image

from veinfit.frames import POSTERIOR, SUPERIOR
from veinfit.report.render.annotations import annotate
from veinfit.report.render.canvas import BODY_PX, Canvas
from veinfit.report.render.drawing import printable, shortened
from veinfit.report.render.placing import Box, enters
from veinfit.report.render.png_file import png_file
from veinfit.report.render.scene import Camera

WHOLE = Box(0, 0, 600, 450)


def _chunks(png: bytes) -> list[bytes]:
    names, at = [], 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        names.append(png[at + 4 : at + 8])
        at += 12 + length
    return names


def test_labels_never_overlap_and_stay_inside() -> None:
    canvas = Canvas((600, 450))
    anchors = np.random.default_rng(4).uniform([250, 180], [350, 270], size=(14, 2))
    boxes = [
        canvas.label(anchor, f"label {k}", WHOLE, second="10.5 × 8.2 mm")
        for k, anchor in enumerate(anchors)
    ]
    placed = [box for box in boxes if box is not None]
    assert len(placed) == 14
    assert all(WHOLE.holds(box) for box in placed)
    assert not any(a.overlaps(b) for a, b in itertools.combinations(placed, 2))


def test_a_label_without_room_is_left_out() -> None:
    canvas = Canvas((600, 450))
    canvas.reserve(WHOLE)
    assert canvas.label(np.array([300.0, 200.0]), "no room", WHOLE) is None


def test_labels_keep_off_what_is_reserved_and_what_is_to_be_seen() -> None:
    canvas = Canvas((600, 450))
    kept_free = Box(260, 0, 600, 450)
    canvas.reserve(kept_free)
    seen = np.stack(np.meshgrid(np.arange(0, 260, 6), np.arange(230, 450, 6)), -1).reshape(-1, 2)
    box = canvas.label(np.array([255.0, 225.0]), "here", WHOLE, avoid=seen.astype(float))
    assert box is not None
    assert not box.overlaps(kept_free)
    assert box.bottom <= 236


def _seen_from(box: Box, anchor: np.ndarray, of: Box) -> bool:
    """Whether the leader from ``anchor`` to ``box`` meets ``of``, by places along it."""
    along = np.linspace(anchor, box.nearest(anchor), 400)
    inside = (along >= [of.left, of.top]) & (along <= [of.right, of.bottom])
    return bool(inside.all(axis=1).any())


def test_no_leader_runs_through_a_label() -> None:
    """A vein's name stood behind its neighbour's, and its leader struck the other's size out."""
    rng = np.random.default_rng(7)
    met = 0
    for _ in range(20):
        canvas = Canvas((600, 450))
        disc = np.stack(np.meshgrid(np.arange(150, 450, 6), np.arange(110, 340, 6)), -1)
        silhouette = disc.reshape(-1, 2).astype(float)
        anchors = rng.uniform([160, 120], [300, 230], size=(4, 2))
        boxes = [
            canvas.label(
                anchor, "LSPV", WHOLE, second="15.6 × 13.0 mm", avoid=silhouette,
                away_from=silhouette.mean(axis=0),
            )
            for anchor in anchors
        ]  # fmt: skip
        placed = [(a, box) for a, box in zip(anchors, boxes, strict=True) if box is not None]
        assert len(placed) == 4
        met += sum(_seen_from(b, a, of) for (a, b), (_, of) in itertools.permutations(placed, 2))
    assert met == 0


@pytest.mark.parametrize(
    ("box", "runs_through"),
    [
        (Box(40, 40, 60, 60), True),
        (Box(40, 61, 60, 80), False),
        (Box(110, 40, 130, 60), False),
        (Box(-20, 40, -10, 60), False),
    ],
)
def test_a_leader_along_an_axis_is_held_against_boxes(box: Box, runs_through: bool) -> None:
    """Level and upright leaders, the commonest, divide by zero."""
    low, high = np.array([box.left, box.top]), np.array([box.right, box.bottom])
    level = np.array([[0.0, 50.0]]), np.array([[100.0, 50.0]])
    assert enters(*level, low, high).tolist() == [runs_through]
    upright = tuple(points[:, ::-1] for points in level)
    assert enters(*upright, low[::-1], high[::-1]).tolist() == [runs_through]


def test_a_leader_to_a_place_outside_its_view_stays_inside() -> None:
    """Titles lie outside a view: seen obliquely, places named lie there too."""
    canvas, view = Canvas((600, 450)), Box(100, 120, 500, 400)
    box = canvas.label(np.array([300.0, 20.0]), "above", view)
    assert box is not None and view.holds(box)
    with Image.open(io.BytesIO(canvas.png())) as picture:
        inked = np.argwhere(np.asarray(picture.convert("L")) < 128)
    assert len(inked) > 20
    assert inked[:, 0].min() >= 119 and inked[:, 0].max() <= 401


def test_text_is_measured_as_it_is_drawn() -> None:
    canvas = Canvas((600, 450))
    measured = canvas.measure("depth −13.2 mm", BODY_PX, bold=True)
    drawn = canvas.write(100, 100, "depth −13.2 mm", BODY_PX, bold=True)
    assert drawn.size == pytest.approx((measured.right, measured.bottom), abs=1.0)


def test_nothing_is_written_smaller_than_the_least_size() -> None:
    large = Canvas((600, 450), unit=1.0, least_px=40.0)
    plain = Canvas((600, 450), unit=1.0)
    assert large.terse and not plain.terse
    assert large.measure("depth", 12.0) == plain.measure("depth", 40.0)
    assert large.measure("depth", 50.0) == plain.measure("depth", 50.0)
    assert large.write(5, 5, "depth", 12.0).size == plain.write(5, 5, "depth", 40.0).size


@pytest.mark.parametrize("text", ["a few words and then some more of them", "x" * 200, ""])
def test_broken_lines_fit_and_lose_nothing(text: str) -> None:
    canvas = Canvas((600, 450))
    rows = canvas.broken(text, 180.0, BODY_PX)
    assert all(canvas.measure(row, BODY_PX).right <= 181.0 for row in rows)
    assert "".join(rows).replace(" ", "") == text.replace(" ", "")


def test_text_that_is_too_long_is_cut_with_an_ellipsis() -> None:
    def height(lines: int) -> float:
        return Canvas((600, 450)).wrapped(Box(0, 0, 200, 450), "word " * 100, lines=lines)

    assert height(3) == pytest.approx(3 * height(1), rel=0.01)
    assert shortened("RSPV", 4) == "RSPV"
    assert shortened("a long name", 6) == "a lon…"


def test_control_characters_and_dollars_are_drawn_as_they_are() -> None:
    assert printable("a\nb\tc\u202ed") == "a b c d"
    canvas = Canvas((600, 450))
    # A dollar would begin a formula, and an unfinished one is an error.
    canvas.write(10, 10, "cost $x^{ and \u4e2d\u6587")
    assert canvas.png().startswith(b"\x89PNG")


def test_the_same_drawing_gives_the_same_bytes_without_a_time_or_a_name() -> None:
    def draw() -> bytes:
        canvas = Canvas((600, 450))
        canvas.image(np.full((100, 200, 3), 90, dtype=np.uint8), 20, 30)
        canvas.line(np.array([[0.0, 0.0], [600.0, 450.0]]), dash=(6, 4))
        canvas.write(50, 50, "RIPV")
        return canvas.png()

    first = draw()
    assert first == draw()
    assert set(_chunks(first)) <= {b"IHDR", b"pHYs", b"IDAT", b"IEND"}


@pytest.mark.parametrize("shape", [(1, 1), (3, 7), (90, 121)])
def test_a_png_file_holds_the_pixels_and_their_size_on_paper(shape: tuple[int, int]) -> None:
    pixels = np.random.default_rng(3).integers(0, 255, (*shape, 3), dtype=np.uint8)
    with Image.open(io.BytesIO(png_file(pixels, 100))) as read:
        read.load()
        assert (read.format, read.mode) == ("PNG", "RGB")
        assert read.info["dpi"] == pytest.approx((100, 100), abs=0.02)
        assert np.array_equal(np.asarray(read), pixels)


def test_lines_of_one_colour_are_drawn_together_and_each_keeps_its_place() -> None:
    canvas = Canvas((600, 450))
    x = np.arange(50.0, 350.0, 50.0)
    ends = np.stack([np.stack([x, x * 0 + 100], 1), np.stack([x + 20, x * 0 + 100], 1)], 1)
    colours = ["#ff0000", "#ff0000", "#0000ff", "#ff0000", "#ff0000", "#ff0000"]
    canvas.segments(ends, colours, 6.0)
    canvas.segments(ends + [0, 100], ["#00ff00"], 6.0)
    shown = np.asarray(Image.open(io.BytesIO(canvas.png())))
    middles, gaps = (x + 10).astype(int), (x + 35).astype(int)
    wanted = [[int(c[1:3], 16), int(c[3:5], 16), int(c[5:7], 16)] for c in colours]
    assert np.array_equal(shown[100, middles], wanted)
    assert (shown[200, middles] == [0, 255, 0]).all()
    assert (shown[100, gaps] == 255).all() and (shown[200, gaps] == 255).all()


@pytest.mark.parametrize("across", ["left", "center", "right"])
@pytest.mark.parametrize("down", ["top", "center", "bottom"])
def test_what_is_written_lies_in_its_box(across: str, down: str) -> None:
    canvas = Canvas((600, 450))
    box = canvas.write(300, 220, "Hg 12", BODY_PX, across=across, down=down, bold=True)
    rows, columns = np.nonzero((np.asarray(Image.open(io.BytesIO(canvas.png()))) < 250).any(-1))
    assert box.left - 1 <= columns.min() and columns.max() <= box.right + 1
    assert box.top - 1 <= rows.min() and rows.max() <= box.bottom + 1
    assert np.ptp(columns) > 0.9 * box.size[0] - 2


def test_an_image_lies_pixel_for_pixel() -> None:
    from io import BytesIO

    from PIL import Image

    pixels = np.random.default_rng(1).integers(0, 255, (100, 200, 3), dtype=np.uint8)
    canvas = Canvas((600, 450))
    canvas.image(pixels, 20, 30)
    shown = np.asarray(Image.open(BytesIO(canvas.png())).convert("RGB"))
    assert (shown[30:130, 20:220] == pixels).all()


def test_the_scale_bar_is_ten_millimetres_long() -> None:
    from io import BytesIO

    from PIL import Image

    canvas = Canvas((600, 450))
    camera = Camera(np.zeros(3), POSTERIOR, SUPERIOR, 0.125, 600, 450)
    annotate(canvas, camera, WHOLE)
    shown = np.asarray(Image.open(BytesIO(canvas.png())).convert("L"))
    row = shown[round(450 - 18 * canvas.unit)]
    dark = np.flatnonzero(row[:200] < 100)  # further right stands a letter
    # The line's own caps add its width.
    assert np.ptp(dark) == pytest.approx(10 / 0.125, abs=4)
