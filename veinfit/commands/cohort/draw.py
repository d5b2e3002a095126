"""``cohort draw``: invented atria to published distributions, each with its truth."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.cohort.run import cohort_progress
from veinfit.commands.exits import EXIT_DONE, EXIT_INTERRUPTED, EXIT_SOME_FAILED
from veinfit.commands.options import add_workers, whole
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, aligned, shortened

if TYPE_CHECKING:
    from veinfit.cohort.drawing import Drawn

SHOWN = (
    "vein", "measure", "cases", "published_mean", "drawn_mean", "realised_mean",
    "published_sd", "drawn_sd", "deviation",
)  # fmt: skip
"""Columns of the table that is printed."""

LISTED = 8
"""At most this many failed cases are listed."""


def add(commands: Commands) -> None:
    """Add ``cohort draw`` to the group."""
    parser = commands.add_parser(
        "draw",
        help="invented atria to published distributions, each with its truth",
        description="Draw invented left atria whose measures follow published distributions. What "
        "an earlier run into the same folder finished is kept. A case depends on the cohort's seed "
        "and its own number alone.",
        epilog="Exit code 0: all drawn; 3: some cases could not be drawn; 2: input that cannot be "
        "used.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("--out", metavar="DIR", type=Path, required=True, help="folder for the cohort")
    option("--cases", metavar="N", type=whole(1, 1_000_000), required=True, help="how many cases")
    option("--seed", metavar="N", type=whole(0, 2**32 - 1), default=0, help="seed of the cohort")
    option(
        "--first",
        metavar="N",
        type=whole(0, 999_999),
        default=0,
        help="number of the first case (default: 0)",
    )
    option(
        "--kind",
        choices=("real", "easy"),
        default="real",
        help="atria like patients' (flat, wavy, funnels, neighbours that touch), or smoother "
        "ones with the same measures (default: real)",
    )
    option(
        "--write",
        choices=("mesh", "labels", "both"),
        default="mesh",
        help="file type of the cases (default: mesh)",
    )
    option(
        "--edge",
        metavar="MM",
        type=length(0.4, 4.0),
        default=1.0,
        help="edge length of meshes (default: 1)",
    )
    option("--closed", action="store_true", help="close meshes at the veins and the mitral side")
    option(
        "--spacing",
        metavar="MM",
        type=length(0.2, 4.0),
        nargs=3,
        default=(0.5, 0.5, 0.7),
        help="voxel edges of label volumes (default: 0.5 0.5 0.7)",
    )
    option(
        "--distributions",
        metavar="FILE",
        type=Path,
        help="distributions to draw from (TOML; default: published series)",
    )
    add_workers(parser)
    add_loudness(parser)


def length(low: float, high: float) -> Callable[[str], float]:
    """Return a reader of lengths within a range, mm, for the parser."""

    def read(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= (number := float(text)) <= high:
                return number
        raise argparse.ArgumentTypeError(f"{text!r} is no length from {low:g} to {high:g} mm")

    return read


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``cohort draw`` and return its exit code."""
    from veinfit.cohort.drawing import draw_cohort
    from veinfit.synthetic.draw.distributions import built_in_distributions, read_distributions
    from veinfit.synthetic.draw.drawn_case import Recipe

    given = arguments.distributions
    distributions = read_distributions(given) if given else built_in_distributions()
    x, y, z = arguments.spacing
    recipe = Recipe(
        arguments.seed, arguments.kind, arguments.write, arguments.edge, arguments.closed, (x, y, z)
    )
    try:
        with cohort_progress(arguments, terminal) as progress:
            drawn = draw_cohort(
                distributions,
                recipe,
                range(arguments.first, arguments.first + arguments.cases),
                arguments.out,
                workers=arguments.workers,
                progress=progress,
            )
    except KeyboardInterrupt:
        print(
            "veinfit: interrupted; what is finished is kept, run the same command again to go on",
            file=terminal,
        )
        return EXIT_INTERRUPTED
    if not arguments.quiet:
        print(_summary(drawn, arguments.out))
    elif drawn.failed:
        cases = shortened(list(drawn.failed))
        print(f"veinfit: {len(drawn.failed)} cases could not be drawn: {cases}", file=terminal)
    return EXIT_SOME_FAILED if drawn.failed else EXIT_DONE


def _summary(drawn: Drawn, out: Path) -> str:
    """Return what was drawn, beside what was published."""
    from veinfit.cohort.drawing import CASE_LIST, COMPARISON
    from veinfit.synthetic.draw.comparison import COLUMNS

    rows = [dict(zip(COLUMNS, row.cells(), strict=True)) for row in drawn.comparison]
    published = [[row[name] for name in SHOWN] for row in rows if row["published_mean"]]
    lines = [*aligned([[name.replace("_", " ") for name in SHOWN], *published]), ""]
    lines.append(f"{drawn.cases} invented cases, {drawn.worked} of them drawn now")
    if drawn.set_aside:
        lines.append(f"{drawn.set_aside} sets of measures fitted no atrium and were drawn again")
    failed = list(drawn.failed.items())
    lines += [f"could not be drawn: {case}: {reason}" for case, reason in failed[:LISTED]]
    if len(failed) > LISTED:
        lines.append(f"and {len(failed) - LISTED} more")
    lines += [
        f"Written to {out}: {CASE_LIST} is the list for `veinfit cohort run`,",
        f"{COMPARISON} the whole table, with the source of every figure",
        "",
        CAUTION,
    ]
    return "\n".join(lines)
