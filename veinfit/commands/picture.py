"""``picture``: one picture of one fit of a finished case."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, note_line, progress_on
from veinfit.errors import InputError
from veinfit.report.pictures.asked import AIM_VIEW, TURN_FRAMES


def add(commands: Commands) -> None:
    """Add ``picture`` to the command line."""
    parser = commands.add_parser(
        "picture",
        help="one picture of one balloon in one vein of a finished case",
        description="Draw one balloon in one vein of a finished case: down the vein's axis, from "
        "the side, or at the angles of a projection. The same case gives the same pixels.",
        epilog="VIEW is axis, side, AP, PA, 'left lateral', 'right lateral', 'from the head', "
        "'from the feet', or angles: LAO45, RAO30, LPO30, 'LAO45 cranial20', 'AP caudal15'; or "
        "aim, the map of shaft directions, which is written as .svg.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("case", metavar="CASE", type=Path, help="folder that assess wrote")
    option("--vein", metavar="NAME", required=True, help="vein, such as LSPV")
    option("--balloon", metavar="MM|NAME", required=True, help="balloon: its diameter or name")
    option("--approach", metavar="NAME", help="approach, where the case has several")
    option("--view", metavar="VIEW", default="side", help="from where (default: side)")
    option(
        "--out", metavar="FILE", type=Path, required=True,
        help="picture to write: .png, or .gif for one that turns once from VIEW; .svg for aim",
    )  # fmt: skip
    option("--size", metavar="WxH", default="1200x900", help="pixels (default: 1200x900)")
    option("--background", choices=("light", "dark"), default="light", help="default: light")
    option(
        "--cutaway", action=argparse.BooleanOptionalAction, default=True,
        help="cut the near wall away (default; the view down the axis is always cut)",
    )  # fmt: skip
    option("--scale", choices=("bar", "none"), default="bar", help="scale bar (default: bar)")
    option(
        "--frames", metavar="N", type=int, default=TURN_FRAMES,
        help=f"pictures of one turn of a .gif, 8 to 120 (default: {TURN_FRAMES})",
    )  # fmt: skip
    option(
        "--growth", action="store_true",
        help="a .gif in which the balloon grows in place to the next size, seen from VIEW",
    )  # fmt: skip
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``picture`` and return its exit code."""
    kind = arguments.out.suffix.lower()
    aim = arguments.view.strip().lower() == AIM_VIEW
    if aim and kind != ".svg":
        raise InputError(f"output {arguments.out} must end in .svg with --view {AIM_VIEW}")
    if not aim and kind not in (".png", ".gif"):
        more = f"; .svg is for --view {AIM_VIEW}" if kind == ".svg" else ""
        raise InputError(f"output {arguments.out} must end in .png or .gif{more}")
    if arguments.growth and kind != ".gif":
        raise InputError(f"output {arguments.out} must end in .gif with --growth")
    if not 8 <= arguments.frames <= 120:
        raise InputError(f"frames {arguments.frames} is out of range: 8 to 120")
    size = re.fullmatch(r"(\d{1,5})[x×](\d{1,5})", arguments.size.lower())
    if size is None:
        raise InputError(f"size {arguments.size!r} must be width x height, such as 1200x900")

    from veinfit.case import load_case
    from veinfit.case.picturing import picture
    from veinfit.io.results.output import check_output_file
    from veinfit.report.pictures.one_view import check_size
    from veinfit.report.render.look import parse_look

    # What can be refused is refused before the case is read.
    check_output_file(arguments.out)
    if not aim:
        parse_look(arguments.view)
    size_px = (int(size[1]), int(size[2]))
    check_size(size_px)
    with progress_on(arguments, terminal) as progress:
        if progress:
            progress("reading the case")
        result = load_case(arguments.case)
        fit = result.fit(arguments.vein, arguments.balloon, arguments.approach)
        if progress:
            progress("drawing")
        drawn = picture(
            result,
            fit,
            view=arguments.view,
            motion="growth" if arguments.growth else "turn" if kind == ".gif" else "none",
            size_px=size_px,
            dark=arguments.background == "dark",
            cutaway=arguments.cutaway,
            scale_bar=arguments.scale == "bar",
            frames=arguments.frames,
        )
        drawn.save(arguments.out)
    if not arguments.quiet:
        print(drawn.caption)
        print("".join(f"{note_line(note)}\n" for note in drawn.notes), end="")
        print(f"Written to {arguments.out}\n\n{CAUTION}")
    return EXIT_DONE
