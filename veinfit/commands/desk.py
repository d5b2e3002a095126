"""``desk``: the working place for people who do not type commands, as a page in a browser."""

from __future__ import annotations

import argparse
import threading
from pathlib import Path
from typing import TextIO

from veinfit.commands.exits import EXIT_DONE
from veinfit.commands.terminal import CAUTION, Commands, add_loudness


def add(commands: Commands) -> None:
    """Add ``desk`` to the command line."""
    parser = commands.add_parser(
        "desk",
        help="work on the cases of a folder in a browser: take in, run, review, sign",
        description="Open a page on this machine alone that lists the cases of a folder, takes "
        "files in, runs them, opens their reviews, and keeps signatures and a journal. "
        "Everything is kept as plain files in the folder. Ctrl-C ends it; nothing is lost.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=run)
    option = parser.add_argument
    option("folder", metavar="FOLDER", type=Path, help="folder of the cases")
    option(
        "--workers",
        metavar="N",
        type=int,
        default=1,
        help="cases that are run at the same time (default: 1)",
    )
    option("--no-browser", action="store_true", help="print the page's address, open no browser")
    add_loudness(parser)


def run(arguments: argparse.Namespace, terminal: TextIO) -> int:
    """Run ``desk`` until it is interrupted."""
    from veinfit.errors import InputError
    from veinfit.review.framework import need_framework

    need_framework("the desk")
    if not 1 <= arguments.workers <= 64:
        raise InputError("--workers must be a number from 1 to 64")
    from veinfit.desk.site.site import site_of
    from veinfit.review.local_site import LocalSite

    desk, app = site_of(arguments.folder, arguments.workers)
    desk.begin()
    try:
        with LocalSite(app) as site:
            site.start()
            # Printed even when quiet: without the address there is no desk.
            print(site.address, flush=True)
            if not arguments.quiet:
                if reading := desk.only_reading():
                    print(f"\n{reading[0].upper()}{reading[1:]}.", flush=True)
                print(f"\n{CAUTION}\nCtrl-C ends the desk.", flush=True)
            if not arguments.no_browser:
                import webbrowser

                webbrowser.open(site.address)
            threading.Event().wait()
    except KeyboardInterrupt:
        pass
    finally:
        desk.end()
    return EXIT_DONE
