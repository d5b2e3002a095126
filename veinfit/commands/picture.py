"""``picture``: one picture of one fit of a finished case."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness, note_line, progress_on
from veinfit.errors import InputError

if TYPE_CHECKING:
    from veinfit.case import CaseResult
    from veinfit.report.one_view import Drawn
    from veinfit.seating.model import Fit

FRAMES = 36
"""Pictures of one turn."""

AIM = "aim"
"""The view that is no picture of the atrium but the map of shaft directions."""


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
        "--frames", metavar="N", type=int, default=FRAMES,
        help=f"pictures of one turn of a .gif, 8 to 120 (default: {FRAMES})",
    )  # fmt: skip
    option(
        "--growth", action="store_true",
        help="a .gif in which the balloon grows in place to the next size, seen from VIEW",
    )  # fmt: skip
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``picture`` and return its exit code."""
    kind = arguments.out.suffix.lower()
    aim = arguments.view.strip().lower() == AIM
    if aim != (kind == ".svg") or kind not in (".png", ".gif", ".svg"):
        raise InputError(
            f"output {arguments.out} must end in .png or .gif, and in .svg with --view {AIM} alone"
        )
    if arguments.growth and kind != ".gif":
        raise InputError(f"output {arguments.out} must end in .gif with --growth")
    if not 8 <= arguments.frames <= 120:
        raise InputError(f"frames {arguments.frames} is out of range: 8 to 120")
    size = re.fullmatch(r"(\d{1,5})[x×](\d{1,5})", arguments.size.lower())
    if size is None:
        raise InputError(f"size {arguments.size!r} must be width x height, such as 1200x900")

    from veinfit.case import load_case
    from veinfit.io.output import check_output_file, write_file
    from veinfit.report.look import parse_look
    from veinfit.report.one_view import Style, check_size, draw_growing, draw_still, draw_turning

    check_output_file(arguments.out)
    look = None if aim else parse_look(arguments.view)
    size_px = (int(size[1]), int(size[2]))
    check_size(size_px)
    with progress_on(arguments, terminal) as progress:
        if progress:
            progress("reading the case")
        result = load_case(arguments.case)
        fit = _chosen(result, arguments.vein, arguments.balloon, arguments.approach)
        others = [f for f in result.fits if f.vein == fit.vein]
        style = Style(
            size_px=size_px,
            dark=arguments.background == "dark",
            cutaway=arguments.cutaway,
            scale_bar=arguments.scale == "bar",
            contact_tolerance_mm=result.settings.seating.contact_tolerance_mm,
        )
        if progress:
            progress("drawing")
        if look is None:
            drawn = _aim_map(result, fit)
        elif arguments.growth:
            drawn = draw_growing(result.anatomy, _grown(result, fit), look, style)
        elif kind == ".gif":
            drawn = draw_turning(result.anatomy, fit, others, look, style, arguments.frames)
        else:
            drawn = draw_still(result.anatomy, fit, others, look, style)
        write_file(arguments.out, drawn.content)
    if not arguments.quiet:
        print(drawn.caption)
        print("".join(f"{note_line(note)}\n" for note in drawn.notes), end="")
        print(f"Written to {arguments.out}\n\n{CAUTION}")
    return EXIT_DONE


def _grown(result: CaseResult, fit: Fit) -> list[Fit]:
    from veinfit.seating.growth import grown_fits

    balloon = next((one for one in result.balloons if one.name == fit.balloon), None)
    if balloon is None or fit.growth is None:
        raise InputError(
            f"{fit.vein} {fit.balloon} has no growth in place: it has no seat, no larger size was "
            "tried, or seating.growth_in_place is off"
        )
    return grown_fits(result.anatomy, fit, balloon, result.settings.seating)


def _aim_map(result: CaseResult, fit: Fit) -> Drawn:
    from veinfit.report.aims import AIM_KEY, aim_charts
    from veinfit.report.colours import gap_bands
    from veinfit.report.one_view import Drawn

    vein = next(v for v in result.anatomy.veins if v.name == fit.vein)
    bands = gap_bands(result.settings.seating.contact_tolerance_mm)
    charts = aim_charts(vein, [fit], bands)
    if not charts:
        raise InputError(f"{fit.vein} {fit.balloon} has no aim map; assess the case again")
    ((_, drawing),) = charts
    return Drawn(drawing.file.encode(), f"{drawing.alt} {AIM_KEY}")


def _chosen(result: CaseResult, vein: str, balloon: str, approach: str | None) -> Fit:
    """Return the fit that is asked for; say what there is where there is none."""
    known = [v.name for v in result.anatomy.veins]
    named = {name.lower(): name for name in known}
    if vein.lower() not in named:
        lost = result.anatomy.unmeasured.get(vein)
        why = f" ({vein} was not measured: {lost})" if lost else ""
        raise InputError(f"vein {vein!r} is not in this case{why}; it has {_list(known)}")
    fits = [fit for fit in result.fits if fit.vein == named[vein.lower()]]
    size = re.fullmatch(r"(\d+(?:\.\d+)?) ?(?:mm)?", balloon.strip())
    found = [
        fit for fit in fits
        if fit.balloon == balloon or (size is not None and fit.balloon_mm == float(size[1]))
    ]  # fmt: skip
    if not found:
        tried = dict.fromkeys(fit.balloon for fit in fits)
        raise InputError(f"balloon {balloon!r} was not tried here; there are {_list(tried)}")
    names = list(dict.fromkeys(fit.balloon for fit in found))
    if len(names) > 1:
        raise InputError(f"balloon {balloon!r} is not one of a kind; name one of {_list(names)}")
    approaches = [fit.approach for fit in found]
    if approach is None:
        # The first is the headline of the case.
        return found[0]
    if approach not in approaches:
        raise InputError(f"approach {approach!r} is not in this case; it has {_list(approaches)}")
    return found[approaches.index(approach)]


def _list(names: object) -> str:
    return ", ".join(map(str, names)) or "none"  # type: ignore[call-overload]
