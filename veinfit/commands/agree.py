"""``agree``: what was predicted against what was observed."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, aligned
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.validation.agreement.agree import Agreement


def add(commands: Commands) -> None:
    """Add ``agree`` to the command line."""
    parser = commands.add_parser(
        "agree",
        help="compare predictions with what was observed",
        description="Join a table of observed attempts with predictions, and tell how they agree.",
        epilog="With --template and no OBSERVED, a table to be filled in is written.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("observed", metavar="OBSERVED", type=Path, nargs="?", help="table of attempts (CSV)")
    option(
        "--predictions",
        metavar="DIR|FILE",
        type=Path,
        required=True,
        help="folder of cohort run or of assessed cases, or a table of fits",
    )
    option("--out", metavar="DIR", type=Path, help="folder for tables and page")
    option("--template", metavar="FILE", type=Path, help="write a table to be filled in")
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``agree`` and return its exit code."""
    from veinfit.validation.predictions import read_predictions

    if (arguments.observed is None) == (arguments.template is None):
        raise InputError("pass either OBSERVED with --out, or --template FILE to be filled in")
    if arguments.template is not None:
        return _template(arguments)
    if arguments.out is None:
        raise InputError("pass --out with the name of a folder for the results")
    from veinfit.io.inputs.observed import read_observed
    from veinfit.io.results.output import check_output
    from veinfit.validation.agreement.agree import agreement
    from veinfit.validation.agreement.join import NoPairs, join
    from veinfit.validation.agreement.page import write_agreement

    check_output(arguments.out, "agree")
    table = read_observed(arguments.observed)
    if table.left_aside and not arguments.quiet:
        print(f"veinfit: columns not used: {', '.join(table.left_aside)}", file=terminal)
    try:
        joined = join(table.rows, read_predictions(arguments.predictions))
    except NoPairs as error:
        raise InputError(
            f"observations {arguments.observed} and predictions {arguments.predictions}: {error}; "
            "write case, vein, balloon and approach as --template does"
        ) from error
    found = agreement(joined)
    files = write_agreement(found, arguments.out)
    if not arguments.quiet:
        print(_summary(found))
        print(f"Written to {arguments.out}:")
        print("\n".join(f"  {name}" for name in files))
        print(f"\n{CAUTION}")
    return EXIT_DONE


def _template(arguments: argparse.Namespace) -> int:
    from veinfit.io.inputs.observed import template
    from veinfit.io.results.output import check_output_file, write_file
    from veinfit.validation.predictions import read_predictions

    path = arguments.template
    if path.exists():
        raise InputError(f"template {path} exists and may be filled in; pass another name")
    check_output_file(path)
    fits = read_predictions(arguments.predictions)
    keys = dict.fromkeys((f.case, f.vein, f.balloon, f.approach) for f in fits)
    write_file(path, template(keys))
    if not arguments.quiet:
        print(f"{len(keys)} rows to be filled in, in {path}")
    return EXIT_DONE


def _summary(found: Agreement) -> str:
    """Return the measures of all rows, the rows left out and the cautions."""
    from veinfit.report.page.study_page import number, span

    rows = [("measure", "value", "clustered by patient", "rows", "patients")]
    rows += [
        (
            m.name,
            number(m.interval.value),
            span(m.clustered.low, m.clustered.high),
            str(m.number),
            str(m.patients),
        )
        for m in found.measures
        if m.group == "all"
    ]
    lines = [*aligned(rows), ""]
    for row, reason in found.joined.left_out:
        lines.append(f"left out: {row.title}: {reason}")
    lines += [f"note: {text}" for text in found.joined.remarks]
    lines += [f"caution: {text}" for text in found.warnings]
    return "\n".join([*lines, ""])
