"""The command line: its parser, what becomes of errors, and whose the terminal is."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import traceback
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from veinfit.commands import agree, assess, calibrate, changes, desk, picture, practice, review
from veinfit.commands.cohort import group as cohort
from veinfit.commands.exits import (
    EXIT_BAD_INPUT,
    EXIT_INTERNAL_ERROR,
    EXIT_INTERRUPTED,
    EXIT_READER_GONE,
)
from veinfit.commands.terminal import CAUTION, Parser
from veinfit.errors import InputError

COMMANDS = (assess, picture, review, desk, changes, cohort, agree, calibrate, practice)
"""The modules of the commands, in the order in which ``--help`` lists them."""

STDERR = 2
"""The descriptor that compiled libraries write to, whatever Python's ``sys.stderr`` is."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    argv : sequence of str, optional
        The words behind ``veinfit``; those of this process where None.

    Returns
    -------
    int
        A code of :mod:`veinfit.commands.exits`.
    """
    _open_streams()
    _one_thread()
    arguments = build_parser().parse_args(argv)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign must not end a finished run.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    with _terminal() as terminal, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            code = int(arguments.run(arguments, terminal))
            sys.stdout.flush()
            return code
        except BrokenPipeError:
            # Whoever read the output, such as a pager, has closed it: what was written stays, and
            # Python must not try to flush the rest on its way out.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return EXIT_READER_GONE
        except InputError as error:
            print(f"veinfit: error: {error}", file=terminal)
            return EXIT_BAD_INPUT
        except KeyboardInterrupt:
            print("veinfit: interrupted", file=terminal)
            return EXIT_INTERRUPTED
        except Exception as error:
            if arguments.verbose:
                traceback.print_exc(file=terminal)
            hint = "" if arguments.verbose else "; run again with --verbose for the details"
            told = " ".join(f"{type(error).__name__}: {error}".split())
            print(f"veinfit: internal error: {told}{hint}", file=terminal)
            return EXIT_INTERNAL_ERROR


def _open_streams() -> None:
    """Open streams that are closed: else a file of results would be taken for one of them."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= STDERR:
        pass
    os.close(number)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115


def _one_thread() -> None:
    """Have linear algebra work in one thread, unless the user has said how many.

    A job multiplies small matrices only: the threads of the library would mostly wait for each
    other, which takes as much processor again and ends no sooner.
    """
    if "numpy" not in sys.modules:  # later it is not heard any more
        os.environ.setdefault("OMP_NUM_THREADS", "1")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = Parser(
        prog="veinfit",
        description="Predicts how cryoballoons of candidate diameters would seat in the "
        "pulmonary veins of a left atrium.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, help="print the version and stop")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(commands)
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
