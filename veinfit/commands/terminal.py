"""What the commands share on the terminal: progress, tables, notes, the caution."""

from __future__ import annotations

import argparse
import contextlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, TypeAlias

if TYPE_CHECKING:
    from veinfit.notes import Note

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
"""Where a command adds its parser."""

CAUTION = (
    "A planning aid for research and preparation, not a medical device. Results depend on the\n"
    "segmentation and the cardiac phase; decisions rest with the physician and local rules."
)


class Parser(argparse.ArgumentParser):
    """A parser that tells an error in one line, and two errors that argparse passes.

    An option given twice, unless it gathers values; and a path without a name, as a variable of the
    shell leaves it that is not set: that would be the folder at hand.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.register("action", None, _Once)
        self.register("type", Path, _named_path)

    def error(self, message: str) -> NoReturn:
        """End with exit code 2 and one line; the usage, several lines long, stands in the help.

        Parameters
        ----------
        message : str
            Of the library, what is wrong.
        """
        told = message.removeprefix("argument ")
        self.exit(2, f"{self.prog}: error: {told}; see {self.prog} --help\n")


def _named_path(text: str) -> Path:
    if not text.strip():
        raise argparse.ArgumentTypeError("the name is empty; give the name of a file or folder")
    return Path(text)


class _Once(argparse.Action):
    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        given: dict[str, Any] = namespace.__dict__.setdefault("_given", {})
        if option_string and self.dest in given:
            raise argparse.ArgumentError(
                self, f"is given twice, with {given[self.dest]} and {values}; give it once"
            )
        given[self.dest] = values
        setattr(namespace, self.dest, values)


def add_loudness(parser: argparse.ArgumentParser) -> None:
    """Add ``--quiet`` and ``--verbose``, which every command has."""
    loudness = parser.add_mutually_exclusive_group()
    loudness.add_argument(
        "--quiet",
        action="store_true",
        help="print nothing but errors and warnings, and with exit code 3 one line of what is "
        "missing",
    )
    loudness.add_argument(
        "--verbose", action="store_true", help="print every note, times, and details of errors"
    )


Progress = Callable[[str], None]


@contextlib.contextmanager
def progress_on(arguments: argparse.Namespace, terminal: TextIO) -> Iterator[Progress | None]:
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


def note_line(note: Note) -> str:
    """Return a note as one line."""
    about = f"{note.subject}: " if note.subject else ""
    return f"{note.severity} ({note.stage}): {about}{note.text}"


def tell_warning(note: Note, stream: TextIO) -> None:
    """Print a warning as one line, red where the stream is a terminal with colours."""
    line = f"WARNING: {note.text}"
    coloured = stream.isatty() and "NO_COLOR" not in os.environ
    print(f"\x1b[1;31m{line}\x1b[0m" if coloured else line, file=stream)


def number(value: float | None, decimals: int) -> str:
    """Return a number with ``decimals``; empty for None."""
    # Adding zero takes the sign from a number that rounds to none.
    return "" if value is None else f"{round(value, decimals) + 0.0:.{decimals}f}"


def aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Align the columns of ``rows``; all but the first are dropped where only their head is."""
    first, *others = zip(*rows, strict=True)
    kept = [first, *(column for column in others if any(column[1:]))]
    widths = [max(map(len, column)) for column in kept]
    for cells in zip(*kept, strict=True):
        yield "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()


NAMED_CASES = 8
"""A line names at most this many cases."""


def shortened(names: Sequence[str], count: int | None = None) -> str:
    """Return the first of ``names`` in one line, and how many of ``count`` there are besides."""
    shown = names[:NAMED_CASES]
    rest = (len(names) if count is None else count) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest > 0 else "")
