"""Balloons: their size, shape and freezing zone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from veinfit.errors import InputError
from veinfit.seating.balloon_defaults import (
    FRONT_HALF_DEG,
    LARGEST_DIAMETER_MM,
    SMALLEST_DIAMETER_MM,
)
from veinfit.seating.mechanics.shape import Shape, Sphere, Spheroid, Turned
from veinfit.vectors import BoolArray, FloatArray

Profile = Literal["sphere", "spheroid", "table"]


@dataclass(frozen=True, slots=True)
class Balloon:
    """A surface of revolution about its shaft.

    Attributes
    ----------
    name : str
        As it is written in results.
    equatorial_mm : float
        Greatest diameter across the shaft, mm.
    axial_mm : float
        Length from pole to pole along the shaft, mm; a sphere's equals its diameter.
    profile : {'sphere', 'spheroid', 'table'}
        Shape of the half section.
    zone_from_deg, zone_to_deg : float
        The surface that freezes, as polar angles from the nose (the distal pole).
    growth_mm : float
        How much the diameter grows when freezing starts; 0 for constant size.
    inflation_pressure_kpa : float or None
        For information only.
    section : tuple of (float, float)
        Half section of a ``table``: place along the shaft from the equator toward
        the nose, and radius, mm.
    swollen_mm : float
        By which every ray from the centre is longer than the description says;
        the diameters above include it. A sphere does without.
    largest_mm : float or None
        Equatorial diameter to which it may be inflated; None for one size.

    Examples
    --------
    >>> Balloon("25 mm", equatorial_mm=25.0, axial_mm=27.0, profile="spheroid").radius_mm
    12.5
    """

    name: str
    equatorial_mm: float
    axial_mm: float
    profile: Profile = "sphere"
    zone_from_deg: float = FRONT_HALF_DEG[0]
    zone_to_deg: float = FRONT_HALF_DEG[1]
    growth_mm: float = 0.0
    inflation_pressure_kpa: float | None = None
    section: tuple[tuple[float, float], ...] = ()
    swollen_mm: float = 0.0
    largest_mm: float | None = None

    def __post_init__(self) -> None:
        """Take a section that was kept as lists, too."""
        rows = tuple((float(along), float(radius)) for along, radius in self.section)
        object.__setattr__(self, "section", rows)

    @property
    def shape(self) -> Shape:
        """How far the surface is from the centre in every direction."""
        if self.profile == "spheroid":
            more = self.swollen_mm
            return Spheroid(self.radius_mm - more, 0.5 * self.axial_mm - more, more)
        if self.profile == "table":
            return Turned(self.section, self.swollen_mm)
        return Sphere(self.radius_mm)

    def half_section(self, rings: int = 73) -> FloatArray:
        """Return the half section (N, 2), mm: place along the shaft from back to nose, radius.

        Parameters
        ----------
        rings : int
            N: so many places, evenly spread over the polar angle.

        Returns
        -------
        (N, 2) array
        """
        polar = np.linspace(np.pi, 0.0, rings)
        ray = self.shape.rays(np.cos(polar))[0]
        return np.stack([ray * np.cos(polar), ray * np.sin(polar)], axis=1)

    @property
    def radius_mm(self) -> float:
        """Half the equatorial diameter."""
        return 0.5 * self.equatorial_mm

    def freezes_at(self, polar_deg: FloatArray) -> BoolArray:
        """Tell which polar angles (N,) from the nose lie in the freezing zone.

        Parameters
        ----------
        polar_deg : (N,) array

        Returns
        -------
        (N,) array
        """
        return (polar_deg >= self.zone_from_deg) & (polar_deg <= self.zone_to_deg)

    def off_zone_mm(self, polar_deg: FloatArray) -> FloatArray:
        """Distance over the balloon from its freezing zone, mm; negative inside it.

        Parameters
        ----------
        polar_deg : (N,) array
            Angles from the nose.

        Returns
        -------
        (N,) array
        """
        outside = np.maximum(polar_deg - self.zone_to_deg, self.zone_from_deg - polar_deg)
        return np.asarray(np.radians(outside) * self.shape.reach_mm)

    def resized(self, more_mm: float) -> Balloon:
        """Return the balloon with both diameters larger by so much, however it freezes.

        Every ray from its centre is then longer by half as much.

        Parameters
        ----------
        more_mm : float
            Negative for a smaller one.

        Returns
        -------
        Balloon
            Under the same name.
        """
        return replace(
            self,
            equatorial_mm=self.equatorial_mm + more_mm,
            axial_mm=self.axial_mm + more_mm,
            swollen_mm=0.0 if self.profile == "sphere" else self.swollen_mm + 0.5 * more_mm,
        )

    @property
    def sizes(self) -> tuple[Balloon, ...]:
        """The ends of its range, each named by its diameter; itself where it has one size."""
        if self.largest_mm is None:
            return (self,)
        small = replace(self, largest_mm=None, name=f"{self.name} {self.equatorial_mm:g} mm")
        large = small.resized(self.largest_mm - self.equatorial_mm)
        return small, replace(large, name=f"{self.name} {self.largest_mm:g} mm")

    def grown(self) -> Balloon:
        """Return the balloon as it is once freezing has started."""
        return replace(self.resized(self.growth_mm), growth_mm=0.0)


def sphere(diameter_mm: float, name: str | None = None) -> Balloon:
    """Return a spherical balloon that freezes over its front half.

    Parameters
    ----------
    diameter_mm : float
    name : str, optional
        The diameter where not given.

    Returns
    -------
    Balloon

    Raises
    ------
    InputError
        The diameter is not plausible.
    """
    check_diameter(diameter_mm, "balloon")
    label = name if name is not None else f"{diameter_mm:g} mm"
    return Balloon(label, float(diameter_mm), float(diameter_mm))


def check_diameter(diameter_mm: float, where: str) -> None:
    """Raise InputError where a diameter is outside the plausible range."""
    if not SMALLEST_DIAMETER_MM <= diameter_mm <= LARGEST_DIAMETER_MM:
        raise InputError(
            f"{where}: a diameter of {diameter_mm:g} mm is not plausible; "
            f"give {SMALLEST_DIAMETER_MM:g} to {LARGEST_DIAMETER_MM:g} mm"
        )
