"""A case's folder: written whole, and taken up again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from veinfit.case.progress import Progress, silent
from veinfit.errors import InputError
from veinfit.io.results.archive import archived, load_archive
from veinfit.io.results.document import case_document, case_json, files_of_earlier_run
from veinfit.io.results.output import staged_output, unwritable
from veinfit.io.results.tables import case_tables
from veinfit.memory import freeing_new_objects, give_back_memory
from veinfit.notes import Note
from veinfit.report.answers.parts import vein_parts
from veinfit.report.charts.image_planes import draw_image_planes
from veinfit.report.model import Picture, Report
from veinfit.report.page.page import write_page
from veinfit.report.paper.pdf import PaperName, write_pdf
from veinfit.report.pictures.pictures import draw_pictures
from veinfit.report.seating_words import in_words
from veinfit.report.viewer.viewer import write_viewer
from veinfit.result.case_result import CaseResult

ARCHIVE = "case.npz"
"""What a finished case is drawn from again."""

VIEWER = "viewer.html"
"""The 3D view's file, beside the report."""


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


def write_case(
    result: CaseResult,
    out: Path | str,
    pictures: bool = True,
    report: bool = True,
    paper: PaperName = "a4",
    progress: Progress | None = None,
    when_ready: Callable[[Path], object] | None = None,
) -> WrittenCase:
    """Write a case's tables, record, pictures and report, all at once.

    Parameters
    ----------
    result : CaseResult
        What :func:`assess` or :func:`load_case` returned.
    out : path
        A folder, made where it does not exist. Files of an earlier run are
        replaced or removed; others are left alone.
    pictures, report : bool
        Whether to draw the pictures; to write ``report.html``, ``report.pdf`` and
        ``viewer.html``.
    paper : {'a4', 'letter'}
        Of ``report.pdf``.
    progress : callable, optional
        Told what is being done, as each stage begins.
    when_ready : callable, optional
        Called with the folder in which all files wait, just before they are moved to
        ``out``. Where it raises, ``out`` is as it was.

    Returns
    -------
    WrittenCase

    Raises
    ------
    InputError
        ``out`` cannot be written, or holds what another command wrote; it is then as it was.
    TypeError
        ``result`` is something else.

    Examples
    --------
    >>> written = write_case(result, out / "case", pictures=False, report=False)
    >>> [name for name in written.files if name.startswith("l")]
    ['label_ostia.csv', 'leaks.csv']
    """
    if not isinstance(result, CaseResult):
        raise TypeError(f"result: expected a CaseResult; got a {type(result).__name__}")
    tell = progress or silent
    out = Path(out)
    with staged_output(
        out, supersedes=lambda: files_of_earlier_run(out), last="case.json", command="assess"
    ) as stage:
        _drop_tables(result)
        for name, content in case_tables(result).items():
            (stage / name).write_bytes(content)
        drawn: tuple[Picture, ...] = ()
        picture_notes: tuple[Note, ...] = ()
        if pictures:
            give_back_memory()
            tell("pictures")
            drawn, picture_notes = _draw(result, stage, report)
            if result.image is not None:
                drawn += draw_image_planes(result.anatomy, result.fits, result.image, stage)
        if report:
            give_back_memory()
            tell("report")
            told = Report(result, drawn, picture_notes, stage, VIEWER)
            with freeing_new_objects() as free:
                parts = vein_parts(told)
                give_back_memory()
                (stage / "report.html").write_bytes(write_page(told, parts).encode())
                (stage / "report.pdf").write_bytes(write_pdf(told, paper, parts))
                del parts
                # What is laid out on paper holds itself in circles.
                free()
            (stage / VIEWER).write_bytes(write_viewer(told).encode())
            _drop_tables(result)
            give_back_memory()
        (stage / ARCHIVE).write_bytes(archived(_without_lumen(result)))
        names = [p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file()]
        files = tuple(sorted({*names, "case.json"}))
        document = case_document(result, files, picture_notes, _remarks(result))
        (stage / "case.json").write_bytes(case_json(document))
        if when_ready is not None:
            when_ready(stage)
    return WrittenCase(out, files, picture_notes)


def load_case(folder: Path | str) -> CaseResult:
    """Return a finished case from its folder, without a new run.

    Lengths are rounded to a micrometre; in place of the closed surface of the
    blood, ``anatomy.lumen`` is the wall.

    Parameters
    ----------
    folder : path
        That :func:`write_case` or ``veinfit assess`` wrote.

    Returns
    -------
    CaseResult

    Raises
    ------
    InputError
        The folder holds no finished case, or one of another version.

    Examples
    --------
    >>> written = write_case(result, out / "again", pictures=False, report=False)
    >>> load_case(written.folder)
    CaseResult(Larkmoor 04, coarse (invented): LSPV, LIPV, RSPV, RIPV; 28 mm, 31 mm; 8 fits)
    """
    path = Path(folder)
    if not path.is_dir():
        raise InputError(f"case {path} is not a folder; pass the folder that assess wrote")
    if not (path / ARCHIVE).is_file():
        raise InputError(f"case {path} holds no {ARCHIVE}; pass a folder that assess wrote")
    result = load_archive(path / ARCHIVE)
    if not isinstance(result, CaseResult):
        raise InputError(f"{path / ARCHIVE} holds no case; assess the case again")
    return result


def _drop_tables(result: CaseResult) -> None:
    """Forget what was looked up of surfaces: what follows asks for little of it, of few faces."""
    patches = (fit.patch for fit in result.fits if fit.patch is not None)
    for surface in (result.anatomy.wall, result.anatomy.lumen, *patches):
        surface.drop_tables()


def _remarks(result: CaseResult) -> list[list[str]]:
    """Return the words for every remark of every comparison."""
    told = (in_words(one, result.settings.comparison) for one in result.comparisons)
    return [[said.text for said in one.remarks] for one in told]


def _without_lumen(result: CaseResult) -> CaseResult:
    """Leave out the image, and the closed surface, which nothing is drawn from."""
    return replace(result, image=None, anatomy=replace(result.anatomy, lumen=result.anatomy.wall))


def _draw(
    result: CaseResult, folder: Path, for_report: bool
) -> tuple[tuple[Picture, ...], tuple[Note, ...]]:
    """Draw the pictures; a case without them is still a case."""
    try:
        drawn = draw_pictures(
            result.anatomy,
            result.fits,
            result.structures,
            folder,
            contact_tolerance_mm=result.settings.seating.contact_tolerance_mm,
            words=result.settings.report,
            for_report=for_report,
        )
    except OSError as error:
        raise unwritable(folder.parent.parent, error) from error
    except Exception as fault:
        text = " ".join(f"no pictures could be drawn: {type(fault).__name__}: {fault}".split())
        return (), (Note("pictures", text, severity="caution"),)
    return drawn, tuple(dict.fromkeys(note for picture in drawn for note in picture.notes))
