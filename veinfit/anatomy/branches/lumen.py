"""The lumen: one closed, outward-wound surface, and which of it are caps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.model import Opening
from veinfit.errors import InputError
from veinfit.labels.model import GREATEST_AREA_CM2
from veinfit.notes import Note
from veinfit.settings import SurfaceSettings
from veinfit.surface import Surface
from veinfit.surface.cleaning import clean_surface
from veinfit.surface.mesh import (
    enclosed_volume,
    face_middles,
    face_normals,
    select_faces,
    total_area,
)
from veinfit.surface.near import faces_in_box
from veinfit.surface.openings import boundary_loops, cap_loops, loop_diameter, loop_plane
from veinfit.surface.roughness import vertex_scatter_mm
from veinfit.vectors import BoolArray, FloatArray, IntArray, basis_toward, lengths

LEAST_VOLUME_ML = 8.0
"""No human left atrium is smaller: published least volumes are 40 ± 13 mL."""

GREATEST_VOLUME_ML = 600.0
"""No left atrium is larger; a whole heart or a chest is."""

USUAL_VOLUME_ML = (25.0, 300.0)
"""Outside this range a caution asks whether label and unit are right: it may be another chamber.
The mean is 80 mL, in atrial fibrillation 115 mL with SD 33 mL (Stojanovska 2014, Acad Radiol
21(9))."""

GREATEST_EDGE_MM = 10.0
"""No mesh that tells veins, of some 15 mm, is coarser: six real atria of open
sources have edges of 0.4 to 1.1 mm."""

ROUGH_MM = 0.15
"""Vertices that scatter by this about their surface are told: those of four samples and of six
real atria of open sources do by 0.00 to 0.02 mm."""

WIDEST_HOLE_MM = 10.0
"""A hole in the wall is narrower than this: what is wider was cut for a reason ..."""

HOLE_DEG = 40.0
"""... and the wall around it lies in its plane to this, in the median of the faces at its rim; that
of a vein, cut square or oblique, stands upright on it."""

COARSE_POINTS = 10
COARSE_SHARE = 0.2
"""One point in so many tells of most faces whether they are near a path; fewer where that many lie
nearer to each other than so much of the reach."""

ROUNDING_MM = 1e-6
"""More than rounding moves a distance."""

CAP_RINGS = 6
"""Points are spread over a cap in this many rings."""


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """A surface, or a part of one, with its caps marked: (F,) bool ``is_cap``."""

    surface: Surface
    is_cap: BoolArray

    def basis_across(self, axis: FloatArray, origin: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Two unit vectors (3,) that with ``axis`` (3,) form a right-handed frame.

        The first points from ``origin`` (3,) toward the middle of this wall, so that sectors and
        leaning axes begin at the same place of the wall however the patient lies in space.
        """
        return basis_toward(axis, self.surface.area_centroid - origin)

    def near(self, points: FloatArray, reach_mm: float) -> Wall:
        """Return the faces whose middle lies within ``reach_mm`` of any of ``points`` (N, 3)."""
        chosen = faces_in_box(
            self.surface, points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
        )
        middle = face_middles(self.surface, chosen)
        # Most faces are near one of a few points, or far from all, for certain.
        step_mm = float(np.median(lengths(np.diff(points, axis=0)))) if len(points) > 1 else 0.0
        every = max(COARSE_POINTS, int(COARSE_SHARE * reach_mm / max(step_mm, ROUNDING_MM)))
        few = points[::every]
        gap_mm = lengths(points - np.repeat(few, every, axis=0)[: len(points)]).max()
        away = np.full(len(middle), np.inf)
        columns = np.ascontiguousarray(middle.T)
        for point in few:
            x, y, z = columns - point[:, None]
            np.minimum(away, x * x + y * y + z * z, out=away)
        near = away <= (reach_mm - ROUNDING_MM) ** 2
        open_ = np.flatnonzero(~near & (away <= (reach_mm + gap_mm + ROUNDING_MM) ** 2))
        distance, _ = cKDTree(points).query(middle[open_], distance_upper_bound=reach_mm)
        near[open_] = np.isfinite(distance)
        chosen = chosen[near]
        part, _ = select_faces(self.surface, chosen)
        return Wall(part, self.is_cap[chosen])


@dataclass(frozen=True, slots=True, eq=False)
class Lumen:
    """The blood volume as a closed surface.

    Attributes
    ----------
    wall : Wall
        Closed; the faces of the cleaned input come first, then the caps.
    openings : tuple of Opening
        Longest rim first.
    volume_ml : float
    holes_filled : int
        Small holes of the input that were closed; they are no openings.
    is_lid : (F,) bool array or None
        The caps that the input has itself: flat ends of veins. None where it has none.
    """

    wall: Wall
    openings: tuple[Opening, ...]
    volume_ml: float
    holes_filled: int = 0
    is_lid: BoolArray | None = None


def prepare_lumen(surface: Surface, settings: SurfaceSettings) -> tuple[Lumen, tuple[Note, ...]]:
    """Clean a surface, close its openings and check that it can be an atrium.

    Raises
    ------
    InputError
        The enclosed volume, or the area, cannot be that of a left atrium.
    """
    clean = clean_surface(surface, settings)
    notes = list(clean.notes)
    loops = boundary_loops(clean.surface)
    holes = [loop for loop in loops if is_hole(clean.surface, loop)]
    if holes:
        widest = max(loop_diameter(clean.surface, loop) for loop in holes)
        text = (
            f"holes in the wall that were closed: {len(holes)}, the widest {widest:.1f} mm across; "
            "the wall lies flat around each, as it does around no vein"
        )
        notes.append(Note("surface", text, severity="caution"))
    whole, _ = cap_loops(clean.surface, holes)
    loops = boundary_loops(whole) if holes else loops
    closed, cap = cap_loops(whole, loops)
    openings = [opening_of(whole, loop) for loop in loops]
    scatter = vertex_scatter_mm(clean.surface)
    if scatter >= ROUGH_MM:
        text = (
            f"the surface is rough: its vertices scatter by {scatter:.1f} mm. Diameters and ostia "
            "are less certain than on a smooth surface; smooth it, or export it again"
        )
        notes.append(Note("input", text, severity="caution"))
    volume = enclosed_volume(closed) / 1000.0
    if not LEAST_VOLUME_ML <= volume <= GREATEST_VOLUME_ML:
        raise InputError(
            f"the surface encloses {max(volume, 0.0):.1f} mL, which is not the volume of a left "
            f"atrium ({USUAL_VOLUME_ML[0]:g} to {USUAL_VOLUME_ML[1]:g} mL are usual): check that "
            "the label or mesh is the blood of the left atrium, and its unit"
        )
    area = total_area(closed) / 100.0
    if area > GREATEST_AREA_CM2:
        raise InputError(
            f"the surface has {area:.0f} cm2 around {volume:.0f} mL, and no atrium has more than "
            f"{GREATEST_AREA_CM2:g}: it is folded, or its vertices scatter; smooth it, or export "
            "it again"
        )
    # Of equilateral triangles of that area.
    edge = float(np.sqrt(4.0 / np.sqrt(3.0) * 100.0 * area / len(closed.faces)))
    if edge > GREATEST_EDGE_MM:
        raise InputError(
            f"the surface has {len(closed.faces)} triangles, with edges of some {edge:.0f} mm, in "
            "which no vein can be told; export it finer"
        )
    if not USUAL_VOLUME_ML[0] <= volume <= USUAL_VOLUME_ML[1]:
        notes.append(
            Note(
                "surface",
                f"the atrium with its veins holds {volume:.0f} mL, outside the usual "
                f"{USUAL_VOLUME_ML[0]:g} to {USUAL_VOLUME_ML[1]:g} mL: check label and unit",
                severity="caution",
            )
        )
    lumen = Lumen(Wall(closed, cap >= 0), tuple(openings), volume, clean.holes_filled + len(holes))
    return lumen, tuple(notes)


def is_hole(surface: Surface, loop: IntArray) -> bool:
    """Whether a boundary loop is a small hole in a wall that is flat there, and no vein's end.

    Parameters
    ----------
    surface : Surface
    loop : (N,) array
        Vertex indices, as of :func:`boundary_loops`.
    """
    if loop_diameter(surface, loop) >= WIDEST_HOLE_MM:
        return False
    _, normal, _ = loop_plane(surface.points[loop])
    beside = np.isin(surface.faces, loop).any(axis=1)
    return float(np.median(face_normals(surface)[beside] @ -normal)) > np.cos(np.radians(HOLE_DEG))


def opening_of(surface: Surface, loop: IntArray, is_closed: bool = False) -> Opening:
    """Return what a boundary loop of a surface is the edge of.

    Parameters
    ----------
    surface : Surface
    loop : (N,) array
        Vertex indices, as of :func:`boundary_loops`.
    is_closed : bool
        Whether the input closes it.

    Returns
    -------
    Opening
    """
    rim = surface.points[loop]
    centre, normal, _ = loop_plane(rim)
    share = np.arange(CAP_RINGS + 1) / CAP_RINGS
    spread = (centre + share[:, None, None] * (rim - centre)).reshape(-1, 3)
    # A boundary runs clockwise about the outward normal of its cap.
    return Opening(centre, -normal, loop_diameter(surface, loop), spread, is_closed)
