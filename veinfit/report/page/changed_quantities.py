"""The quantities of veins and seats that two results are compared in."""

from __future__ import annotations

from veinfit.result.columns import column

UNITS = {"°": "deg", "mm²": "mm2"}
"""Units of the registry as ``changes.csv`` writes them."""


def _quantity(table: str, name: str) -> tuple[str, str, int]:
    """Return a quantity with its unit and decimals, as the registry has them."""
    one = column(table, name)
    return name, UNITS.get(one.unit, one.unit), one.shown_digits or 0


VEIN_QUANTITIES = tuple(
    _quantity("veins", name)
    for name in (
        "d_max_mm", "d_min_mm", "ovality", "area_mm2", "d_area_mm", "takeoff_wall_deg",
        "takeoff_frontal_deg", "takeoff_transverse_deg", "trunk_length_mm", "confidence",
    )
)  # fmt: skip
FIT_QUANTITIES = tuple(
    _quantity("fits", name)
    for name in (
        "seal_probability", "steered_seal_probability", "occlusion_probability", "outcome",
        "sealed", "occluded", "leak_width_mm", "leak_area_mm2", "leak_side", "occlusion_grade",
        "depth_mm", "nose_depth_mm", "contact_arc_deg", "antral_area_mm2",
    )
)  # fmt: skip
