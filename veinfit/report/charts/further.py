"""What follows from the seats, as it is drawn: growth, plans, places of the crossing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import side_words
from veinfit.report.charts.charts import series_style
from veinfit.report.colours import DATA, INK, MUTED, PLANE
from veinfit.report.render.drawing import Area, Circle, Drawing, Shape, Words, legend, path
from veinfit.report.render.plot import NARROW_PX, Frame, clock_labels, ticks
from veinfit.report.wording import SPACE, axis_title, number
from veinfit.seating.further import BestCrossing, CrossingPlace, Crossings, Growth, Plan, PlanSeat
from veinfit.seating.model import Fit
from veinfit.vectors import FloatArray, unit

BARS = 48
"""Bands are drawn as so many bars around the clock."""

BAND_SHARE = 0.4
"""How strongly a band is tinted: two of them show through one another."""

PLANE_DASH = (6.0, 3.0)

PX_PER_MM = 8.0
"""Scale of the map of the septum: 5 mm hold a figure."""

PLACE_PX = 17.0
"""Radius of a place on it."""

REACH_MM = 3.5
"""Room around the outermost places."""

LEAST_MAP_PX = 280.0
"""A map of few places is as wide as the words under it."""

LEAST_SPREAD = 0.5
"""Places that differ by less than this over all of the map are shaded less than in full."""

SHADES = ("#ffffff", "#e3ebf0", "#c3d3dd", "#9db8c7", "#7a9fb3")
"""Fills of a place of the septum, from the fewest veins to the most."""


def further_charts(vein: Vein, fits: Sequence[Fit]) -> tuple[tuple[str, Drawing], ...]:
    """Return the curves of growth and the plans of one vein, each with its title."""
    several = len({fit.approach for fit in fits}) > 1
    found: list[tuple[str, Drawing]] = []
    for fit in fits:
        beside = f", {fit.approach}" if several else ""
        drawn = None if fit.growth is None else growth_chart(vein.name, fit.growth)
        if drawn is not None and fit.growth is not None:
            title = f"{fit.balloon} grown in place to {fit.growth.steps[0].to_balloon}{beside}"
            found.append((title, drawn))
        for plan in fit.plans.plans if fit.plans else ():
            chance = number(plan.seal_probability, 2)
            title = f"{len(plan.seats)} seats together, predicted to seal: {chance}{beside}"
            found.append((title, plan_chart(vein, plan)))
    return tuple(found)


def growth_chart(name: str, growth: Growth) -> Drawing | None:
    """Draw the probability of an antral seal over the diameter; None where none is told.

    Points on the curve are filled where the nominal seat seals.
    """
    steps = [step for step in growth.steps if step.seal_probability is not None]
    if len(steps) < 2:
        return None
    size = np.array([step.diameter_mm for step in steps])
    seals = np.array([float(step.seal_probability or 0.0) for step in steps])
    gains = np.array([float(step.gain_probability or 0.0) for step in steps])
    frame = Frame(NARROW_PX, 290.0, (float(size[0]), float(size[-1])), (0.0, 1.0), 60.0)
    parts = frame.axes(
        axis_title("growth", "diameter_mm"),
        "probability",
        ticks(float(size[0]), float(size[-1])),
        ticks(0.0, 1.0, 5),
    )
    colour, dash = series_style(0)
    other, dashed = series_style(1)
    parts.append(path(frame.at(size, seals), colour, 2.4, dash=dash))
    parts.append(path(frame.at(size, gains), other, 2.4, dash=dashed))
    for step, (x, y) in zip(steps, frame.at(size, seals).tolist(), strict=True):
        fill = colour if step.sealed else "#ffffff"
        parts.append(Circle(x, y, 4.0, colour, 1.6, fill=fill))
    parts.extend(legend(14, 250, colour, dash, "antral seal; filled: nominal seat sealed"))
    parts.extend(legend(14, 268, other, dashed, "antral seal gained: the smaller size had none"))
    back = growth.back_mm
    moves = "" if back is None else _moves(back)
    if moves:
        parts.append(Words(14, 286, f"Nominal seat: {moves}.", colour=MUTED))
    return Drawing(
        NARROW_PX, 296.0, tuple(parts),
        f"Probability of an antral seal in {name} while the balloon grows from {size[0]:g} to "
        f"{size[-1]:g} mm where it lies: from {number(seals[0], 2)} to {number(seals[-1], 2)}"
        f"{'; ' + moves if moves else ''}.",
    )  # fmt: skip


def _moves(back_mm: float) -> str:
    where = "farther back" if back_mm >= 0.0 else "deeper"
    return f"the equator moves {number(abs(back_mm))} mm {where}"


def plan_chart(vein: Vein, plan: Plan) -> Drawing:
    """Draw the bands of cold contact of a plan's seats around the clock, and the line they form."""
    depths = [band for seat in plan.seats for band in (seat.band_from_mm, seat.band_to_mm)]
    known = np.concatenate(depths)
    known = known[np.isfinite(known)]
    low = float(np.floor(min(known.min(initial=-2.0), -2.0)))
    high = float(np.ceil(max(known.max(initial=2.0), 2.0)))
    below = 20.0 * (len(plan.seats) + sum(map(_is_bare, plan.seats)) + 2)
    frame = Frame(NARROW_PX, 250.0 + below, (0.0, 12.0), (low, high), below)
    hours = [0.0, 3.0, 6.0, 9.0, 12.0]
    labels, words = clock_labels(hours, vein.axis, NARROW_PX)
    parts: list[Shape] = []
    for index, seat in enumerate(plan.seats):
        parts += _band(frame, seat.band_from_mm, seat.band_to_mm, *series_style(index))
    parts += frame.axes(
        "",
        axis_title("clock", "sealing_depth_mm"),
        hours,
        ticks(low, high),
        labels,
        words,
        grid=False,
    )
    parts.append(path(frame.at(np.array([0.0, 12.0]), np.zeros(2)), PLANE, 1.4, dash=PLANE_DASH))
    parts += _line(frame, (plan.line_mm - vein.ostium.centre) @ vein.ostium.normal)
    y = 258.0
    for index, seat in enumerate(plan.seats):
        colour, dash = series_style(index)
        without = "" if seat.probability_without is None else (
            f"; without it {number(seat.probability_without, 2)}"
        )  # fmt: skip
        parts.append(Area(14, y - 10.0, 34, 12.0, colour, BAND_SHARE))
        parts.extend(legend(14, y, colour, dash, f"{seat_words(seat)}{without}"))
        y += 20.0
        if _is_bare(seat):
            parts.append(
                Words(56, y, "no band: its nominal seat has no cold contact", colour=MUTED)
            )
            y += 20.0
    parts.extend(legend(14, y, DATA, (), "line of least gap"))
    parts.extend(legend(14, y + 20.0, PLANE, PLANE_DASH, "ostial plane"))
    told = plan_words(plan)
    return Drawing(
        frame.width, frame.height, tuple(parts),
        f"Bands of cold contact of {len(plan.seats)} seats in {vein.name} around the clock, by "
        f"depth along the ostial normal. {told}.",
    )  # fmt: skip


def _is_bare(seat: PlanSeat) -> bool:
    """Whether a seat touches nowhere: it has no band, and nothing else says why."""
    return not np.isfinite(seat.band_from_mm).any()


def together_words(fits: Sequence[Fit]) -> str:
    """Return what the fewest seats that are told do together, in one phrase; empty for none."""
    for fit in fits:
        for plan in fit.plans.plans if fit.plans else ():
            if plan.seal_probability is not None:
                count = {2: "two", 3: "three"}.get(len(plan.seats), str(len(plan.seats)))
                seats = " and ".join(seat_words(seat) for seat in plan.seats)
                chance = number(plan.seal_probability, 2)
                return f"{count} seats, {seats}, seal together with probability {chance}"
    return ""


def seat_words(seat: PlanSeat) -> str:
    """Name a seat of a plan: its balloon and where its shaft points."""
    if seat.shaft_clock_h is None:
        return f"{seat.balloon} along the axis"
    return f"{seat.balloon} {seat.shaft_tilt_deg:.0f}° {seat.shaft_side}"


def plan_words(plan: Plan) -> str:
    """Return in words what a plan is predicted to come to."""
    chance = (
        "probability not told"
        if plan.seal_probability is None
        else f"together sealed with probability {number(plan.seal_probability, 2)}"
    )
    if plan.open_gap_mm is None:
        return f"{chance}; missing wall decides whether the nominal seats seal the vein"
    if not plan.open_side:
        return f"{chance}; the nominal seats seal the vein"
    return f"{chance}; the nominal seats leave {number(plan.open_gap_mm)} mm open, {plan.open_side}"


def _band(
    frame: Frame,
    begin: FloatArray,
    end: FloatArray,
    colour: str,
    dash: tuple[float, ...],
) -> list[Shape]:
    """Draw a band as bars around the clock, its rims dashed as in the legend: in grey too."""
    low, high = (
        np.array([edge(own) if np.isfinite(own).any() else np.nan for own in bars])
        for edge, bars in (
            (np.nanmin, np.array_split(begin, BARS)),
            (np.nanmax, np.array_split(end, BARS)),
        )
    )
    hours = 12.0 * np.arange(BARS + 1) / BARS
    parts: list[Shape] = []
    for bar in np.flatnonzero(np.isfinite(low)):
        (x0, y0), (x1, y1) = frame.at(hours[bar : bar + 2], np.array([high[bar], low[bar]]))
        parts.append(Area(x0, y0, x1 - x0, max(y1 - y0, 1.0), colour, BAND_SHARE))
    known = np.flatnonzero(np.isfinite(low))
    for run in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        for rim in (low[run], high[run]) if len(run) else ():
            steps = np.repeat(hours[run[0] : run[-1] + 2], 2)[1:-1]
            parts.append(path(frame.at(steps, np.repeat(rim, 2)), colour, 1.2, dash=dash))
    return parts


def _line(frame: Frame, depth: FloatArray) -> list[Shape]:
    """Draw a line around the clock, broken where it is not known."""
    hours = np.linspace(0.0, 12.0, len(depth), endpoint=False)
    known = np.isfinite(depth)
    parts: list[Shape] = []
    runs = np.split(np.arange(len(depth)), np.flatnonzero(np.diff(known.astype(int))) + 1)
    for run in runs:
        if known[run[0]] and len(run) > 1:
            parts.append(path(frame.at(hours[run], depth[run]), DATA, 2.4))
    return parts


def crossing_charts(crossings: Crossings | None) -> tuple[tuple[str, Drawing], ...]:
    """Return a map of the places where the septum may be crossed, for each size."""
    if crossings is None:
        return ()
    names = dict.fromkeys(place.balloon for place in crossings.places)
    return tuple(
        (name.replace(" mm", f"{SPACE}mm"), drawn)
        for name in names
        if (drawn := _crossing_chart(crossings, name)) is not None
    )


def crossing_key(crossings: Crossings | None) -> str:
    """Return what a map of the places of the crossing shows; empty where there is none."""
    if crossings is None:
        return ""
    about = "estimated" if crossings.estimated else "given"
    return (
        "Predicted number of veins with an antral seal in one try by the transseptal approach, for "
        "places 5 mm apart on the septal wall, seen from outside the atrium. Darker: more. "
        f"Thick rim: the {about} place. "
        "Dashed second rim: the place with the most. Every figure is as uncertain as the "
        "probabilities of one try that it adds up: small differences may be none."
    )


def _crossing_chart(crossings: Crossings, balloon: str) -> Drawing | None:
    own = [place for place in crossings.places if place.balloon == balloon]
    best = next((one for one in crossings.best if one.balloon == balloon), None)
    if best is None:
        return None
    points = np.array([[place.x_mm, place.y_mm, place.z_mm] for place in own])
    across, up = _on_wall(points)
    flat = (points - points[0]) @ np.stack([across, up], axis=1)
    low_mm, high_mm = flat.min(axis=0) - REACH_MM, flat.max(axis=0) + REACH_MM
    width, height = (PX_PER_MM * (high_mm - low_mm)).tolist()
    width = max(width, LEAST_MAP_PX)
    middle_x = 0.5 * width - 0.5 * PX_PER_MM * float(low_mm[0] + high_mm[0])
    middle_y = 20.0 + PX_PER_MM * float(high_mm[1])
    known = [place.expected_sealed for place in own if place.expected_sealed is not None]
    low, high = min(known), max(known)
    parts: list[Shape] = []
    for place, (u, v) in zip(own, flat.tolist(), strict=True):
        x, y = middle_x + PX_PER_MM * u, middle_y - PX_PER_MM * v
        value = place.expected_sealed
        share = 0.0 if value is None else (value - low) / max(high - low, LEAST_SPREAD)
        fill = "#ffffff" if value is None else SHADES[min(int(share * len(SHADES)), 4)]
        given, greatest = place is own[0], _same(place, best)
        parts.append(Circle(x, y, PLACE_PX, INK, 3.0 if given else 0.8, fill=fill))
        if greatest:
            parts.append(Circle(x, y, PLACE_PX + 3.0, PLANE, 2.4, (5, 3)))
        parts.append(Words(x, y + 4, "–" if value is None else number(value, 2), anchor="middle"))
    parts.append(Words(0.5 * width, 14, side_words(up), anchor="middle", colour=MUTED))
    foot = 20.0 + height
    parts.append(Words(width - 4, foot, f"{side_words(across)} →", anchor="end", colour=MUTED))
    parts.append(Words(4, foot, f"← {side_words(-across)}", colour=MUTED))
    parts.append(Words(4, foot + 20.0, _loss(best)))
    return Drawing(
        width, foot + 26.0, tuple(parts),
        "Places on the septal wall seen from outside the atrium, with the number of veins "
        f"predicted to be sealed antrally in one try with {balloon}. {_loss(best)}",
    )  # fmt: skip


def _on_wall(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return right and up on the wall that places (N, 3) lie on, seen from outside the atrium."""
    if len(points) < 3:
        return np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    normal = np.linalg.svd(points - points.mean(axis=0))[2][-1]
    # Outside is the patient's right, or the front where the wall faces it.
    if normal @ np.array([-1.0, -0.5, 0.0]) < 0.0:
        normal = -normal
    up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    if np.linalg.norm(up) < 0.1:
        up = np.array([0.0, -1.0, 0.0]) + normal[1] * normal
    up = unit(up)
    return np.cross(up, normal), up


def _same(place: CrossingPlace, best: BestCrossing) -> bool:
    here, there = (place.x_mm, place.y_mm, place.z_mm), (best.x_mm, best.y_mm, best.z_mm)
    return here == there


def _loss(best: BestCrossing) -> str:
    if best.loss_5mm is None:
        return "No place 5 mm from the best one."
    return f"5 mm from the best: up to {number(best.loss_5mm, 2)} veins fewer."
