"""Working out the truth of an invented atrium from its implicit function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.cohort.synthesis import levels
from veinfit.cohort.synthesis.crotch import along_mm, carina_mm, tube_index
from veinfit.cohort.synthesis.fields import Implicit, round_union_all
from veinfit.cohort.synthesis.profiles import HalfTurns, Sectors, half_turns
from veinfit.cohort.synthesis.shape import AtriumShape, VeinShape
from veinfit.cohort.synthesis.soundness import wall_points
from veinfit.cohort.synthesis.truth import (
    OpeningTruth,
    OstiumTruth,
    StationTruth,
    VeinTruth,
)
from veinfit.cohort.synthesis.tubes import Tube
from veinfit.frames import (
    FloatArray,
    angle_deg,
    frontal_angle_deg,
    perpendicular_basis,
    transverse_angle_deg,
    unit,
)

SECTORS = 72
"""Half-planes around a vein in which the half turn is sought."""

FIRST_SECTORS = 24
"""Half-planes in all rounds but the last."""

ROUNDS = 3
"""Times that the axis line is laid anew through the ostium found."""

COMMON_TRUNK_MM = 10.0
"""A trunk shared at least this far from ostium to carina is one vein with branches."""

STATION_MM = 10.0
"""Distance of the trunk's station from the end of the flare."""

AXIS_MM = 10.0
"""Length over which a vein's axis is fitted."""

AXIS_RAYS = 90
"""Rays of sections of which only the centroid is used."""

CLEAR_STEP_MM = 0.5
"""Spacing of sections at which it is looked where they are clear of the ostium ..."""

CLEAR_STEPS = 5
"""... so many at a time."""

SHORTEST_AXIS_MM = 2.0
"""Below this length the axis is the centreline's tangent."""

END_MARGIN_MM = 0.5
"""Stations keep this far from a branching or a cut end."""

FLARE_TOUCH_MM = 1e-4
"""The flare has ended where the wall lies within this of the vein's own."""

START_ROOM_MM = 1.5
"""Profiles start this far distal to the end of the flare where the vein is long enough."""

FIT_ROUNDS = 100
"""Rounds of reweighting in the fit of the plane."""

LEAST_DEVIATION_MM = 0.01
"""Half-turn points nearer to the plane than this pull less."""

STRAY_SHARE = 0.25
"""Where no wall is met past the half-turn points by this share of their mean radius ..."""

STRAY_MM = 1.0
"""... and this much more, the plane runs out of the vein."""

MOVES_MM = (0.5, 0.1)
"""The plane is then moved into the vein in the coarser steps until it does not, and back to the
first of the finer ones."""

FARTHEST_CLEAR_MM = 6.0
"""But no farther; then the contour is bridged where it runs out."""

SAMPLE_MM = 0.25
"""Spacing of stations at which a vein is looked at along its centreline."""


@dataclass(frozen=True, slots=True, eq=False)
class _Entry:
    """A vein to be surveyed: its centreline's tube and the tubes that are its own."""

    name: str
    branches: tuple[str, ...]
    tube: Tube
    own: tuple[int, ...]
    limit_mm: float
    cut: bool
    ends: FloatArray


def survey_veins(shape: AtriumShape, field: Implicit) -> tuple[VeinTruth, ...]:
    """Work out the truth of every vein.

    A trunk with named veins as branches that turns out shorter than 10 mm is
    surveyed as its branches; the branches of any other vein stay within it.
    """
    trunks = [_entry(vein, field) for vein in shape.veins]
    members = [
        [_branch_entry(b.name, field) for b in vein.branches if not b.name.startswith(vein.name)]
        for vein in shape.veins
    ]
    entries = trunks + [entry for branches in members for entry in branches]
    flares = [_flare_end(field, entry) for entry in entries]
    ostia = _ostia(entries, field, flares)
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
    """What a shape is corrected by; see :class:`~veinfit.cohort.synthesis.truth.VeinTruth`."""

    ostium: OstiumTruth
    axis: FloatArray
    trunk_length_mm: float


def survey_trunks(shape: AtriumShape, field: Implicit) -> tuple[TrunkSurvey, ...]:
    """Measure roughly what leaves the chamber, trunks of any length as one.

    Takes a fraction of the time: half turns are placed to a step of the profile, in fewer
    sectors.
    """
    entries = [_entry(vein, field) for vein in shape.veins]
    flares = [_flare_end(field, entry) for entry in entries]
    ostia = _ostia(entries, field, flares, rough=True)
    return tuple(
        _trunk_survey(entry, field, ostium) for entry, ostium in zip(entries, ostia, strict=True)
    )


def _trunk_survey(entry: _Entry, field: Implicit, ostium: OstiumTruth) -> TrunkSurvey:
    foot = along_mm(entry.tube, ostium.centre)
    axis, _ = _axis(entry, _clear_of(entry, field, ostium, foot))
    return TrunkSurvey(ostium, axis, entry.limit_mm - foot)


def _end_centre(tube: Tube) -> FloatArray:
    return tube.curve.position(np.ones(1))[0]


def _entry(vein: VeinShape, field: Implicit) -> _Entry:
    trunk = field.tubes[tube_index(field, vein.name)]
    own = [tube_index(field, vein.name)]
    if not vein.branches:
        ends = _end_centre(trunk)[None]
        return _Entry(vein.name, (), trunk, tuple(own), trunk.curve.total_mm, True, ends)
    names = tuple(branch.name for branch in vein.branches)
    own += [tube_index(field, name) for name in names]
    branches = [field.tubes[k] for k in own[1:]]
    ends = np.stack([_end_centre(tube) for tube in branches])
    limit = carina_mm(field, vein)
    return _Entry(vein.name, names, trunk, tuple(own), limit, False, ends)


def _branch_entry(name: str, field: Implicit) -> _Entry:
    k = tube_index(field, name)
    tube = field.tubes[k]
    return _Entry(name, (), tube, (k,), tube.curve.total_mm, True, _end_centre(tube)[None])


def _flare_end(field: Implicit, entry: _Entry) -> float:
    """Arc length distal to which the wall is the vein's own all around."""
    s = np.arange(0.0, entry.limit_mm, SAMPLE_MM)
    excess = _excess(field, entry, s)
    touched = np.flatnonzero(excess > FLARE_TOUCH_MM)
    if not len(touched):
        return 0.0
    last = int(touched[-1])
    if last + 1 == len(s):
        return entry.limit_mm
    low, high = float(s[last]), float(s[last + 1])
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        free = _excess(field, entry, np.array([middle]))[0] <= FLARE_TOUCH_MM
        low, high = (low, middle) if free else (middle, high)
    return high


def _excess(field: Implicit, entry: _Entry, s: FloatArray) -> FloatArray:
    """Greatest growth (N,) of the blood beyond the vein's own wall around stations (N,)."""
    points = wall_points(entry.tube, s, 48).reshape(-1, 3)
    tubes, chamber, appendage = field.alone(points)
    whole = field.join(chamber, tubes, appendage)
    alone = round_union_all(tubes[:, list(entry.own)], field.carina_mm)
    return np.asarray((alone - whole).reshape(len(s), -1).max(axis=1))


def _survey(entry: _Entry, field: Implicit, flare: float, ostium: OstiumTruth) -> VeinTruth:
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
        section_axis=_section_axis(entry, field, clear, axis),
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


def _reach(entry: _Entry) -> float:
    return 2.0 * float(entry.tube.semi_long.max()) + 6.0


def _station(entry: _Entry, field: Implicit, flare: float, foot: float) -> StationTruth | None:
    s = min(flare + STATION_MM, entry.limit_mm - END_MARGIN_MM)
    if s <= flare:
        return None
    t = entry.tube.curve.parameter(np.array([s]))
    centre, direction = entry.tube.curve.position(t)[0], entry.tube.curve.tangent(t)[0]
    shape = levels.outline(field.value, centre, direction, _reach(entry))
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


def _clear_of(entry: _Entry, field: Implicit, ostium: OstiumTruth, foot: float) -> float:
    """Arc length from which sections lie wholly distal to the ostial plane."""
    curve = entry.tube.curve
    s = np.arange(max(foot, 0.0), entry.limit_mm, CLEAR_STEP_MM)
    if not len(s):
        return foot
    for start in range(0, len(s), CLEAR_STEPS):
        stations = s[start : start + CLEAR_STEPS]
        t = curve.parameter(stations)
        outlines = levels.outlines(
            field.value, curve.position(t), curve.tangent(t), _reach(entry), AXIS_RAYS
        )
        for at, outline in zip(stations, outlines, strict=True):
            distal = (outline.points - ostium.centre) @ ostium.normal > 0.0
            if outline.found.all() and distal.all():
                return float(at)
    return float(s[-1])


def _axis(entry: _Entry, clear: float) -> tuple[FloatArray, float]:
    """Direction of the centreline from where sections are clear, and over which length."""
    curve = entry.tube.curve
    s, length = _axis_stations(entry, clear)
    if length < SHORTEST_AXIS_MM:
        at = max(min(clear, entry.limit_mm - END_MARGIN_MM), 0.0)
        return curve.tangent(curve.parameter(np.array([at])))[0], max(length, 0.0)
    t = curve.parameter(s)
    return _line_direction(curve.position(t), curve.tangent(t)[5]), length


def _axis_stations(entry: _Entry, clear: float) -> tuple[FloatArray, float]:
    length = min(AXIS_MM, entry.limit_mm - END_MARGIN_MM - clear)
    return np.linspace(clear, clear + length, 11), length


def _section_axis(entry: _Entry, field: Implicit, clear: float, axis: FloatArray) -> FloatArray:
    """Direction of the centroids of the true sections, near that of the centreline."""
    curve = entry.tube.curve
    s, length = _axis_stations(entry, clear)
    if length < SHORTEST_AXIS_MM:
        return axis
    t = curve.parameter(s)
    points, tangents = curve.position(t), curve.tangent(t)
    outlines = levels.outlines(field.value, points, tangents, _reach(entry), AXIS_RAYS)
    centroids = [
        levels.measure(shape.points, tangent).centroid
        for shape, tangent in zip(outlines, tangents, strict=True)
        if shape.found.all()
    ]
    return _line_direction(np.array(centroids), axis) if len(centroids) >= 3 else axis


def _line_direction(points: FloatArray, towards: FloatArray) -> FloatArray:
    direction = np.linalg.svd(points - points.mean(axis=0))[2][0]
    return np.asarray(direction if direction @ towards > 0 else -direction)


def _ostia(
    entries: list[_Entry], field: Implicit, flares: list[float], rough: bool = False
) -> list[OstiumTruth]:
    """Find the ostia of all veins at once, the axis line laid anew a few times."""
    zero = np.zeros(1)
    lines = [
        (entry.tube.curve.position(zero)[0], entry.tube.curve.tangent(zero)[0]) for entry in entries
    ]
    result: list[OstiumTruth] = []
    for step in range(ROUNDS):
        last = step == ROUNDS - 1 and not rough
        count = SECTORS if last else FIRST_SECTORS
        rays = levels.RAYS if last else AXIS_RAYS
        starts = [
            _profile_starts(entry, field, flare, line, count)
            for entry, flare, line in zip(entries, flares, lines, strict=True)
        ]
        sectors = Sectors(
            *(
                np.concatenate([getattr(start[0], name) for start in starts])
                for name in ("origin", "radial", "axial", "own")
            )
        )
        rho, z = (np.concatenate([start[k] for start in starts]) for k in (1, 2))
        turns = half_turns(field, sectors, rho, z, refined=last)
        result = [
            _fitted(entry, field, line, turns, slice(k * count, (k + 1) * count), rays)
            for k, (entry, line) in enumerate(zip(entries, lines, strict=True))
        ]
        lines = [
            (ostium.centre, _tangent_at(entry.tube, ostium.centre))
            for entry, ostium in zip(entries, result, strict=True)
        ]
    return result


def _tangent_at(tube: Tube, point: FloatArray) -> FloatArray:
    foot = np.array([along_mm(tube, point)])
    return tube.curve.tangent(tube.curve.parameter(foot))[0]


def _profile_starts(
    entry: _Entry, field: Implicit, flare: float, line: tuple[FloatArray, FloatArray], count: int
) -> tuple[Sectors, FloatArray, FloatArray]:
    """Sectors about an axis line, and where on the trunk's wall their profiles start."""
    centre, axis = line
    e1, e2 = perpendicular_basis(axis)
    phi = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    radial = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
    own = np.zeros((count, len(field.tubes)), dtype=bool)
    own[:, list(entry.own)] = True
    sectors = Sectors(
        origin=np.broadcast_to(centre, radial.shape),
        radial=radial,
        axial=np.broadcast_to(axis, radial.shape),
        own=own,
    )
    s = min(flare + START_ROOM_MM, entry.limit_mm - END_MARGIN_MM)
    ring = wall_points(entry.tube, np.array([s]), 24)[0]
    far = float(((ring - centre) @ axis).max())
    while True:
        origin = centre + far * axis
        if field.value(origin[None])[0] < -0.5:
            rho = levels.ray_roots(
                field.value,
                np.broadcast_to(origin, radial.shape),
                radial,
                np.full(count, _reach(entry)),
            )
            return sectors, rho, np.full(count, far)
        # The vein curves away from the line or branches: start nearer to the atrium.
        far -= 0.5
        if far < -_reach(entry):
            raise ValueError(f"{entry.name}: its axis line does not lie in its blood")


def _fitted(
    entry: _Entry,
    field: Implicit,
    line: tuple[FloatArray, FloatArray],
    turns: HalfTurns,
    part: slice,
    rays: int,
) -> OstiumTruth:
    before, axis = line
    found = np.isfinite(turns.points[part, 0])
    points = turns.points[part][found]
    if 3 * len(points) < len(found):
        raise ValueError(f"{entry.name}: its wall turns in {len(points)} of {len(found)} sectors")
    middle, normal = fit_plane(points, axis)
    offsets = (points - middle) @ normal
    spread = float(np.subtract(*np.percentile(offsets, [95.0, 5.0])))
    contour, closed = _ostial_contour(field, points, middle, normal, rays)
    size = levels.measure(contour, normal)
    return OstiumTruth(
        centre=size.centroid,
        normal=normal,
        d_area_mm=size.d_area_mm,
        d_max_mm=size.d_max_mm,
        d_min_mm=size.d_min_mm,
        area_mm2=size.area_mm2,
        perimeter_mm=size.perimeter_mm,
        contour=contour,
        half_turn_points=points,
        residual_mm=float(1.4826 * np.median(np.abs(offsets))),
        sector_spread_mm=spread,
        sectors_found=len(points),
        turn_deg=(turns.atrium_deg - turns.trunk_deg)[part][found],
        closed=closed,
        unsettled_mm=float(np.linalg.norm(size.centroid - before)),
    )


def fit_plane(points: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit a plane to points (N, 3) around an axis, robustly.

    Least absolute deviations along the axis: a convex problem, so it has one answer, and
    a minority of sectors that lie elsewhere does not tilt it, however far away.

    Returns
    -------
    middle : (3,) array
        Mean of the points, put on the plane along the axis.
    normal : (3,) array
        On the axis's side.
    """
    e1, e2 = perpendicular_basis(axis)
    middle = points.mean(axis=0)
    d = points - middle
    design = np.stack([np.ones(len(d)), d @ e1, d @ e2], axis=1)
    height = d @ axis
    weight = np.ones(len(d))
    solution = np.zeros(3)
    for _ in range(FIT_ROUNDS):
        solution = _weighted(design, height, weight)
        weight = 1.0 / np.maximum(np.abs(height - design @ solution), LEAST_DEVIATION_MM)
    normal = unit(axis - solution[1] * e1 - solution[2] * e2)
    return middle + solution[0] * axis, normal


def _weighted(design: FloatArray, height: FloatArray, weight: FloatArray) -> FloatArray:
    root = np.sqrt(weight)[:, None]
    return np.asarray(np.linalg.lstsq(design * root, height * root[:, 0], rcond=None)[0])


def _ostial_contour(
    field: Implicit, points: FloatArray, middle: FloatArray, normal: FloatArray, rays: int
) -> tuple[FloatArray, bool]:
    """Zero contour in the ostial plane, and whether it is closed.

    Where the plane runs out of the vein, as beside a saddle lower than the rest of the
    ostium, it is moved into the vein to the first place where it does not.
    """
    contour, closed = _contour_at(field, points, middle, normal, rays)
    if closed:
        return contour, True
    coarse, fine = MOVES_MM
    for far in np.arange(coarse, FARTHEST_CLEAR_MM + 1e-9, coarse):
        if not _contour_at(field, points, middle + far * normal, normal, AXIS_RAYS)[1]:
            continue
        for shift in np.arange(far - coarse + fine, far + 1e-9, fine):
            moved, closed = _contour_at(field, points, middle + shift * normal, normal, rays)
            if closed:
                return moved, True
    return contour, False


def _contour_at(
    field: Implicit, points: FloatArray, middle: FloatArray, normal: FloatArray, rays: int
) -> tuple[FloatArray, bool]:
    """Zero contour in a plane; bridged at half-turn radii where no wall is met."""
    centre = middle
    contour = np.empty((0, 3))
    closed = True
    for _ in range(2):
        e1, e2 = perpendicular_basis(normal)
        d = points - centre
        angle = np.arctan2(d @ e2, d @ e1)
        radius = np.hypot(d @ e1, d @ e2)
        order = np.argsort(angle)
        phi = np.linspace(0.0, 2.0 * np.pi, rays, endpoint=False)
        expected = np.interp(phi, angle[order], radius[order], period=2.0 * np.pi)
        directions = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
        origins = np.broadcast_to(centre, directions.shape)
        reach = expected + STRAY_SHARE * radius.mean() + STRAY_MM
        r = levels.ray_roots(field.value, origins, directions, reach)
        closed = bool(np.isfinite(r).all())
        contour = centre + np.where(np.isfinite(r), r, expected)[:, None] * directions
        centre = levels.measure(contour, normal).centroid
    return contour, closed


def survey_opening(field: Implicit, tube: Tube, at: float) -> OpeningTruth:
    """Section of the atrium across a tube at parameter ``at``: centre, normal, diameter."""
    t = np.array([at])
    centre, normal = tube.curve.position(t)[0], tube.curve.tangent(t)[0]
    semi = float(tube.semi_axes(t)[0][0])
    for _ in range(2):
        shape = levels.outline(field.value, centre, normal, 1.6 * semi + 2.0)
        size = levels.measure(shape.points, normal)
        centre = size.centroid
    return OpeningTruth(centre=size.centroid, normal=normal, d_area_mm=size.d_area_mm)
