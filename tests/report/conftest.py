"""An atrium made by hand: a ball with straight tubes, an appendage and a mitral opening.

Every measure handed to the report follows from the tubes' own dimensions, so
that the tests know what must be shown.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
import pyvista
from handmade import anatomy_of, vein_of

from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.model import (
    Anatomy,
    Appendage,
    Centreline,
    Contour,
    Ostium,
    Ridge,
    Section,
    Vein,
)
from veinfit.frames import (
    clock_basis,
    clock_hours,
    frontal_angle_deg,
    side_words,
    transverse_angle_deg,
)
from veinfit.notes import Note
from veinfit.seating.model import ClockReading, Fit, Leak
from veinfit.surface import Surface
from veinfit.surface.contours import ContourMeasures
from veinfit.surface.mesh import edges, select_faces
from veinfit.vectors import unit

BODY_RADIUS_MM = 27.0
STEP_MM = 1.0
TOLERANCE_MM = 0.5


@dataclass(frozen=True)
class Tube:
    name: str
    direction: tuple[float, float, float]
    semi_mm: tuple[float, float]
    length_mm: float = 22.0


FOUR_TUBES = (
    Tube("LSPV", (0.80, 0.35, 0.50), (9.5, 7.5)),
    Tube("LIPV", (0.75, 0.55, -0.35), (8.0, 7.0)),
    Tube("RSPV", (-0.80, 0.25, 0.55), (10.0, 8.5)),
    Tube("RIPV", (-0.75, 0.60, -0.30), (9.0, 7.0)),
)
APPENDAGE = Tube("LAA", (0.80, -0.60, 0.25), (9.0, 8.0), 16.0)
MITRAL = (0.25, -0.60, -0.75)


def ellipse_perimeter(a: float, b: float) -> float:
    """Ramanujan's second approximation; its error is below 1e-8 here."""
    h = ((a - b) / (a + b)) ** 2
    return float(np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))))


def _basis(axis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    twelve, three, _ = clock_basis(axis)
    return twelve, three


def _tube_field(points: np.ndarray, tube: Tube) -> np.ndarray:
    axis = unit(tube.direction)
    up, right = _basis(axis)
    z = points @ axis
    a, b = tube.semi_mm
    radial = np.hypot(points @ up / a, points @ right / b)
    across = (radial - 1) * min(a, b)
    return np.maximum.reduce([across, z - BODY_RADIUS_MM - tube.length_mm, -z])


def _smooth_union(fields: list[np.ndarray], blend_mm: float = 3.0) -> np.ndarray:
    total = fields[0]
    for other in fields[1:]:
        h = np.clip(0.5 + 0.5 * (other - total) / blend_mm, 0, 1)
        total = other * (1 - h) + total * h - blend_mm * h * (1 - h)
    return total


def build_lumen(tubes: tuple[Tube, ...]) -> Surface:
    reach = BODY_RADIUS_MM + 28.0
    n = int(2 * reach / STEP_MM) + 1
    grid = pyvista.ImageData(
        dimensions=(n, n, n), spacing=(STEP_MM,) * 3, origin=(-reach, -reach, -reach)
    )
    points = np.asarray(grid.points)
    fields = [np.linalg.norm(points, axis=1) - BODY_RADIUS_MM]
    fields += [_tube_field(points, tube) for tube in (*tubes, APPENDAGE)]
    grid.point_data["d"] = _smooth_union(fields)
    mesh = grid.contour(isosurfaces=[0.0], scalars="d", method="flying_edges")
    mesh = mesh.compute_normals(
        auto_orient_normals=True, consistent_normals=True, split_vertices=False
    )
    return Surface(np.asarray(mesh.points), mesh.faces.reshape(-1, 4)[:, 1:])


def _section(tube: Tube, s_mm: float) -> Section:
    axis = unit(tube.direction)
    up, right = _basis(axis)
    flare = 1.0 + 0.25 * np.exp(-max(s_mm, 0.0) / 2.0)
    a, b = flare * max(tube.semi_mm), flare * min(tube.semi_mm)
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)[:, None]
    long, short = (up, right) if tube.semi_mm[0] >= tube.semi_mm[1] else (right, up)
    centre = (BODY_RADIUS_MM + 2.0 + s_mm) * axis
    contour = Contour(centre + a * np.cos(turn) * long + b * np.sin(turn) * short)
    measures = ContourMeasures(np.pi * a * b, ellipse_perimeter(a, b), 2 * a, 2 * b)
    return Section(s_mm, centre, axis, contour, measures)


def build_vein(tube: Tube, wall: Surface) -> Vein:
    axis = unit(tube.direction)
    sections = tuple(_section(tube, s) for s in np.arange(0.0, tube.length_mm - 3.0, 1.0))
    first = sections[0]
    ostium = Ostium(
        centre=first.centre,
        normal=axis,
        contour=first.contour,
        measures=first.measures,
        half_turn_points=first.contour.points[::5],
        residual_mm=0.4,
        error_mm=1.2,
        confidence=0.9,
    )
    beyond = wall.points @ axis - (BODY_RADIUS_MM + tube.length_mm - 1.5)
    near = np.linalg.norm(wall.points - np.outer(wall.points @ axis, axis), axis=1) < 14
    rim = np.flatnonzero((beyond > -1.5) & near)
    s = np.arange(-10.0, tube.length_mm - 3.0, 1.0)
    return vein_of(
        tube.name,
        ostium,
        Centreline((BODY_RADIUS_MM + 2.0 + s)[:, None] * axis, s),
        axis,
        name_confidence=0.97,
        sections=sections,
        takeoff_wall_deg=4.0,
        takeoff_frontal_deg=frontal_angle_deg(axis),
        takeoff_transverse_deg=transverse_angle_deg(axis),
        trunk_length_mm=tube.length_mm - 3.0,
        end_rims=(rim,),
    )


def build_anatomy(tubes: tuple[Tube, ...] = FOUR_TUBES) -> Anatomy:
    lumen = build_lumen(tubes)
    centroid = lumen.points[lumen.faces].mean(axis=1)
    cut = centroid @ unit(MITRAL) > 20.0
    for tube in tubes:
        axis = unit(tube.direction)
        along = centroid @ axis
        off = np.linalg.norm(centroid - np.outer(along, axis), axis=1)
        cut |= (along > BODY_RADIUS_MM + tube.length_mm - 1.5) & (off < 15)
    wall, _ = select_faces(lumen, ~cut)
    pairs, _, counts = edges(wall)
    border = np.unique(pairs[counts == 1])
    mitral_axis = unit(MITRAL)
    appendage_axis = unit(APPENDAGE.direction)
    mouth = _section(APPENDAGE, 0.0)
    return anatomy_of(
        wall,
        (build_vein(tube, wall) for tube in tubes),
        lumen=lumen,
        body_radius_mm=BODY_RADIUS_MM,
        volume_ml=95.4,
        appendage=Appendage(
            centre=mouth.centre,
            normal=appendage_axis,
            contour=mouth.contour,
            tip_vertex=int(np.argmax(wall.points @ appendage_axis)),
            confidence=0.9,
        ),
        mitral=MitralOpening(
            centre=20.0 * mitral_axis,
            normal=mitral_axis,
            rim=border[(wall.points[border] @ mitral_axis) > 17.0],
            confidence=0.95,
        ),
        ridges=(
            Ridge(
                tubes[0].name,
                "LAA",
                4.2,
                np.stack([build_vein(tubes[0], wall).ostium.centre, mouth.centre]),
            ),
        ),
        notes=(Note("branches", "One opening was taken for the mitral side by its size."),),
    )


def refined(surface: Surface, edge_mm: float = 0.8) -> Surface:
    mesh = pyvista.PolyData.from_regular_faces(surface.points, surface.faces)
    fine = mesh.subdivide_adaptive(max_edge_len=edge_mm)
    return Surface(np.asarray(fine.points), fine.faces.reshape(-1, 4)[:, 1:])


def build_fit(
    anatomy: Anatomy,
    vein_name: str,
    balloon_mm: float,
    *,
    press_mm: float = 0.7,
    aside_mm: tuple[float, float] = (0.0, 0.0),
) -> Fit:
    """A ball put by hand: ``aside_mm`` toward 12 and 3, forward until it presses so deep."""
    vein = next(v for v in anatomy.veins if v.name == vein_name)
    axis, o = vein.axis, vein.ostium.centre
    twelve, three, _ = clock_basis(axis)
    radius = 0.5 * balloon_mm
    near = np.linalg.norm(anatomy.wall.points - o, axis=1) < radius + 10.0
    patch = refined(select_faces(anatomy.wall, near[anatomy.wall.faces].all(axis=1))[0])
    aside = o + aside_mm[0] * twelve + aside_mm[1] * three
    low, high = -25.0, 5.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        c = aside + middle * axis
        gap = np.linalg.norm(patch.points - c, axis=1) - radius
        low, high = (middle, high) if gap.min() > -press_mm else (low, middle)
    hour = clock_hours(patch.points - c, axis)
    clock = []
    for h in np.arange(0.0, 12.0, 0.5):
        sector = np.abs((hour - h + 6) % 12 - 6) <= 0.25
        sector &= np.abs((patch.points - o) @ axis) < radius
        least = float(gap[sector].min())
        touching = (patch.points[sector & (gap <= TOLERANCE_MM)] - o) @ axis
        band = (float(touching.min()), float(touching.max())) if len(touching) else (None, None)
        clock.append(
            ClockReading(
                vein_name,
                f"{balloon_mm:g}",
                "coaxial",
                float(h),
                side_words(np.cos(np.pi * h / 6) * twelve + np.sin(np.pi * h / 6) * three),
                least,
                band[0],
                band[1],
                None if band[0] is None else band[1] - band[0],
                None if band[0] is None else 0.5 * (band[0] + band[1]),
            )
        )
    open_hours = [r for r in clock if r.gap_mm > TOLERANCE_MM]
    leaks: tuple[Leak, ...] = ()
    if open_hours:
        worst = max(open_hours, key=lambda r: r.gap_mm)
        sector = np.flatnonzero(np.abs((hour - worst.clock_h + 6) % 12 - 6) <= 0.25)
        at = patch.points[sector[np.argmin(gap[sector])]]
        leaks = (
            Leak(
                vein_name, f"{balloon_mm:g}", "coaxial", 1, worst.gap_mm,
                15.0 * len(open_hours), None, worst.clock_h, worst.side, *map(float, at),
            ),
        )  # fmt: skip
    return Fit(
        vein=vein_name,
        balloon=f"{balloon_mm:g}",
        balloon_mm=balloon_mm,
        approach="coaxial",
        outcome="seated",
        centre=c,
        push_direction=axis,
        misalignment_deg=0.0,
        depth_mm=float((c - o) @ vein.ostium.normal),
        nose_depth_mm=float((c - o) @ vein.ostium.normal) + radius,
        deep=False,
        contact_area_mm2=412.0,
        contact_arc_deg=360.0 - 15.0 * len(open_hours),
        occluded=not leaks,
        sealed=not leaks,
        leak_width_mm=leaks[0].width_mm if leaks else 0.3,
        leak_clock_h=leaks[0].clock_h if leaks else None,
        leak_side=leaks[0].side if leaks else "",
        antral_area_mm2=655.5,
        leaks=leaks,
        clock=tuple(clock),
        patch=patch,
        patch_gap_mm=gap,
    )


@pytest.fixture(scope="session")
def anatomy() -> Anatomy:
    return build_anatomy()


@pytest.fixture(scope="session")
def fits(anatomy: Anatomy) -> tuple[Fit, ...]:
    placed = {
        ("LSPV", 28.0): {"press_mm": 0.9, "aside_mm": (-1.5, 0.0)},
        ("RIPV", 28.0): {"aside_mm": (1.0, 1.5)},
        ("RIPV", 31.0): {"press_mm": 1.5},
    }
    return tuple(
        build_fit(anatomy, vein.name, size, **placed.get((vein.name, size), {}))
        for vein in anatomy.veins
        for size in (28.0, 31.0)
    )


@pytest.fixture(scope="session")
def make_fit() -> Callable[..., Fit]:
    return build_fit


@pytest.fixture(scope="session")
def make_anatomy() -> Callable[..., Anatomy]:
    return build_anatomy


@pytest.fixture(scope="session")
def six_veins() -> tuple[Anatomy, tuple[Fit, ...]]:
    """Six veins, one with a hostile name, and three balloons."""
    tubes = (
        *FOUR_TUBES[:3],
        Tube("RMPV", (-0.95, 0.3, 0.05), (5.0, 4.5)),
        Tube("RIPV", (-0.6, 0.7, -0.45), (8.0, 6.5)),
        Tube('extra-1 </td><script>alert(1)</script> & "name"', (0.0, 0.9, 0.5), (5.0, 5.0)),
    )
    anatomy = build_anatomy(tubes)
    fits = [build_fit(anatomy, v.name, size) for v in anatomy.veins for size in (23.0, 28.0, 31.0)]
    return anatomy, tuple(fits)


def _no_seat(fit: Fit) -> Fit:
    return replace(
        fit,
        outcome="passes through",
        reason="no equilibrium up to a depth of 25 mm",
        **dict.fromkeys(
            (
                "centre",
                "push_direction",
                "misalignment_deg",
                "depth_mm",
                "nose_depth_mm",
                "deep",
                "contact_area_mm2",
                "contact_arc_deg",
                "occluded",
                "sealed",
                "leak_width_mm",
                "leak_clock_h",
                "antral_area_mm2",
                "patch_gap_mm",
            )
        ),
        leak_side="",
        leaks=(),
        clock=(),
    )


@pytest.fixture(scope="session")
def without_seat() -> Callable[[Fit], Fit]:
    """Turn a fit into one that passes through, with nothing measured."""
    return _no_seat
