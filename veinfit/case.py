"""One case from files to result, the stages in order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.corrections import Correction, find_corrected
from veinfit.anatomy.model import Anatomy, LumenInput, Vein
from veinfit.errors import InputError
from veinfit.frames import FloatArray, Frame
from veinfit.io.corrections import read_corrections
from veinfit.io.document import case_document, case_json, files_of_earlier_run
from veinfit.io.files import check_file, input_kind
from veinfit.io.kept import keep, recall
from veinfit.io.label_map import read_label_map
from veinfit.io.landmarks import read_landmarks
from veinfit.io.meshes import Unit, read_mesh
from veinfit.io.output import staged_output, unwritable
from veinfit.io.provenance import InputFile, Provenance, input_files, program_versions
from veinfit.io.record import CaseRecord
from veinfit.io.tables import case_tables
from veinfit.io.volumes import read_volume
from veinfit.labels import lumen_input
from veinfit.notes import Note, verdict_first
from veinfit.report import model as report_model
from veinfit.report.page import vein_parts, write_page
from veinfit.report.pdf import PaperName, write_pdf
from veinfit.report.pictures import draw_pictures
from veinfit.report.viewer import write_viewer
from veinfit.seating.approach import approaches_named
from veinfit.seating.balloon import Balloon, parse_balloons
from veinfit.seating.margin import with_margins
from veinfit.seating.model import DEFAULT_APPROACH, Approach, Fit
from veinfit.seating.neighbours import Structure
from veinfit.seating.seat import seat_vein
from veinfit.seating.septum import (
    LANDMARK,
    check_on_wall,
    crossing_note,
    entering_from,
    estimated_crossing,
    labelled_crossing,
    stated_crossing,
)
from veinfit.settings import Settings

Progress = Callable[[str], None]
"""Told what is being done, as each stage begins."""

STANDARD_BALLOONS_MM = (28.0, 31.0)
"""Diameters of the balloons that are tried when none is named."""


KEPT = "case.npz"
"""What a finished case is drawn from again."""

VIEWER = "viewer.html"
"""The 3D view's file, beside the report."""

SEPTAL_CROSSING = "septal_crossing"
"""Landmark where the sheath crosses the septum: a place of the procedure, no neighbour."""

CAVAL_VEIN = "inferior_vena_cava"
"""Landmark from where the sheath comes to the septum: no neighbour either."""


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


@dataclass(frozen=True, slots=True, eq=False)
class CaseResult:
    """One case as it was assessed.

    Attributes
    ----------
    anatomy : Anatomy
    fits : tuple of Fit
        Vein by vein in the order of ``anatomy.veins``, balloon by balloon; then
        those of veins that could not be measured, ``not assessed``.
    structures : mapping of str to Surface or (N, 3) array
    notes : tuple of Note
        Those of the input; ``all_notes`` has all.
    settings : Settings
    provenance : Provenance
    source : LumenInput or None
        What the anatomy was found from; a review starts from it.
    by_hand : tuple of Correction
        The corrections as they were given.
    balloons : tuple of Balloon
        Those that were tried.
    """

    anatomy: Anatomy
    fits: tuple[Fit, ...]
    structures: Mapping[str, Structure]
    notes: tuple[Note, ...]
    settings: Settings
    provenance: Provenance
    source: LumenInput | None = None
    by_hand: tuple[Correction, ...] = ()
    balloons: tuple[Balloon, ...] = ()

    @property
    def unassessed(self) -> tuple[Fit, ...]:
        """The fits about which nothing could be said."""
        return tuple(fit for fit in self.fits if fit.outcome == "not assessed")

    @property
    def all_notes(self) -> tuple[Note, ...]:
        """Notes of the input, the anatomy, its veins and the fits, each once, the verdict first."""
        of_veins = (note for vein in self.anatomy.veins for note in vein.notes)
        of_fits = (note for fit in self.fits for note in fit.notes)
        return verdict_first((*self.notes, *self.anatomy.notes, *of_veins, *of_fits))


@dataclass(frozen=True, slots=True)
class WrittenCase:
    """What was written about a case.

    Attributes
    ----------
    folder : Path
    files : tuple of str
        Relative to the folder, with forward slashes.
    notes : tuple of Note
        How the pictures came about, where that was not the usual way.
    """

    folder: Path
    files: tuple[str, ...]
    notes: tuple[Note, ...]


def assess(
    input: Path | str,
    *,
    labels: Path | str | None = None,
    landmarks: Path | str | None = None,
    corrections: Path | str | Sequence[Correction] | None = None,
    settings: Settings | Path | str | None = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
    balloons: Sequence[float | str | Path | Balloon] = STANDARD_BALLOONS_MM,
    approach: str = DEFAULT_APPROACH,
    case_id: str | None = None,
    phase: str | None = None,
    image_date: str | None = None,
    progress: Progress | None = None,
) -> CaseResult:
    """Measure the veins of one left atrium and seat every balloon in each of them.

    Parameters
    ----------
    input : path
        A surface mesh or a label volume.
    labels : path, optional
        Label map of a volume (TOML).
    landmarks : path, optional
        Named points and lines (CSV).
    corrections : path or sequence of Correction, optional
        What somebody corrected by hand (TOML).
    settings : Settings or path, optional
        The defaults where None.
    frame : {'lps', 'ras'}
        Frame of a mesh; a volume tells its own.
    unit : {'mm', 'cm', 'm', 'um'}
        Unit of a mesh.
    balloons : sequence
        Diameters in mm, TOML files, or balloons.
    approach : {'transseptal', 'coaxial', 'both'}
        How the balloon comes to the vein; ``both`` adds coaxial rows for reference.
    case_id, phase, image_date : str, optional
        Written on the results as given; the date as YYYY-MM-DD.
    progress : callable, optional
        Told what is being done, as each stage begins.

    Returns
    -------
    CaseResult

    Raises
    ------
    InputError
        Something in the input cannot be used. A vein that fails in the seating
        raises nothing: its fits are ``not assessed``, with the reason.
    """
    tell = progress or _silent
    tell("reading the input")
    approaches = approaches_named(approach)
    candidates = _balloons(balloons)
    chosen = _settings(settings)
    about = [_stated("case id", case_id), _stated("cardiac phase", phase), _date(image_date)]
    files = _input_files(input, labels, landmarks, corrections, settings, balloons)
    by_hand = _corrections(corrections)
    case = read_case(
        input, labels=labels, landmarks=landmarks, settings=chosen, frame=frame, unit=unit
    )
    find = partial(find_corrected, corrections=by_hand) if by_hand else find_anatomy
    anatomy = find(
        case.lumen, chosen, frame=frame, progress=lambda stage: tell(f"anatomy: {stage}")
    )
    notes = case.notes
    if "transseptal" in approaches:
        anatomy, septal_note = with_septum(anatomy, case)
        notes = (*notes, septal_note)
    elif case.septal_crossing is not None:
        text = "the coaxial approach makes no use of the septal crossing point"
        notes = (*notes, Note("input", text, SEPTAL_CROSSING))
    fits: list[Fit] = []
    for vein in anatomy.veins:
        tell(f"seating: {vein.name}")
        fits += _seat(anatomy, vein, candidates, chosen, approaches, case.structures)
    for name, reason in anatomy.unmeasured.items():
        fits += _not_assessed(name, candidates, approaches, f"not measured: {reason}")
    provenance = Provenance(
        case_id=about[0],
        cardiac_phase=about[1],
        image_date=about[2],
        frame=frame,
        unit=unit,
        approach=approach,
        balloons=tuple(_balloon_values(balloon) for balloon in candidates),
        inputs=files,
        versions=program_versions(),
        created=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
    )
    return CaseResult(
        anatomy,
        tuple(fits),
        case.structures,
        notes,
        chosen,
        provenance,
        source=case.lumen,
        by_hand=by_hand,
        balloons=candidates,
    )


def read_case(
    input: Path | str,
    *,
    labels: Path | str | None = None,
    landmarks: Path | str | None = None,
    settings: Settings | None = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
) -> CaseInput:
    """Read the files of a case, as :func:`assess` does, and do no more.

    Raises
    ------
    InputError
        A file cannot be read or used, or options do not go with it.
    """
    path = Path(input)
    chosen = settings or Settings()
    marks = read_landmarks(Path(landmarks)) if landmarks is not None else None
    if input_kind(path) == "mesh":
        if labels is not None:
            raise InputError(f"a label map goes with a volume, but {path} is a mesh; leave it out")
        lumen = LumenInput(read_mesh(path, frame=frame, unit=unit))
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
        labelled = lumen_input(read_volume(path), label_map, chosen.surface)
        lumen = LumenInput(labelled.surface, labelled.hints, labelled.resolution_mm)
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
        places = (SEPTAL_CROSSING, CAVAL_VEIN)
        structures.update({name: marks[name] for name in marks if name not in places})
        crossing, caval = (_one_point(marks, name, landmarks) for name in places)
        if crossing is not None:
            # Here already: the anatomy takes a minute.
            check_on_wall(lumen.surface.points, crossing, LANDMARK)
    return CaseInput(lumen, structures, notes, crossing, caval, septum)


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


def write_case(
    result: CaseResult,
    out: Path | str,
    pictures: bool = True,
    report: bool = True,
    paper: PaperName = "a4",
    progress: Progress | None = None,
) -> WrittenCase:
    """Write a case's tables, record, pictures and report, all at once.

    Parameters
    ----------
    result : CaseResult
    out : path
        A folder, made where it does not exist. Files of an earlier run are
        replaced or removed; others are left alone.
    pictures, report : bool
        Whether to draw the pictures; to write ``report.html``, ``report.pdf`` and
        ``viewer.html``.
    paper : {'a4', 'letter'}
        Of ``report.pdf``.
    progress : callable, optional

    Returns
    -------
    WrittenCase

    Raises
    ------
    InputError
        ``out`` cannot be written; it is then as it was before.
    """
    tell = progress or _silent
    out = Path(out)
    with staged_output(out, supersedes=files_of_earlier_run(out)) as stage:
        record = _record(result)
        for name, content in case_tables(record).items():
            (stage / name).write_bytes(content)
        drawn: tuple[report_model.Picture, ...] = ()
        picture_notes: tuple[Note, ...] = ()
        if pictures:
            tell("pictures")
            drawn, picture_notes = _draw(result, stage)
        if report:
            tell("report")
            told = report_input(result, drawn, picture_notes, stage)
            parts = vein_parts(told)
            (stage / "report.html").write_bytes(write_page(told, parts).encode())
            (stage / "report.pdf").write_bytes(write_pdf(told, paper, parts))
            (stage / VIEWER).write_bytes(write_viewer(told).encode())
        (stage / KEPT).write_bytes(keep(_without_lumen(result)))
        names = [p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file()]
        files = tuple(sorted({*names, "case.json"}))
        document = case_document(_record(result, picture_notes), files)
        (stage / "case.json").write_bytes(case_json(document))
    return WrittenCase(out, files, picture_notes)


def load_case(folder: Path | str) -> CaseResult:
    """Return a finished case from its folder, without a new run.

    Lengths are rounded to a micrometre; in place of the closed surface of the
    blood, ``anatomy.lumen`` is the wall.

    Raises
    ------
    InputError
        The folder holds no finished case, or one of another version.
    """
    path = Path(folder)
    if not path.is_dir():
        raise InputError(f"case {path} is not a folder; pass the folder that assess wrote")
    if not (path / KEPT).is_file():
        raise InputError(f"case {path} holds no {KEPT}; pass a folder that assess wrote")
    result = recall(path / KEPT)
    if not isinstance(result, CaseResult):
        raise InputError(f"{path / KEPT} holds no case; assess the case again")
    return result


def _without_lumen(result: CaseResult) -> CaseResult:
    """Leave out the closed surface, which nothing is drawn from: a third of the file."""
    return replace(result, anatomy=replace(result.anatomy, lumen=result.anatomy.wall))


def _silent(stage: str) -> None:
    """Tell nobody."""


def _settings(settings: Settings | Path | str | None) -> Settings:
    if settings is None:
        return Settings()
    return settings if isinstance(settings, Settings) else Settings.from_toml(Path(settings))


def _corrections(given: Path | str | Sequence[Correction] | None) -> tuple[Correction, ...]:
    if given is None:
        return ()
    return read_corrections(Path(given)) if isinstance(given, (str, Path)) else tuple(given)


def with_septum(anatomy: Anatomy, case: CaseInput) -> tuple[Anatomy, Note]:
    """Return the anatomy with its septal crossing, and where that comes from."""
    if case.septal_crossing is not None:
        crossing = stated_crossing(anatomy, case.septal_crossing)
    elif case.septum_points is not None:
        crossing = labelled_crossing(anatomy, case.septum_points)
    else:
        crossing = estimated_crossing(anatomy)
    if case.caval_point is not None:
        crossing = entering_from(crossing, case.caval_point)
    return replace(anatomy, septum=crossing), crossing_note(crossing)


def _balloons(balloons: Sequence[float | str | Path | Balloon]) -> tuple[Balloon, ...]:
    """Return the balloons asked for; each name stands for one of them."""
    found: dict[str, Balloon] = {}
    for item in balloons:
        balloon = item if isinstance(item, Balloon) else parse_balloons([str(item)])[0]
        if found.setdefault(balloon.name, balloon) != balloon:
            raise InputError(
                f"two different balloons are called {balloon.name!r}; give each its own name"
            )
    if not found:
        raise InputError("no balloon was given; name at least one")
    return tuple(found.values())


def _balloon_values(balloon: Balloon) -> dict[str, str | float | None]:
    return {
        "name": balloon.name,
        "equatorial_mm": balloon.equatorial_mm,
        "axial_mm": balloon.axial_mm,
        "profile": balloon.profile,
        "zone_from_deg": balloon.zone_from_deg,
        "zone_to_deg": balloon.zone_to_deg,
        "growth_mm": balloon.growth_mm,
    }


def _stated(what: str, text: str | None) -> str | None:
    """Check a text that goes onto the results as it is."""
    if text is None or (text.strip() and text.isprintable()):
        return text
    raise InputError(f"{what} {text!r} must be a text of one line")


def _date(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise InputError(f"image date {text!r} is no date; write it as YYYY-MM-DD") from error


def _input_files(
    input: Path | str,
    labels: Path | str | None,
    landmarks: Path | str | None,
    corrections: Path | str | Sequence[Correction] | None,
    settings: Settings | Path | str | None,
    balloons: Sequence[float | str | Path | Balloon],
) -> tuple[InputFile, ...]:
    """Describe every file that goes into a case by its content."""
    roles: list[tuple[str, object]] = [
        ("input", input),
        ("label map", labels),
        ("landmarks", landmarks),
        ("corrections", corrections),
        ("settings", settings),
    ]
    given = [(role, Path(p)) for role, p in roles if isinstance(p, (str, Path))]
    given += [
        ("balloon", Path(str(item)))
        for item in balloons
        if isinstance(item, (str, Path)) and str(item).lower().endswith(".toml")
    ]
    for role, path in given:
        check_file(path, role)
    return tuple(file for role, path in given for file in input_files(role, path))


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
        fits = seat_vein(anatomy, vein, balloons, settings.seating, approaches, structures)
        return with_margins(anatomy, vein, balloons, fits, settings.seating, settings.margin)
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


def _record(result: CaseResult, more_notes: tuple[Note, ...] = ()) -> CaseRecord:
    return CaseRecord(
        anatomy=result.anatomy,
        fits=result.fits,
        structures=tuple(result.structures),
        notes=(*result.notes, *more_notes),
        settings=result.settings,
        provenance=result.provenance,
    )


def _draw(
    result: CaseResult, folder: Path
) -> tuple[tuple[report_model.Picture, ...], tuple[Note, ...]]:
    """Draw the pictures; a case without them is still a case."""
    try:
        drawn = draw_pictures(
            result.anatomy,
            result.fits,
            result.structures,
            folder,
            contact_tolerance_mm=result.settings.seating.contact_tolerance_mm,
        )
    except OSError as error:
        raise unwritable(folder.parent.parent, error) from error
    except Exception as fault:
        text = " ".join(f"no pictures could be drawn: {type(fault).__name__}: {fault}".split())
        return (), (Note("pictures", text, severity="caution"),)
    return drawn, tuple(dict.fromkeys(note for picture in drawn for note in picture.notes))


def report_input(
    result: CaseResult,
    pictures: tuple[report_model.Picture, ...],
    picture_notes: tuple[Note, ...],
    folder: Path,
) -> report_model.ReportInput:
    """Return what the report of a case is made of.

    Parameters
    ----------
    result : CaseResult
    pictures : tuple of Picture
    picture_notes : tuple of Note
    folder : Path
        Where the pictures lie.
    """
    told = result.provenance
    return report_model.ReportInput(
        case_id=told.case_id or "",
        created=told.created,
        inputs=tuple(
            report_model.InputFile(file.role, file.format, file.sha256) for file in told.inputs
        ),
        anatomy=result.anatomy,
        fits=result.fits,
        settings=result.settings,
        version=told.versions["veinfit"],
        notes=(*result.notes, *picture_notes),
        pictures=pictures,
        folder=folder,
        structures=result.structures,
        freezing_zones={
            str(b["name"]): (float(b["zone_from_deg"] or 0.0), float(b["zone_to_deg"] or 0.0))
            for b in told.balloons
            if "zone_to_deg" in b
        },
        viewer=VIEWER,
        cardiac_phase=told.cardiac_phase or "",
        image_date=told.image_date or "",
    )
