"""Predicts how cryoballoons of candidate diameters would seat in the pulmonary veins.

The whole job on one case::

    import veinfit
    result = veinfit.assess("atrium.stl")
    veinfit.write_case(result, "out")

The names below are loaded when first used, so that ``import veinfit`` is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from veinfit.case import CaseResult as CaseResult
    from veinfit.case import assess as assess
    from veinfit.case import load_case as load_case
    from veinfit.case import write_case as write_case
    from veinfit.errors import InputError as InputError
    from veinfit.settings import Settings as Settings

    __version__: str

_HOMES = {
    "CaseResult": "veinfit.case",
    "InputError": "veinfit.errors",
    "Settings": "veinfit.settings",
    "assess": "veinfit.case",
    "load_case": "veinfit.case",
    "write_case": "veinfit.case",
}
"""Where each public name is defined."""

__all__ = [
    "CaseResult",
    "InputError",
    "Settings",
    "__version__",
    "assess",
    "load_case",
    "write_case",
]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("veinfit")
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'veinfit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
