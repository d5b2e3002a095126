"""What the seating stages hand on: seats, gaps, leaks, the clock.

Field names are the columns of ``fits.csv``, ``leaks.csv`` and ``clock.csv``;
None is an empty cell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.surface import Surface

Outcome = Literal["seated", "passes through", "cannot reach", "not assessed"]
Approach = Literal["coaxial", "transseptal"]


@dataclass(frozen=True, slots=True, eq=False)
class Leak:
    """One place where the seal is open, seen from the atrium."""

    vein: str
    balloon: str
    approach: Approach
    leak: int
    width_mm: float
    arc_deg: float
    area_mm2: float | None
    clock_h: float
    side: str
    x_mm: float
    y_mm: float
    z_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class ClockReading:
    """The gap and the contact band in one direction around the vein.

    ``gap_mm`` is the least gap met in this direction; the band and line depths
    are along the ostial normal from the ostial centre, positive into the vein,
    and None where there is no contact.
    """

    vein: str
    balloon: str
    approach: Approach
    clock_h: float
    side: str
    gap_mm: float
    band_atrial_depth_mm: float | None
    band_distal_depth_mm: float | None
    band_width_mm: float | None
    sealing_depth_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """How one balloon sits in one vein.

    ``patch`` is the refined wall near the vein and ``patch_gap_mm`` the gap at its
    vertices: negative where pressed, NaN on wall whose blood side the balloon does
    not face, such as the far side of a carina. Where the outcome is ``not
    assessed`` although the balloon rests, its place is given and the seal is not.
    """

    vein: str
    balloon: str
    balloon_mm: float
    approach: Approach
    outcome: Outcome
    reason: str = ""
    centre: FloatArray | None = None
    push_direction: FloatArray | None = None
    misalignment_deg: float | None = None
    depth_mm: float | None = None
    nose_depth_mm: float | None = None
    deep: bool | None = None
    contact_area_mm2: float | None = None
    contact_arc_deg: float | None = None
    occluded: bool | None = None
    sealed: bool | None = None
    leak_width_mm: float | None = None
    leak_area_mm2: float | None = None
    leak_clock_h: float | None = None
    leak_side: str = ""
    occlusion_grade: int | None = None
    antral_area_mm2: float | None = None
    freeze_shift_mm: float | None = None
    sealed_after_freeze: bool | None = None
    seal_probability: float | None = None
    seal_probability_low: float | None = None
    seal_probability_high: float | None = None
    distances_mm: Mapping[str, float] = field(default_factory=dict)
    leaks: tuple[Leak, ...] = ()
    clock: tuple[ClockReading, ...] = ()
    patch: Surface | None = None
    patch_gap_mm: FloatArray | None = None
    notes: tuple[Note, ...] = ()
