"""The overview: the atrium from behind and from the front, every vein named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.anatomy.wall_parts import appendage_vertices, vein_vertices, wall_parts
from veinfit.frames import POSTERIOR, SUPERIOR
from veinfit.report.by_hand import dropped, hand_words
from veinfit.report.colours import (
    APPENDAGE_TINT,
    INK,
    MUTED,
    PLANE,
    STRUCTURE_TINTS,
    VEIN_TINTS,
    WALL_OUTER,
    rgb,
)
from veinfit.report.pictures.caution_line import (
    CAUTION_PX,
    WARNING_PX,
    write_caution,
    write_warning,
)
from veinfit.report.pictures.mitral_rim import mitral_lines
from veinfit.report.render.annotations import annotate
from veinfit.report.render.canvas import BODY_PX, SMALL_PX, TITLE_PX, Canvas, unit_px
from veinfit.report.render.drawing import printable, shortened
from veinfit.report.render.placing import Box
from veinfit.report.render.scene import (
    Camera,
    Layer,
    Raster,
    TranslucentBody,
    View,
    plain_layer,
    tube,
    upright,
)
from veinfit.report.vein_doubt import doubt_words
from veinfit.report.wording import number
from veinfit.seating.neighbours import Structure
from veinfit.surface import Surface
from veinfit.surface.mesh import select_faces
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import MITRAL

DIRECTIONS: tuple[tuple[str, FloatArray], ...] = (
    ("From behind", POSTERIOR),
    ("From the front", -POSTERIOR),
)
"""The two views: what each is called, and the direction from the atrium to the viewer."""

HEADER_PX, FOOTER_PX, GUTTER_PX = 86.0, 132.0 + CAUTION_PX, 8.0
"""Heights of the lines above and below the views, and the space between them."""

FILL = 0.86, 0.62
"""Shares of a view's width and height that the atrium takes at most: the rest is for names."""

SILHOUETTE_STEP_PX = 6
"""Names are kept off the atrium on a grid as fine as this."""

SAME_PLACE_MM = 0.8
"""A place this far behind what is drawn there is hidden."""

LEAST_SEEN = 0.15
"""Something of which a smaller share is seen counts as hidden in that view."""

CONTOUR_TUBE_MM, STRUCTURE_TUBE_MM = 0.55, 1.2
"""Radii of the lines drawn for ostial contours and for structures given as polylines."""

LEGEND = (
    "Sizes are d_max × d_min of the ostium. Tinted: veins and appendage; violet lines: ostia; "
    "black line: rim of the mitral opening (MV), broken where it is estimated."
)
"""What the overview's lines and tints mean."""

NAME_LENGTH = 20
"""Names are cut to so many characters in the overview."""


@dataclass(frozen=True, slots=True, eq=False)
class Landmark:
    """Something to be named.

    Attributes
    ----------
    text : str
    points : (N, 3) array
        Its places: those that can be seen in a view carry the name.
    figures : str
        A second line.
    """

    text: str
    points: FloatArray
    figures: str = ""


@dataclass(frozen=True, slots=True)
class OverviewLayout:
    """Where the two views lie in the overview, in whole pixels."""

    size_px: tuple[int, int]
    areas: tuple[Box, Box]

    @property
    def view_px(self) -> tuple[int, int]:
        """Width and height of a view."""
        width, height = self.areas[0].size
        return int(width), int(height)


def overview_layout(size_px: tuple[int, int], warned: bool = False) -> OverviewLayout:
    """Divide an overview of ``size_px`` into header, two views and footer.

    A warning has a line of the header.
    """
    u = unit_px(size_px)
    gutter = round(GUTTER_PX * u)
    top = round((HEADER_PX + warned * WARNING_PX) * u)
    bottom = size_px[1] - round(FOOTER_PX * u)
    width = (size_px[0] - 3 * gutter) // 2
    right = size_px[0] - gutter - width
    return OverviewLayout(
        size_px, (Box(gutter, top, gutter + width, bottom), Box(right, top, right + width, bottom))
    )


def overview_views(
    anatomy: Anatomy, structures: Mapping[str, Structure], layout: OverviewLayout
) -> tuple[View, ...]:
    """Return the views of the overview."""
    width, height = layout.view_px
    layers = tuple(layer for layer in _layers(anatomy) if len(layer.surface.faces))
    translucent = []
    for k, shape in enumerate(structures.values()):
        body = shape if isinstance(shape, Surface) else tube(shape, STRUCTURE_TUBE_MM)
        if len(body.faces):
            tint = rgb(STRUCTURE_TINTS[k % len(STRUCTURE_TINTS)])
            translucent.append(TranslucentBody(body, tint, 0.45, 0.8))
    return tuple(
        View(_camera(anatomy, towards, width, height), layers, tuple(translucent))
        for _, towards in DIRECTIONS
    )


def _camera(anatomy: Anatomy, towards: FloatArray, width: int, height: int) -> Camera:
    up = upright(towards, SUPERIOR, -POSTERIOR)
    right = np.cross(up, towards)
    points = anatomy.wall.points
    across, along = points @ right, points @ up
    middle = 0.5 * (across.min() + across.max()), 0.5 * (along.min() + along.max())
    centre = points.mean(axis=0)
    focal = centre + (middle[0] - centre @ right) * right + (middle[1] - centre @ up) * up
    scale = max(
        np.ptp(across) / (width * FILL[0]),
        np.ptp(along) / (height * FILL[1]),
    )
    return Camera(focal, unit(towards), up, float(max(scale, 1e-3)), width, height)


def _layers(anatomy: Anatomy) -> list[Layer]:
    wall = anatomy.wall
    names, part_of_face = wall_parts(anatomy)
    tints = [WALL_OUTER, *(VEIN_TINTS[k % len(VEIN_TINTS)] for k in range(len(anatomy.veins)))]
    layers = [
        plain_layer(select_faces(wall, part_of_face == k)[0], tint)
        for k, tint in zip(range(len(names)), [*tints, APPENDAGE_TINT], strict=False)
    ]
    rings = [vein.ostium.contour.points for vein in anatomy.veins]
    if anatomy.appendage is not None:
        rings.append(anatomy.appendage.contour.points)
    layers += [plain_layer(tube(r, CONTOUR_TUBE_MM, closed=True), PLANE) for r in rings]
    layers += [
        plain_layer(tube(one.automatic.ostium.contour.points, CONTOUR_TUBE_MM, closed=True), MUTED)
        for one in dropped(anatomy)
        if one.automatic is not None
    ]
    layers += [plain_layer(tube(line, CONTOUR_TUBE_MM), INK) for line in mitral_lines(anatomy)]
    return layers


def _by_hand(anatomy: Anatomy, vein: Vein) -> str:
    """Say what a person did, without letting an ostium pass for set that was found."""
    if vein.ostium.by_hand:
        return ", by hand"
    words = hand_words(anatomy, vein.name)
    return f", {words.split()[0]} by hand" if words else ""


def landmarks(anatomy: Anatomy, structures: Mapping[str, Structure]) -> list[Landmark]:
    """Return all that the overview names."""
    wall = anatomy.wall
    named = []
    for vein in anatomy.veins:
        m = vein.ostium.measures
        part = vein_vertices(wall, vein)
        points = wall.points[part] if len(part) else vein.ostium.contour.points
        size = f"{number(m.d_max_mm)} × {number(m.d_min_mm)} mm"
        named.append(Landmark(vein.name, points, size + _by_hand(anatomy, vein)))
    for one in dropped(anatomy):
        if one.automatic is not None:
            points = one.automatic.ostium.contour.points
            named.append(Landmark(one.vein, points, "dropped by hand"))
    if anatomy.appendage is not None:
        part = appendage_vertices(anatomy)
        points = wall.points[part] if len(part) else anatomy.appendage.contour.points
        named.append(Landmark("LAA", points))
    if anatomy.mitral is not None:
        rim = wall.points[anatomy.mitral.rim]
        told = "estimated" if anatomy.mitral.estimated else ""
        named.append(Landmark(MITRAL, rim if len(rim) else anatomy.mitral.centre[None], told))
    for name, shape in structures.items():
        points = shape.points if isinstance(shape, Surface) else np.asarray(shape, dtype=float)
        if len(points):
            named.append(Landmark(name.replace("_", " "), points))
    return named


def draw_overview(
    anatomy: Anatomy,
    named: Sequence[Landmark],
    layout: OverviewLayout,
    views: Sequence[View],
    drawn: Sequence[tuple[np.ndarray, Raster]],
    scale: int,
) -> np.ndarray:
    """Write on the flat views of the overview and return its pixels, (H, W, 3) uint8."""
    canvas = Canvas(layout.size_px)
    u = canvas.unit
    canvas.write(layout.areas[0].left + 4 * u, 4 * u, "Left atrium", TITLE_PX, bold=True)
    write_warning(canvas, layout.areas[0].left + 4 * u, 50 * u, anatomy.notes)
    seen = [
        [seen_at(mark.points, view.camera, solid, scale) for mark in named]
        for view, (_, solid) in zip(views, drawn, strict=True)
    ]
    for k, area in enumerate(layout.areas):
        canvas.image(drawn[k][0], int(area.left), int(area.top))
        canvas.box(area, "none", edge="#9aa3ab", above=7.0)
        title = DIRECTIONS[k][0]
        canvas.write(area.left + 4 * u, area.top - 32 * u, title, SMALL_PX, colour=MUTED, bold=True)
        camera = views[k].camera
        annotate(canvas, camera, area)
        # What neither view shows is named in the first, and said to be hidden.
        shown: list[tuple[Landmark, np.ndarray, bool]] = []
        for i, mark in enumerate(named):
            spot = seen[k][i]
            if spot is not None:
                shown.append((mark, spot, False))
            elif k == 0 and all(row[i] is None for row in seen):
                shown.append((mark, camera.project(mark.points.mean(axis=0))[:2], True))
        _names(canvas, area, shown, _silhouette(drawn[k][1], area, scale))
    canvas.wrapped(
        Box(
            layout.areas[0].left + 4 * u,
            layout.areas[0].bottom + 12 * u,
            layout.areas[1].right,
            layout.size_px[1],
        ),
        f"{overview_caption(anatomy)} {LEGEND}",
        SMALL_PX,
        lines=5,
    )
    write_caution(canvas, layout.areas[0].left + 4 * u)
    return canvas.pixels()


def _silhouette(solid: Raster, area: Box, scale: int) -> np.ndarray:
    """Return places (N, 2) of the picture, on a coarse grid, where the atrium is."""
    step = SILHOUETTE_STEP_PX
    rows, columns = np.nonzero(np.isfinite(solid.depth[:: scale * step, :: scale * step]))
    return np.stack([area.left + columns * step, area.top + rows * step], axis=1).astype(float)


def seen_at(points: FloatArray, camera: Camera, solid: Raster, scale: int) -> np.ndarray | None:
    """Return the pixel (2,) at which places (N, 3) are seen; None where they are hidden."""
    flat = camera.project(points)
    height, width = solid.depth.shape
    column = np.floor(flat[:, 0] * scale).astype(int)
    row = np.floor(flat[:, 1] * scale).astype(int)
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    visible = np.zeros(len(flat), dtype=bool)
    front = solid.depth[row[inside], column[inside]]
    visible[inside] = front > flat[inside, 2] - SAME_PLACE_MM
    if visible.mean() < LEAST_SEEN:
        return None
    spots = flat[visible, :2]
    # The seen place in the middle of the others, not their mean, which may lie off them.
    return np.asarray(spots[np.argmin(np.linalg.norm(spots - spots.mean(axis=0), axis=1))])


def _names(
    canvas: Canvas,
    area: Box,
    shown: Sequence[tuple[Landmark, np.ndarray, bool]],
    silhouette: np.ndarray,
) -> None:
    """Name the places beside the atrium, each name joined to its place."""
    corner = np.array([area.left, area.top])
    middle = silhouette.mean(axis=0) if len(silhouette) else None
    dot = 5.0 * canvas.unit
    for _, place, _ in shown:
        x, y = place + corner
        canvas.circle(np.array([x, y]), 0.8 * dot, INK, above=4.0)
        canvas.reserve(Box(x - dot, y - dot, x + dot, y + dot))
    for mark, place, hidden in shown:
        canvas.label(
            place + corner,
            shortened(printable(mark.text), NAME_LENGTH),
            area,
            BODY_PX,
            bold=True,
            second="hidden behind the wall" if hidden else mark.figures,
            avoid=silhouette,
            away_from=middle,
        )


def overview_caption(anatomy: Anatomy) -> str:
    """Return the overview's caption with its figures."""
    veins = [
        f"{vein.name} {number(vein.ostium.measures.d_max_mm)} × "
        f"{number(vein.ostium.measures.d_min_mm)} mm"
        for vein in anatomy.veins
    ]
    count = f"{len(veins)} vein" + ("" if len(veins) == 1 else "s")
    sizes = f": ostia {'; '.join(veins)}" if veins else ""
    lost = ", ".join(anatomy.unmeasured)
    more = f" Found but not measured: {lost}." if lost else ""
    by_hand = [
        f"{vein.name} {words}"
        for vein in anatomy.veins
        if (words := hand_words(anatomy, vein.name))
    ]
    by_hand += [f"{one.vein} dropped by hand" for one in dropped(anatomy)]
    more += f" Corrected: {'; '.join(by_hand)}." if by_hand else ""
    doubts = [f"{v.name}: {words}" for v in anatomy.veins if (words := doubt_words(v))]
    more += f" In doubt: {'; '.join(doubts)}." if doubts else ""
    return f"Left atrium of {number(anatomy.volume_ml, 0)} ml with {count}{sizes}.{more}"
