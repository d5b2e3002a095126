"""The files of the two fonts on paper, which come with the library that draws plots."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

PLAIN_FILE, BOLD_FILE = "DejaVuSans.ttf", "DejaVuSans-Bold.ttf"


def font_file(name: str) -> Path:
    """Return the path of one of the fonts.

    The library is found and not imported, which would take longer than reading the fonts.

    Parameters
    ----------
    name : str
        ``PLAIN_FILE`` or ``BOLD_FILE``.

    Returns
    -------
    Path

    Raises
    ------
    ModuleNotFoundError
        The library is not installed.
    """
    library = find_spec("matplotlib")
    if library is None or library.origin is None:
        raise ModuleNotFoundError("No module named 'matplotlib'", name="matplotlib")
    return Path(library.origin).parent / "mpl-data" / "fonts" / "ttf" / name
