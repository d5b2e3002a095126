"""What single-vein labels say of the ostia, beside what the wall says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.model import LabelOstium, Vein
from veinfit.labels.model import LabelBorder
from veinfit.surface.contours import contour_around, contour_centroid, measure_contour
from veinfit.surface.cuts import plane_contours
from veinfit.vein_names import TRUNK_BRANCHES, vein_order

MOST_SHARE = 1.5
"""A contour this many times larger than the border between the labels holds more than the vein."""


def label_ostia(
    borders: Mapping[str, LabelBorder], wall: Wall, veins: Sequence[Vein]
) -> tuple[LabelOstium, ...]:
    """Cut the wall where each vein's label begins.

    Parameters
    ----------
    borders : mapping of str to LabelBorder
    wall : Wall
        Closed.
    veins : sequence of Vein
        As measured, to which the distance is told.
    """
    order = sorted(borders, key=vein_order)
    return tuple(_label_ostium(name, borders[name], wall, veins) for name in order)


def _label_ostium(name: str, border: LabelBorder, wall: Wall, veins: Sequence[Vein]) -> LabelOstium:
    contours = plane_contours(wall.surface, border.centre, border.normal)
    contour = contour_around(contours, border.centre, border.normal)
    centre, measures = border.centre, None
    if contour is not None and not wall.is_cap[contour.faces].any():
        found = measure_contour(contour.points, border.normal)
        if found.area_mm2 < MOST_SHARE * border.area_mm2:
            centre, measures = contour_centroid(contour.points, border.normal), found
    measured = _vein_of(name, veins)
    away = None if measured is None else float(np.linalg.norm(centre - measured.ostium.centre))
    return LabelOstium(name, centre, border.normal, measures, away)


def _vein_of(label: str, veins: Sequence[Vein]) -> Vein | None:
    """Return the measured vein of a label, or the trunk that it is a branch of."""
    for vein in veins:
        if vein.name == label:
            return vein
    for vein in veins:
        if label in TRUNK_BRANCHES.get(vein.name, ()):
            return vein
    return None


def label_words(name: str, values: Mapping[str, tuple[int, ...]]) -> str:
    """Return a label as messages call it: by its values and its name."""
    own = values.get(name, ())
    return f"label {', '.join(map(str, own))}, {name}" if own else f"label {name}"
