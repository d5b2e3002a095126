"""Writes the results of a case as DICOM files into a folder of their own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from veinfit.anatomy.model import Anatomy
from veinfit.errors import InputError
from veinfit.io.dicom.common import need_dicom, read_dataset
from veinfit.io.dicom.documents import (
    WHOLE,
    encapsulated_pdf,
    encapsulated_walls,
    secondary_capture,
)
from veinfit.io.dicom.measurements import measurement_report, ostia_segmentation
from veinfit.io.dicom.study import MANUFACTURER, Study, study_of
from veinfit.io.quiet import captured_warnings
from veinfit.io.results.output import staged_output
from veinfit.result.values import Row

FILES = ("measurements.dcm", "ostia.dcm", "surface.dcm", "report.dcm")
"""What is written, besides the pictures and the parts of the surface."""

NAMES = re.compile(r"(measurements|ostia|report|surface(-.+)?|picture-[0-9]+)\.dcm")
"""All of it."""


def write_dicom(
    anatomy: Anatomy,
    vein_rows: list[Row],
    fit_rows: list[Row],
    case_folder: Path,
    out: Path,
    *,
    sources: Sequence[Path],
    deidentify: bool,
    version: str,
    created: str,
) -> tuple[str, ...]:
    """Write measures, ostia, surface, report and pictures of a finished case.

    Parameters
    ----------
    anatomy : Anatomy
    vein_rows, fit_rows : list of Row
        As in the CSV files.
    case_folder : Path
        Holds ``report.pdf`` and ``pictures/``; what is not there is left out.
    out : Path
        A folder, made where it does not exist. What was written there before for an earlier case
        or run is removed.
    sources : sequence of Path
        DICOM objects that the results come from; patient and study are those of the first. A new
        study without a name where there is none.
    deidentify : bool
        By the basic profile of PS3.15 annex E: no identity, date or number of the source.
    version, created : str
        Of the program; time of the assessment, UTC, ISO 8601.

    Returns
    -------
    tuple of str
        Names of the files.

    Raises
    ------
    InputError
        A source cannot be read, or the folder not written.
    """
    need_dicom("writing DICOM")
    study = study_of(sources, deidentify=deidentify, version=version, created=created)
    with staged_output(out, lambda: _of_earlier_case(out)) as stage, captured_warnings():
        return _write(anatomy, vein_rows, fit_rows, case_folder, stage, study)


def _of_earlier_case(out: Path) -> tuple[str, ...]:
    """Return what was written here before: another patient's wall must not be left beside these.

    A file of such a name that somebody else made is left alone.
    """
    named = (path for path in sorted(out.glob("*.dcm")) if NAMES.fullmatch(path.name))
    return tuple(path.name for path in named if path.is_file() and _is_ours(path))


def _is_ours(path: Path) -> bool:
    try:
        ds = read_dataset(path, "output", stop_before_pixels=True, specific_tags=["Manufacturer"])
    except InputError:
        return False
    return str(ds.get("Manufacturer", "")) == MANUFACTURER


def _write(
    anatomy: Anatomy,
    vein_rows: list[Row],
    fit_rows: list[Row],
    case_folder: Path,
    stage: Path,
    study: Study,
) -> tuple[str, ...]:
    from pydicom.uid import generate_uid

    walls = encapsulated_walls(anatomy, study)
    objects = {"surface.dcm": walls.pop(WHOLE)}
    objects |= {f"surface-{name}.dcm": wall for name, wall in walls.items()}
    if anatomy.veins:
        discs = ostia_segmentation(anatomy, study)
        objects["ostia.dcm"] = discs
        objects["measurements.dcm"] = measurement_report(
            anatomy.veins, vein_rows, fit_rows, discs, study
        )
    report = case_folder / "report.pdf"
    if report.is_file():
        objects["report.dcm"] = encapsulated_pdf(report.read_bytes(), study)
    series = str(generate_uid())
    for number, picture in enumerate(sorted(case_folder.glob("pictures/*.png")), 1):
        objects[f"picture-{number:02d}.dcm"] = secondary_capture(
            picture, study, series, number, picture.stem
        )
    for name, ds in objects.items():
        ds.save_as(stage / name, enforce_file_format=True)
    return tuple(sorted(objects))
