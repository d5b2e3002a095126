"""From where a balloon is pushed: the push direction and the shaft line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.errors import InputError
from veinfit.frames import FloatArray, angle_deg, unit
from veinfit.seating.model import Approach
from veinfit.settings import SeatingSettings


@dataclass(frozen=True, slots=True, eq=False)
class ApproachLine:
    """The push and the shaft of one balloon before one vein.

    Attributes
    ----------
    kind : {'coaxial', 'transseptal'}
    direction : (3,) array
        Unit vector of the push and of the shaft, toward the vein; the balloon's
        nose points this way.
    origin : (3,) array
        A point of the shaft line: the ostial centre.
    misalignment_deg : float
        Angle between the direction and the vein's axis.
    """

    kind: Approach
    direction: FloatArray
    origin: FloatArray
    misalignment_deg: float


def line_through_ostium(kind: Approach, vein: Vein, direction: FloatArray) -> ApproachLine:
    """Return the approach along ``direction`` (3,) through the vein's ostial centre."""
    d = unit(direction)
    return ApproachLine(kind, d, vein.ostium.centre, float(angle_deg(d, vein.axis)))


def coaxial(anatomy: Anatomy, vein: Vein, settings: SeatingSettings) -> ApproachLine:
    """Return the approach along the vein's own axis through its ostial centre."""
    return line_through_ostium("coaxial", vein, vein.axis)


Maker = Callable[[Anatomy, Vein, SeatingSettings], ApproachLine]

APPROACHES: Mapping[str, Maker] = {"coaxial": coaxial}
"""How each approach is found. A further approach, such as transseptal, is one more entry."""


def approach_line(
    kind: str, anatomy: Anatomy, vein: Vein, settings: SeatingSettings
) -> ApproachLine:
    """Return the approach of that name to one vein.

    Raises
    ------
    InputError
        There is no such approach.
    """
    if kind not in APPROACHES:
        raise InputError(f"approach {kind!r} is not available; there is {', '.join(APPROACHES)}")
    return APPROACHES[kind](anatomy, vein, settings)
