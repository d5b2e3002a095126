"""``assess``: one case, from its files to the folder with its results."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE, EXIT_SOME_FAILED
from veinfit.commands.options import add_case_options
from veinfit.commands.terminal import (
    CAUTION,
    Commands,
    add_loudness,
    aligned,
    note_line,
    number,
    progress_on,
    tell_warning,
)
from veinfit.errors import InputError

# What the command needs is imported when it runs: --help must not wait for numpy and VTK.
if TYPE_CHECKING:
    from veinfit.case import CaseResult


def add(commands: Commands) -> None:
    """Add ``assess`` to the command line."""
    parser = commands.add_parser(
        "assess",
        help="one case: measure the veins and seat the balloons",
        description="Measure the pulmonary veins of one left atrium and predict how each balloon "
        "would seat in each of them.",
        epilog="Exit code 0: all done; 3: some veins could not be assessed, the rest is written; "
        "2: input that cannot be used, nothing written.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option(
        "input",
        metavar="INPUT",
        type=Path,
        help="surface mesh (STL, PLY, OBJ, OFF, VTK, VTP) or label volume (NIfTI, NRRD, MHA, MHD, "
        "DICOM Segmentation or RT Structure Set)",
    )
    option("--out", metavar="DIR", type=Path, required=True, help="folder for the results")
    option(
        "--case-id", metavar="ID", help="name of the case on the report; none is taken from files"
    )
    option("--phase", metavar="TEXT", help="cardiac phase of the image, for the report")
    option("--image-date", metavar="YYYY-MM-DD", help="date of the image, for the report")
    option("--labels", metavar="FILE", type=Path, help="label map of a volume (TOML)")
    option(
        "--also",
        metavar="FILE",
        type=Path,
        action="append",
        help="a further label volume, named by the same label map; may be repeated",
    )
    option("--landmarks", metavar="FILE", type=Path, help="named points and lines (CSV)")
    option("--corrections", metavar="FILE", type=Path, help="what was corrected by hand (TOML)")
    add_case_options(parser)
    option(
        "--paper",
        choices=("a4", "letter"),
        default="a4",
        help="size of the printed report (default: a4)",
    )
    option(
        "--image",
        metavar="FILE|DIR",
        type=Path,
        help="the image behind the labels (NIfTI, NRRD, MHA, MHD, a folder with a DICOM "
        "series, or an enhanced multi-frame file): each vein is shown on it",
    )
    option("--dicom", metavar="DIR", type=Path, help="write the results as DICOM too, into DIR")
    option(
        "--deidentify",
        action="store_true",
        help="with --dicom: without identity, dates and numbers of the source",
    )
    option("--no-pictures", action="store_true", help="write no pictures, which takes less time")
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``assess`` and return its exit code."""
    from veinfit.case import assess, write_case
    from veinfit.io.results.output import check_output
    from veinfit.seating.balloon_defaults import STANDARD_SIZES

    # Asked first: a run of a minute must not end at a folder that cannot be written.
    check_output(arguments.out, "assess")
    if arguments.dicom is not None:
        from veinfit.io.dicom.common import need_dicom

        need_dicom("--dicom")
        if arguments.dicom.resolve() == arguments.out.resolve():
            # A later run without --dicom would leave the objects of this case beside its results.
            raise InputError(
                f"--dicom {arguments.dicom} is the folder of the results; pass a folder of its own"
            )
        check_output(arguments.dicom)
    elif arguments.deidentify:
        raise InputError("--deidentify is for what --dicom writes; pass --dicom DIR too")
    with progress_on(arguments, terminal) as progress:
        result = assess(
            arguments.input,
            labels=arguments.labels,
            also=tuple(arguments.also or ()),
            landmarks=arguments.landmarks,
            corrections=arguments.corrections,
            settings=arguments.settings,
            frame=arguments.frame,
            unit=arguments.unit,
            trust_frame=arguments.trust_frame,
            balloons=tuple(arguments.balloon or STANDARD_SIZES),
            approach=arguments.approach,
            case_id=arguments.case_id,
            phase=arguments.phase,
            image_date=arguments.image_date,
            image=arguments.image,
            progress=progress,
        )
        objects: tuple[str, ...] = ()

        def write_objects(folder: Path) -> None:
            nonlocal objects
            if arguments.dicom is not None:
                objects = _write_dicom(result, arguments, folder)

        try:
            written = write_case(
                result,
                arguments.out,
                pictures=not arguments.no_pictures,
                paper=arguments.paper,
                progress=progress,
                when_ready=write_objects,
            )
        except InputError as error:
            if not objects:
                raise
            raise InputError(f"{error}; the DICOM files are in {arguments.dicom}") from error
    for note in result.all_notes:
        if note.severity == "warning":
            # Before everything else, and even where nothing else is printed.
            tell_warning(note, terminal if arguments.quiet else sys.stdout)
    if not arguments.quiet:
        print(_summary(result, arguments.verbose))
        print("".join(f"\n{note_line(note)}" for note in written.notes))
        _tell_whole_case(result)
        print(f"Written to {written.folder}:")
        print("\n".join(f"  {name}" for name in written.files))
        if objects:
            print(f"Written to {arguments.dicom}:")
            print("\n".join(f"  {name}" for name in objects))
        print(f"\n{CAUTION}")
    elif result.unassessed:
        print(f"veinfit: not assessed: {_unassessed(result)}; fits.csv says why", file=terminal)
    return EXIT_SOME_FAILED if result.unassessed else EXIT_DONE


def _tell_whole_case(result: CaseResult) -> None:
    """Print how many veins are predicted to be sealed antrally, by the sizes at hand."""
    from veinfit.report.answers.case_answer import case_lines

    for line in case_lines(result.expected, result.fits):
        print(f"{line.label}, predicted to be sealed antrally: {line.words}")


def _write_dicom(
    result: CaseResult, arguments: argparse.Namespace, folder: Path
) -> tuple[str, ...]:
    """Write a case as DICOM, under the study of its image, or else of its labels.

    Its files still wait in ``folder``: a source that cannot be read must leave no results.
    """
    from veinfit.case.dicom_sources import dicom_sources
    from veinfit.io.dicom.writing import write_dicom
    from veinfit.result.fit_rows import fit_row
    from veinfit.result.vein_rows import vein_rows

    return write_dicom(
        result.anatomy,
        vein_rows(result.anatomy),
        [fit_row(fit, ()) for fit in result.fits],
        folder,
        arguments.dicom,
        sources=dicom_sources(
            (arguments.input, *(arguments.also or ())),
            arguments.labels,
            result.image.sources if result.image is not None else (),
        ),
        deidentify=arguments.deidentify,
        version=result.provenance.versions["veinfit"],
        created=result.provenance.created,
    )


def _unassessed(result: CaseResult) -> str:
    """Return the veins that were not assessed, with the balloons where others were."""
    missing: dict[str, list[str]] = {}
    for fit in result.unassessed:
        missing.setdefault(fit.vein, []).append(fit.balloon)
    tried = Counter(fit.vein for fit in result.fits)
    return ", ".join(
        vein if len(balloons) == tried[vein] else f"{vein} ({', '.join(dict.fromkeys(balloons))})"
        for vein, balloons in missing.items()
    )


SUMMARY_COLUMNS = (
    "vein", "ostium mm", "balloon", "approach", "antral, one try", "antral, more tries",
    "nominal seat", "leak or gap mm", "leak at", "depth mm", "nose mm", "antral mm2", "confidence",
)  # fmt: skip


def _summary(result: CaseResult, verbose: bool) -> str:
    """Return the summary table, the cautions, and with ``verbose`` every note."""
    from veinfit.notes import VERDICT
    from veinfit.report.wording import chance_words, verdict

    settings = result.settings.report
    veins = {vein.name: vein for vein in result.anatomy.veins}
    rows = []
    for fit in result.fits:
        vein = veins.get(fit.vein)
        ostium = vein.ostium.measures if vein else None
        rows.append(
            (
                fit.vein,
                f"{ostium.d_max_mm:.1f} x {ostium.d_min_mm:.1f}" if ostium else "",
                fit.balloon,
                fit.approach,
                chance_words(fit, "seal_probability", settings),
                chance_words(fit, "steered_seal_probability", settings),
                verdict(fit),
                number(fit.leak_width_mm, 2),
                fit.leak_side,
                number(fit.depth_mm, 1),
                number(fit.nose_depth_mm, 1),
                number(fit.antral_area_mm2, 0),
                number(vein.confidence if vein else None, 2),
            )
        )
    lines = [*aligned([SUMMARY_COLUMNS, *rows])] if rows else ["No vein is left to be assessed."]
    lines += ["", *_side_by_side(result)]
    why: dict[str, list[str]] = {}
    for fit in result.fits:
        if fit.reason:
            why.setdefault(f"{fit.outcome}: {fit.reason}", []).append(f"{fit.vein} {fit.balloon}")
    lines += ["", *(f"{', '.join(fits)}: {reason}" for reason, fits in why.items())] if why else []
    told = [n for n in result.all_notes if n.severity != "info" or n.stage == VERDICT]
    notes = [n for n in (result.all_notes if verbose else told) if n.severity != "warning"]
    if notes:
        lines.append("")
    lines += map(note_line, notes)
    return "\n".join(lines)


def _side_by_side(result: CaseResult) -> Iterator[str]:
    """Yield what sets the balloons of each vein apart, in short."""
    from veinfit.report.seating_words import in_words

    for found in result.comparisons:
        told = in_words(found, result.settings.comparison)
        end = f" Neither seals; {told.neither}." if told.neither else ""
        yield f"{found.vein} ({found.approach}): {told.summary}{end}"
