"""``cohort run``: many cases to one table of veins and one of fits."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE, EXIT_INTERRUPTED, EXIT_SOME_FAILED
from veinfit.commands.options import MOST_WORKERS, add_case_options, whole
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, shortened

if TYPE_CHECKING:
    from veinfit.cohort.batch.progress import Progress
    from veinfit.cohort.batch.run import RunOutcome

WARNED = "with a warning that puts the whole case in doubt"


def add(commands: Commands) -> None:
    """Add ``cohort run`` to the group."""
    parser = commands.add_parser(
        "run",
        help="many cases: one row for each vein and one for each fit",
        description="Assess many cases. What an earlier run into the same folder finished is kept, "
        "and the rest is done. A case that fails is a row with its reason.",
        epilog="Exit code 0: all done; 3: some cases failed or have fits that could not be "
        "assessed, the rest is written; 2: input that cannot be used.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option(
        "inputs",
        metavar="INPUTS",
        nargs="+",
        help="folder, files, pattern, or CSV list with the columns "
        "case, input, labels, landmarks, corrections, frame, unit, phase, also",
    )
    option("--out", metavar="DIR", type=Path, required=True, help="folder for the tables")
    option("--labels", metavar="FILE", type=Path, help="label map of volumes without their own")
    add_case_options(parser)
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="use the workers of this Dask scheduler, such as tcp://host:8786",
    )
    where.add_argument(
        "--workers",
        metavar="N",
        type=whole(1, MOST_WORKERS),
        help="processes on this machine (default: one a core)",
    )
    option(
        "--time-limit",
        metavar="SECONDS",
        type=_seconds,
        help="a case that takes longer counts as failed (default: 900)",
    )
    option("--retry-failed", action="store_true", help="run the cases again that failed before")
    option("--csv", action="store_true", help="write the tables as CSV files too")
    add_loudness(parser)


def _seconds(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds above 0")
    return number


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``cohort run`` and return its exit code."""
    from veinfit.cohort.batch.cases import find_cases
    from veinfit.cohort.batch.plan import make_plan
    from veinfit.cohort.batch.run import run_cohort
    from veinfit.cohort.batch.supervise import TIME_LIMIT_S

    found = find_cases(
        arguments.inputs,
        labels=arguments.labels,
        frame=arguments.frame,
        unit=arguments.unit,
        trust_frame=arguments.trust_frame,
    )
    plan = make_plan(arguments.balloon or (), arguments.approach, arguments.settings)
    try:
        with cohort_progress(arguments, terminal) as progress:
            for remark in found.remarks:
                progress.say(remark)
            outcome = run_cohort(
                found.cases,
                arguments.out,
                plan,
                workers=arguments.workers,
                scheduler=arguments.scheduler,
                limit_s=arguments.time_limit or TIME_LIMIT_S,
                retry_failed=arguments.retry_failed,
                csv=arguments.csv,
                progress=progress,
            )
    except KeyboardInterrupt:
        print(
            "veinfit: interrupted; what is finished is kept, run the same command again to go on",
            file=terminal,
        )
        return EXIT_INTERRUPTED
    if not arguments.quiet:
        print(_summary(outcome, arguments.out))
    elif told := _missing(outcome):
        print(f"veinfit: {told}; see {arguments.out / 'cases'}", file=terminal)
    return EXIT_SOME_FAILED if outcome.failed_cases or outcome.partial_cases else EXIT_DONE


@contextlib.contextmanager
def cohort_progress(arguments: argparse.Namespace, terminal: TextIO) -> Iterator[Progress]:
    """Show how far a cohort is, as asked for."""
    from veinfit.cohort.batch.progress import Bar, Lines, Warnings

    if arguments.quiet:
        yield Warnings(terminal)
    elif arguments.verbose or not terminal.isatty():
        yield Lines(terminal)
    else:
        yield Bar(terminal)


def _missing(outcome: RunOutcome) -> str:
    """Return the cases that failed, lack fits or are in doubt, in one line; empty without one."""
    told = []
    for count, reasons, words in (
        (outcome.warned_cases, outcome.warned, WARNED),
        (outcome.failed_cases, outcome.failed, "failed"),
        (outcome.partial_cases, outcome.partial, "with fits that could not be assessed"),
    ):
        if count:
            told.append(f"{count} {words}: {shortened(list(reasons), count)}")
    return "; ".join(told)


def _summary(outcome: RunOutcome, out: Path) -> str:
    """Return what the run did, in lines."""
    told = [f"{outcome.cases} cases, {outcome.worked} of them computed now"]
    for count, reasons, words in (
        (outcome.warned_cases, outcome.warned, WARNED),
        (outcome.partial_cases, outcome.partial, "with fits that could not be assessed"),
        (outcome.failed_cases, outcome.failed, "failed"),
    ):
        if count:
            told.append(f"{count} {words}:")
            told += [f"  {case}: {reason}" for case, reason in reasons.items()]
            if count > len(reasons):
                told.append(f"  and {count - len(reasons)} more, in {out / 'cases'}")
    if outcome.dropped:
        told.append(
            f"{len(outcome.dropped)} cases of the run before are not among the inputs now; their "
            f"rows are taken out: {shortened(outcome.dropped)}"
        )
    told += [f"Written to {out}", "", CAUTION]
    return "\n".join(told)
