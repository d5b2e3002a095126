"""One vein prepared for its balloons, and the contact of one balloon with its wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.seating.approach.line import ApproachLine, line_through_ostium
from veinfit.seating.approach.start import nominal_back_mm, shaft_distance_mm
from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.coarse import sharp_points
from veinfit.seating.mechanics.law import NEWTON_PER_KPA_MM2, IndentationLaw
from veinfit.seating.mechanics.minimise import Exit
from veinfit.seating.mechanics.modes import (
    ShapeModes,
    modes_about,
    no_modes,
    ostial_axes,
    weight_of,
)
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.seating.patch import WallPatch, wall_patch
from veinfit.seating.pressing import can_press, rest_can_press
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import any_corner, edges, face_areas, select_faces
from veinfit.vectors import BoolArray, FloatArray, IntArray, lengths, unit

RING_DIAMETERS = 0.6
"""Wall within so many greatest diameters of the ostial centre has the ring's stiffness, ..."""

BODY_DIAMETERS = 1.2
"""... and from so many on the body's."""

RIGID_SHAPE_N_PER_MM = 1e6
"""From this stiffness on a mode cannot give way: the wall keeps its shape."""


@dataclass(frozen=True, eq=False)
class PreparedVein:
    """One vein prepared for its balloons.

    Attributes
    ----------
    vein : Vein
    patch : WallPatch
        As imaged.
    modes : ShapeModes
        Of the points of the patch.
    lumen : Surface
        Closed surface of the blood: how far a balloon can be backed off.
    axis_distance_mm : float
        How far the blood reaches back from the ostium along the vein's axis.
    stiffness : (V,) array
        k of the points of the patch, N/mm³.
    rest : BalloonWall
        Of the wall outside the patch what balloons can press: the same for all of them.
    """

    vein: Vein
    patch: WallPatch
    modes: ShapeModes
    lumen: Surface
    axis_distance_mm: float
    stiffness: FloatArray
    rest: BalloonWall
    _gathered: dict[float, BalloonWall] = field(default_factory=dict, repr=False)

    @property
    def seed(self) -> str:
        """By what its tries are drawn: the name under which it was found.

        A name that a reader corrects moves nothing, nor does what becomes of another vein.
        """
        return self.vein.found_as or self.vein.name

    def distance_mm(self, line: ApproachLine) -> float:
        """How far the blood reaches back from the ostium along a shaft, mm.

        Parameters
        ----------
        line : ApproachLine

        Returns
        -------
        float
        """
        if np.array_equal(line.direction, self.patch.axis):
            return self.axis_distance_mm
        return shaft_distance_mm(self.lumen, line)

    def exit(self, settings: SeatingSettings) -> Exit:
        """Return the plane past which a balloon has passed through the vein.

        Parameters
        ----------
        settings : SeatingSettings

        Returns
        -------
        Exit
        """
        return Exit(self.patch.centre, self.patch.normal, settings.greatest_depth_mm)

    def shaped(self, amplitude: FloatArray) -> WallPatch:
        """Return the patch as it lies once its modes have amplitudes (M,), mm.

        Parameters
        ----------
        amplitude : (M,) array

        Returns
        -------
        WallPatch
            The same, where all are zero.
        """
        if not np.any(amplitude):
            return self.patch
        points = self.patch.surface.points + self.modes.displacement(amplitude)
        return replace(self.patch, surface=self.patch.surface.moved_to(points))

    @cached_property
    def axes(self) -> FloatArray:
        """Directions (3, 3), in rows, that turn with the vein: across its ostium and along it."""
        long, _, _, _ = ostial_axes(self.vein)
        axis = self.patch.axis
        long = unit(long - (long @ axis) * axis)
        return np.stack([long, np.cross(axis, long), axis])

    @cached_property
    def areas(self) -> FloatArray:
        """Areas (F,) of the faces of the patch, mm²."""
        return face_areas(self.patch.surface)

    @cached_property
    def sharp(self) -> BoolArray:
        """Points of the patch (V,) that lie on an edge of the wall."""
        return sharp_points(self.patch.surface.points, self.patch.surface.faces)

    def sharp_among(self, faces: IntArray, vertices: IntArray, left: IntArray) -> BoolArray:
        """Points (K,) that lie on an edge of a part of the patch.

        Only beside what is left out do they have other neighbours than on the whole of it.

        Parameters
        ----------
        faces : (F, 3) array
            Of the part, by the places of its vertices.
        vertices : (K,) array
            Their numbers in the patch.
        left : (L,) array
            The faces that are left out.

        Returns
        -------
        (K,) array
        """
        surface = self.patch.surface
        beside = np.zeros(len(surface.points), dtype=bool)
        beside[surface.faces[left]] = True
        beside = beside[vertices]
        result = self.sharp[vertices]
        around = faces[any_corner(faces, beside)]
        anew = sharp_points(surface.points[vertices], around)
        result[beside] = anew[beside]
        return result

    def gathered_rest(self, size_mm: float) -> BalloonWall:
        """Return the rest in cells of about that size: gathered once for all balloons.

        Parameters
        ----------
        size_mm : float

        Returns
        -------
        BalloonWall
        """
        if size_mm not in self._gathered:
            self._gathered[size_mm] = self.rest.gathered(size_mm, self.patch.centre, self.axes)
        return self._gathered[size_mm]

    @cached_property
    def sector(self) -> FloatArray:
        """Angle of each point of the patch about the vein's axis (V,), radians."""
        offset = self.patch.surface.points - self.patch.centre
        return np.arctan2(offset @ self.axes[1], offset @ self.axes[0])


@dataclass(frozen=True, slots=True, eq=False)
class BalloonContact:
    """One balloon before a prepared vein: the wall that it can press.

    Attributes
    ----------
    balloon : Balloon
    pressing : (F,) bool array
        Faces of the patch that it can press.
    touchable : (V,) bool array
        Vertices of the patch that it can press.
    wall : BalloonWall
        All wall that it can press: that of the patch, then the rest.
    own : BalloonWall
        That of the patch alone.
    """

    balloon: Balloon
    pressing: BoolArray
    touchable: BoolArray
    wall: BalloonWall
    own: BalloonWall


def prepare(
    anatomy: Anatomy, vein: Vein, largest_radius_mm: float, settings: SeatingSettings
) -> PreparedVein:
    """Prepare a vein for balloons of up to that radius.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
    largest_radius_mm : float
        The wall within its reach is taken.
    settings : SeatingSettings

    Returns
    -------
    PreparedVein
    """
    patch = wall_patch(anatomy, vein, largest_radius_mm, settings)
    distance = shaft_distance_mm(anatomy.lumen, line_through_ostium("coaxial", vein, vein.axis))
    points = patch.surface.points
    facing = rest_can_press(patch, nominal_back_mm(distance, largest_radius_mm))
    rest, _ = select_faces(patch.rest, facing)
    return PreparedVein(
        vein,
        patch,
        _modes(vein, points, settings),
        anatomy.lumen,
        distance,
        wall_stiffness(vein, points, settings),
        BalloonWall.of_triangles(
            points=rest.points,
            faces=rest.faces,
            areas=face_areas(rest),
            stiffness=wall_stiffness(vein, rest.points, settings),
            law=IndentationLaw(settings.locking_depth_mm),
            modes=_modes(vein, rest.points, settings),
        ),
    )


def balloon_contact(
    prepared: PreparedVein, balloon: Balloon, settings: SeatingSettings
) -> BalloonContact:
    """Find the wall that a balloon can press."""
    patch, shape = prepared.patch, balloon.shape
    back = nominal_back_mm(prepared.axis_distance_mm, shape.nose_mm)
    pressing = can_press(patch, shape.reach_mm, back)
    near, kept = select_faces(patch.surface, pressing)
    own = BalloonWall.of_triangles(
        points=near.points,
        faces=near.faces,
        areas=prepared.areas[pressing],
        stiffness=prepared.stiffness[kept],
        law=IndentationLaw(settings.locking_depth_mm),
        modes=prepared.modes.of(kept),
    )
    touchable = np.zeros(len(patch.surface.points), dtype=bool)
    touchable[kept] = True
    return BalloonContact(balloon, pressing, touchable, own.beside(prepared.rest), own)


def gathered_contact(
    prepared: PreparedVein, contact: BalloonContact, size_mm: float
) -> BalloonContact:
    """Return the same contact with its wall in cells of about that size, as points alone.

    Parameters
    ----------
    prepared : PreparedVein
    contact : BalloonContact
    size_mm : float

    Returns
    -------
    BalloonContact
    """
    own, kept = contact.own, np.flatnonzero(contact.touchable)
    sharp = prepared.sharp_among(own.faces, kept, np.flatnonzero(~contact.pressing))
    pairs, face_edges, _ = edges(prepared.patch.surface)
    used = np.zeros(len(pairs), dtype=bool)
    used[face_edges[contact.pressing]] = True
    links = (np.cumsum(contact.touchable) - 1).take(pairs[used])
    gathered = own.gathered(size_mm, prepared.patch.centre, prepared.axes, sharp, links)
    wall = gathered.beside(prepared.gathered_rest(size_mm))
    return replace(contact, wall=wall, own=gathered)


def wall_stiffness(vein: Vein, points: FloatArray, settings: SeatingSettings) -> FloatArray:
    """Return k (V,), N/mm³, at wall points (V, 3): the ring's near the ostium, else the body's."""
    offset = points - vein.ostium.centre
    far = lengths(offset) / vein.ostium.measures.d_max_mm
    ring = np.zeros(len(points))
    near = np.flatnonzero(far < BODY_DIAMETERS)
    ring[near] = weight_of(far[near], RING_DIAMETERS, BODY_DIAMETERS)
    before = offset @ vein.ostium.normal < 0.0
    ring = np.where(before, ring, 1.0)
    body_k, ring_k = settings.body_stiffness_kpa_per_mm, settings.ring_stiffness_kpa_per_mm
    return np.asarray(NEWTON_PER_KPA_MM2 * (body_k + ring * (ring_k - body_k)))


def balloon_batch(
    prepared: PreparedVein,
    contact: BalloonContact,
    lines: Sequence[ApproachLine],
    settings: SeatingSettings,
    *,
    exact: bool,
) -> BalloonBatch:
    """Return the energies of one balloon on several approaches, pushed as far as it ever is."""
    count, shape = len(lines), contact.balloon.shape
    return BalloonBatch(
        wall=contact.wall,
        exact=exact,
        shape=shape,
        reach_mm=np.full(count, shape.reach_mm),
        stiffness=np.ones(count),
        shape_stiffness=np.full(
            (count, contact.wall.modes.count), settings.shape_stiffness_n_per_mm
        ),
        push_n=np.full(count, settings.greatest_push_n),
        guide_n_per_mm=np.full(count, settings.guide_n_per_mm),
        shaft_n_per_mm=np.full(count, settings.shaft_n_per_mm),
        direction=np.array([line.direction for line in lines]),
        origin=np.array([line.origin for line in lines]),
        guide=prepared.patch.guide,
        pivot=prepared.patch.centre,
        guide_turn=np.tile(np.eye(3), (count, 1, 1)),
    )


def _modes(vein: Vein, points: FloatArray, settings: SeatingSettings) -> ShapeModes:
    if settings.shape_stiffness_n_per_mm >= RIGID_SHAPE_N_PER_MM:
        return no_modes(len(points))
    return modes_about(vein, points)
