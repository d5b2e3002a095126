"""The files of a case, read and put together."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy
from veinfit.errors import InputError
from veinfit.frames import Frame
from veinfit.io.files import input_kind
from veinfit.io.inputs.gathering import read_labels
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.inputs.landmarks import read_landmarks
from veinfit.io.inputs.meshes import Unit, read_mesh
from veinfit.labels import lumen_input
from veinfit.notes import Note
from veinfit.seating.approach.septum import (
    LANDMARK,
    check_on_wall,
    crossing_note,
    entering_from,
    estimated_crossing,
    labelled_crossing,
    stated_crossing,
)
from veinfit.seating.neighbours import Structure
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, lengths

FARTHEST_LANDMARK_MM = 200.0
"""No structure beside the heart has all its points farther from the atrium."""

SEPTAL_CROSSING = "septal_crossing"
"""Landmark where the sheath crosses the septum: a place of the procedure, no neighbour."""

CAVAL_VEIN = "inferior_vena_cava"
"""Landmark from where the sheath comes to the septum: no neighbour either."""

PLACES = (SEPTAL_CROSSING, CAVAL_VEIN)
"""Landmarks that are places of the procedure; every other one is a neighbouring structure."""

NEARLY = 0.85
"""A name so like that of a place is a slip; superior_vena_cava, a structure, is so to 0.83."""


@dataclass(frozen=True, slots=True, eq=False)
class CaseInput:
    """What the files of a case hold, LPS mm.

    Attributes
    ----------
    lumen : LumenInput
    structures : mapping of str to Surface or (N, 3) array
        Neighbours of the atrium.
    notes : tuple of Note
        What the readers had to remark.
    septal_crossing : (3,) array or None
        The place of the procedure where the sheath crosses the septum, where it is marked.
    caval_point : (3,) array or None
        Where the inferior vena cava enters the right atrium, where it is marked.
    septum_points : (N, 3) array or None
        Of the labelled septum, where there is one.
    """

    lumen: LumenInput
    structures: Mapping[str, Structure]
    notes: tuple[Note, ...]
    septal_crossing: FloatArray | None = None
    caval_point: FloatArray | None = None
    septum_points: FloatArray | None = None


def read_case(
    input: Path | str | Surface,
    *,
    labels: Path | str | None = None,
    also: Sequence[Path | str] = (),
    landmarks: Path | str | None = None,
    settings: Settings | None = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
    trust_frame: bool = False,
) -> CaseInput:
    """Read the files of a case, as :func:`assess` does, and do no more.

    ``input`` may be a surface in memory, LPS mm.

    Parameters
    ----------
    input : Path, str or Surface
        A mesh file, a label volume, or a surface in memory, LPS mm.
    labels : Path or str, optional
        Label map of a volume.
    also : sequence of Path or str
        Further label volumes on the same or another grid.
    landmarks : Path or str, optional
        Table of marked points.
    settings : Settings, optional
        The defaults where not given.
    frame : {'lps', 'ras'}
        Of a mesh file.
    unit : {'mm', 'cm', 'm', 'um'}
        Of a mesh file.
    trust_frame : bool
        Go on where the anatomy contradicts the frame.

    Returns
    -------
    CaseInput

    Raises
    ------
    InputError
        A file cannot be read or used, or options do not go with it.
    """
    in_memory = input if isinstance(input, Surface) else None
    path = Path("in memory") if isinstance(input, Surface) else Path(input)
    chosen = settings or Settings()
    marks = read_landmarks(Path(landmarks)) if landmarks is not None else None
    _check_names(marks or {}, landmarks)
    if in_memory is not None and (frame != "lps" or unit != "mm"):
        raise InputError("frame and unit are for files; a surface in memory is LPS mm")
    if in_memory is not None or input_kind(path) == "mesh":
        if also:
            raise InputError(
                f"further label volumes go with a volume, but {path} is a mesh; leave them out"
            )
        if labels is not None:
            raise InputError(f"a label map goes with a volume, but {path} is a mesh; leave it out")
        read = in_memory or read_mesh(path, frame=frame, unit=unit)
        lumen = LumenInput(read, trust_frame=trust_frame)
        structures: dict[str, Structure] = {}
        notes: tuple[Note, ...] = ()
        septum = None
    else:
        if frame != "lps" or unit != "mm":
            raise InputError(
                f"frame and unit are for meshes, but {path} is a volume, which tells its own; "
                "leave them out"
            )
        label_map = read_label_map(Path(labels)) if labels is not None else None
        volume, meaning = read_labels(path, label_map, [Path(file) for file in also])
        labelled = lumen_input(volume, meaning, chosen.surface)
        lumen = LumenInput(
            labelled.surface,
            labelled.hints,
            labelled.resolution_mm,
            trust_frame,
            labelled.borders,
            labelled.values,
            labelled.image_border_points,
        )
        structures = dict(labelled.structures)
        notes = labelled.notes
        septum = labelled.septum_points if len(labelled.septum_points) else None
    crossing = caval = None
    if marks is not None:
        twice = sorted(structures.keys() & marks.keys())
        if twice:
            raise InputError(
                f"landmarks {landmarks}: {', '.join(twice)} is in the label map too; "
                "give one of them another name"
            )
        for name in marks:
            _check_near(lumen.surface.points, name, marks[name], landmarks)
        structures.update({name: marks[name] for name in marks if name not in PLACES})
        crossing, caval = (_one_point(marks, name, landmarks) for name in PLACES)
        if crossing is not None:
            # Here already: the anatomy takes a minute.
            check_on_wall(lumen.surface.points, crossing, LANDMARK)
    return CaseInput(lumen, structures, notes, crossing, caval, septum)


def _check_names(names: Iterable[str], landmarks: Path | str | None) -> None:
    """Refuse a name that is nearly that of a place of the procedure, and no structure's."""
    given = set(names)
    for name in sorted(given - {*PLACES}):
        near = difflib.get_close_matches(name.lower(), PLACES, n=1, cutoff=NEARLY)
        if near and near[0] not in given:
            raise InputError(
                f"landmarks {landmarks}: {name!r} is nearly {near[0]!r}; write it so, or give a "
                "structure another name"
            )


def _check_near(
    atrium: FloatArray, name: str, points: FloatArray, landmarks: Path | str | None
) -> None:
    """Refuse a landmark that no point (N, 3) brings near the atrium's (M, 3)."""
    low, high = atrium.min(axis=0), atrium.max(axis=0)
    outside = lengths(np.maximum(low - points, 0.0) + np.maximum(points - high, 0.0))
    if outside.min() > FARTHEST_LANDMARK_MM:
        raise InputError(
            f"landmarks {landmarks}: {name} lies {outside.min():.0f} mm from the atrium; check the "
            "unit, which is mm, and the frame, which a comment '# frame: ras' states"
        )


def _one_point(
    marks: Mapping[str, FloatArray], name: str, landmarks: Path | str | None
) -> FloatArray | None:
    """Return the place (3,) of a landmark that is one point; None where it is not there."""
    if name not in marks:
        return None
    rows = marks[name]
    if len(rows) != 1:
        raise InputError(
            f"landmarks {landmarks}: {name} has {len(rows)} rows; it is one point: give it one row"
        )
    place: FloatArray = rows[0]
    return place


def with_septum(anatomy: Anatomy, case: CaseInput) -> tuple[Anatomy, Note]:
    """Return the anatomy with its septal crossing, and where that comes from.

    Parameters
    ----------
    anatomy : Anatomy
        Without a crossing.
    case : CaseInput
        With the crossing or the labelled septum that were given, if any.

    Returns
    -------
    anatomy : Anatomy
    note : Note

    Raises
    ------
    InputError
        The stated or labelled place is not on the septum, or none can be estimated.
    """
    if case.septal_crossing is not None:
        crossing = stated_crossing(anatomy, case.septal_crossing)
    elif case.septum_points is not None:
        crossing = labelled_crossing(anatomy, case.septum_points)
    else:
        crossing = estimated_crossing(anatomy)
    if case.caval_point is not None:
        crossing = entering_from(crossing, case.caval_point)
    return replace(anatomy, septum=crossing), crossing_note(crossing)
