"""``cohort summary``: what a cohort shows, as tables and plots."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, aligned
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.cohort.statistics import Interval
    from veinfit.cohort.summary.model import Summary


def add(commands: Commands) -> None:
    """Add ``cohort summary`` to the group."""
    parser = commands.add_parser(
        "summary",
        help="sum up what cohort run wrote",
        description="Occlusion and seal of every vein and size, what the second size adds, "
        "differences, where leaks are and what correlates with them.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("cohort", metavar="DIR", type=Path, help="folder that cohort run wrote")
    option("--out", metavar="DIR", type=Path, required=True, help="folder for tables and page")
    option(
        "--approach",
        choices=("coaxial", "transseptal"),
        help="which approach (default: transseptal where the cohort has it)",
    )
    option(
        "--least-name-confidence",
        metavar="P",
        type=float,
        default=0.0,
        help="leave out veins whose name is less probable than this, 0 to 1 (default: none)",
    )
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``cohort summary`` and return its exit code."""
    from veinfit.cohort.summary.data import read_cohort
    from veinfit.cohort.summary.page import write_summary
    from veinfit.cohort.summary.summarise import summarise
    from veinfit.io.results.output import check_output

    least = arguments.least_name_confidence
    if not 0.0 <= least <= 1.0:
        raise InputError(f"--least-name-confidence {least:g} is no probability; pass 0 to 1")
    check_output(arguments.out, "cohort summary")
    summary = summarise(read_cohort(arguments.cohort, arguments.approach, least))
    files = write_summary(summary, arguments.out)
    if not arguments.quiet:
        print(_summary(summary))
        print(f"Written to {arguments.out}:")
        print("\n".join(f"  {name}" for name in files))
        print(f"\n{CAUTION}")
    return EXIT_DONE


def _spread(found: Interval) -> str:
    from veinfit.report.page.study_page import with_span

    return with_span(found.value, found.low, found.high)


def _left_out(summary: Summary) -> str:
    count = summary.cohort.left_out
    return f" ({count} more with a doubtful name left out)" if count else ""


def _summary(summary: Summary) -> str:
    """Return the split over all veins and each vein, and the cautions."""
    from veinfit.cohort.summary.model import PARTS, SPLIT_ORDER, split_words
    from veinfit.report.page.study_page import number

    lines = [f"{summary.cohort.cases} cases, {len(summary.cohort.vein)} veins{_left_out(summary)}"]
    lines += [f"caution: {text}" for text in summary.remarks]
    # As the page does: seals first, which is what ablates.
    for verdict in SPLIT_ORDER:
        splits = [s for s in summary.splits if s.verdict == verdict and s.number]
        if not splits:
            continue
        rows: list[tuple[str, ...]] = [("vein", "smaller", "larger", *PARTS, "veins")]
        rows += [
            (s.vein, s.smaller, s.larger, *(number(s.parts[p].value) for p in PARTS), str(s.number))
            for s in splits
        ]
        lines += [f"expected share of veins {split_words(splits[0])}", *aligned(rows)]
    if summary.whole:
        told: list[tuple[str, ...]] = [("choice", "tries", "veins sealed", "of", "all sealed")]
        told += [
            (w.choice, w.tries, _spread(w.sealed), number(w.veins, 1), _spread(w.every))
            for w in summary.whole
        ]
        lines += ["expected in a case, antral seals", *aligned(told)]
    return "\n".join([*lines, ""])
