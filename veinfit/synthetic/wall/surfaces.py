"""Open and closed surfaces of an invented atrium."""

from __future__ import annotations

import dataclasses

import numpy as np

from veinfit.surface.mesh import Surface
from veinfit.surface.openings import boundary_loops
from veinfit.synthetic.wall import meshing
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import FAR_MM, Ends, ImplicitTube
from veinfit.synthetic.wall.sampled import sampled
from veinfit.vectors import FloatArray, IntArray, unit

EXTENSION_EDGES = 4.0
"""Before cutting, ends are this many edge lengths longer than wanted."""

END_NEIGHBOURHOOD_MM = 1.0
"""Vertices up to this far from a tube belong to its end; veins keep farther apart than this."""

UNEVEN_NEIGHBOURHOOD_MM = 2.5
"""The same where walls are uneven: then only the nearest of several veins is meant."""

LATE_RELAXING_STEPS = 3
"""Rounds of evening after the ends have been cut."""

ATTEMPTS = 8
"""Grids tried before giving up."""

CAREFUL_ATTEMPTS = 3
"""After so many a surface is cut as contoured."""

GRID_SHIFT = 0.37
"""Share of the spacing by which each further grid is shifted.

Where the wall runs nearly along the plane of a cut, the path to the rim is long and vertices
can pass each other on it, about once in twenty surfaces; on another grid they do not.
"""


def bounds(field: Implicit, room_mm: float) -> tuple[FloatArray, FloatArray]:
    """Corners of a box that holds the whole atrium with some room."""
    reach = float(field.body.semi_axes.max()) * (1.0 + abs(field.body.egg))
    lows, highs = [field.body.centre - reach], [field.body.centre + reach]
    tubes = list(field.tubes)
    tubes += [tube for tube in (field.funnel, field.appendage) if tube is not None]
    for tube in tubes:
        curve = tube.curve.position(np.linspace(max(tube.curve.t_low, 0.0), 1.0, 30))
        wide = float(max(tube.semi_long.max(), tube.semi_short.max()))
        lows.append(curve.min(axis=0) - wide)
        highs.append(curve.max(axis=0) + wide)
    for lobe in field.lobes:
        lows.append(lobe.centre - lobe.semi_axes.max())
        highs.append(lobe.centre + lobe.semi_axes.max())
    return np.min(lows, axis=0) - room_mm, np.max(highs, axis=0) + room_mm


SAMPLED_EXTENSION_MM = 6.0
"""Sampled atria have ends so much longer than their shape says."""

SAMPLES_MM, ROUGH_SAMPLES_MM = 0.8, 1.2
"""Spacing of samples: for the truth, and to correct a shape by."""


def with_samples(field: Implicit, step_mm: float = SAMPLES_MM) -> Implicit:
    """Return a longer atrium that is asked for its value quickly."""
    longer = dataclasses.replace(field, extension_mm=SAMPLED_EXTENSION_MM)
    low, high = bounds(longer, SAMPLED_EXTENSION_MM + 2.0)
    return dataclasses.replace(longer, samples=sampled(longer.value, low, high, step_mm))


def open_ends(field: Implicit) -> tuple[ImplicitTube, ...]:
    """Return the tubes with a flat end that leads out of the atrium, the mitral funnel last."""
    ends = tuple(tube for tube in field.tubes if tube.outer == "flat")
    return ends if field.funnel is None else (*ends, field.funnel)


def contoured(field: Implicit, step: float) -> Surface:
    """Return the closed surface of the blood as contoured on a grid: rough, but always there."""
    low, high = bounds(field, 3.0 * step)
    values = meshing.narrow_band(field.value, low, *meshing.grid_over(low, high, step))
    return meshing.contour(values, low, step)


def cut_surface(
    field: Implicit, edge_mm: float, vein_ends: Ends | None, even: bool = True
) -> tuple[Surface, dict[str, IntArray]]:
    """Surface of the wall, cut at the mitral plane and at vein ends.

    Parameters
    ----------
    vein_ends : {'rounded'} or None
        None cuts the veins open; 'rounded' leaves them closed by round caps.
    even : bool
        False leaves triangles as they are contoured and cut, as most programs do: that is
        several times faster.

    Returns
    -------
    surface : Surface
    loops : dict of str to (N,) array
        The boundary loop of every cut end by name, ``MV`` the mitral opening.
    """
    cuts = [tube for tube in open_ends(field) if vein_ends is None or tube is field.funnel]
    longer = field.longer(EXTENSION_EDGES * edge_mm, vein_ends or "flat")
    for attempt in range(ATTEMPTS):
        plain = not even or attempt >= CAREFUL_ATTEMPTS
        surface = _cut_on_grid(longer, cuts, edge_mm, attempt * GRID_SHIFT, plain)
        if not meshing.folds(surface):
            return surface, _named_loops(surface, cuts)
    raise ValueError(f"no surface without folds at edges of {edge_mm:g} mm on {ATTEMPTS} grids")


def _cut_on_grid(
    longer: Implicit, cuts: list[ImplicitTube], edge_mm: float, shift: float, plain: bool
) -> Surface:
    """Contour ``longer`` on a grid shifted by a share of its spacing, and cut it at ``cuts``.

    A ``plain`` surface is cut as it lies, without vertices put onto the cut.
    """
    step = meshing.GRID_SHARE * edge_mm
    low, high = bounds(longer, longer.extension_mm + 3.0 * step)
    low = low - shift * step
    values = meshing.narrow_band(longer.value, low, *meshing.grid_over(low, high, step))
    surface = meshing.contour(values, low, step)
    surface = Surface(longer.project(surface.points, 1), surface.faces)
    surface = meshing.relaxed(surface, longer.value)
    if plain:
        surface = Surface(longer.project(surface.points, 1), surface.faces)
        return meshing.cut(surface, _past_ends(longer, cuts, surface.points))[0]
    if not cuts:
        return Surface(longer.project(surface.points), surface.faces)
    side = _past_ends(longer, cuts, surface.points)
    snapped = _snapped(longer, cuts, surface.points, side, meshing.SNAP_SHARE * edge_mm)
    surface, on_cut = meshing.cut(Surface(snapped[0], surface.faces), snapped[1])
    points = surface.points.copy()
    points[on_cut] = _on_rim(longer, cuts, points[on_cut])
    surface = meshing.relaxed(
        Surface(points, surface.faces), longer.value, on_cut, LATE_RELAXING_STEPS
    )
    points = surface.points.copy()
    points[~on_cut] = longer.project(points[~on_cut])
    return Surface(points, surface.faces)


def _end(tube: ImplicitTube) -> tuple[FloatArray, FloatArray]:
    one = np.ones(1)
    return tube.curve.position(one)[0], tube.curve.tangent(one)[0]


def _past_ends(field: Implicit, cuts: list[ImplicitTube], points: FloatArray) -> FloatArray:
    """Signed distance (N,) past the nearest end; far inside where there is no end."""
    past = np.array([_past_end(field, tube, points) for tube in cuts])
    far = past.max(axis=0)
    rows = np.flatnonzero((past > 0.0).any(axis=0))
    if field.waves is not None and len(rows):
        # Uneven walls lie farther from their tubes, and neighbours may be as near.
        nearest = np.argmin(field.alone(points[rows])[0], axis=1)
        owners = [field.tubes.index(tube) if tube in field.tubes else -1 for tube in cuts]
        owned = (np.array(owners)[:, None] == nearest) | (np.array(owners)[:, None] < 0)
        far[rows] = np.where(owned, past[:, rows], -FAR_MM).max(axis=0)
    return np.asarray(far)


def _past_end(field: Implicit, tube: ImplicitTube, points: FloatArray) -> FloatArray:
    if tube is not field.funnel:
        room = END_NEIGHBOURHOOD_MM if field.waves is None else UNEVEN_NEIGHBOURHOOD_MM
        return tube.past_end(points, room)
    past = field.beyond_mitral(points)
    close = np.flatnonzero(past > -FAR_MM)
    result = np.full(len(points), -FAR_MM)
    own = field.chamber(points[close]) < END_NEIGHBOURHOOD_MM
    result[close[own]] = past[close[own]]
    return result


def _snapped(
    field: Implicit, cuts: list[ImplicitTube], points: FloatArray, side: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray]:
    """Put vertices that almost lie on a cut onto it, so that no sliver is cut off."""
    points, side = points.copy(), side.copy()
    for tube in cuts:
        close = np.flatnonzero(np.abs(side) < reach)
        own = close[np.abs(_past_end(field, tube, points[close])) < reach]
        points[own] = _to_rim(field, tube, points[own])
        side[own] = 0.0
    return points, side


def _on_rim(field: Implicit, cuts: list[ImplicitTube], points: FloatArray) -> FloatArray:
    """Put points near the rims of cuts exactly on them."""
    ends = [_end(tube) for tube in cuts]
    gaps = np.stack([np.linalg.norm(points - centre, axis=1) for centre, _ in ends])
    past = np.stack([np.abs((points - centre) @ normal) for centre, normal in ends])
    owner = np.argmin(np.where(past < 0.5, gaps, gaps + 1e3), axis=0)
    points = points.copy()
    for k, tube in enumerate(cuts):
        points[owner == k] = _to_rim(field, tube, points[owner == k])
    return points


def _to_rim(field: Implicit, tube: ImplicitTube, points: FloatArray) -> FloatArray:
    """Newton's method within the end plane of one tube."""
    if not len(points):
        return points
    centre, normal = _end(tube)
    points = points - ((points - centre) @ normal)[:, None] * normal
    for _ in range(4):
        f, gradient = field.value_and_gradient(points)
        gradient -= (gradient @ normal)[:, None] * normal
        slope2 = np.maximum(np.einsum("ij,ij->i", gradient, gradient), 0.05)
        points = points - (np.clip(f, -1.0, 1.0) / slope2)[:, None] * gradient
    return points


def _named_loops(surface: Surface, cuts: list[ImplicitTube]) -> dict[str, IntArray]:
    centres = np.stack([_end(tube)[0] for tube in cuts])
    loops: dict[str, IntArray] = {}
    for loop in sorted(boundary_loops(surface), key=lambda one: int(one[0])):
        middle = surface.points[loop].mean(axis=0)
        name = cuts[int(np.argmin(np.linalg.norm(centres - middle, axis=1)))].name
        if name in loops:
            raise ValueError(f"the end {name} was cut into more than one loop")
        loops[name] = loop
    if len(loops) != len(cuts):
        raise ValueError(f"{len(cuts)} ends were to be cut but {len(loops)} loops were found")
    return loops


def closed_by_lids(
    field: Implicit, surface: Surface, loops: dict[str, IntArray], edge_mm: float, dome_mm: float
) -> Surface:
    """Close cut ends by flat lids, the mitral one by a dome ``dome_mm`` high."""
    ends = {tube.name: _end(tube)[1] for tube in open_ends(field)}
    lids = [
        (loop, unit(ends[name]), dome_mm if name == "MV" else 0.0) for name, loop in loops.items()
    ]
    return meshing.closed(surface, lids, edge_mm)
