"""Whether a balloon that came to rest has reached the vein, or lies held far before it."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from veinfit.seating.patch import WallPatch
from veinfit.seating.prepare import BalloonContact, PreparedVein
from veinfit.settings import SeatingSettings
from veinfit.vectors import BoolArray, FloatArray


def reached(patch: WallPatch, noses: FloatArray, settings: SeatingSettings) -> BoolArray:
    """Tell which balloons have their nose near enough to the ostial plane.

    Parameters
    ----------
    patch : WallPatch
    noses : (..., 3) array
        The balloons' noses at rest, mm.
    settings : SeatingSettings

    Returns
    -------
    reached : (...) bool array
        False: the balloon cannot reach the vein and seals nothing, whatever it touches.
    """
    return _before_mm(patch, noses) <= settings.farthest_nose_mm


def why_not_reached(patch: WallPatch, nose: FloatArray, settings: SeatingSettings) -> str:
    """Return why a balloon with its nose (3,) at rest there does not reach; empty where it does."""
    if bool(reached(patch, nose, settings)):
        return ""
    return (
        "wall before the ostium stops the balloon: its nose comes to rest "
        f"{float(_before_mm(patch, nose)):.0f} mm before the ostial plane; more than "
        f"{settings.farthest_nose_mm:g} mm counts as not reached"
    )


def _before_mm(patch: WallPatch, noses: FloatArray) -> FloatArray:
    return np.asarray((patch.centre - noses) @ patch.normal)


def before_ostium(prepared: PreparedVein, centres: FloatArray) -> BoolArray:
    """Tell which places (N, 3) lie no farther from the vein's axis than the ostium is wide.

    Parameters
    ----------
    prepared : PreparedVein
    centres : (N, 3) array
        Of balloons, mm.

    Returns
    -------
    (N,) array
    """
    axis = prepared.patch.axis
    offset = centres - prepared.patch.centre
    aside = np.linalg.norm(offset - (offset @ axis)[:, None] * axis, axis=1)
    return np.asarray(aside <= 0.5 * prepared.vein.ostium.measures.d_max_mm)


def missing_on_path(prepared: PreparedVein, contact: BalloonContact) -> str:
    """Say whether missing wall might have held a balloon that passes, and not deep in the vein.

    A wall that ends too early lets a balloon through that more wall might have held; past
    the mitral side and the ends of other veins there is none. Where more wall of the vein
    would have held it only with its equator past the ostial plane, it is no antral seat
    either way, and passes.
    """
    patch, reach = prepared.patch, contact.balloon.shape.reach_mm
    rims = [wall.rim for wall in patch.missing if wall.kind != "atrium"]
    rim = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *rims]))
    edge = patch.surface.points[rim[contact.touchable[rim]]]
    if not len(edge):
        return ""
    path = patch.guide.sampled(patch.centre - reach * patch.axis, reach, 1.0)
    near = np.isfinite(cKDTree(path).query(edge, distance_upper_bound=reach)[0])
    offset = edge[near] - patch.centre
    aside = np.linalg.norm(offset - (offset @ patch.axis)[:, None] * patch.axis, axis=1)
    # Depth of a ball that touches the edge of the wall alone.
    depth = offset @ patch.normal - np.sqrt(np.maximum(reach**2 - aside**2, 0.0))
    return "the wall ends before the balloon comes to rest" if (depth <= 0.0).any() else ""
