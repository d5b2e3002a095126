"""Where the sheath crosses the septum: as stated, as labelled, or estimated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Anatomy, Vein
from veinfit.anatomy.naming.names import TEMPLATE
from veinfit.errors import InputError
from veinfit.notes import Note
from veinfit.seating.approach.rays import free_distance_mm
from veinfit.vectors import FloatArray, unit

CROSSING_PLACE = (-0.78, -0.48, -0.40)
"""Direction of the crossing from the body's centre, in the template of the left atrium.

The septum is the atrium's right anterior wall, before the right veins and behind
and above the mitral side; the crossing lies low on it (the signs are common
practice, no source; the magnitudes are this project's).
"""

CAVAL_COURSE = (0.50, 0.40, 0.77)
"""Direction in which an unbent sheath comes through the septum, in the same template.

From the inferior vena cava upward, and with its curved end to the left and backward
(common practice, no source; the magnitudes are this project's: 40 degrees off
upright).
"""

LEAST_CAVAL_DISTANCE_MM = 10.0
"""A caval vein marked nearer to the crossing than this gives no direction."""

FARTHEST_OFF_WALL_MM = 12.0
"""A crossing point farther from the wall than this is not on this atrium's septum.

A septum with fat is up to about a centimetre thick (from memory)."""

LANDMARK = "landmark septal_crossing"
"""Names the marked point in messages."""

CAVAL_LANDMARK = "landmark inferior_vena_cava"
"""Names the marked caval vein in messages."""

LABEL_TOUCHES_MM = 3.0
"""Labelled septum up to this far from the wall counts as its left side."""

IN_VEIN_MM = 2.0
"""A crossing point farther past an ostium than this, within the vein's width, lies in the vein."""

UPRIGHT_WEIGHT = 1e-6
"""Weight of the patient's own axes: it decides only what the anatomy leaves open."""


def stated_crossing(anatomy: Anatomy, point: FloatArray) -> SeptalCrossing:
    """Return the crossing at a point (3,) that the user marked.

    The direction in which the sheath comes through it is estimated, here and in
    the other two; see ``entering_from``.

    Parameters
    ----------
    anatomy : Anatomy
    point : (3,) array
        LPS mm.

    Returns
    -------
    SeptalCrossing

    Raises
    ------
    InputError
        The point is not on the wall of the atrium's body.
    """
    off_wall = check_on_wall(anatomy.wall.points, point, LANDMARK)
    _check_outside_veins(anatomy, point, LANDMARK)
    return _estimated_entry(anatomy, SeptalCrossing(point, "landmark", off_wall))


def labelled_crossing(anatomy: Anatomy, points: FloatArray) -> SeptalCrossing:
    """Return the middle of the left side of a labelled septum (N, 3).

    Parameters
    ----------
    anatomy : Anatomy
    points : (N, 3) array
        Of the septum's label, LPS mm.

    Returns
    -------
    SeptalCrossing

    Raises
    ------
    InputError
        The septum is not on the wall of the atrium's body.
    """
    distance, _ = cKDTree(anatomy.wall.points).query(points)
    touching = points[distance <= max(LABEL_TOUCHES_MM, float(distance.min()) + 1.0)]
    # The middle of a curved sheet lies beside it: the labelled point nearest to the middle.
    middle = touching.mean(axis=0)
    nearest = touching[int(np.argmin(np.linalg.norm(touching - middle, axis=1)))]
    off_wall = check_on_wall(anatomy.wall.points, nearest, "label septum")
    _check_outside_veins(anatomy, nearest, "label septum")
    return _estimated_entry(anatomy, SeptalCrossing(nearest, "label", off_wall))


def estimated_crossing(anatomy: Anatomy) -> SeptalCrossing:
    """Place the crossing from the anatomy alone: low on the right anterior wall.

    The template of the left atrium is turned onto this atrium's veins, appendage
    and mitral side, so the place turns with the atrium.

    Parameters
    ----------
    anatomy : Anatomy

    Returns
    -------
    SeptalCrossing

    Raises
    ------
    InputError
        The body has no wall there.
    """
    direction = _own_frame(anatomy).apply(unit(CROSSING_PLACE))
    distance = free_distance_mm(anatomy.lumen, anatomy.body_centre, direction)
    if not np.isfinite(distance):
        raise InputError(
            "the septal crossing point cannot be estimated, as the atrium is open on its right "
            "side; mark it as the landmark septal_crossing"
        )
    point = anatomy.body_centre + distance * direction
    off_wall, _ = cKDTree(anatomy.wall.points).query(point)
    return _estimated_entry(anatomy, SeptalCrossing(point, "estimated", float(off_wall)))


def entering_from(crossing: SeptalCrossing, caval_point: FloatArray) -> SeptalCrossing:
    """Return the crossing with the sheath coming straight from a point (3,) of the caval vein.

    Parameters
    ----------
    crossing : SeptalCrossing
    caval_point : (3,) array
        Where the inferior vena cava enters the right atrium, LPS mm.

    Returns
    -------
    SeptalCrossing

    Raises
    ------
    InputError
        The point is too near to the crossing.
    """
    entry = crossing.point - caval_point
    if float(np.linalg.norm(entry)) < LEAST_CAVAL_DISTANCE_MM:
        raise InputError(
            f"{CAVAL_LANDMARK}: ({_place(caval_point)}) mm (LPS) lies within "
            f"{LEAST_CAVAL_DISTANCE_MM:g} mm of the septal crossing point and gives no direction; "
            "mark where the vein enters the right atrium, or leave it out to have it estimated"
        )
    return replace(crossing, entry=unit(entry), entry_source="landmark")


def _estimated_entry(anatomy: Anatomy, crossing: SeptalCrossing) -> SeptalCrossing:
    entry = _own_frame(anatomy).apply(unit(CAVAL_COURSE))
    return replace(crossing, entry=entry, entry_source="estimated")


def crossing_note(crossing: SeptalCrossing) -> Note:
    """Tell where the crossing point comes from.

    Parameters
    ----------
    crossing : SeptalCrossing

    Returns
    -------
    Note
        A caution, where the place is estimated.
    """
    if crossing.estimated:
        return Note(
            "seating",
            "the septal crossing "
            + ("and the course of the sheath are" if crossing.entry_source == "estimated" else "is")
            + " estimated from the anatomy, not marked. Shaft directions and all transseptal "
            "seats depend on this. The landmark septal_crossing replaces the estimate",
            "septal_crossing",
            "caution",
        )
    where = {"landmark": "as marked", "label": "the middle of the labelled septum"}
    entry = {
        "landmark": ". The sheath comes straight from the marked inferior vena cava",
        "estimated": (
            ". The direction of the sheath at the septum is estimated. The landmark "
            "inferior_vena_cava replaces the estimate"
        ),
        "": "",
    }
    text = f"the septal crossing point is {where[crossing.source]}{entry[crossing.entry_source]}"
    return Note("seating", text, "septal_crossing")


def check_on_wall(wall_points: FloatArray, point: FloatArray, what: str) -> float:
    """Return how far a point (3,) lies from the wall (V, 3), mm.

    Parameters
    ----------
    wall_points : (V, 3) array
    point : (3,) array
    what : str
        What the point is, for the message.

    Returns
    -------
    float

    Raises
    ------
    InputError
        Farther than a septum is thick; ``what`` names the point.
    """
    distance, _ = cKDTree(wall_points).query(point)
    if distance > FARTHEST_OFF_WALL_MM:
        raise InputError(
            f"{what}: ({_place(point)}) mm (LPS) lies {distance:.0f} mm from the wall of the "
            "left atrium; give a point of the septum, or leave it out to have it estimated"
        )
    return float(distance)


def _check_outside_veins(anatomy: Anatomy, point: FloatArray, what: str) -> None:
    for vein in anatomy.veins:
        if lies_in_vein(vein, point):
            raise InputError(
                f"{what}: ({_place(point)}) mm (LPS) lies in the {vein.name}, not on the septum; "
                "give a point of the septum, or leave it out to have it estimated"
            )


def _place(point: FloatArray) -> str:
    return ", ".join(f"{value:.1f}" for value in point)


def lies_in_vein(vein: Vein, point: FloatArray) -> bool:
    """Whether a point lies past a vein's ostium and about as near to its course as its wall."""
    depth = float((point - vein.ostium.centre) @ vein.ostium.normal)
    beside = np.linalg.norm(vein.centreline.points - point, axis=1)
    nearest = int(np.argmin(beside))
    return (
        depth > IN_VEIN_MM
        and float(beside[nearest]) <= 0.5 * vein.ostium.measures.d_max_mm
        and float(vein.centreline.s_mm[nearest]) > IN_VEIN_MM
    )


def _own_frame(anatomy: Anatomy) -> Rotation:
    """Return the rotation that turns the template of the left atrium onto this one."""
    places = anatomy.found_places or anatomy.places()
    known = [name for name in places if name in TEMPLATE]
    template = [*(unit(TEMPLATE[name][0]) for name in known), *np.eye(3)]
    seen = [*(unit(places[name] - anatomy.body_centre) for name in known), *np.eye(3)]
    weights = [1.0] * len(known) + [UPRIGHT_WEIGHT] * 3
    rotation, _ = Rotation.align_vectors(np.array(seen), np.array(template), weights=weights)
    return rotation
