"""``review``: look a case over in a browser and write its corrections file."""

from __future__ import annotations

import argparse
import threading
from pathlib import Path
from typing import TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import (
    CAUTION,
    Commands,
    add_loudness,
    note_line,
    progress_on,
    tell_warning,
)

CORRECTIONS = "corrections.toml"
"""The corrections file's name in the case's folder."""


def add(commands: Commands) -> None:
    """Add ``review`` to the command line."""
    parser = commands.add_parser(
        "review",
        help="review a case in a browser, and correct names and ostia by hand",
        description="Open a page on this machine alone: turn the atrium, move or tilt an ostial "
        "plane, rename, drop or add a vein, see how measures and seats change, and save the "
        "corrections file for assess --corrections. Nothing else is written. Ctrl-C ends it.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    parser.add_argument("case", metavar="CASE", type=Path, help="folder that assess wrote")
    parser.add_argument(
        "--corrections",
        metavar="FILE",
        type=Path,
        help=f"corrections file to go on with and to write (default: {CORRECTIONS} in CASE)",
    )
    parser.add_argument(
        "--image",
        metavar="FILE|DIR",
        type=Path,
        help="the image behind the labels, as of assess: the veins are shown on it, and an ostial "
        "plane can be dragged there too",
    )
    parser.add_argument(
        "--no-browser", action="store_true", help="print the page's address and open no browser"
    )
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``review`` until it is interrupted."""
    from veinfit.review.framework import need_framework

    need_framework("the review page")
    from veinfit.case import load_case
    from veinfit.io.inputs.corrections import read_corrections
    from veinfit.io.results.output import check_output_file
    from veinfit.notes import Note
    from veinfit.review.page import write_review
    from veinfit.review.server import ReviewServer
    from veinfit.review.session import ReviewSession

    with progress_on(arguments, terminal) as progress:
        result = load_case(arguments.case)
        target = arguments.corrections or arguments.case / CORRECTIONS
        # Here already: finding the anatomy again takes a while.
        check_output_file(target)
        if target.exists():
            read_corrections(target)
        image = None
        if arguments.image is not None:
            from veinfit.case.image import read_shown_image

            # So is the image.
            image, notes = read_shown_image(arguments.image, result.anatomy.wall)
            for note in notes:
                print(note_line(note), file=terminal)
        session = ReviewSession(result, target, progress or (lambda stage: None))
        doubt = session.opened()["doubt"]
        if doubt:
            tell_warning(Note("corrections", doubt, severity="warning"), terminal)
        if image is not None:
            session.show_image(image)
        server = ReviewServer(session, arguments.case, *write_review(session))
    with server:
        server.start()
        # Printed even when quiet: without the address there is no review.
        print(server.address, flush=True)
        if not arguments.quiet:
            print(f"\n{CAUTION}\nCtrl-C ends the review.", flush=True)
        if not arguments.no_browser:
            import webbrowser

            webbrowser.open(server.address)
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            pass
        finally:
            server.shutdown()
    return EXIT_DONE
