"""What leaves: report, pictures, tables and DICOM objects, without identity or with it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.case import CaseResult, load_case, write_case
from veinfit.case.image import read_case_image
from veinfit.desk.jobs.without_identity import names_in, without_identity
from veinfit.desk.store.cases import SIGNED, CaseFolder
from veinfit.desk.store.journal import JOURNAL
from veinfit.desk.store.signed_copies import COPIES
from veinfit.errors import InputError
from veinfit.io.results.document import files_of_earlier_run

KINDS: Mapping[str, tuple[str, ...]] = {
    "report": ("report.html", "viewer.html"),
    "pdf": ("report.pdf",),
    "pictures": (".png",),
    "tables": (".csv",),
    "record": ("case.json",),
}
"""What may leave, and how the names of its files end. DICOM objects are made anew."""


def export_case(folder: Path, out: Path, options: Mapping[str, Any]) -> list[str]:
    """Write what leaves of one case into a folder.

    Parameters
    ----------
    folder : Path
        The case.
    out : Path
        Made anew.
    options : mapping
        ``kinds``: of ``KINDS`` or ``dicom``; ``identity``: whether the case's name, its date and
        phase, the names of those who corrected it, the journal and the signature go too, and
        DICOM objects under the patient's study.
        Report and PDF of a signed case then carry the signature.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        There are no results, or DICOM is asked for and its libraries are not there.
    """
    case = CaseFolder(folder)
    kinds = set(options["kinds"])
    identity = bool(options["identity"])
    if unknown := kinds - {*KINDS, "dicom"}:
        raise InputError(f"unknown kinds {', '.join(sorted(unknown))}")
    if not case.has_result:
        raise InputError(f"{case.name} has no results yet")
    result = load_case(case.result)
    out.mkdir(parents=True)
    with tempfile.TemporaryDirectory(prefix=".veinfit-export-", dir=out.parent) as place:
        source = case.result
        if not identity and names_in(result):
            source = Path(place) / "case"
            result = without_identity(result)
            _write_again(case, result, source)
        wanted = tuple(end for kind in kinds if kind in KINDS for end in KINDS[kind])
        for name in files_of_earlier_run(source) if wanted else ():
            if name.endswith(wanted):
                (out / name).parent.mkdir(parents=True, exist_ok=True)
                signed = case.path / COPIES / name
                use_signed = identity and case.is_signed and signed.is_file()
                shutil.copyfile(signed if use_signed else source / name, out / name)
        if "dicom" in kinds:
            _write_dicom(case, result, source, out / "dicom", identity)
    if identity:
        for name in (JOURNAL, SIGNED):
            if (case.path / name).is_file():
                shutil.copyfile(case.path / name, out / name)
    return sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())


def _write_again(case: CaseFolder, result: CaseResult, out: Path) -> None:
    """Write the results anew, as the name of the case stands on many of them."""
    options = case.options
    if options.image:
        # A finished case keeps no image.
        shown, _ = read_case_image(
            case.path / options.image, case.path / options.input, result.anatomy.wall
        )
        result = replace(result, image=shown)
    paper: Any = options.paper
    write_case(result, out, pictures=options.pictures, paper=paper)


def _write_dicom(
    case: CaseFolder, result: CaseResult, folder: Path, out: Path, identity: bool
) -> None:
    from veinfit.case.dicom_sources import dicom_sources
    from veinfit.io.dicom.series import image_files
    from veinfit.io.dicom.writing import write_dicom
    from veinfit.result.fit_rows import fit_row
    from veinfit.result.vein_rows import vein_rows

    options = case.options
    write_dicom(
        result.anatomy,
        vein_rows(result.anatomy),
        [fit_row(fit, ()) for fit in result.fits],
        folder,
        out,
        sources=dicom_sources(
            [case.path / options.input] if options.input else [],
            case.path / options.labels if options.labels else None,
            image_files(case.path / options.image) if options.image else (),
        ),
        deidentify=not identity,
        version=result.provenance.versions["veinfit"],
        created=result.provenance.created,
    )
