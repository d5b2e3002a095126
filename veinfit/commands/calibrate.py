"""``calibrate``: settings fitted to what was observed."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.options import add_case_options
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, progress_on
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.anatomy.model import Anatomy
    from veinfit.cohort.batch.cases import BatchCase
    from veinfit.settings import Settings


def add(commands: Commands) -> None:
    """Add ``calibrate`` to the command line."""
    parser = commands.add_parser(
        "calibrate",
        help="fit push, springs, scatter and tolerance to observed occlusion",
        description="Fit the quantities that no image shows to a table of observed attempts, by "
        "maximum likelihood, and write them as a settings file.",
        epilog="It says which quantities the data cannot separate. The stiffness stays fixed.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("observed", metavar="OBSERVED", type=Path, help="table of attempts (CSV)")
    option(
        "--cases",
        metavar="CASE",
        nargs="+",
        required=True,
        help="the meshes or volumes of its cases: folders, files, patterns, or a CSV list",
    )
    option("--out", metavar="FILE", type=Path, required=True, help="settings file to be written")
    option("--labels", metavar="FILE", type=Path, help="label map of volumes without their own")
    add_case_options(parser)
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``calibrate`` and return its exit code."""
    from veinfit.cohort.batch.cases import find_cases
    from veinfit.io.inputs.observed import read_observed
    from veinfit.io.results.output import check_output_file, write_file
    from veinfit.seating.balloon_file import parse_balloons
    from veinfit.settings import Settings
    from veinfit.validation.calibration.run import calibrate
    from veinfit.validation.calibration.settings_file import (
        basis_lines,
        report_lines,
        settings_text,
    )

    if arguments.approach == "both":
        raise InputError("an attempt is made by one approach; pass --approach with one of them")
    out = arguments.out
    if out.exists():
        raise InputError(f"output {out} exists; pass the name of a new file")
    check_output_file(out)
    settings = Settings.from_toml(arguments.settings) if arguments.settings else Settings()
    balloons = parse_balloons(arguments.balloon or ())
    table = read_observed(arguments.observed)
    found = find_cases(
        arguments.cases,
        labels=arguments.labels,
        frame=arguments.frame,
        unit=arguments.unit,
        trust_frame=arguments.trust_frame,
    )
    named = {row.case for row in table.rows}
    with progress_on(arguments, terminal) as progress:
        tell = progress or (lambda stage: None)
        cases = [case for case in found.cases if case.case in named]
        outcome = calibrate(
            table.rows,
            _anatomies(cases, settings),
            balloons,
            arguments.approach,
            settings,
            tell,
            source=f"observations {arguments.observed}",
        )
    write_file(out, settings_text(settings, outcome).encode())
    if not arguments.quiet:
        print("\n".join([*basis_lines(outcome), "", *report_lines(outcome)]))
        for line in outcome.aside:
            print(f"not used: {line}")
        print(f"Written to {out}\n\n{CAUTION}")
    return EXIT_DONE


def _anatomies(cases: Sequence[BatchCase], settings: Settings) -> Iterator[tuple[str, Anatomy]]:
    from veinfit.cohort.batch.anatomies import anatomy_of

    for case in cases:
        yield case.case, anatomy_of(case, settings)
