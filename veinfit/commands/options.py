"""Options that several commands take, in one wording."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_case_options(parser: argparse.ArgumentParser) -> None:
    """Add what tells how cases are read and which balloons are tried."""
    option = parser.add_argument
    option("--settings", metavar="FILE", type=Path, help="settings that differ from default (TOML)")
    option(
        "--frame",
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
        choices=("mm", "cm", "m", "um"),
        default="mm",
        help="unit of a mesh (default: mm)",
    )
    option(
        "--balloon",
        metavar="MM|FILE",
        action="append",
        help="diameter in mm or balloon file (TOML); may be repeated (default: 28 and 31)",
    )
    option(
        "--approach",
        choices=("transseptal", "coaxial", "both"),
        default="transseptal",
        help="how the balloon comes to the vein: from the septum (default), along the vein's axis, "
        "or both",
    )
