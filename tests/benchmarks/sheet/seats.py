"""Seats on the elastic sheet: where a ball comes to lie, what leak is left, how the ring looks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from benchmarks.sheet.elastic import Material, Sheet
from benchmarks.sheet.pushing import Ball, Equilibrium, first_touch, push
from benchmarks.sheet.shapes import EDGE_MM, SECTORS, SeatShape, SeatSurface, seat_surface
from scipy import sparse
from scipy.sparse import csgraph
from scipy.sparse.linalg import splu

from veinfit.vectors import FloatArray, IntArray

WALL_MM = 2.0
"""Thickness, FACTS of published walls: 1.3 to 2.9 mm (Platonov 2008)."""

SHAFT_N_PER_MM = 0.45
FIRST_PUSH_N = 0.02
BAND_MM = 6.0
"""Contact lies about so far before the ostium."""


@dataclass(frozen=True)
class SheetSeat:
    """What was read off one equilibrium.

    Attributes
    ----------
    push_n : float
    outcome : {'seated', 'passes through', 'no equilibrium'}
    leak_mm : float
        The gap that the widest path over the sheet from vein to atrium keeps; below 0 where
        the ball presses all round.
    depth_mm : float
        Of the ball's centre past the ostial plane at rest, positive into the vein.
    ring_long_mm, ring_short_mm : float
        Diameters of the strained ostium along its long and short axis at rest.
    ring_stretch : float
        Its perimeter over that at rest.
    ring_depth_mm : float
        How far the ostium as a whole was pushed into the vein.
    aside_mm : float
        How far the centre lies off the axis.
    """

    push_n: float
    outcome: str
    leak_mm: float = math.nan
    depth_mm: float = math.nan
    ring_long_mm: float = math.nan
    ring_short_mm: float = math.nan
    ring_stretch: float = math.nan
    ring_depth_mm: float = math.nan
    aside_mm: float = math.nan


def ring_radius_mm(surface: SeatSurface) -> float:
    """Radius of the circle as long as the ostium's contour."""
    return perimeter(surface.contour) / (2.0 * math.pi)


def seats(
    shape: SeatShape,
    ball_mm: float,
    pushes_n: Sequence[float],
    tether_kpa_per_mm: float,
    stiffness_kpa_per_mm: float = 1.0,
    stiffening_depth_mm: float = math.inf,
    edge_mm: float = EDGE_MM,
    sectors: int = SECTORS,
) -> list[SheetSeat]:
    """Push a ball into a seat, each push from where the one before it ended.

    Both ends of the sheet are held.

    Parameters
    ----------
    shape : SeatShape
    ball_mm : float
        Diameter.
    pushes_n : sequence of float
        Rising.
    tether_kpa_per_mm : float
    stiffness_kpa_per_mm : float
        k of the ring: E t = k a², a the radius of the circle as long as the ostium.
    stiffening_depth_mm : float
        Growth of the ring's radius at which its hoop stress is twice that of the linear law.
    edge_mm, sectors : float, int
        Of the mesh.
    """
    surface, rests = equilibria(
        shape,
        ball_mm,
        pushes_n,
        tether_kpa_per_mm,
        stiffness_kpa_per_mm,
        stiffening_depth_mm,
        edge_mm,
        sectors,
    )
    found = []
    for push_n, rest in zip(pushes_n, rests, strict=True):
        if rest.converged:
            found.append(_read(surface, rest.points, rest.centre, 0.5 * ball_mm, push_n))
        else:
            found.append(SheetSeat(push_n, "passes through" if rest.passed else "no equilibrium"))
    return found


def equilibria(
    shape: SeatShape,
    ball_mm: float,
    pushes_n: Sequence[float],
    tether_kpa_per_mm: float,
    stiffness_kpa_per_mm: float = 1.0,
    stiffening_depth_mm: float = math.inf,
    edge_mm: float = EDGE_MM,
    sectors: int = SECTORS,
) -> tuple[SeatSurface, list[Equilibrium]]:
    """Return the seat and the equilibria of :func:`seats`; after one that failed all are it."""
    surface = seat_surface(shape, edge_mm, sectors)
    material = Material.of_ring(
        stiffness_kpa_per_mm,
        ring_radius_mm(surface),
        WALL_MM,
        tether_kpa_per_mm,
        stiffening_depth_mm,
    )
    sheet = Sheet(surface.points, surface.faces, material)
    fixed = np.zeros(len(surface.points), dtype=bool)
    fixed[surface.vein_rim] = fixed[surface.atrial_rim] = True
    radius = 0.5 * ball_mm
    rest = Equilibrium(surface.points, first_touch(surface.points, radius), True, False, 0)
    found = []
    for push_n in (FIRST_PUSH_N, *pushes_n):
        if rest.converged:
            ball = Ball(radius, push_n, SHAFT_N_PER_MM)
            rest = push(sheet, fixed, ball, rest.points, rest.centre)
        found.append(rest)
    return surface, found[1:]


def widest_leak_mm(surface: SeatSurface, gap_mm: FloatArray) -> float:
    """Greatest gap that a path along edges can keep from the vein's rim to the atrium's."""
    faces = surface.faces
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    width = gap_mm[ends].min(axis=1)
    count = len(gap_mm)
    low, high = 0, len(levels := np.unique(gap_mm)) - 1
    # The path exists at the lowest level; find the highest at which it does.
    while low < high:
        middle = (low + high + 1) // 2
        kept = ends[width >= levels[middle]]
        graph = sparse.csr_matrix((np.ones(len(kept)), tuple(kept.T)), shape=(count, count))
        _, label = csgraph.connected_components(graph, directed=False)
        starts = surface.vein_rim[gap_mm[surface.vein_rim] >= levels[middle]]
        stops = surface.atrial_rim[gap_mm[surface.atrial_rim] >= levels[middle]]
        if np.isin(label[starts], label[stops]).any():
            low = middle
        else:
            high = middle - 1
    return float(levels[low])


def oval_mode_n_per_mm(
    radius_mm: float,
    tether_kpa_per_mm: float,
    load: str,
    stiffness_kpa_per_mm: float = 1.0,
    funnel_deg: float = 40.0,
    edge_mm: float = EDGE_MM,
    sectors: int = SECTORS,
) -> float:
    """Stiffness K of the oval mode of a round ostium, for small displacements.

    Twice the energy over the square of the greatest displacement at the ostium, where a radial
    load cos 2θ bends the sheet and everything else follows freely. E t = k a².

    Parameters
    ----------
    radius_mm : float
    tether_kpa_per_mm : float
    load : {'ring', 'band'}
        Along the ostium alone (the least energy for that ring), or as pressure over the wall
        up to ``BAND_MM`` before it, where a balloon presses.
    stiffness_kpa_per_mm, funnel_deg, edge_mm, sectors : float
    """
    surface = seat_surface(SeatShape("round", 2.0 * radius_mm, 1.0, funnel_deg), edge_mm, sectors)
    material = Material.of_ring(stiffness_kpa_per_mm, radius_mm, WALL_MM, tether_kpa_per_mm)
    sheet = Sheet(surface.points, surface.faces, material)
    loaded = loaded_corners(surface, load)
    force = sheet.vertex_areas[:, None] * oval_field(surface.points)
    force[np.setdiff1d(np.arange(len(force)), loaded)] = 0.0
    held = np.zeros(len(surface.points), dtype=bool)
    held[surface.vein_rim] = held[surface.atrial_rim] = True
    free = np.flatnonzero(np.repeat(~held, 3))
    none = np.zeros((len(surface.points), 3, 3))
    matrix = sheet.stiffness(surface.points, True, none)[free][:, free].tocsc()
    moved = np.zeros(force.size)
    moved[free] = splu(matrix).solve(force.ravel()[free])
    at_ring = moved.reshape(-1, 3)[surface.ostial_ring]
    radial = (at_ring * oval_field(surface.points[surface.ostial_ring])).sum(axis=1)
    amplitude = 2.0 * float(radial.mean())
    return float(force.ravel() @ moved) / amplitude**2


def loaded_corners(surface: SeatSurface, load: str) -> IntArray:
    """Corners along the ostium (``ring``), or up to ``BAND_MM`` before it (``band``)."""
    if load == "ring":
        return surface.ostial_ring
    height = surface.points[:, 2]
    return np.flatnonzero((height > -1e-9) & (height <= BAND_MM))


def oval_field(points: FloatArray) -> FloatArray:
    """Radial field cos 2θ (V, 3) about the z axis."""
    angle = np.arctan2(points[:, 1], points[:, 0])
    outward = np.stack([np.cos(angle), np.sin(angle), np.zeros(len(points))], axis=1)
    return np.cos(2.0 * angle)[:, None] * outward


def _read(
    surface: SeatSurface, points: FloatArray, centre: FloatArray, radius: float, push_n: float
) -> SheetSeat:
    gap = np.linalg.norm(points - centre, axis=1) - radius
    ring = points[surface.ostial_ring]
    return SheetSeat(
        push_n=push_n,
        outcome="seated",
        leak_mm=widest_leak_mm(surface, gap),
        depth_mm=float((centre - surface.centre) @ surface.normal),
        ring_long_mm=float(np.ptp(ring[:, 0])),
        ring_short_mm=float(np.ptp(ring[:, 1])),
        ring_stretch=perimeter(ring) / perimeter(surface.contour),
        ring_depth_mm=float((ring.mean(axis=0) - surface.centre) @ surface.normal),
        aside_mm=float(np.hypot(*centre[:2])),
    )


def perimeter(ring: FloatArray) -> float:
    """Length of a closed line of points (N, 3), mm."""
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())
