"""What is true of an invented atrium: immutable values, LPS mm."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from veinfit.vectors import FloatArray

OstiumKind = Literal["half_turn", "half_turn_in_part", "area_gradient"]
"""By which definition an ostium is true: half turns in most sectors (two thirds or more), in part
of them (a third or more), or, where the wall hardly turns, where sections widen half as fast as
they ever do."""


@dataclass(frozen=True, slots=True, eq=False)
class OstiumTruth:
    """Where the wall has made half of its turn, or by the next definition that there is.

    Attributes
    ----------
    kind : {'half_turn', 'half_turn_in_part', 'area_gradient'}
    centre : (3,) array
        Centroid of the zero contour in the ostial plane.
    normal : (3,) array
        Unit normal of the plane, into the vein.
    d_area_mm, d_max_mm, d_min_mm, area_mm2, perimeter_mm : float
        Of the zero contour in the plane; d_min is perpendicular to d_max.
    contour : (N, 3) array
        The contour itself.
    half_turn_points : (K, 3) array
        The point of each sector in which there is one, in order around the vein.
    residual_mm : float
        Robust spread (1.4826 times the median) of these points' distances from the plane.
    sector_spread_mm : float
        Range of these distances between their 5th and 95th percentile.
    sectors_found : int
        Sectors in which the wall turns at all.
    turn_deg : (K,) array
        Whole turn of the wall in each sector, from the vein's to the atrium's direction.
    closed : bool
        False where the plane, and those up to 6 mm farther into the vein, run out of
        it somewhere, so that the contour was bridged there and sizes are less certain.
    unsettled_mm : float
        How far the centre still moved when the axis line was last laid anew:
        near 0 unless the fit of the plane has more than one answer.
    """

    kind: OstiumKind
    centre: FloatArray
    normal: FloatArray
    d_area_mm: float
    d_max_mm: float
    d_min_mm: float
    area_mm2: float
    perimeter_mm: float
    contour: FloatArray
    half_turn_points: FloatArray
    residual_mm: float
    sector_spread_mm: float
    sectors_found: int
    turn_deg: FloatArray
    closed: bool
    unsettled_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class StationTruth:
    """The section across a trunk at one place.

    Attributes
    ----------
    distal_to_flare_mm : float
        Along the centreline from the end of the flare, where the vein's wall is
        its own all around: 10 unless a branch or the cut end comes earlier.
    s_mm : float
        Along the centreline from the ostial centre.
    centre, direction : (3,) array
        Point and unit tangent of the centreline.
    centroid : (3,) array
        Of the section itself.
    """

    distal_to_flare_mm: float
    s_mm: float
    centre: FloatArray
    direction: FloatArray
    centroid: FloatArray
    d_area_mm: float
    d_max_mm: float
    d_min_mm: float
    area_mm2: float
    perimeter_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class VeinTruth:
    """One vein or common trunk.

    Attributes
    ----------
    name : str
    branches : tuple of str
        Names of the branches of a trunk.
    ostium : OstiumTruth
    station : StationTruth or None
        None where the trunk branches or ends before its flare does.
    axis : (3,) array
        Unit direction of the analytic centreline, fitted over ``axis_length_mm``
        from where sections are clear of the ostium.
    section_axis : (3,) array
        The same fitted to the centroids of the true sections.
    axis_length_mm : float
        10, or less where a branch or the cut end comes earlier.
    trunk_length_mm : float
        Along the centreline from the ostium to the first branching or the cut end.
    trunk_cut : bool
        True where it ends at the cut, so that the trunk is at least this long.
    takeoff_wall_deg : float
        Axis against the outward normal of the atrial wall as if the vein were not there.
    takeoff_frontal_deg, takeoff_transverse_deg : float
    centreline : (N, 3) array
        The analytic centreline from the ostial centre's foot to its end, every millimetre.
    end_centres : (M, 3) array
        Centres of the cut ends that lie distal in this vein.
    """

    name: str
    branches: tuple[str, ...]
    ostium: OstiumTruth
    station: StationTruth | None
    axis: FloatArray
    section_axis: FloatArray
    axis_length_mm: float
    trunk_length_mm: float
    trunk_cut: bool
    takeoff_wall_deg: float
    takeoff_frontal_deg: float
    takeoff_transverse_deg: float
    centreline: FloatArray
    end_centres: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class OpeningTruth:
    """The appendage's neck or the mitral opening: centre, unit normal outward, diameter."""

    centre: FloatArray
    normal: FloatArray
    d_area_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class AtriumTruth:
    """All that is true of one invented atrium.

    A common trunk shared for at least 10 mm is one entry with its branches;
    a shorter one is an entry for each branch.
    """

    veins: tuple[VeinTruth, ...]
    appendage: OpeningTruth | None
    mitral: OpeningTruth | None
    body_centre: FloatArray
    volume_ml: float

    def vein(self, name: str) -> VeinTruth:
        """Return the vein called ``name``."""
        for vein in self.veins:
            if vein.name == name:
                return vein
        raise KeyError(f"no vein {name}; there are {', '.join(v.name for v in self.veins)}")

    def as_mapping(self, decimals: int = 4, curves: bool = True) -> dict[str, Any]:
        """Return plain nested values, rounded, for a JSON file.

        Without ``curves`` contours, half-turn points and centrelines are left out.
        """
        plain: dict[str, Any] = _plain(self, decimals, () if curves else CURVES)
        return plain


CURVES = ("contour", "half_turn_points", "turn_deg", "centreline")
"""Fields that hold a row for every sector or station."""


def _plain(value: Any, decimals: int, left_out: tuple[str, ...]) -> Any:
    if dataclasses.is_dataclass(value):
        names = [item.name for item in dataclasses.fields(value) if item.name not in left_out]
        return {name: _plain(getattr(value, name), decimals, left_out) for name in names}
    if isinstance(value, np.ndarray):
        return (np.round(value, decimals) + 0.0).tolist()
    if isinstance(value, tuple | list):
        return [_plain(inner, decimals, left_out) for inner in value]
    if isinstance(value, np.floating | float):
        return round(float(value), decimals) + 0.0
    if isinstance(value, np.integer):
        return int(value)
    return value
