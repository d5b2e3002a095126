"""Whether the web framework of the pages is there: the extra ``desk``."""

from __future__ import annotations

from importlib.util import find_spec

from veinfit.errors import InputError

PACKAGES = ("starlette", "uvicorn")


def need_framework(purpose: str) -> None:
    """Make sure that the packages that serve a page are installed.

    Parameters
    ----------
    purpose : str
        What needs them, for the message.

    Raises
    ------
    InputError
        They are not; the message says what to install.
    """
    if any(find_spec(name) is None for name in PACKAGES):
        raise InputError(
            f'{purpose} needs the extra desk; install it with pip install "veinfit[desk]"'
        )
