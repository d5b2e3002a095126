"""From where a picture is seen: the words that a user gives, read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from veinfit.errors import InputError

Kind = Literal["axis", "side", "angles"]

NAMED_ANGLES: dict[str, tuple[float, float]] = {
    "ap": (0.0, 0.0),
    "pa": (180.0, 0.0),
    "left lateral": (90.0, 0.0),
    "right lateral": (-90.0, 0.0),
    "from the head": (0.0, 90.0),
    "from the feet": (0.0, -90.0),
}
"""Projections that have a name and no angle."""

VIEW_FORMS = (
    "axis, side, AP, PA, 'left lateral', 'right lateral', 'from the head', 'from the feet', or "
    "angles such as LAO45, RAO30, LPO30, 'LAO45 cranial20', 'AP caudal15'"
)
"""What a view may be called."""


@dataclass(frozen=True, slots=True)
class Look:
    """From where a fit is seen: down the vein's axis, from the side that shows most, or at angles.

    Angles are in degrees, as :mod:`veinfit.report.render.projection` counts them.
    """

    kind: Kind
    lao_deg: float = 0.0
    cranial_deg: float = 0.0


def parse_look(text: str) -> Look:
    """Return the view that a user's words name.

    Parameters
    ----------
    text : str
        Such as ``axis``, ``LAO45 cranial20``.

    Returns
    -------
    Look

    Raises
    ------
    InputError
        They name none.
    """
    said = " ".join(re.sub(r"[,_/°-]+", " ", text.lower()).split())
    if said in ("axis", "side"):
        return Look("axis" if said == "axis" else "side")
    if said in NAMED_ANGLES:
        return Look("angles", *NAMED_ANGLES[said])
    found = re.fullmatch(
        r"(?:(ap|pa|left lateral|right lateral)|([lr])([ap])o ?(\d+(?:\.\d+)?))"
        r"(?: ?(cra|cranial|cau|caudal) ?(\d+(?:\.\d+)?))?",
        said,
    )
    if found is None:
        raise InputError(f"view {text!r} is not known; write {VIEW_FORMS}")
    name, side, front, size, direction, tilt = found.groups()
    lao = NAMED_ANGLES[name][0] if name else _primary(float(size), side, front)
    cranial = float(tilt or 0.0) * (-1.0 if direction in ("cau", "caudal") else 1.0)
    if abs(cranial) > 90.0 or (size and float(size) > 180.0):
        raise InputError(f"view {text!r} has an angle out of range: 180° around, 90° up or down")
    return Look("angles", lao, cranial)


def _primary(size: float, side: str, front: str) -> float:
    lao = size if front == "a" else 180.0 - size
    return lao if side == "l" else -lao
