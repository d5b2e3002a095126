"""What follows from the seats, for the 3D view: a balloon that grows, bands of several seats."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import clock_hours
from veinfit.report.charts.charts import series_style
from veinfit.report.charts.further import plan_words, seat_words
from veinfit.report.viewer.viewer_packing import base64_of
from veinfit.report.wording import SPACE, leak_mm, number
from veinfit.seating.further import GrowthStep, Plan, PlanSeat
from veinfit.seating.model import Fit
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray

BAND_SLACK_MM = 0.3
"""Half an edge of the refined wall: bands are read on meridians, the wall is painted between."""

BAND_REACH_MM = 4.0
"""Wall farther from the ostium than the largest balloon's radius and this is not painted."""


def growth_scene(fit: Fit) -> list[dict[str, Any]]:
    """Return the balloon at each diameter as far as it rests: size, place, and words."""
    growth = fit.growth
    if growth is None:
        return []
    return [
        {
            "diameter": round(step.diameter_mm, 3),
            "centre": [round(float(c), 3) for c in centre],
            "words": _step_words(step),
        }
        for step, centre in zip(growth.steps, growth.centres, strict=False)
        if centre is not None
    ]


def _step_words(step: GrowthStep) -> str:
    told = [f"{number(step.diameter_mm)}{SPACE}mm"]
    if step.sealed:
        told.append("nominal seat sealed")
    elif step.occluded:
        told.append("nominal seat occluded, not sealed")
    elif step.occluded is False:
        told.append(f"nominal seat leaks {leak_mm(step.leak_width_mm)}, {step.leak_side}")
    if step.depth_mm is not None:
        told.append(f"depth of the equator {number(step.depth_mm)}{SPACE}mm")
    if step.seal_probability is not None:
        told.append(f"antral seal with probability {number(step.seal_probability, 2)}")
    return "; ".join(told)


def plan_scenes(vein: Vein, fits: Sequence[Fit], patch: Surface | None) -> list[dict[str, Any]]:
    """Return every plan of a vein: its seats with the triangles of the wall that each covers.

    Parameters
    ----------
    vein : Vein
    fits : sequence of Fit
        The vein's.
    patch : Surface or None
        The wall near the vein as it is drawn.
    """
    several = len({fit.approach for fit in fits}) > 1
    plans = [
        (plan, f", {fit.approach}" if several else "")
        for fit in fits if fit.plans for plan in fit.plans.plans
    ]  # fmt: skip
    if patch is None:
        return []
    reach = 0.5 * max(fit.balloon_mm for fit in fits) + BAND_REACH_MM
    return [
        {
            "title": f"{len(plan.seats)} seats together{beside}",
            "words": plan_words(plan),
            "line": _line(plan),
            "seats": [_seat(vein, seat, index, patch, reach)
                      for index, seat in enumerate(plan.seats)],
        }
        for plan, beside in plans
    ]  # fmt: skip


def _seat(
    vein: Vein, seat: PlanSeat, index: int, patch: Surface, reach_mm: float
) -> dict[str, Any]:
    covered = covered_by(vein, seat, patch.points, reach_mm)
    faces = patch.faces[covered[patch.faces].all(axis=1)]
    without = seat.probability_without
    told = "" if without is None else f"; without it {number(without, 2)}"
    return {
        "words": f"{seat_words(seat)}{told}",
        "colour": series_style(index)[0],
        "faces": base64_of(faces.astype("<u4")),
    }


def covered_by(vein: Vein, seat: PlanSeat, points: FloatArray, reach_mm: float) -> BoolArray:
    """Return which points (N, 3) of the wall lie in a seat's band of cold contact.

    The band is told as depths on meridians, from twelve o'clock on.
    """
    offset = points - vein.ostium.centre
    count = len(seat.band_from_mm)
    turn = np.rint(clock_hours(offset, vein.axis) / 12.0 * count).astype(int) % count
    depth = offset @ vein.ostium.normal
    low, high = seat.band_from_mm[turn] - BAND_SLACK_MM, seat.band_to_mm[turn] + BAND_SLACK_MM
    with np.errstate(invalid="ignore"):
        inside = (depth >= low) & (depth <= high)
    return np.asarray(inside & (np.linalg.norm(offset, axis=1) <= reach_mm))


def _line(plan: Plan) -> list[list[list[float]]]:
    """Return the line of least gap in the pieces in which it is known."""
    known = np.asarray(np.isfinite(plan.line_mm).all(axis=1))
    runs = np.split(np.arange(len(known)), np.flatnonzero(np.diff(known.astype(int))) + 1)
    pieces = [plan.line_mm[run] for run in runs if len(run) > 1 and known[run[0]]]
    if known.all():
        pieces = [np.concatenate([plan.line_mm, plan.line_mm[:1]])]
    return [np.round(piece, 2).tolist() for piece in pieces]
