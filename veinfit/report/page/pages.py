"""What every page of a case shares: its templates."""

from __future__ import annotations

from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined


def environment() -> Environment:
    """Return the templates' surroundings: what is put into them is data, never markup."""
    return Environment(
        loader=PackageLoader("veinfit.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def template_text(name: str) -> str:
    """Return a file of the templates as it is.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
    """
    return (resources.files("veinfit.report") / "templates" / name).read_text("utf-8")
