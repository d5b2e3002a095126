"""``cohort``: many cases; a group of commands, one a module."""

from __future__ import annotations

from veinfit.commands.cohort import draw as cohort_draw
from veinfit.commands.cohort import run as cohort_run
from veinfit.commands.cohort import shapes as cohort_shapes
from veinfit.commands.cohort import summary as cohort_summary
from veinfit.commands.terminal import CAUTION, Commands

COMMANDS = (cohort_draw, cohort_run, cohort_summary, cohort_shapes)
"""The modules of the group's commands, in the order in which ``--help`` lists them."""


def add(commands: Commands) -> None:
    """Add ``cohort`` and its commands to the command line."""
    group = commands.add_parser(
        "cohort",
        help="many cases at once",
        description="Work on many cases at once.",
        epilog=CAUTION,
        allow_abbrev=False,
    )
    inner = group.add_subparsers(metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(inner)
