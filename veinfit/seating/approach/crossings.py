"""Where to cross the septum: places on its wall, and what each is predicted to come to.

From every place of a grid on the septal wall the sheath's course to every vein is found
anew. The probability that a balloon on that course seals is told by the tries that were
already made over all directions; the mechanics are not run again. At the case's own place it
is the margin's, and that of places near by is held to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.seating.approach.rays import free_distance_mm
from veinfit.seating.approach.septum import lies_in_vein
from veinfit.seating.approach.sheath import Reach, reach_of
from veinfit.seating.expected import counts
from veinfit.seating.further import BestCrossing, CrossingPlace, Crossings
from veinfit.seating.model import Fit
from veinfit.settings import SeatingSettings
from veinfit.surface.mesh import select_faces
from veinfit.surface.near import faces_in_box
from veinfit.vectors import FloatArray, perpendicular_basis, unit

STEP_MM = 5.0
"""The places lie this far apart on a plane that touches the wall at the crossing point."""

OFF_PLANE_MM = 10.0
"""Wall farther from that plane than this is no longer the septum."""

WALL_MM = 3.0
"""Surface farther than this from any vertex of the wall is the lid of an opening."""


def crossing_map(
    anatomy: Anatomy, fits: Sequence[Fit], settings: SeatingSettings
) -> tuple[Crossings | None, tuple[Note, ...]]:
    """Compare places where the septum may be crossed.

    Parameters
    ----------
    anatomy : Anatomy
        With its septal crossing.
    fits : sequence of Fit
        Those of the transseptal approach count.
    settings : SeatingSettings

    Returns
    -------
    crossings : Crossings or None
        None where they are left out or there is nothing to compare.
    notes : tuple of Note
        Why there is none, or that the places are estimated.
    """
    if not settings.crossing_map:
        return None, ()
    own = [fit for fit in fits if fit.approach == "transseptal"]
    if anatomy.septum is None or not own:
        text = "places of the septal crossing are not compared: no balloon comes through the septum"
        return None, (Note("seating", text, "septum"),)
    crossing = anatomy.septum
    points = places_on_septum(anatomy, crossing, settings.crossing_map_radius_mm)
    stands = [crossing, *(replace(crossing, point=p, off_wall_mm=0.0) for p in points)]
    veins = [vein for vein in anatomy.veins if any(fit.vein == vein.name for fit in own)]
    reaches = [
        {vein.name: reach_of(anatomy.lumen, vein, stand, settings) for vein in veins}
        for stand in stands
    ]
    balloons = list(dict.fromkeys(fit.balloon for fit in own))
    # The same veins as in the numbers expected of the whole case.
    left_out = {fit.vein for fit in own if not counts(fit)}
    by_key = {(fit.vein, fit.balloon): fit for fit in own if fit.vein not in left_out}
    places = tuple(
        _place(stand, crossing, balloon, reach, by_key)
        for balloon in balloons
        for stand, reach in zip(stands, reaches, strict=True)
    )
    best = [_best([p for p in places if p.balloon == balloon]) for balloon in balloons]
    told = Crossings(places, tuple(b for b in best if b is not None), crossing.estimated)
    return told, _notes(told)


def _notes(told: Crossings) -> tuple[Note, ...]:
    notes = []
    if told.estimated:
        text = (
            "the places compared on the septal wall lie around an estimated crossing point; the "
            "extent of the septum is estimated too"
        )
        notes.append(Note("seating", text, "septum", "caution"))
    unknown = sum(place.expected_sealed is None for place in told.places)
    if unknown:
        text = (
            f"septal crossing: for {unknown} of {len(told.places)} places and balloons no expected "
            "number of veins is told: no tries were made, or too few of them point that way"
        )
        notes.append(Note("seating", text, "septum"))
    return tuple(notes)


def places_on_septum(anatomy: Anatomy, crossing: SeptalCrossing, radius_mm: float) -> FloatArray:
    """Return places (N, 3) on the wall around a crossing point, itself left out, mm.

    A square grid on the plane that touches the wall at the crossing point, carried onto the
    wall along the plane's normal; its rows run upward as far as the wall does.
    """
    lumen, centre = anatomy.lumen, crossing.point
    reach = radius_mm + OFF_PLANE_MM
    near, _ = select_faces(lumen, faces_in_box(lumen, centre - reach, centre + reach))
    if not len(near.faces):
        return np.zeros((0, 3))
    corners = near.points[near.faces]
    area = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    foot = near.points[np.unique(near.faces)]
    foot = foot[int(np.argmin(np.linalg.norm(foot - centre, axis=1)))]
    beside = np.linalg.norm(corners.mean(axis=1) - foot, axis=1) <= max(STEP_MM, 1.0)
    normal = area[beside].sum(axis=0) if beside.any() else foot - anatomy.body_centre
    normal = unit(normal)
    if normal @ (foot - anatomy.body_centre) < 0.0:
        normal = -normal
    up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    rows = unit(up) if np.linalg.norm(up) > 1e-6 else perpendicular_basis(normal)[0]
    columns = np.cross(rows, normal)
    count = math.floor(radius_mm / STEP_MM + 1e-9)
    wall = cKDTree(anatomy.wall.points)
    found = []
    for i, j in product(range(-count, count + 1), repeat=2):
        if (i, j) == (0, 0) or math.hypot(i, j) * STEP_MM > radius_mm + 1e-9:
            continue
        inside = foot + STEP_MM * (i * columns + j * rows) - OFF_PLANE_MM * normal
        distance = free_distance_mm(near, inside, normal)
        if distance > 2.0 * OFF_PLANE_MM:
            continue
        point = inside + distance * normal
        if wall.query(point)[0] > WALL_MM:
            continue
        if any(lies_in_vein(vein, point) for vein in anatomy.veins):
            continue
        found.append(point)
    return np.array(found).reshape(-1, 3)


def _place(
    stand: SeptalCrossing,
    crossing: SeptalCrossing,
    balloon: str,
    reaches: dict[str, Reach],
    fits: dict[tuple[str, str], Fit],
) -> CrossingPlace:
    told = [
        _chance(fits[vein, balloon], reach, stand is crossing)
        for vein, reach in reaches.items()
        if (vein, balloon) in fits
    ]
    known = [one for one in told if one is not None]
    all_known = bool(told) and len(known) == len(told)
    x, y, z = (float(value) for value in stand.point)
    return CrossingPlace(
        x,
        y,
        z,
        balloon,
        sum(one[0] for one in known) if all_known else None,
        {
            vein: reach.course.misalignment_deg
            for vein, reach in reaches.items()
            if not reach.reason
        },
        math.hypot(*(one[1] for one in known)) if all_known else None,
    )


def _chance(fit: Fit, reach: Reach, own: bool) -> tuple[float, float] | None:
    """Probability of an antral seal and its standard error; None where the tries do not tell it.

    From the case's own place it is the margin's.
    """
    margin, field = fit.margin, fit.aim_field
    if own and margin is not None:
        return margin.antral.probability, margin.antral.sampling_error
    if reach.reason:
        return 0.0, 0.0
    if field is None:
        return None
    direction = reach.course.direction
    if margin is None or fit.push_direction is None:
        return field.probability(direction)
    chance = margin.antral
    return field.probability_beside(
        direction, fit.push_direction, chance.probability, chance.sampling_error
    )


def _best(places: Sequence[CrossingPlace]) -> BestCrossing | None:
    known = [place for place in places if place.expected_sealed is not None]
    if not known:
        return None

    def sealed(place: CrossingPlace) -> float:
        assert place.expected_sealed is not None
        return place.expected_sealed

    def off_mm(place: CrossingPlace) -> float:
        return math.dist((place.x_mm, place.y_mm, place.z_mm), (best.x_mm, best.y_mm, best.z_mm))

    best = max(known, key=sealed)
    # A step of the grid is longer on a wall that slopes.
    beside = [sealed(p) for p in known if 0.5 * STEP_MM < off_mm(p) < 1.35 * STEP_MM]
    return BestCrossing(
        best.balloon,
        best.x_mm,
        best.y_mm,
        best.z_mm,
        sealed(best),
        places[0].expected_sealed,
        sealed(best) - min(beside) if beside else None,
    )
