"""The ostia of an invented atrium, from the half turns of its implicit function."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.ostium_definition import (
    STRAY_MM,
    STRAY_SHARE,
)
from veinfit.synthetic.truth.carina import along_mm
from veinfit.synthetic.truth.entries import END_MARGIN_MM, Entry, reach_mm, wall_end_mm
from veinfit.synthetic.truth.profiles import HalfTurns, Sectors, half_turns
from veinfit.synthetic.truth.truth import OstiumKind, OstiumTruth
from veinfit.synthetic.wall import levels
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import ImplicitTube
from veinfit.synthetic.wall.soundness import wall_points
from veinfit.vectors import FloatArray, perpendicular_basis, unit

SECTORS = 72
"""Half-planes around a vein in which the half turn is sought."""

FIRST_SECTORS = 24
"""Half-planes in all rounds but the last."""

ROUNDS = 3
"""Times that the axis line is laid anew through the ostium found."""

FIRST_RAYS = 90
"""Rays of contours in all rounds but the last."""

START_ROOM_MM = 1.5
"""Profiles start this far distal to the end of the flare where the vein is long enough."""

MOST_SECTORS, LEAST_SECTORS = 2.0 / 3.0, 1.0 / 3.0
"""A half turn in at least this share of the sectors counts as one in most; in fewer than the
second it tells no ostium."""

WIDENING_STEP_MM, WIDENING_RAYS, WIDENING_BLUR = 0.5, 90, 2.0
"""Sections in which it is looked how fast a vein widens, and the blur of their diameters in
steps."""

FEWEST_SECTIONS = 4
"""With fewer whole sections nothing can be told."""

FIT_ROUNDS = 100
"""Rounds of reweighting in the fit of the plane."""

LEAST_DEVIATION_MM = 0.01
"""Half-turn points nearer to the plane than this pull less."""

MOVE_STEPS = (0.5, 0.1)
"""The plane is then moved into the vein in the coarser steps, mm, until it does not, and back to
the first of the finer ones."""

FARTHEST_CLEAR_MM = 6.0
"""But no farther; then the contour is bridged where it runs out."""


def find_ostia(
    entries: list[Entry], field: Implicit, flares: list[float], rough: bool = False
) -> list[OstiumTruth]:
    """Find the ostia of all veins at once, the axis line laid anew a few times."""
    zero = np.zeros(1)
    lines = [
        (entry.tube.curve.position(zero)[0], entry.tube.curve.tangent(zero)[0]) for entry in entries
    ]
    result: list[OstiumTruth] = []
    for step in range(ROUNDS):
        last = step == ROUNDS - 1 and not rough
        count = SECTORS if last else FIRST_SECTORS
        rays = levels.RAYS if last else FIRST_RAYS
        starts = [
            _profile_starts(entry, field, flare, line, count)
            for entry, flare, line in zip(entries, flares, lines, strict=True)
        ]
        sectors = Sectors(
            *(
                np.concatenate([getattr(start[0], name) for start in starts])
                for name in ("origin", "radial", "axial", "own")
            )
        )
        rho, z = (np.concatenate([start[k] for start in starts]) for k in (1, 2))
        turns = half_turns(field, sectors, rho, z, refined=last)
        result = [
            _fitted(entry, field, line, turns, slice(k * count, (k + 1) * count), rays)
            for k, (entry, line) in enumerate(zip(entries, lines, strict=True))
        ]
        lines = [
            (ostium.centre, _tangent_at(entry.tube, ostium.centre))
            for entry, ostium in zip(entries, result, strict=True)
        ]
    return result


def _tangent_at(tube: ImplicitTube, point: FloatArray) -> FloatArray:
    foot = np.array([along_mm(tube, point)])
    return tube.curve.tangent(tube.curve.parameter(foot))[0]


def _profile_starts(
    entry: Entry, field: Implicit, flare: float, line: tuple[FloatArray, FloatArray], count: int
) -> tuple[Sectors, FloatArray, FloatArray]:
    """Sectors about an axis line, and where on the trunk's wall their profiles start."""
    centre, axis = line
    e1, e2 = perpendicular_basis(axis)
    phi = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    radial = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
    own = np.zeros((count, len(field.tubes)), dtype=bool)
    own[:, list(entry.own)] = True
    sectors = Sectors(
        origin=np.broadcast_to(centre, radial.shape),
        radial=radial,
        axial=np.broadcast_to(axis, radial.shape),
        own=own,
    )
    s = min(flare + START_ROOM_MM, wall_end_mm(field, entry) - END_MARGIN_MM)
    ring = wall_points(entry.tube, np.array([s]), 24)[0]
    far = float(((ring - centre) @ axis).max())
    while True:
        origin = centre + far * axis
        if field.value(origin[None])[0] < -0.5:
            rho = levels.ray_roots(
                field.value,
                np.broadcast_to(origin, radial.shape),
                radial,
                np.full(count, reach_mm(entry)),
            )
            return sectors, rho, np.full(count, far)
        # The vein curves away from the line or branches: start nearer to the atrium.
        far -= 0.5
        if far < -reach_mm(entry):
            raise ValueError(f"{entry.name}: its axis line does not lie in its blood")


def _fitted(
    entry: Entry,
    field: Implicit,
    line: tuple[FloatArray, FloatArray],
    turns: HalfTurns,
    part: slice,
    rays: int,
) -> OstiumTruth:
    before, axis = line
    found = np.isfinite(turns.points[part, 0])
    points = turns.points[part][found]
    kind: OstiumKind = (
        "half_turn" if len(points) >= MOST_SECTORS * len(found) else "half_turn_in_part"
    )
    if len(points) >= LEAST_SECTORS * len(found):
        middle, normal = fit_plane(points, axis)
    else:
        kind = "area_gradient"
        middle, normal, points = widening(entry, field)
        found = np.zeros_like(found)
    offsets = (points - middle) @ normal
    spread = float(np.subtract(*np.percentile(offsets, [95.0, 5.0])))
    contour, closed = _ostial_contour(field, points, middle, normal, rays)
    size = levels.measure(contour, normal)
    return OstiumTruth(
        centre=size.centroid,
        normal=normal,
        d_area_mm=size.d_area_mm,
        d_max_mm=size.d_max_mm,
        d_min_mm=size.d_min_mm,
        area_mm2=size.area_mm2,
        perimeter_mm=size.perimeter_mm,
        contour=contour,
        half_turn_points=points,
        residual_mm=float(1.4826 * np.median(np.abs(offsets))),
        sector_spread_mm=spread,
        kind=kind,
        sectors_found=int(found.sum()),
        turn_deg=(turns.atrium_deg - turns.trunk_deg)[part][found],
        closed=closed,
        unsettled_mm=float(np.linalg.norm(size.centroid - before)),
    )


def widening(entry: Entry, field: Implicit) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Plane across the centreline where sections widen half as fast as they ever do.

    Returns
    -------
    middle, normal : (3,) arrays
    contour : (N, 3) array
    """
    curve = entry.tube.curve
    low = curve.t_low * curve.length_mm
    s = np.arange(wall_end_mm(field, entry) - END_MARGIN_MM, low, -WIDENING_STEP_MM)
    t = curve.parameter(s)
    centres, tangents = curve.position(t), curve.tangent(t)
    outlines = levels.outlines(field.value, centres, tangents, reach_mm(entry), WIDENING_RAYS)
    whole = [k for k, outline in enumerate(outlines) if not outline.found.all()]
    count = whole[0] if whole else len(s)  # farther in, sections are no longer the vein's own
    if count < FEWEST_SECTIONS:
        raise ValueError(f"{entry.name}: no sections from which an ostium could be told")
    sizes = [levels.measure(outlines[k].points, tangents[k]) for k in range(count)]
    d_area = gaussian_filter1d([size.d_area_mm for size in sizes], WIDENING_BLUR, mode="nearest")
    rate = np.gradient(d_area)
    top = int(np.argmax(rate))
    below = np.flatnonzero(rate[: top + 1] < 0.5 * rate[top])
    at = int(below[-1]) + 1 if len(below) else 0
    return sizes[at].centroid, tangents[at], outlines[at].points


def fit_plane(points: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit a plane to points (N, 3) around an axis, robustly.

    Least absolute deviations along the axis: a convex problem, so it has one answer, and
    a minority of sectors that lie elsewhere does not tilt it, however far away.

    Returns
    -------
    middle : (3,) array
        Mean of the points, put on the plane along the axis.
    normal : (3,) array
        On the axis's side.
    """
    e1, e2 = perpendicular_basis(axis)
    middle = points.mean(axis=0)
    d = points - middle
    design = np.stack([np.ones(len(d)), d @ e1, d @ e2], axis=1)
    height = d @ axis
    weight = np.ones(len(d))
    solution = np.zeros(3)
    for _ in range(FIT_ROUNDS):
        solution = _weighted(design, height, weight)
        weight = 1.0 / np.maximum(np.abs(height - design @ solution), LEAST_DEVIATION_MM)
    normal = unit(axis - solution[1] * e1 - solution[2] * e2)
    return middle + solution[0] * axis, normal


def _weighted(design: FloatArray, height: FloatArray, weight: FloatArray) -> FloatArray:
    root = np.sqrt(weight)[:, None]
    return np.asarray(np.linalg.lstsq(design * root, height * root[:, 0], rcond=None)[0])


def _ostial_contour(
    field: Implicit, points: FloatArray, middle: FloatArray, normal: FloatArray, rays: int
) -> tuple[FloatArray, bool]:
    """Zero contour in the ostial plane, and whether it is closed.

    Where the plane runs out of the vein, as beside a saddle lower than the rest of the
    ostium, it is moved into the vein to the first place where it does not.
    """
    contour, closed = _contour_at(field, points, middle, normal, rays)
    if closed:
        return contour, True
    coarse, fine = MOVE_STEPS
    for far in np.arange(coarse, FARTHEST_CLEAR_MM + 1e-9, coarse):
        if not _contour_at(field, points, middle + far * normal, normal, FIRST_RAYS)[1]:
            continue
        for shift in np.arange(far - coarse + fine, far + 1e-9, fine):
            moved, closed = _contour_at(field, points, middle + shift * normal, normal, rays)
            if closed:
                return moved, True
    return contour, False


def _contour_at(
    field: Implicit, points: FloatArray, middle: FloatArray, normal: FloatArray, rays: int
) -> tuple[FloatArray, bool]:
    """Zero contour in a plane; bridged at half-turn radii where no wall is met."""
    centre = middle
    contour = np.empty((0, 3))
    closed = True
    for _ in range(2):
        e1, e2 = perpendicular_basis(normal)
        d = points - centre
        angle = np.arctan2(d @ e2, d @ e1)
        radius = np.hypot(d @ e1, d @ e2)
        order = np.argsort(angle)
        phi = np.linspace(0.0, 2.0 * np.pi, rays, endpoint=False)
        expected = np.interp(phi, angle[order], radius[order], period=2.0 * np.pi)
        directions = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
        origins = np.broadcast_to(centre, directions.shape)
        reach = expected + STRAY_SHARE * radius.mean() + STRAY_MM
        r = levels.ray_roots(field.value, origins, directions, reach)
        closed = bool(np.isfinite(r).all())
        contour = centre + np.where(np.isfinite(r), r, expected)[:, None] * directions
        centre = levels.measure(contour, normal).centroid
    return contour, closed
