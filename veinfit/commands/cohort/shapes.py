"""``cohort shapes``: the shape of atria around their veins, compared with patients'."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TextIO

from veinfit.commands.exits import EXIT_DONE, EXIT_SOME_FAILED
from veinfit.commands.terminal import Commands, add_loudness, shortened

TABLE, VALUES = "shapes.csv", "shapes.json"


def add(commands: Commands) -> None:
    """Add ``cohort shapes`` to the group."""
    parser = commands.add_parser(
        "shapes",
        help="the shape of atria around their veins, compared with patients'",
        description="Find the veins of every atrium and measure how the wall runs around them: "
        "body, waviness, funnels, ovality, turn and lip, neighbours. The table has the 10, 25, "
        "50, 75 and 90 % of every measure beside those of nine atria of living patients.",
        epilog="Exit code 0: all measured; 3: some could not be; 2: input that cannot be used.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("inputs", metavar="INPUT", nargs="+", help="as for `cohort run`")
    option("--out", metavar="DIR", type=Path, required=True, help="folder for the table")
    option("--labels", metavar="FILE", type=Path, help="label map of volumes without one")
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``cohort shapes`` and return its exit code."""
    from veinfit.anatomy import find_anatomy
    from veinfit.case.reading import read_case
    from veinfit.cohort.batch.cases import find_cases
    from veinfit.cohort.shapes.measure import measure_shape, plain
    from veinfit.cohort.shapes.table import shape_table, table_csv, table_markdown
    from veinfit.errors import InputError
    from veinfit.io.results.output import check_output, staged_output
    from veinfit.settings import Settings

    settings = Settings()
    check_output(arguments.out, "cohort shapes")
    found = find_cases(arguments.inputs, labels=arguments.labels)
    shapes, failed = {}, {}
    for case in found.cases:
        try:
            read = read_case(
                Path(case.input),
                labels=None if case.labels is None else Path(case.labels),
                also=case.also,
                landmarks=None,
                settings=settings,
                frame=case.frame,
                unit=case.unit,
            )
            anatomy = find_anatomy(read.lumen, settings, frame=case.frame)
            shapes[case.case] = measure_shape(anatomy, read.lumen.surface)
        except InputError as error:
            failed[case.case] = str(error)
        if not arguments.quiet:
            print(f"{case.case}: {failed.get(case.case, 'measured')}", file=terminal)
    if not shapes:
        raise InputError(f"no atrium could be measured: {next(iter(failed.values()))}")
    rows = shape_table(list(shapes.values()))
    values = {case: plain(shape) for case, shape in shapes.items()}
    with staged_output(arguments.out, command="cohort shapes") as stage:
        (stage / TABLE).write_bytes(table_csv(rows).encode())
        (stage / VALUES).write_bytes(f"{json.dumps(values, indent=1)}\n".encode())
    if not arguments.quiet:
        print(table_markdown(rows, f"{len(shapes)} atria"))
    elif failed:
        cases = shortened(list(failed))
        print(f"veinfit: {len(failed)} cases could not be measured: {cases}", file=terminal)
    return EXIT_SOME_FAILED if failed else EXIT_DONE
