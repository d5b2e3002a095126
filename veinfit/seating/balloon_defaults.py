"""What holds of balloons where nothing else is said: sizes, limits, the zone that freezes."""

from __future__ import annotations

SMALLEST_DIAMETER_MM = 10.0
"""Below this no balloon occludes a pulmonary vein; common practice, no source."""

LARGEST_DIAMETER_MM = 50.0
"""A balloon above this has no room in a left atrium; common practice, no source."""

GREATEST_GROWTH_MM = 10.0
"""A diameter that grows by more when freezing starts is taken for a slip of the pen."""

BUILT_IN = ("23 mm", "28 mm", "31 mm")
"""Names of the balloons that come with the package."""

STANDARD_SIZES = (28.0, 31.0)
"""Diameters, mm, of the balloons that are tried when none is named."""

FRONT_HALF_DEG = (0.0, 90.0)
"""Freezing zone where none is stated: the whole half in front of the equator."""
