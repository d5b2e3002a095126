"""One vein made ready for its balloons, and one balloon before it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import BoolArray
from veinfit.seating.approach import ApproachLine, line_through_ostium
from veinfit.seating.balloon import Balloon
from veinfit.seating.clock import Meridians, meridians
from veinfit.seating.equilibrium import Energy
from veinfit.seating.foundation import Foundation, FoundationLaw
from veinfit.seating.gap import touchable_vertices
from veinfit.seating.guide import straight
from veinfit.seating.orifice import CutGraph, cut_graph
from veinfit.seating.patch import WallPatch, can_press, wall_patch
from veinfit.seating.rounding import rounded_wall
from veinfit.seating.start import nominal_back_mm, shaft_way_mm
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface


@dataclass(frozen=True, eq=False)
class Bench:
    """One vein made ready for its balloons.

    Attributes
    ----------
    patch : WallPatch
    lumen : Surface
        Closed surface of the blood: how far a balloon can be backed off.
    axis_way_mm : float
        How far the blood reaches back from the ostium along the vein's axis.
    """

    patch: WallPatch
    lumen: Surface
    axis_way_mm: float

    def way_mm(self, line: ApproachLine) -> float:
        """How far the blood reaches back from the ostium along a shaft, mm."""
        if np.array_equal(line.direction, self.patch.axis):
            return self.axis_way_mm
        return shaft_way_mm(self.lumen, line)

    @cached_property
    def lines(self) -> Meridians:
        """The meridians along which a seal is read; tries ask for none."""
        return meridians(self.patch)

    @cached_property
    def graph(self) -> CutGraph:
        """Where lines around the vein may run; a balloon that occludes asks for none."""
        return cut_graph(self.patch)


@dataclass(frozen=True, slots=True, eq=False)
class Mount:
    """One balloon on a bench: the wall that it can press.

    Attributes
    ----------
    balloon : Balloon
    pressing : (F,) bool array
        Faces of the patch that it can press.
    touchable : (V,) bool array
        Vertices of the patch that it can press.
    foundation : Foundation
        All wall that it can press.
    """

    balloon: Balloon
    pressing: BoolArray
    touchable: BoolArray
    foundation: Foundation


def prepare(
    anatomy: Anatomy, vein: Vein, largest_radius_mm: float, settings: SeatingSettings
) -> Bench:
    """Make a vein ready for balloons of up to that radius."""
    share, given = settings.ostium_rounding, anatomy.given_wall
    rounded = replace(
        anatomy,
        wall=rounded_wall(anatomy.wall, vein, share),
        given_wall=None if given is None else rounded_wall(given, vein, share),
    )
    patch = wall_patch(rounded, vein, largest_radius_mm, settings)
    way = shaft_way_mm(anatomy.lumen, line_through_ostium("coaxial", vein, vein.axis))
    return Bench(patch, anatomy.lumen, way)


def mount(bench: Bench, balloon: Balloon, settings: SeatingSettings) -> Mount:
    """Find the wall that a balloon can press."""
    patch = bench.patch
    shape = balloon.shape
    back = nominal_back_mm(bench.axis_way_mm, shape.nose_mm)
    pressing, rest_pressing = can_press(patch, shape.reach_mm, back)
    law = FoundationLaw.from_settings(settings)
    near = Foundation.on(patch.surface, pressing, law, shape.reach_mm)
    rest = Foundation.on(patch.rest, rest_pressing, law, shape.reach_mm)
    touchable = touchable_vertices(patch, pressing)
    return Mount(balloon, pressing, touchable, near.joined(rest))


def energy_of(
    bench: Bench, mounted: Mount, line: ApproachLine, settings: SeatingSettings
) -> Energy:
    """Return the energy of a balloon before a vein on one approach."""
    wall, balloon = mounted.foundation, mounted.balloon
    if balloon.profile != "sphere":
        wall = wall.pressed_by(balloon.shape, line.direction)
    return Energy(
        foundation=wall,
        push_n=settings.push_n,
        direction=line.direction,
        origin=bench.patch.centre,
        guide=bench.patch.guide,
        guide_n_per_mm=settings.guide_n_per_mm,
        shaft=straight(line.origin, line.direction),
        shaft_n_per_mm=settings.shaft_n_per_mm,
    )
