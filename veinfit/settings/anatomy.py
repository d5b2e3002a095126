"""Anatomy: how veins are found and their ostia placed."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.settings.parameter import parameter


@dataclass(frozen=True, slots=True)
class AnatomySettings:
    """How veins are found and their ostia placed."""

    common_trunk_mm: float = parameter(
        10.0,
        unit="mm",
        meaning="a trunk is common when shared this far from ostium to carina",
        basis="convention of this project; 15 mm is published",
        low=0.0,
        high=40.0,
    )
    axis_length_mm: float = parameter(
        10.0,
        unit="mm",
        meaning="length over which the vein's axis is fitted",
        basis="convention of this project",
        low=2.0,
        high=40.0,
    )
    section_step_mm: float = parameter(
        1.0,
        unit="mm",
        meaning="distance between sections along a vein",
        basis="at most 1 mm by the definition of a section",
        low=0.1,
        high=1.0,
    )
    sectors: int = parameter(
        36,
        unit="1",
        meaning="sectors around a vein in which the wall's half turn is sought, an even number",
        basis="10 degrees, about 1.5 mm on a vein of 17 mm",
        low=8,
        high=180,
        multiple_of=2,
    )
