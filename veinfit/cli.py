"""The command line: reads arguments, shows progress, prints the summary, sets the exit code."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.errors import InputError

# What the commands need is imported inside them: --help must not wait for numpy and VTK.
if TYPE_CHECKING:
    from veinfit.case import CaseResult
    from veinfit.notes import Note
    from veinfit.seating.model import Fit

EXIT_DONE = 0
EXIT_BAD_INPUT = 2
EXIT_SOME_FAILED = 3
EXIT_INTERNAL_ERROR = 1
"""A fault of the program, as an exception that Python itself reports."""
EXIT_INTERRUPTED = 130
"""128 + SIGINT, as shells report it."""

STDERR = 2
"""The descriptor that compiled libraries write to, whatever Python's ``sys.stderr`` is."""

CAUTION = (
    "A planning aid for research and preparation, not a medical device. Results depend on the\n"
    "segmentation and the cardiac phase; decisions rest with the physician and local rules."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    arguments = build_parser().parse_args(argv)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign must not end a finished run.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    with _terminal() as terminal, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return int(arguments.run(arguments, terminal))
        except InputError as error:
            print(f"veinfit: error: {' '.join(str(error).split())}", file=terminal)
            return EXIT_BAD_INPUT
        except KeyboardInterrupt:
            print("veinfit: interrupted, nothing written", file=terminal)
            return EXIT_INTERRUPTED
        except Exception as error:
            if arguments.verbose:
                traceback.print_exc(file=terminal)
            hint = "" if arguments.verbose else "; run again with --verbose for the details"
            told = " ".join(f"{type(error).__name__}: {error}".split())
            print(f"veinfit: internal error, nothing written: {told}{hint}", file=terminal)
            return EXIT_INTERNAL_ERROR


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = argparse.ArgumentParser(
        prog="veinfit",
        description="Predicts how cryoballoons of candidate diameters would seat in the "
        "pulmonary veins of a left atrium.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, help="print the version and stop")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    _add_assess(commands)
    return parser


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str, help: str | None = None) -> None:
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        from importlib.metadata import version

        print(f"veinfit {version('veinfit')}")
        parser.exit()


def _add_assess(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "assess",
        help="one case: measure the veins and seat the balloons",
        description="Measure the pulmonary veins of one left atrium and predict how each balloon "
        "would seat in each of them.",
        epilog="Exit code 0: all done; 3: some veins could not be assessed, the rest is written; "
        "2: input that cannot be used, nothing written.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=_assess)
    add = parser.add_argument
    add(
        "input",
        metavar="INPUT",
        type=Path,
        help="surface mesh (STL, PLY, OBJ, OFF, VTK, VTP) or label volume (NIfTI, NRRD, MHA, MHD)",
    )
    add("--out", metavar="DIR", type=Path, required=True, help="folder for the results")
    add("--case-id", metavar="ID", help="name of the case on the report; none is taken from files")
    add("--phase", metavar="TEXT", help="cardiac phase of the image, for the report")
    add("--image-date", metavar="YYYY-MM-DD", help="date of the image, for the report")
    add("--labels", metavar="FILE", type=Path, help="label map of a volume (TOML)")
    add("--landmarks", metavar="FILE", type=Path, help="named points and lines (CSV)")
    add("--settings", metavar="FILE", type=Path, help="settings that differ from default (TOML)")
    add(
        "--frame",
        choices=("lps", "ras"),
        default="lps",
        help="frame of a mesh, which files do not tell (default: lps)",
    )
    add(
        "--unit",
        choices=("mm", "cm", "m", "um"),
        default="mm",
        help="unit of a mesh (default: mm)",
    )
    add(
        "--balloon",
        metavar="MM|FILE",
        action="append",
        help="diameter in mm or balloon file (TOML); may be repeated (default: 28 and 31)",
    )
    add(
        "--approach",
        choices=("coaxial", "transseptal", "both"),
        default="coaxial",
        help="how the balloon comes to the vein (default, and so far alone: coaxial)",
    )
    add("--no-pictures", action="store_true", help="write no pictures, which takes less time")
    loudness = parser.add_mutually_exclusive_group()
    loudness.add_argument("--quiet", action="store_true", help="print nothing but errors")
    loudness.add_argument(
        "--verbose", action="store_true", help="print every note, times, and details of errors"
    )


def _assess(arguments: argparse.Namespace, terminal: TextIO) -> int:
    from veinfit.case import assess, write_case
    from veinfit.io.output import check_output

    # Asked first: a run of a minute must not end at a folder that cannot be written.
    check_output(arguments.out)
    with _progress(arguments, terminal) as progress:
        result = assess(
            arguments.input,
            labels=arguments.labels,
            landmarks=arguments.landmarks,
            settings=arguments.settings,
            frame=arguments.frame,
            unit=arguments.unit,
            balloons=tuple(arguments.balloon or (28.0, 31.0)),
            approach=arguments.approach,
            case_id=arguments.case_id,
            phase=arguments.phase,
            image_date=arguments.image_date,
            progress=progress,
        )
        written = write_case(
            result, arguments.out, pictures=not arguments.no_pictures, progress=progress
        )
    if not arguments.quiet:
        print(_summary(result, arguments.verbose))
        print("".join(f"\n{_note_line(note)}" for note in written.notes))
        print(f"Written to {written.folder}:")
        print("\n".join(f"  {name}" for name in written.files))
        print(f"\n{CAUTION}")
    return EXIT_SOME_FAILED if result.unassessed else EXIT_DONE


# ---- what is shown --------------------------------------------------------------------------


Progress = Callable[[str], None]


@contextlib.contextmanager
def _progress(arguments: argparse.Namespace, terminal: TextIO) -> Iterator[Progress | None]:
    """Tell the stages: one line that is redrawn on a terminal, a line a stage elsewhere."""
    if arguments.quiet:
        yield None
    elif arguments.verbose or not terminal.isatty():
        start = time.monotonic()

        def tell(stage: str) -> None:
            clock = f"[{time.monotonic() - start:5.1f} s] " if arguments.verbose else ""
            print(f"veinfit: {clock}{stage}", file=terminal, flush=True)

        yield tell
    else:
        from rich.console import Console

        with Console(file=terminal).status("veinfit") as status:
            yield lambda stage: status.update(f"veinfit: {stage}")


SUMMARY_COLUMNS = (
    "vein", "ostium mm", "balloon", "approach", "outcome", "closure", "leak mm", "leak at",
    "depth mm", "nose mm", "antral mm2", "confidence",
)  # fmt: skip


def _summary(result: CaseResult, verbose: bool) -> str:
    """Return the summary table, the cautions, and with ``verbose`` every note."""
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
                fit.outcome,
                _closure(fit),
                _number(fit.leak_width_mm, 1),
                fit.leak_side,
                _number(fit.depth_mm, 1),
                _number(fit.nose_depth_mm, 1),
                _number(fit.antral_area_mm2, 0),
                _number(vein.confidence if vein else None, 2),
            )
        )
    lines = [*_aligned([SUMMARY_COLUMNS, *rows])]
    why: dict[str, list[str]] = {}
    for fit in result.fits:
        if fit.reason:
            why.setdefault(f"{fit.outcome}: {fit.reason}", []).append(f"{fit.vein} {fit.balloon}")
    lines += ["", *(f"{', '.join(fits)}: {reason}" for reason, fits in why.items())] if why else []
    notes = [note for note in result.all_notes if verbose or note.severity == "caution"]
    if notes:
        lines.append("")
    lines += map(_note_line, notes)
    return "\n".join(lines)


def _note_line(note: Note) -> str:
    about = f"{note.subject}: " if note.subject else ""
    return f"{note.severity} ({note.stage}): {about}{note.text}"


def _closure(fit: Fit) -> str:
    if fit.occluded is None:
        return ""
    return "sealed" if fit.sealed else "occluded" if fit.occluded else "open"


def _number(value: float | None, decimals: int) -> str:
    # Adding zero takes the sign from a number that rounds to none.
    return "" if value is None else f"{round(value, decimals) + 0.0:.{decimals}f}"


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Align the columns of ``rows``, dropping those that are empty below the first row."""
    kept = [
        [name, *cells] for name, *cells in zip(*rows, strict=True) if any(cells) or name == "vein"
    ]
    widths = [max(map(len, column)) for column in kept]
    for cells in zip(*kept, strict=True):
        yield "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()


@contextlib.contextmanager
def _terminal() -> Iterator[TextIO]:
    """Give a stream to the terminal that is ours alone; all else on stderr is dropped.

    Compiled libraries write their warnings to file descriptor 2 directly, so
    that descriptor is led away while a command runs, for child processes too.
    """
    try:
        descriptor = sys.stderr.fileno()
        ours = os.fdopen(os.dup(descriptor), "w", encoding=sys.stderr.encoding, errors="replace")
    except (OSError, ValueError, AttributeError):
        # No real file behind stderr, as in a notebook: nothing to lead away.
        yield sys.stderr
        return
    with contextlib.ExitStack() as stack:
        stack.enter_context(ours)
        nowhere = stack.enter_context(Path(os.devnull).open("w"))
        sys.stderr.flush()
        for number in {descriptor, STDERR}:
            stack.callback(_restore, os.dup(number), number)
            os.dup2(nowhere.fileno(), number)
        try:
            yield ours
        finally:
            ours.flush()
            sys.stderr.flush()


def _restore(saved: int, number: int) -> None:
    os.dup2(saved, number)
    os.close(saved)


if __name__ == "__main__":
    sys.exit(main())
