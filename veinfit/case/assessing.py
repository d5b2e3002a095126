"""One case from its files to its fits, the stages in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.corrections.apply import Correction, find_corrected
from veinfit.anatomy.model import Anatomy, Vein
from veinfit.case.image import read_case_image
from veinfit.case.options import (
    SettingsLike,
    balloon_values,
    checked_date,
    chosen_balloons,
    corrections_of,
    files_of,
    given_twice,
    one_line,
    settings_of,
)
from veinfit.case.progress import Progress, silent
from veinfit.case.reading import SEPTAL_CROSSING, read_case, with_septum
from veinfit.case.structures import structure_notes
from veinfit.errors import InputError
from veinfit.frames import Frame
from veinfit.io.inputs.meshes import Unit
from veinfit.io.results.provenance import program_versions
from veinfit.labels.image import ImageVolume
from veinfit.memory import give_back_memory
from veinfit.notes import Note
from veinfit.result.case_result import CaseResult
from veinfit.result.input_mark import corrections_doubt, input_mark, otherwise
from veinfit.result.provenance import Provenance
from veinfit.seating.approach.crossings import crossing_map
from veinfit.seating.approach.line import approaches_named
from veinfit.seating.balloon import Balloon
from veinfit.seating.balloon_defaults import STANDARD_SIZES
from veinfit.seating.kinds import DEFAULT_APPROACH, Approach
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.seating.seat import seat_vein
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.foreign import as_surface


def assess(
    input: Any,
    *,
    labels: Path | str | None = None,
    also: Sequence[Path | str] = (),
    landmarks: Path | str | None = None,
    corrections: Path | str | Sequence[Correction] | None = None,
    settings: SettingsLike = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
    trust_frame: bool = False,
    balloons: Sequence[float | str | Path | Balloon] = STANDARD_SIZES,
    approach: str = DEFAULT_APPROACH,
    case_id: str | None = None,
    phase: str | None = None,
    image_date: str | None = None,
    image: Path | str | None = None,
    progress: Progress | None = None,
) -> CaseResult:
    """Measure the veins of one left atrium and seat every balloon in each of them.

    Parameters
    ----------
    input : path, Surface, or mesh of trimesh or pyvista
        The file of a surface mesh or a label volume; or a surface in memory, LPS mm.
    labels : path, optional
        Label map of a volume (TOML).
    also : sequence of path
        Further label volumes, put onto the grid of the first.
    landmarks : path, optional
        Named points and lines (CSV).
    corrections : path or sequence of Correction, optional
        What somebody corrected by hand (TOML).
    settings : Settings, dict or path, optional
        The defaults where None.
    frame : {'lps', 'ras'}
        Frame of a mesh; a volume tells its own.
    unit : {'mm', 'cm', 'm', 'um'}
        Unit of a mesh.
    trust_frame : bool
        Go on with a warning where the anatomy contradicts the frame.
    balloons : sequence
        Diameters in mm, TOML files, or balloons.
    approach : {'transseptal', 'coaxial', 'both'}
        How the balloon comes to the vein; ``both`` adds coaxial rows for reference.
    case_id, phase, image_date : str, optional
        Written on the results as given; the date as YYYY-MM-DD.
    image : path, optional
        What the labels were drawn on; of a DICOM series its folder: the veins are shown on it.
    progress : callable, optional
        Told what is being done, as each stage begins.

    Returns
    -------
    CaseResult

    Raises
    ------
    InputError
        Something in the input cannot be used, or the program is not installed. A vein that
        fails in the seating raises nothing: its fits are ``not assessed``, with the reason.
    TypeError
        ``input``, ``balloons`` or ``settings`` is something else.

    Examples
    --------
    >>> nominal = {"margin": {"samples": 0}}  # no probabilities
    >>> result = assess(samples / "larkmoor-01.ply", balloons=[28], settings=nominal)
    >>> result.fit("LSPV", 28)
    Fit(LSPV, 28 mm, transseptal: seated, occluded, sealed)
    """
    if not isinstance(input, (str, Path)):
        input = as_surface(input, "input")
    tell = progress or silent
    tell("reading the input")
    approaches = approaches_named(approach)
    candidates = chosen_balloons(balloons)
    chosen = settings_of(settings)
    about = [
        one_line("case id", case_id),
        one_line("cardiac phase", phase),
        checked_date(image_date),
    ]
    files = files_of(input, labels, landmarks, corrections, settings, balloons, also, image)
    by_hand = corrections_of(corrections)
    now = input_mark(files, frame, unit)
    doubt = corrections_doubt(by_hand.made_on, now)
    versions = program_versions()
    about_files = partial(
        _naming_files,
        input,
        corrections,
        landmarks,
        (labels, *also),
        otherwise(by_hand.made_on, now),
    )
    with about_files():
        case = read_case(
            input,
            labels=labels,
            also=also,
            landmarks=landmarks,
            settings=chosen,
            frame=frame,
            unit=unit,
            trust_frame=trust_frame,
        )
    give_back_memory()
    shown: ImageVolume | None = None
    image_notes: tuple[Note, ...] = ()
    if image is not None:
        tell("reading the image")
        read_from = None if isinstance(input, Surface) else Path(input)
        shown, image_notes = read_case_image(Path(image), read_from, case.lumen.surface)
    find = partial(find_corrected, corrections=by_hand) if len(by_hand) else find_anatomy
    with about_files():
        anatomy = find(
            case.lumen, chosen, frame=frame, progress=lambda stage: tell(f"anatomy: {stage}")
        )
    give_back_memory()
    if doubt is not None:
        anatomy = replace(anatomy, notes=(doubt, *anatomy.notes))
    notes = (*case.notes, *image_notes, *structure_notes(anatomy, case.structures))
    for name in given_twice(balloons):
        notes = (*notes, Note("seating", f"the balloon {name} is given twice and counts once"))
    if "transseptal" in approaches:
        with about_files():
            anatomy, septal_note = with_septum(anatomy, case)
        notes = (*notes, septal_note)
    elif case.septal_crossing is not None:
        text = "the coaxial approach does not use the septal crossing point"
        notes = (*notes, Note("input", text, SEPTAL_CROSSING))
    fits: list[Fit] = []
    for vein in anatomy.veins:
        tell(f"seating: {vein.name}")
        fits += _seat(anatomy, vein, candidates, chosen, approaches, case.structures)
        give_back_memory()
    for name, reason in anatomy.unmeasured.items():
        fits += _not_assessed(name, candidates, approaches, f"not measured: {reason}")
    crossings = None
    if chosen.seating.crossing_map:
        tell("seating: places of the septal crossing")
        crossings, about_crossing = crossing_map(anatomy, fits, chosen.seating)
        notes = (*notes, *about_crossing)
    provenance = Provenance(
        case_id=about[0],
        cardiac_phase=about[1],
        image_date=about[2],
        frame=frame,
        unit=unit,
        approach=approach,
        balloons=tuple(balloon_values(balloon) for balloon in candidates),
        inputs=files,
        versions=versions,
        created=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        trust_frame=trust_frame,
    )
    return CaseResult(
        anatomy,
        # The tries behind the aim maps have told what they can; results do not keep them.
        tuple(replace(fit, aim_field=None) for fit in fits),
        case.structures,
        notes,
        chosen,
        provenance,
        source=case.lumen,
        by_hand=by_hand.entries,
        balloons=candidates,
        crossings=crossings,
        image=shown,
    )


@contextmanager
def _naming_files(
    input: Any, corrections: Any, landmarks: Any, others: Sequence[Any], foreign: str
) -> Iterator[None]:
    """Have every refusal name the file that it is about: the anatomy knows of no files.

    Where corrections are refused, ``foreign`` tells of which other input they are.
    """
    try:
        yield
    except InputError as error:
        said = str(error)
        if foreign and said.startswith("corrections: "):
            said = f"{said}; {foreign}"
        roles = {
            "corrections: ": ("corrections", corrections),
            "landmark ": ("landmarks", landmarks),
        }
        begin = next((begin for begin in roles if said.startswith(begin)), "")
        role, file = roles.get(begin, ("input", input))
        known = [one for one in (input, corrections, landmarks, *others) if _is_path(one)]
        if not _is_path(file) or any(str(one) in said for one in known):
            if said == str(error):
                raise
            raise InputError(said) from error
        raise InputError(f"{role} {file}: {said.removeprefix(begin)}") from error


def _is_path(value: Any) -> bool:
    return isinstance(value, (str, Path))


def _seat(
    anatomy: Anatomy,
    vein: Vein,
    balloons: tuple[Balloon, ...],
    settings: Settings,
    approaches: tuple[Approach, ...],
    structures: Mapping[str, Structure],
) -> tuple[Fit, ...]:
    """Seat balloons in one vein; a fault costs the fits that it concerns and no others."""
    try:
        return seat_vein(
            anatomy, vein, balloons, settings.seating, approaches, structures, settings.margin
        )
    except InputError:
        raise
    except Exception as fault:
        if len(balloons) > 1:
            return tuple(
                fit
                for balloon in balloons
                for fit in _seat(anatomy, vein, (balloon,), settings, approaches, structures)
            )
        reason = " ".join(f"the seating failed: {type(fault).__name__}: {fault}".split())
        note = Note("seating", f"{balloons[0].name}: {reason}", vein.name, "caution")
        return _not_assessed(vein.name, balloons, approaches, reason, (note,))


def _not_assessed(
    vein: str,
    balloons: tuple[Balloon, ...],
    approaches: tuple[Approach, ...],
    reason: str,
    notes: tuple[Note, ...] = (),
) -> tuple[Fit, ...]:
    """Return the fits about which nothing can be said."""
    return tuple(
        Fit(vein, b.name, b.equatorial_mm, approach, "not assessed", reason, notes=notes)
        for b in balloons
        for approach in approaches
    )
