"""``changes``: two results of a case side by side."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, aligned
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.report.page.changes import Change

CSV, PAGE = "changes.csv", "changes.html"

PRINTED = ("vein", "balloon", "approach", "quantity", "unit", "before", "after", "change")


def add(commands: Commands) -> None:
    """Add ``changes`` to the command line."""
    parser = commands.add_parser(
        "changes",
        help="two results of a case side by side: before and after a correction, or two phases",
        description="Compare two results of a case: every measure and every fit, before and after. "
        "What differs is printed; with --out everything is written as a table and a page.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    parser.add_argument("before", metavar="CASE_A", type=Path, help="folder that assess wrote")
    parser.add_argument("after", metavar="CASE_B", type=Path, help="the other one")
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help=f"folder for {CSV} and {PAGE}; none: print only"
    )
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``changes`` and return its exit code."""
    from veinfit.io.cells import csv_table
    from veinfit.io.results.output import check_output, staged_output
    from veinfit.report.page.changes import CHANGE_COLUMNS

    if arguments.out is not None:
        check_output(arguments.out, "changes")
    changes, caution, headlines, differences, page = compare(arguments.before, arguments.after)
    if not arguments.quiet:
        rows = [
            [c.vein, c.balloon, c.approach, c.label, c.unit.replace("1", ""), c.told_before,
             c.told_after, c.change.replace("-", "−")]
            for c in changes
            # Of a vein that is gone, or new, the sentences above say so.
            if c.differs and ((c.before and c.after) or c.change)
        ]  # fmt: skip
        if caution:
            print(f"caution: {caution}\n")
        print("".join(f"{text}\n" for text in headlines))
        alone = any(c.differs for c in changes)
        none = "No value that both results hold differs." if alone else "No value differs."
        print("\n".join(aligned([PRINTED, *rows])) if rows else none)
        for text in differences:
            print(f"also different: {text}")
    if arguments.out is not None:
        with staged_output(arguments.out, command="changes") as stage:
            (stage / CSV).write_bytes(csv_table(CHANGE_COLUMNS, [asdict(c) for c in changes]))
            (stage / PAGE).write_bytes(page.encode())
        if not arguments.quiet:
            print(f"Written to {arguments.out}: {CSV}, {PAGE}")
    if not arguments.quiet:
        print(f"\n{CAUTION}")
    return EXIT_DONE


def compare(
    before: Path, after: Path
) -> tuple[Sequence[Change], str, Sequence[str], Sequence[str], str]:
    """Return what changed between two cases, a caution, sentences, what else differs, the page.

    Raises
    ------
    InputError
        One of the folders holds no record of a case, or not a whole one.
    """
    from veinfit.io.results.document import read_document
    from veinfit.report.page.changes import (
        case_changes,
        case_differences,
        change_headlines,
        changes_page,
        input_caution,
    )

    documents = read_document(before), read_document(after)
    try:
        changes = case_changes(*documents)
        return (
            changes,
            input_caution(*documents),
            change_headlines(changes, *documents),
            case_differences(*documents),
            changes_page(*documents),
        )
    except Exception as error:  # What a record of another form makes them raise is open.
        raise InputError(
            f"the case.json of {before} or of {after} is not what assess writes "
            f"({type(error).__name__}: {error}); assess the case again"
        ) from error
