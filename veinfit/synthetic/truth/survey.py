"""Working out the truth of an invented atrium from its implicit function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.frames import frontal_angle_deg, transverse_angle_deg
from veinfit.synthetic.shape.shape import AtriumShape
from veinfit.synthetic.truth.carina import along_mm
from veinfit.synthetic.truth.entries import (
    END_MARGIN_MM,
    Entry,
    branch_entry,
    flare_end,
    reach_mm,
    trunk_entry,
)
from veinfit.synthetic.truth.ostia import find_ostia
from veinfit.synthetic.truth.truth import (
    OpeningTruth,
    OstiumTruth,
    StationTruth,
    VeinTruth,
)
from veinfit.synthetic.wall import levels
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import ImplicitTube
from veinfit.vectors import FloatArray, angle_deg, unit

COMMON_TRUNK_MM = 10.0
"""A trunk shared at least this far from ostium to carina is one vein with branches."""

STATION_MM = 10.0
"""Distance of the trunk's station from the end of the flare."""

AXIS_MM = 10.0
"""Length over which a vein's axis is fitted."""

AXIS_RAYS = 90
"""Rays of sections of which only the centroid is used."""

CLEAR_MM = 1.0
"""Sections so far distal of the ostial plane are clear of it, for the axis of their centroids."""

CLEAR_STEP_MM = 0.5
"""Spacing of sections at which it is looked where they are clear of the ostium ..."""

CLEAR_STEPS = 5
"""... so many at a time."""

SHORTEST_AXIS_MM = 2.0
"""Below this length the axis is the centreline's tangent."""


def survey_veins(shape: AtriumShape, field: Implicit) -> tuple[VeinTruth, ...]:
    """Work out the truth of every vein.

    A trunk with named veins as branches that turns out shorter than 10 mm is
    surveyed as its branches; the branches of any other vein stay within it.
    """
    trunks = [trunk_entry(vein, field) for vein in shape.veins]
    members = [
        [branch_entry(b.name, field) for b in vein.branches if not b.name.startswith(vein.name)]
        for vein in shape.veins
    ]
    entries = trunks + [entry for branches in members for entry in branches]
    flares = [flare_end(field, entry) for entry in entries]
    ostia = find_ostia(entries, field, flares)
    truths = {
        entry.name: _survey(entry, field, flare, ostium)
        for entry, flare, ostium in zip(entries, flares, ostia, strict=True)
    }
    surveyed: list[VeinTruth] = []
    for trunk, branches in zip(trunks, members, strict=True):
        truth = truths[trunk.name]
        if branches and truth.trunk_length_mm < COMMON_TRUNK_MM:
            surveyed += [truths[entry.name] for entry in branches]
        else:
            surveyed.append(truth)
    return tuple(surveyed)


@dataclass(frozen=True, slots=True, eq=False)
class TrunkSurvey:
    """What a shape is corrected by; see :class:`~veinfit.synthetic.truth.truth.VeinTruth`."""

    ostium: OstiumTruth
    axis: FloatArray
    trunk_length_mm: float


def survey_trunks(shape: AtriumShape, field: Implicit) -> tuple[TrunkSurvey, ...]:
    """Measure roughly what leaves the chamber, trunks of any length as one.

    Takes a fraction of the time: half turns are placed to a step of the profile, in fewer
    sectors.
    """
    entries = [trunk_entry(vein, field) for vein in shape.veins]
    flares = [flare_end(field, entry) for entry in entries]
    ostia = find_ostia(entries, field, flares, rough=True)
    return tuple(
        _trunk_survey(entry, field, ostium) for entry, ostium in zip(entries, ostia, strict=True)
    )


def _trunk_survey(entry: Entry, field: Implicit, ostium: OstiumTruth) -> TrunkSurvey:
    foot = along_mm(entry.tube, ostium.centre)
    axis, _ = _axis(entry, _clear_of(entry, field, ostium, foot))
    return TrunkSurvey(ostium, axis, entry.limit_mm - foot)


def _survey(entry: Entry, field: Implicit, flare: float, ostium: OstiumTruth) -> VeinTruth:
    curve = entry.tube.curve
    foot = along_mm(entry.tube, ostium.centre)
    clear = _clear_of(entry, field, ostium, foot)
    axis, axis_length = _axis(entry, clear)
    line = np.arange(foot, max(entry.limit_mm, foot + 1.0) + 1e-9, 1.0)
    return VeinTruth(
        name=entry.name,
        branches=entry.branches,
        ostium=ostium,
        station=_station(entry, field, flare, foot),
        axis=axis,
        section_axis=_section_axis(entry, field, ostium, clear, axis),
        axis_length_mm=axis_length,
        trunk_length_mm=entry.limit_mm - foot,
        trunk_cut=entry.cut,
        takeoff_wall_deg=float(angle_deg(axis, _chamber_normal(field, ostium.centre))),
        takeoff_frontal_deg=frontal_angle_deg(axis),
        takeoff_transverse_deg=transverse_angle_deg(axis),
        centreline=curve.position(curve.parameter(line)),
        end_centres=entry.ends,
    )


def _chamber_normal(field: Implicit, point: FloatArray) -> FloatArray:
    h = 1e-4
    steps = h * np.concatenate([np.eye(3), -np.eye(3)])
    values = field.chamber(point + steps)
    return unit(values[:3] - values[3:])


def _station(entry: Entry, field: Implicit, flare: float, foot: float) -> StationTruth | None:
    s = min(flare + STATION_MM, entry.limit_mm - END_MARGIN_MM)
    if s <= flare:
        return None
    t = entry.tube.curve.parameter(np.array([s]))
    centre, direction = entry.tube.curve.position(t)[0], entry.tube.curve.tangent(t)[0]
    shape = levels.outline(field.value, centre, direction, reach_mm(entry))
    if not shape.found.all():
        return None
    size = levels.measure(shape.points, direction)
    return StationTruth(
        distal_to_flare_mm=s - flare,
        s_mm=s - foot,
        centre=centre,
        direction=direction,
        centroid=size.centroid,
        d_area_mm=size.d_area_mm,
        d_max_mm=size.d_max_mm,
        d_min_mm=size.d_min_mm,
        area_mm2=size.area_mm2,
        perimeter_mm=size.perimeter_mm,
    )


def _clear_of(
    entry: Entry, field: Implicit, ostium: OstiumTruth, start_mm: float, clear_mm: float = 0.0
) -> float:
    """Arc length from ``start_mm`` on, from which sections lie ``clear_mm`` past the ostium."""
    curve = entry.tube.curve
    s = np.arange(max(start_mm, 0.0), entry.limit_mm, CLEAR_STEP_MM)
    if not len(s):
        return start_mm
    for start in range(0, len(s), CLEAR_STEPS):
        stations = s[start : start + CLEAR_STEPS]
        t = curve.parameter(stations)
        outlines = levels.outlines(
            field.value, curve.position(t), curve.tangent(t), reach_mm(entry), AXIS_RAYS
        )
        for at, outline in zip(stations, outlines, strict=True):
            distal = (outline.points - ostium.centre) @ ostium.normal > clear_mm
            if outline.found.all() and distal.all():
                return float(at)
    return float(s[-1])


def _axis(entry: Entry, clear: float) -> tuple[FloatArray, float]:
    """Direction of the centreline from where sections are clear, and over which length."""
    curve = entry.tube.curve
    s, length = _axis_stations(entry, clear)
    if length < SHORTEST_AXIS_MM:
        at = max(min(clear, entry.limit_mm - END_MARGIN_MM), 0.0)
        return curve.tangent(curve.parameter(np.array([at])))[0], max(length, 0.0)
    t = curve.parameter(s)
    return _line_direction(curve.position(t), curve.tangent(t)[5]), length


def _axis_stations(entry: Entry, clear: float) -> tuple[FloatArray, float]:
    length = min(AXIS_MM, entry.limit_mm - END_MARGIN_MM - clear)
    return np.linspace(clear, clear + length, 11), length


def _section_axis(
    entry: Entry, field: Implicit, ostium: OstiumTruth, clear: float, axis: FloatArray
) -> FloatArray:
    """Direction of the centroids of the true sections, near that of the centreline."""
    curve = entry.tube.curve
    s, length = _axis_stations(entry, _clear_of(entry, field, ostium, clear, CLEAR_MM))
    if length < SHORTEST_AXIS_MM:
        s, length = _axis_stations(entry, clear)
    if length < SHORTEST_AXIS_MM:
        return axis
    t = curve.parameter(s)
    points, tangents = curve.position(t), curve.tangent(t)
    outlines = levels.outlines(field.value, points, tangents, reach_mm(entry), AXIS_RAYS)
    centroids = [
        levels.measure(shape.points, tangent).centroid
        for shape, tangent in zip(outlines, tangents, strict=True)
        if shape.found.all()
    ]
    return _line_direction(np.array(centroids), axis) if len(centroids) >= 3 else axis


def _line_direction(points: FloatArray, towards: FloatArray) -> FloatArray:
    direction = np.linalg.svd(points - points.mean(axis=0))[2][0]
    return np.asarray(direction if direction @ towards > 0 else -direction)


def survey_opening(field: Implicit, tube: ImplicitTube, at: float) -> OpeningTruth:
    """Section of the atrium across a tube at parameter ``at``: centre, normal, diameter."""
    t = np.array([at])
    centre, normal = tube.curve.position(t)[0], tube.curve.tangent(t)[0]
    semi = float(tube.semi_axes(t)[0][0])
    for _ in range(2):
        shape = levels.outline(field.value, centre, normal, 1.6 * semi + 2.0)
        size = levels.measure(shape.points, normal)
        centre = size.centroid
    return OpeningTruth(centre=size.centroid, normal=normal, d_area_mm=size.d_area_mm)
