"""How a fit is looked at, and the scene of each of its two views.

All sizes of one vein are seen by the same cameras, so that their pictures can
be compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import POSTERIOR, SUPERIOR, clock_basis, clock_direction
from veinfit.report.colours import (
    BALLOON,
    WALL_INNER,
    WALL_OUTER,
    GapBand,
    band_edges,
    band_palette,
    rgb,
)
from veinfit.report.render.scene import (
    Camera,
    Layer,
    TranslucentBody,
    View,
    plain_layer,
    revolved,
    sphere_profile,
    upright,
)
from veinfit.seating.mechanics.modes import shaped_wall
from veinfit.seating.model import Fit
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, unit

SIDE_MARGIN_MM = 9.0
"""Wall shown past balloon and ostium in the view from the side."""

DISTAL_SHOWN_MM = 12.0
"""Length of vein past the ostium that the view from the side takes in."""

AXIAL_MARGIN = 1.42
"""Half width of the view down the axis, in radii of the largest balloon: leaves room for the
clock's ring and its words."""

AXIAL_CUT = 0.4
"""In the view down the axis, what lies further behind the centre than this share of the
radius is cut away: contact of the freezing zone lies before the centre."""

OFF_CENTRE_MM = 3.0
"""Without a leak, a balloon this far beside the vein's axis is shown beside it: the cut
through its centre then goes through the ostium too."""

SET_BACK_MM = 0.5
"""The whole wall is set back by this beside the patch, which is a finer copy of its part."""


@dataclass(frozen=True, slots=True, eq=False)
class FitFrame:
    """The cameras of one vein.

    Attributes
    ----------
    weak : (3,) array
        Unit vector across the axis toward the place of which the view from the
        side shows the profile: the widest leak of any size, else the side to
        which the balloons lie, else the widest gap, else the ostium's greatest
        diameter.
    side, axial : Camera
    """

    vein: Vein
    weak: FloatArray
    side: Camera
    axial: Camera


def frame_vein(vein: Vein, fits: Sequence[Fit], width_px: int, height_px: int) -> FitFrame:
    """Choose the cameras for one vein from all its fits."""
    axis = unit(vein.axis)
    weak = _weak_direction(vein, fits)
    across = np.cross(axis, weak)
    # Seen from the front and somewhat from above rather than from behind and below.
    if across @ (-POSTERIOR + 0.4 * SUPERIOR) < 0:
        across = -across
    seated = [fit for fit in fits if fit.centre is not None]
    up = upright(across, SUPERIOR, -POSTERIOR)
    side = camera_around(vein, seated, across, up, width_px, height_px)
    twelve, _, _ = clock_basis(axis)
    radius = 0.5 * max([fit.balloon_mm for fit in seated] or [vein.ostium.measures.d_max_mm * 1.4])
    reach = max(
        [radius]
        + [
            0.5 * fit.balloon_mm + _off_axis(fit.centre - vein.ostium.centre, axis)
            for fit in seated
            if fit.centre is not None
        ]
        + [_off_axis(p - vein.ostium.centre, axis) for p in vein.ostium.contour.points]
    )
    axial = Camera(
        vein.ostium.centre,
        -axis,
        twelve,
        2 * AXIAL_MARGIN * reach / min(width_px, height_px),
        width_px,
        height_px,
    )
    return FitFrame(vein, weak, side, axial)


def ring_radius_mm(frame: FitFrame) -> float:
    """Radius of the clock's ring in the view down the axis, mm."""
    camera = frame.axial
    half = 0.5 * min(camera.width_px, camera.height_px) * camera.mm_per_px
    return half * (1.06 / AXIAL_MARGIN)


def _off_axis(offset: FloatArray, axis: FloatArray) -> float:
    return float(np.linalg.norm(offset - (offset @ axis) * axis))


def _weak_direction(vein: Vein, fits: Sequence[Fit]) -> FloatArray:
    axis = unit(vein.axis)
    leaks = [(leak.width_mm, fit, leak) for fit in fits for leak in fit.leaks]
    if leaks:
        _, fit, leak = max(leaks, key=lambda item: item[0])
        origin = vein.ostium.centre if fit.centre is None else fit.centre
        offset = np.array([leak.x_mm, leak.y_mm, leak.z_mm]) - origin
        across = offset - (offset @ axis) * axis
        if np.linalg.norm(across) > 1e-6:
            return np.asarray(unit(across))
    stated = [
        (fit.leak_width_mm, fit.leak_clock_h)
        for fit in fits
        if fit.leak_width_mm is not None and fit.leak_clock_h is not None and not fit.occluded
    ]
    if stated:
        return clock_direction(max(stated)[1], axis)
    offsets = [fit.centre - vein.ostium.centre for fit in fits if fit.centre is not None]
    if offsets:
        aside = np.mean(offsets, axis=0)
        aside = aside - (aside @ axis) * axis
        if np.linalg.norm(aside) > OFF_CENTRE_MM:
            return np.asarray(unit(aside))
    readings = [(r.gap_mm, r.clock_h) for fit in fits for r in fit.clock if r.gap_mm is not None]
    if readings:
        return clock_direction(max(readings)[1], axis)
    return _longest_direction(vein)


def _longest_direction(vein: Vein) -> FloatArray:
    offsets = vein.ostium.contour.points - vein.ostium.centre
    axis = unit(vein.axis)
    offsets = offsets - np.outer(offsets @ axis, axis)
    longest = offsets[np.argmax(np.linalg.norm(offsets, axis=1))]
    if np.linalg.norm(longest) < 1e-6:
        return clock_basis(axis)[0]
    return np.asarray(unit(longest))


def camera_around(
    vein: Vein,
    fits: Sequence[Fit],
    towards: FloatArray,
    up: FloatArray,
    width_px: int,
    height_px: int,
) -> Camera:
    """Return the camera that takes in a vein's beginning and all its balloons from one side."""
    right = np.cross(up, towards)
    axis = unit(vein.axis)
    points = [vein.ostium.contour.points, (vein.ostium.centre + DISTAL_SHOWN_MM * axis)[None]]
    for fit in fits:
        if fit.centre is not None:
            radius = 0.5 * fit.balloon_mm
            points.append(fit.centre + radius * np.stack([up, -up, right, -right]))
    cloud = np.concatenate(points)
    low = np.array([(cloud @ right).min(), (cloud @ up).min()]) - SIDE_MARGIN_MM
    high = np.array([(cloud @ right).max(), (cloud @ up).max()]) + SIDE_MARGIN_MM
    middle = 0.5 * (low + high)
    o = vein.ostium.centre
    focal = o + (middle[0] - o @ right) * right + (middle[1] - o @ up) * up
    scale = max((high[0] - low[0]) / width_px, (high[1] - low[1]) / height_px)
    return Camera(focal, towards, up, float(scale), width_px, height_px)


def balloon_surface(fit: Fit, profiles: Mapping[str, FloatArray]) -> Surface | None:
    """Return the balloon where it sits; a sphere where ``profiles`` has no other shape."""
    if fit.centre is None:
        return None
    profile = profiles.get(fit.balloon, balloon_section(fit))
    return revolved(profile, fit.centre, balloon_axis(fit))


def balloon_section(fit: Fit) -> FloatArray:
    """Return the half section (N, 2) of a fit's balloon for :func:`revolved`."""
    section = fit.balloon_section
    return sphere_profile(fit.balloon_mm) if section is None else section


def balloon_axis(fit: Fit) -> FloatArray:
    """Return the direction in which the balloon's nose points."""
    if fit.push_direction is None:
        return SUPERIOR
    return np.asarray(unit(fit.push_direction))


def fit_views(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
) -> tuple[View, View]:
    """Return the view from the side and the view down the axis of one fit."""
    return side_view(anatomy, fit, frame, bands, profiles), axial_view(
        anatomy, fit, frame, bands, profiles
    )


def wall_under(anatomy: Anatomy, fit: Fit, frame: FitFrame) -> Surface:
    """Return the whole wall as the balloon of a fit has shaped it: the patch is a part of it."""
    return _last_wall(anatomy.wall, frame.vein, fit.shape_amplitudes)


@lru_cache(maxsize=1)
def _last_wall(wall: Surface, vein: Vein, amplitudes: tuple[float, ...]) -> Surface:
    """Shape a wall; both views of a fit ask for it, one after the other."""
    return shaped_wall(wall, vein, amplitudes)


def side_view(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
) -> View:
    """Return the view from the side, the near wall cut away."""
    clip = (cut_origin(fit, frame), frame.side.towards)
    layers = _wall_layers(wall_under(anatomy, fit, frame), fit, bands, clip, outside=True)
    return View(frame.side, _filled(layers), _translucent(fit, profiles))


def whole_view(anatomy: Anatomy, fit: Fit, frame: FitFrame, bands: tuple[GapBand, ...]) -> View:
    """Return the view from the side with the wall as it is: the balloon is behind it."""
    layers = [plain_layer(wall_under(anatomy, fit, frame), WALL_OUTER, set_back_mm=SET_BACK_MM)]
    if fit.patch is not None and fit.patch_gap_mm is not None:
        edges = band_edges(bands)
        layers.append(Layer(fit.patch, band_palette(bands), values=fit.patch_gap_mm, edges=edges))
    return View(frame.side, _filled(layers))


def axial_view(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
) -> View:
    """Return the view down the axis, cut behind the balloon."""
    axis = unit(frame.vein.axis)
    behind = AXIAL_CUT * 0.5 * fit.balloon_mm
    # Past the ostial plane at the least, so that a balloon far out hides no ostium.
    origin = frame.vein.ostium.centre if fit.centre is None else fit.centre
    start = min(float((origin - frame.vein.ostium.centre) @ axis), 0.0) - behind
    axial_cut = (frame.vein.ostium.centre + start * axis, -axis)

    layers = _wall_layers(wall_under(anatomy, fit, frame), fit, bands, axial_cut, outside=False)
    return View(frame.axial, _filled(layers), _translucent(fit, profiles))


def _translucent(fit: Fit, profiles: Mapping[str, FloatArray]) -> tuple[TranslucentBody, ...]:
    balloon = balloon_surface(fit, profiles)
    if balloon is None:
        return ()
    return (TranslucentBody(balloon, rgb(BALLOON), 0.16, 0.62, closed=True),)


def cut_origin(fit: Fit, frame: FitFrame) -> FloatArray:
    """Return the point through which the near side is cut away: the balloon's centre."""
    return frame.vein.ostium.centre if fit.centre is None else fit.centre


def _filled(layers: Sequence[Layer]) -> tuple[Layer, ...]:
    return tuple(layer for layer in layers if len(layer.surface.faces))


def _wall_layers(
    wall: Surface,
    fit: Fit,
    bands: tuple[GapBand, ...],
    clip: tuple[FloatArray, FloatArray],
    *,
    outside: bool,
) -> list[Layer]:
    """Return the wall seen from the blood, painted, and seen from outside, bare."""
    back = SET_BACK_MM
    # The patch has the wall's own triangles, or parts of them, nearer to the viewer.
    layers = [
        plain_layer(
            wall, WALL_INNER, cull="facing", clip=clip, set_back_mm=back, covered_by=fit.patch
        )
    ]
    if outside:
        layers.append(plain_layer(wall, WALL_OUTER, cull="averted", clip=clip, set_back_mm=back))
    if fit.patch is None:
        return layers
    if fit.patch_gap_mm is None:
        layers.append(plain_layer(fit.patch, WALL_INNER, cull="facing", clip=clip))
    else:
        layers.append(
            Layer(
                fit.patch,
                band_palette(bands),
                values=fit.patch_gap_mm,
                edges=band_edges(bands),
                cull="facing",
                clip=clip,
            )
        )
    return layers
