"""A signature on a page that is finished: all else of it stays as it was written."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import escape

from veinfit.errors import InputError

ROOM = b"<!-- room for a signature -->"
"""Stands once on every page; what is data there is escaped and cannot say it."""

NO_ROOM = (
    "the report of these results has no room for a signature: it was written by an earlier "
    "version; run the case again, look it over, then sign"
)


def signed_page(page: bytes, lines: Sequence[str]) -> bytes:
    """Return a report's page with lines of text below its title.

    Parameters
    ----------
    page : bytes
        As :func:`veinfit.report.page.page.write_page` makes it.
    lines : sequence of str
        Data, never markup.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        It has no room for them.
    """
    if page.count(ROOM) != 1:
        raise InputError(NO_ROOM)
    text = "<br>".join(str(escape(line)) for line in lines)
    return page.replace(ROOM, f'<p class="signed">{text}</p>'.encode())
