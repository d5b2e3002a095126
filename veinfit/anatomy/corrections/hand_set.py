"""An ostium that a person set: by its plane, or by moving the automatic one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.anatomy.candidates import Candidate
from veinfit.anatomy.model import Contour, Ostium, Vein
from veinfit.errors import InputError
from veinfit.frames import clock_direction
from veinfit.surface.contours import (
    contour_centroid,
    crossings,
    measure_contour,
    section_around,
)
from veinfit.vectors import FloatArray, angle_deg, unit

HAND_SET_ERROR_MM = 2.0
"""Error bound of an ostium set by hand.

Two readers of one CT differ by 1.8 to 2.1 mm in a vein's diameter in the mean
(Cronin et al., Acad Radiol 2007;14(4)); that their positions do too is this
project's estimate.
"""

HAND_SET_CONFIDENCE = 1.0
"""Nobody here knows better than the reader; what is uncertain stands in the bound."""

WIDEST_SHARE = 4.0
"""A contour with this many times the branch's typical area has taken in the atrium's body."""


def moved_plane(
    vein: Vein, shift_mm: float, tilt_deg: float, tilt_toward_h: float
) -> tuple[FloatArray, FloatArray]:
    """Move an ostial plane along the vein's centreline, and tilt it.

    Parameters
    ----------
    vein : Vein
        As it was measured automatically.
    shift_mm : float
        Along the centreline, positive into the vein; before the ostium along the
        straight extension of the axis. The plane stays parallel to what it was.
    tilt_deg, tilt_toward_h : float
        Then turns the normal by an angle toward a clock position of the vein.

    Returns
    -------
    centre, normal : (3,) array

    Raises
    ------
    InputError
        The centreline is shorter than the shift.
    """
    line = vein.centreline
    centre, normal = vein.ostium.centre, vein.ostium.normal
    if shift_mm > line.s_mm[-1]:
        raise InputError(
            f"corrections: the data of {vein.name} end {line.s_mm[-1]:.1f} mm past its ostium; "
            f"a shift of {shift_mm:g} mm goes beyond that end"
        )
    if shift_mm > 0:
        centre = np.array([np.interp(shift_mm, line.s_mm, line.points[:, k]) for k in range(3)])
    else:
        centre = centre + shift_mm * vein.axis
    if tilt_deg:
        toward = clock_direction(tilt_toward_h, vein.axis)
        toward = unit(toward - (toward @ normal) * normal)
        angle = np.radians(tilt_deg)
        normal = unit(np.cos(angle) * normal + np.sin(angle) * toward)
    return centre, normal


def hand_set_ostium(
    name: str,
    candidate: Candidate,
    centre: FloatArray,
    normal: FloatArray,
    others: Sequence[Candidate],
) -> Ostium:
    """Return the ostium of a branch or trunk in a plane that somebody chose.

    Parameters
    ----------
    name : str
        For messages.
    candidate : Candidate
    centre, normal : (3,) array
        ``centre`` lies in the vein's lumen; ``normal`` points into the vein.
    others : sequence of Candidate
        Of the other veins: none of them may pass through the contour.

    Raises
    ------
    InputError
        The plane does not cut the vein, or not the vein alone.
    """
    tube = candidate.tube
    if tube is None:
        raise InputError(
            f"corrections: {name} was not followed as a vein, so that no ostium can be set in it"
        )
    place = f"({', '.join(f'{c:.1f}' for c in centre)}) mm LPS"
    no_cut = f"corrections: the ostial plane of {name} through {place}"
    normal = unit(normal)
    contour = section_around(tube.wall.surface, centre, normal)
    if contour is None:
        raise InputError(
            f"{no_cut} does not cut it: no closed contour of the wall lies around that point; "
            "give a centre inside the vein"
        )
    rising, inside = crossings(tube.path, contour.points, centre, normal)
    if not inside.any():
        raise InputError(
            f"{no_cut} does not cut it: the vein's centreline does not pass through it"
        )
    if tube.wall.is_cap[contour.faces].any():
        raise InputError(
            f"{no_cut} runs into the cut end of the vein or another opening; move it to the atrium"
        )
    if rising[inside][0]:  # the path comes from the distal end
        raise InputError(
            f"{no_cut}: its normal points to the atrium, and has to point into the vein; "
            "reverse it, and check the frame"
        )
    measures = measure_contour(contour.points, normal)
    through = [
        other for other in others
        if other.tube is not None
        and not crossings(other.tube.centres[:3], contour.points, centre, normal)[1].any()
        and crossings(other.tube.path, contour.points, centre, normal)[1].any()
    ]  # fmt: skip
    if measures.area_mm2 > WIDEST_SHARE * float(np.median(tube.areas_mm2)) or through:
        raise InputError(
            f"{no_cut} cuts the atrium's body, or another vein along with it "
            f"({measures.area_mm2:.0f} mm2); move it into the vein"
        )
    points = candidate.ostium.half_turn_points if candidate.ostium else np.zeros((0, 3))
    middle = contour_centroid(contour.points, normal)
    heights = np.abs((points - middle) @ normal)
    return Ostium(
        centre=middle,
        normal=normal,
        contour=Contour(contour.points),
        measures=measures,
        half_turn_points=points,
        residual_mm=1.4826 * float(np.median(heights)) if len(points) else float("nan"),
        error_mm=HAND_SET_ERROR_MM,
        confidence=HAND_SET_CONFIDENCE,
        kind="set_by_hand",
    )


def described_move(old: Ostium, new: Ostium) -> str:
    """Say how far an ostium was moved, and what that did to its size."""
    return (
        f"{float(np.linalg.norm(new.centre - old.centre)):.1f} mm and "
        f"{float(angle_deg(new.normal, old.normal)):.0f} degrees from the automatic one; "
        f"d_area {old.measures.d_area_mm:.1f} mm before, {new.measures.d_area_mm:.1f} mm now"
    )
