"""From where a balloon is pushed: the push direction and the shaft line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Anatomy, Vein
from veinfit.errors import InputError
from veinfit.notes import Note
from veinfit.seating.approach.septum import estimated_crossing
from veinfit.seating.approach.sheath import reach_of
from veinfit.seating.kinds import BOTH, Approach
from veinfit.settings import SeatingSettings
from veinfit.vectors import FloatArray, angle_deg, unit

ALIGNED_DEG = 1.0
"""A shaft this near to the vein's axis is along it."""


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
    cannot_reach : str
        Why the sheath cannot bring a balloon before the vein; empty where it can.
    bend_deg : float or None
        How far the sheath bends between septum and vein; None without a sheath.
    crossing : SeptalCrossing or None
        Where the sheath comes from; None without one.
    notes : tuple of Note
    """

    kind: Approach
    direction: FloatArray
    origin: FloatArray
    misalignment_deg: float
    cannot_reach: str = ""
    bend_deg: float | None = None
    crossing: SeptalCrossing | None = None
    notes: tuple[Note, ...] = ()

    @property
    def estimated(self) -> bool:
        """Whether the line leans on a septal crossing that nobody has seen."""
        return self.crossing is not None and self.crossing.estimated


def line_through_ostium(kind: Approach, vein: Vein, direction: FloatArray) -> ApproachLine:
    """Return the approach along ``direction`` (3,) through the vein's ostial centre."""
    d = unit(direction)
    return ApproachLine(kind, d, vein.ostium.centre, float(angle_deg(d, vein.axis)))


def coaxial(anatomy: Anatomy, vein: Vein, settings: SeatingSettings) -> ApproachLine:
    """Return the approach along the vein's own axis through its ostial centre."""
    return line_through_ostium("coaxial", vein, vein.axis)


def transseptal(anatomy: Anatomy, vein: Vein, settings: SeatingSettings) -> ApproachLine:
    """Return the approach from the septum, as near to the vein's axis as the sheath can turn.

    The septal crossing is the anatomy's, or estimated where it has none.
    """
    crossing = anatomy.septum or estimated_crossing(anatomy)
    reach = reach_of(anatomy.lumen, vein, crossing, settings)
    course = reach.course
    notes: tuple[Note, ...] = ()
    if not reach.reason and course.misalignment_deg > ALIGNED_DEG:
        text = (
            f"{LIMITS[reach.limited_by]} and leaves the shaft {course.misalignment_deg:.0f}° off "
            "the vein's axis"
        )
        notes = (Note("seating", text, vein.name),)
    return replace(
        line_through_ostium("transseptal", vein, course.direction),
        cannot_reach=reach.reason,
        bend_deg=course.bend_deg,
        crossing=crossing,
        notes=notes,
    )


LIMITS: Mapping[str, str] = {
    "bend": "the sheath can bend no farther",
    "room": "the atrium has no room for the straight end of the sheath",
    "wall": "the wall of the atrium stands in the way of the sheath",
    "spring": "the sheath springs back",
}
"""What keeps the shaft from the vein's axis, in words."""

Maker = Callable[[Anatomy, Vein, SeatingSettings], ApproachLine]

APPROACHES: Mapping[str, Maker] = {"transseptal": transseptal, "coaxial": coaxial}
"""How each approach is found, the headline first."""


def approaches_named(text: str) -> tuple[Approach, ...]:
    """Return the approaches that a choice stands for: one of them, or both.

    Parameters
    ----------
    text : {'transseptal', 'coaxial', 'both'}

    Returns
    -------
    tuple of str

    Raises
    ------
    InputError
        There is no such choice.
    """
    chosen: tuple[Approach, ...] = ("transseptal", "coaxial")
    if text != BOTH:
        chosen = tuple(kind for kind in chosen if kind == text)
    if not chosen:
        raise InputError(f"approach {text!r} is not known; pass {', '.join(APPROACHES)} or {BOTH}")
    return chosen


def approach_line(
    kind: str, anatomy: Anatomy, vein: Vein, settings: SeatingSettings
) -> ApproachLine:
    """Return the approach of that name to one vein.

    Parameters
    ----------
    kind : {'coaxial', 'transseptal'}
    anatomy : Anatomy
        With its septal crossing, for a transseptal approach.
    vein : Vein
    settings : SeatingSettings

    Returns
    -------
    ApproachLine

    Raises
    ------
    InputError
        There is no such approach.
    """
    if kind not in APPROACHES:
        raise InputError(f"approach {kind!r} is not available; there is {', '.join(APPROACHES)}")
    return APPROACHES[kind](anatomy, vein, settings)
