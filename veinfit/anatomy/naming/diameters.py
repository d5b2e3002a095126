"""How wide veins are and how soon they branch, as published.

Cronin et al., Acad Radiol 2007;14:178-188, Tables 3 and 5: CT of 200 patients before ablation.
"""

from __future__ import annotations

from collections.abc import Mapping

USUAL_DIAMETERS: Mapping[str, tuple[float, float]] = {
    "LSPV": (16.56, 3.80),
    "LIPV": (14.76, 3.70),
    "RSPV": (17.63, 4.36),
    "RIPV": (17.06, 3.50),
    "RMPV": (8.56, 2.16),
    "RMPV-2": (8.56, 2.16),
    "extra-1": (7.70, 1.44),
    "LCPV": (24.29, 7.45),
    "RCPV": (24.29, 7.45),
    "ICPV": (24.29, 7.45),
}
"""Mean and standard deviation of the ostial diameter, mm (extra veins as accessory ones, all common
trunks alike)."""

PUBLISHED_MM_RANGES: Mapping[str, tuple[float, float]] = {
    "LSPV": (9.0, 26.7),
    "LIPV": (5.2, 23.5),
    "RSPV": (6.0, 30.0),
    "RIPV": (8.5, 28.2),
    "RMPV": (3.0, 14.0),
    "RMPV-2": (3.0, 14.0),
    "LCPV": (12.0, 44.0),
    "RCPV": (12.0, 44.0),
    "ICPV": (12.0, 44.0),
}
"""Least and greatest ostial diameter; of extra veins too few are published."""

UNUSUAL_CONFIDENCE = 0.5
"""Confidence left to an ostium outside that range: of 1,250 ostia of invented atria two were, and
both lay 6 mm and more too far into the atrium; dilated atria may have wider ones."""

FIRST_BRANCHES: Mapping[str, tuple[float, float]] = {
    "LSPV": (17.58, 6.48),
    "LIPV": (13.50, 4.80),
    "RSPV": (14.50, 6.21),
    "RIPV": (6.97, 3.51),
    "RMPV": (8.43, 5.31),
    "RMPV-2": (8.43, 5.31),
}
"""Mean and standard deviation of the distance from the ostium to the first branch, mm: the
shorter, the rather the branches are veins of their own."""


def unusual_diameter(name: str, d_area_mm: float) -> str | None:
    """Return what is unusual about an ostial diameter, or None within the published range."""
    low, high = PUBLISHED_MM_RANGES.get(name, (0.0, float("inf")))
    if low <= d_area_mm <= high:
        return None
    where = "in the atrium or hold a neighbour" if d_area_mm > high else "too far in the vein"
    return (
        f"its ostial diameter of {d_area_mm:.1f} mm is outside the {low:g} to {high:g} mm of 200 "
        f"published patients: the ostium may lie {where}"
    )
