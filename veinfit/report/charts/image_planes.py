"""Each vein on the image: the plane of its ostium, and two along that plane's normal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import clock_basis
from veinfit.labels.image import CONTRAST_CT, ImageVolume, display_window, sample_plane
from veinfit.report.model import Picture
from veinfit.report.render.scene import side_letters
from veinfit.report.wording import safe_file_name
from veinfit.seating.model import Fit
from veinfit.surface import Surface
from veinfit.surface.cuts import plane_contours
from veinfit.vectors import FloatArray

HALF_MM = 30.0
"""Half of a plane's side: a balloon and what is beside it."""

POINTS = 400
"""Points a side, finer than any CT."""

TITLE = "on the image"
LUMEN, OSTIUM, CALIPER = "#1f9e89", "#f2c200", "#ff7f0e"
LETTERS = "#ffe9a8"
BALLOONS = ("#4da3ff", "#ff5ca8", "#b48cff", "#7fd6c2")


def draw_image_planes(
    anatomy: Anatomy, fits: Sequence[Fit], image: ImageVolume, folder: Path
) -> tuple[Picture, ...]:
    """Draw a picture of three planes for each vein, as PNG below ``folder``/pictures.

    Parameters
    ----------
    anatomy : Anatomy
    fits : sequence of Fit
    image : ImageVolume
    folder : Path

    Returns
    -------
    tuple of Picture

    Raises
    ------
    OSError
        A picture cannot be written.
    """
    (folder / "pictures").mkdir(exist_ok=True)
    window = display_window(image)
    unit_of = "Hounsfield units" if window == CONTRAST_CT else "in the image's unit"
    plain = f"{window[0]:g} to {window[1]:g}".replace("-", "\N{MINUS SIGN}")
    found = []
    for vein in anatomy.veins:
        own = [f for f in fits if f.vein == vein.name and f.centre is not None]
        file = f"pictures/{safe_file_name(vein.name)}-image.png"
        png = _drawn(vein, own, anatomy.wall, image, window)
        (folder / file).write_bytes(png)
        shown = ", ".join(f"{fit.balloon} ({fit.approach})" for fit in own)
        caption = (
            f"{vein.name} on the image, {plain} {unit_of}: the "
            "plane of its ostium with the caliper diameters, and two planes along its normal, into "
            f"the vein upward, with the ostial line. Squares of {2 * HALF_MM:g} mm; letters: left, "
            "right, anterior, posterior, head, feet."
            + (f" Circles of the balloon's diameter: predicted seats of {shown}." if shown else "")
        )
        alt = f"Three planes of the image through the ostium of {vein.name}"
        found.append(Picture(file, vein.name, TITLE, caption, alt, paper=png, captioned=False))
    return tuple(found)


def plane_frames(normal: FloatArray) -> tuple[tuple[str, FloatArray, FloatArray], ...]:
    """Return the three planes of an ostial normal: a title, and unit vectors right and up.

    The first is seen from the atrium, cranial up, or anterior where the normal points up or down.

    Parameters
    ----------
    normal : (3,) array
        Unit vector into the vein.

    Returns
    -------
    tuple of (str, (3,) array, (3,) array)
    """
    twelve, three, _ = clock_basis(normal)
    return (
        ("Ostial plane, seen from the atrium", three, twelve),
        ("Long axis, horizontal cut, vein up", three, normal),
        ("Long axis, vertical cut, vein up", twelve, normal),
    )


def lumen_curves(
    wall: Surface, centre: FloatArray, right: FloatArray, up: FloatArray
) -> list[FloatArray]:
    """Return the wall's cut by a plane as curves (N, 2), mm from its centre.

    The last point of a closed one is its first.

    Parameters
    ----------
    wall : Surface
    centre : (3,) array
        mm.
    right, up : (3,) array
        Unit vectors that span the plane.

    Returns
    -------
    list of (N, 2) array
    """
    curves = plane_contours(wall, centre, np.cross(right, up))
    drawn = [np.concatenate([c.points, c.points[:1]]) if c.closed else c.points for c in curves]
    return [np.column_stack([(c - centre) @ right, (c - centre) @ up]) for c in drawn]


def _drawn(
    vein: Vein, fits: Sequence[Fit], wall: Surface, image: ImageVolume, window: tuple[float, float]
) -> bytes:
    import io

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Circle

    figure = Figure(figsize=(12.0, 4.7), dpi=100, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    centre = vein.ostium.centre
    for k, (title, right, up) in enumerate(plane_frames(vein.ostium.normal)):
        axes = figure.add_axes((0.005 + k / 3, 0.09, 0.323, 0.825))
        grey = sample_plane(image, centre, right, up, HALF_MM, POINTS)
        axes.imshow(
            np.nan_to_num(grey, nan=window[0]), cmap="gray", vmin=window[0], vmax=window[1],
            extent=(-HALF_MM, HALF_MM, -HALF_MM, HALF_MM), interpolation="nearest",
        )  # fmt: skip
        for curve in lumen_curves(wall, centre, right, up):
            axes.plot(*curve.T, color=LUMEN, linewidth=1.0)
        rim = vein.ostium.contour.points - centre
        flat = np.column_stack([rim @ right, rim @ up])
        if k == 0:
            axes.plot(*np.concatenate([flat, flat[:1]]).T, color=OSTIUM, linewidth=1.6)
            for line in _calipers(flat):
                axes.plot(*line.T, color=CALIPER, linewidth=1.0)
        else:
            across = flat[:, 0]
            axes.plot([across.min(), across.max()], [0.0, 0.0], color=OSTIUM, linewidth=1.6)
        for fit, colour in zip(fits, BALLOONS * len(fits), strict=False):
            assert fit.centre is not None
            away = fit.centre - centre
            off = float(away @ np.cross(right, up))
            square = (fit.balloon_mm / 2) ** 2 - off**2
            if square > 0:
                place = (float(away @ right), float(away @ up))
                axes.add_patch(
                    Circle(place, square**0.5, fill=False, edgecolor=colour, linewidth=1.2)
                )
        axes.set(xlim=(-HALF_MM, HALF_MM), ylim=(-HALF_MM, HALF_MM), xticks=[], yticks=[])
        axes.set_title(title, fontsize=15)
        _tell_sides(axes, right, up)
    figure.legend(
        handles=_key(fits), loc="lower center", ncols=3 + len(fits), frameon=False, fontsize=13,
        handlelength=1.4, columnspacing=1.4, borderaxespad=0.1,
    )  # fmt: skip
    stream = io.BytesIO()
    canvas.print_png(stream)  # type: ignore[no-untyped-call]
    return stream.getvalue()


def _tell_sides(axes: Any, right: FloatArray, up: FloatArray) -> None:
    """Write at each edge toward which side of the patient it lies."""
    from matplotlib.patheffects import withStroke

    edges = ((0.98, 0.5, right), (0.02, 0.5, -right), (0.5, 0.98, up), (0.5, 0.02, -up))
    for x, y, direction in edges:
        axes.text(
            x, y, side_letters(direction), transform=axes.transAxes, color=LETTERS, fontsize=13,
            ha={0.02: "left", 0.98: "right"}.get(x, "center"),
            va={0.02: "bottom", 0.98: "top"}.get(y, "center"),
            path_effects=[withStroke(linewidth=2.5, foreground="black")],
        )  # fmt: skip


def _key(fits: Sequence[Fit]) -> list[Any]:
    """Return what the colours of the lines mean."""
    from matplotlib.lines import Line2D

    told = [(LUMEN, "wall"), (OSTIUM, "ostium"), (CALIPER, "caliper diameters")]
    told += [
        (c, f"{f.balloon}, predicted") for f, c in zip(fits, BALLOONS * len(fits), strict=False)
    ]
    return [Line2D([], [], color=colour, linewidth=2.0, label=words) for colour, words in told]


def _calipers(flat: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the greatest diameter of a curve (N, 2) and the caliper across it, as lines (2, 2)."""
    apart = np.linalg.norm(flat[:, None] - flat[None], axis=2)
    i, j = np.unravel_index(int(apart.argmax()), apart.shape)
    along = (flat[j] - flat[i]) / apart[i, j]
    across = np.array([-along[1], along[0]])
    heights = flat @ across
    middle = (flat[i] + flat[j]) @ along / 2 * along
    ends = np.array([heights.min(), heights.max()])
    return flat[[i, j]], middle + ends[:, None] * across
