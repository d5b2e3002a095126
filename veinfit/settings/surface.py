"""Surfaces: how they are made from labels and repaired."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.settings.parameter import parameter


@dataclass(frozen=True, slots=True)
class SurfaceSettings:
    """How a surface is made from labels and repaired."""

    smoothing_iterations: int = parameter(
        50,
        unit="1",
        meaning="windowed-sinc iterations over the voxel surface",
        basis="least bias of volume, diameter and perimeter on tubes of 6 to 16 mm",
        low=0,
        high=500,
    )
    smoothing_pass_band: float = parameter(
        0.05,
        unit="1",
        meaning="windowed-sinc pass band",
        basis="as smoothing_iterations; a lower band rings on thin veins",
        low=0.001,
        high=2.0,
    )
    small_hole_mm: float = parameter(
        3.0,
        unit="mm",
        meaning="holes with a perimeter-equivalent diameter below this are filled",
        basis="thinner than the thinnest vein of interest (4 mm); most pinholes are below 1 mm",
        low=0.0,
    )
