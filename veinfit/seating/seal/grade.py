"""Occlusion grade and depth: conventions of this project, with their words.

No published definition of either as a number was found; both are therefore named
and written with their thresholds.
"""

from __future__ import annotations

from veinfit.settings import SeatingSettings

COMPLETE = 4
"""The grade that counts as occluded; lower ones leak."""

DEEP_BY_PLANE = "ostial plane"


def occlusion_grade(
    occluded: bool, orifice_mm2: float | None, settings: SeatingSettings
) -> int | None:
    """Return 4 (complete), 3 (small leak), 2 (moderate leak) or 1 (poor); None if unknown.

    Parameters
    ----------
    occluded : bool
    orifice_mm2 : float or None
        Area of all leaks together.
    settings : SeatingSettings
    """
    if occluded:
        return COMPLETE
    if orifice_mm2 is None:
        return None
    if orifice_mm2 <= settings.grade_small_leak_mm2:
        return 3
    return 2 if orifice_mm2 <= settings.grade_moderate_leak_mm2 else 1


def grade_definition(settings: SeatingSettings) -> str:
    """Return in words what the grades mean.

    Parameters
    ----------
    settings : SeatingSettings

    Returns
    -------
    str
    """
    small, moderate = settings.grade_small_leak_mm2, settings.grade_moderate_leak_mm2
    return (
        "occlusion grade by the orifice of all leaks together, a convention of this project: "
        f"{COMPLETE} complete (none), 3 small leak (up to {small:g} mm2), 2 moderate leak (up to "
        f"{moderate:g} mm2), 1 poor (more)"
    )


def is_deep(depth_mm: float, ring_deg: float | None, settings: SeatingSettings) -> bool:
    """Tell whether a balloon lies deep, by the convention that the settings name.

    Parameters
    ----------
    depth_mm : float
        The equator's place along the ostial normal, positive in the vein.
    ring_deg : float or None
        Polar angle of the contact ring from the nose; None without contact.
    settings : SeatingSettings
    """
    if settings.deep_convention == DEEP_BY_PLANE:
        return depth_mm > -settings.deep_plane_mm
    return depth_mm > 0.0 or (ring_deg is not None and ring_deg > settings.deep_ring_angle_deg)


def deep_definition(settings: SeatingSettings) -> str:
    """Return in words what deep means.

    Parameters
    ----------
    settings : SeatingSettings

    Returns
    -------
    str
    """
    if settings.deep_convention == DEEP_BY_PLANE:
        rule = f"the equator lies less than {settings.deep_plane_mm:g} mm before the ostial plane"
    else:
        rule = (
            f"the contact ring lies at more than {settings.deep_ring_angle_deg:g} degrees from "
            "the nose, or the equator in the vein"
        )
    return f"deep, a convention of this project: {rule}"
