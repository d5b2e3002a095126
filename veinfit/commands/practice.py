"""``practice``: the tries of many atria beside what practice sees, and settings fitted to it."""

from __future__ import annotations

import argparse
import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE, EXIT_SOME_FAILED
from veinfit.commands.options import add_workers, whole
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, progress_on
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.anatomy.model import Anatomy
    from veinfit.cohort.batch.cases import BatchCase
    from veinfit.commands.terminal import Progress
    from veinfit.settings import Settings
    from veinfit.validation.practice import VeinOutcome
    from veinfit.validation.practice_fit import PracticeFit
    from veinfit.validation.practice_growth import GrowthOutcome

TABLE, VEINS, FITTED = "practice.csv", "veins.csv", "fitted.toml"
GROWTH = "growth_practice.csv"
_OF_A_SIZE = ("seal_probability", "occluded_in_three", "tries", "distal_edge_mm", "depth_mm")
VEIN_COLUMNS = (
    "case", "vein", "ovality", *(f"{part}_{size}" for size in (28, 31) for part in _OF_A_SIZE),
)  # fmt: skip
"""Of ``veins.csv``."""
TRIALS, CHAINS = 30, 16
MOST_TRIALS, MOST_CHAINS = 100_000, 65_536
"""More take months, and memory that no machine has; chains are bounded as margin.samples is."""


def add(commands: Commands) -> None:
    """Add ``practice`` to the command line."""
    parser = commands.add_parser(
        "practice",
        help="simulated tries in many atria beside common practice; with --fit, fitted settings",
        description="Simulate tries of 28 and 31 mm in every vein of many atria and set the sums "
        "over veins beside what is seen in practice, with 95 % intervals over atria. With --fit "
        "the settings that have no source are fitted on every second atrium; both halves are "
        "reported. margin.kept_scatter_share, which one try does not depend on, stays as it is "
        "set. With --growth 28 mm also grows to 31 mm in every vein.",
        epilog="Exit code 0: all done; 3: some atria could not be used, the rest is reported; 2: "
        "input that cannot be used.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("inputs", metavar="INPUT", nargs="+", help="as for `cohort run`")
    option("--out", metavar="DIR", type=Path, required=True, help="folder for the tables")
    option("--labels", metavar="FILE", type=Path, help="label map of volumes without their own")
    option("--settings", metavar="FILE", type=Path, help="settings that differ from default (TOML)")
    option("--beside", metavar="FILE", type=Path, help="settings to compare with (TOML)")
    option("--frame", type=str.lower, choices=("lps", "ras"), default="lps", help="frame of meshes")
    option("--trust-frame", action="store_true", help="as for `assess`")
    option("--fit", action="store_true", help="fit push, shaft and scatter on every second atrium")
    option("--growth", action="store_true", help="compare growth in place with practice too")
    option(
        "--trials",
        metavar="N",
        type=whole(20, MOST_TRIALS),
        default=TRIALS,
        help="settings a fit tries",
    )
    option(
        "--chains",
        metavar="N",
        type=_power,
        default=CHAINS,
        help="for each vein and size",
    )
    add_workers(parser)
    add_loudness(parser)


def _power(text: str) -> int:
    number = whole(4, MOST_CHAINS)(text)
    if number & (number - 1):
        raise argparse.ArgumentTypeError(f"{text!r} is no power of two from 4 to {MOST_CHAINS}")
    return number


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``practice`` and return its exit code."""
    from veinfit.cohort.batch.cases import find_cases
    from veinfit.io.results.output import check_output, staged_output
    from veinfit.settings import Settings
    from veinfit.validation.growth_table import growth_csv, growth_markdown, growth_rows
    from veinfit.validation.practice import quantities
    from veinfit.validation.practice_fit import fit_to_practice
    from veinfit.validation.practice_run import halves, runner, with_chains
    from veinfit.validation.practice_table import Group, practice_csv, practice_markdown

    check_output(arguments.out, "practice")
    _keep_given(arguments)
    named = [("defaults" if arguments.settings is None else arguments.settings.name)]
    named += [arguments.beside.name] if arguments.beside else []
    given = [arguments.settings, *([arguments.beside] if arguments.beside else [])]
    settings = [Settings.from_toml(path) if path else Settings() for path in given]
    found = find_cases(
        arguments.inputs,
        labels=arguments.labels,
        frame=arguments.frame,
        trust_frame=arguments.trust_frame,
    )
    with progress_on(arguments, terminal) as progress:
        tell = progress or (lambda stage: None)
        grown: list[GrowthOutcome] | None = [] if arguments.growth else None
        first = with_chains(settings[0], arguments.chains)
        atria, failed = _anatomies(found.cases, first, tell, grown)
        groups: list[Group] = []
        fit: PracticeFit | None = None
        with runner(arguments.workers) as simulate:
            for name, one in zip(named, settings, strict=True):
                tell(f"tries with {name}")
                told = simulate(atria, with_chains(one, arguments.chains))
                groups.append(Group(name, "all", told))
            if arguments.fit:
                if len(atria) < 4:
                    raise InputError("a fit needs four atria or more: half of them stay out of it")
                ours, others = halves(atria)
                made = 0

                def evaluate(one: Settings) -> dict[str, float]:
                    nonlocal made
                    made += 1
                    tell(f"fit: trial {made} of {arguments.trials}")
                    return quantities(simulate(ours, one))

                start = with_chains(settings[0], arguments.chains)
                fit = fit_to_practice(start, evaluate, arguments.trials)
                for words, half in (("fitted on", ours), ("held out", others)):
                    told = simulate(half, with_chains(fit.settings, arguments.chains))
                    groups.append(Group("fitted", words, told))
    # What this run does not make again would tell of another one.
    with staged_output(arguments.out, (FITTED, GROWTH), command="practice") as folder:
        (folder / TABLE).write_bytes(practice_csv(groups).encode())
        (folder / VEINS).write_bytes(_veins(groups[0].outcomes).encode())
        if fit is not None:
            (folder / FITTED).write_bytes(_fitted(fit).encode())
        rows = [] if grown is None else growth_rows(grown)
        if rows:
            (folder / GROWTH).write_bytes(growth_csv(rows).encode())
    for case, reason in failed.items():
        print(f"veinfit: {case} is left out: {reason}", file=terminal)
    if not arguments.quiet:
        print(practice_markdown(groups))
        if rows:
            print(f"\n{growth_markdown(rows)}")
        if fit is not None:
            print(_fitted(fit))
        print(f"Written to {arguments.out}\n\n{CAUTION}")
    return EXIT_SOME_FAILED if failed else EXIT_DONE


def _keep_given(arguments: argparse.Namespace) -> None:
    """Refuse settings that the run itself would replace or take away."""
    for option, path in (("--settings", arguments.settings), ("--beside", arguments.beside)):
        if path is not None and path.resolve() == (arguments.out / FITTED).resolve():
            raise InputError(
                f"{option} {path} is what an earlier run left in --out, which this one replaces or "
                "takes away; pass another --out"
            )


def _anatomies(
    cases: Sequence[BatchCase],
    settings: Settings,
    tell: Progress,
    grown: list[GrowthOutcome] | None,
) -> tuple[list[tuple[str, Anatomy]], dict[str, str]]:
    """Find the anatomy of every case; why some have none. Growth in it, where it is asked for."""
    from veinfit.cohort.batch.anatomies import atrium_of
    from veinfit.validation.practice_growth import growth_outcomes_of

    atria: list[tuple[str, Anatomy]] = []
    failed: dict[str, str] = {}
    for number, case in enumerate(cases, 1):
        tell(f"anatomy of {case.case}, {number} of {len(cases)}")
        try:
            anatomy, structures = atrium_of(case, settings)
        except InputError as error:
            failed[case.case] = str(error)
            continue
        atria.append((case.case, anatomy))
        if grown is not None:
            tell(f"growth in {case.case}, {number} of {len(cases)}")
            grown += growth_outcomes_of(case.case, anatomy, structures, settings)
    if not atria:
        raise InputError(f"no atrium could be used: {next(iter(failed.values()))}")
    return atria, failed


def _veins(outcomes: Sequence[VeinOutcome]) -> str:
    """Return a row a vein of the first settings as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(VEIN_COLUMNS)
    for one in outcomes:
        row = [one.case, one.vein, f"{one.ovality:.4f}"]
        for told in (one.small, one.large):
            values = (
                told.antral,
                told.occluded_in_three,
                told.tries,
                told.distal_edge_mm,
                told.depth_mm,
            )
            row += [f"{value:.4f}" if math.isfinite(value) else "" for value in values]
        writer.writerow(row)
    return text.getvalue()


def _fitted(fit: PracticeFit) -> str:
    """Return fitted values as a settings file, with their uncertainty beside them."""
    lines = ["# Fitted to common practice by veinfit practice."]
    last = ""
    for name, value in fit.values.items():
        group, _, setting = name.partition(".")
        if group != last:
            lines += ["", f"[{group}]"]
            last = group
        lines.append(f"{setting} = {value!r}  # SD of its logarithm {fit.uncertainty[name]:.2f}")
    return "\n".join(lines) + "\n"
