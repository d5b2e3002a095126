"""Options that several commands take, in one wording."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from veinfit.seating.balloon_defaults import STANDARD_SIZES

MOST_WORKERS = 1024
"""Processes that a command starts at most: many more than any machine has cores."""


def whole(low: int, high: int) -> Callable[[str], int]:
    """Return a reader of whole numbers within a range, for the parser."""

    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = low - 1
        if not low <= number <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is no whole number from {low} to {high}")
        return number

    return read


class _Several(argparse.Action):
    """Gathers values that are given one by one or parted by commas."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        text = str(values)
        parts: Sequence[str] = [text]
        # A file may have a comma in its name.
        if not Path(text).is_file():
            parts = [part for part in re.split(r"\s*[,;]\s*", text.strip()) if part] or parts
        setattr(namespace, self.dest, [*(getattr(namespace, self.dest) or ()), *parts])


def add_workers(parser: argparse.ArgumentParser) -> None:
    """Add how many processes work, one without it."""
    parser.add_argument(
        "--workers",
        metavar="N",
        type=whole(1, MOST_WORKERS),
        default=1,
        help="processes (default: 1)",
    )


def add_case_options(parser: argparse.ArgumentParser) -> None:
    """Add what tells how cases are read and which balloons are tried."""
    option = parser.add_argument
    option("--settings", metavar="FILE", type=Path, help="settings that differ from default (TOML)")
    option(
        "--frame",
        type=str.lower,
        choices=("lps", "ras"),
        default="lps",
        help="frame of a mesh, which files do not tell (default: lps)",
    )
    option(
        "--trust-frame",
        action="store_true",
        help="go on, with a warning, where the anatomy contradicts the frame",
    )
    option(
        "--unit",
        type=str.lower,
        choices=("mm", "cm", "m", "um"),
        default="mm",
        help="unit of a mesh (default: mm)",
    )
    option(
        "--balloon",
        metavar="MM|FILE",
        action=_Several,
        help="diameter in mm or balloon file (TOML); several separated by commas, or the option "
        f"repeated (default: {' and '.join(f'{mm:g}' for mm in STANDARD_SIZES)})",
    )
    option(
        "--approach",
        type=str.lower,
        choices=("transseptal", "coaxial", "both"),
        default="transseptal",
        help="how the balloon comes to the vein: from the septum (default), along the vein's axis, "
        "or both",
    )
