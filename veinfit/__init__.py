"""Predicts how cryoballoons of candidate diameters would seat in the pulmonary veins.

The whole job on one case::

    import veinfit
    result = veinfit.assess("atrium.stl")
    veinfit.write_case(result, "out")

One balloon on a wall of your own::

    hole = veinfit.Opening.cut(wall, centre=[0, 0, 0], axis=[0, 0, -1])
    fit, = veinfit.seat(hole, [28])

The names below are loaded when first used, so that ``import veinfit`` is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from veinfit.anatomy.model import Anatomy as Anatomy
    from veinfit.anatomy.model import Vein as Vein
    from veinfit.case import CaseResult as CaseResult
    from veinfit.case import assess as assess
    from veinfit.case import load_case as load_case
    from veinfit.case import write_case as write_case
    from veinfit.case.picturing import picture as picture
    from veinfit.case.stages import find_veins as find_veins
    from veinfit.case.stages import read_balloon as read_balloon
    from veinfit.case.stages import read_surface as read_surface
    from veinfit.case.stages import read_volume as read_volume
    from veinfit.case.stages import seat as seat
    from veinfit.case.stages import tables as tables
    from veinfit.errors import InputError as InputError
    from veinfit.io.inputs.landmarks import read_landmarks as read_landmarks
    from veinfit.result.columns import columns as columns
    from veinfit.seating.balloon import Balloon as Balloon
    from veinfit.seating.model import Fit as Fit
    from veinfit.seating.opening import Opening as Opening
    from veinfit.settings import Settings as Settings
    from veinfit.surface import Surface as Surface
    from veinfit.surface.foreign import as_surface as as_surface

    __version__: str

_HOMES = {
    "Anatomy": "veinfit.anatomy.model",
    "Balloon": "veinfit.seating.balloon",
    "CaseResult": "veinfit.case",
    "Fit": "veinfit.seating.model",
    "InputError": "veinfit.errors",
    "Opening": "veinfit.seating.opening",
    "Settings": "veinfit.settings",
    "Surface": "veinfit.surface",
    "Vein": "veinfit.anatomy.model",
    "as_surface": "veinfit.surface.foreign",
    "assess": "veinfit.case",
    "columns": "veinfit.result.columns",
    "find_veins": "veinfit.case.stages",
    "load_case": "veinfit.case",
    "picture": "veinfit.case.picturing",
    "read_balloon": "veinfit.case.stages",
    "read_landmarks": "veinfit.io.inputs.landmarks",
    "read_surface": "veinfit.case.stages",
    "read_volume": "veinfit.case.stages",
    "seat": "veinfit.case.stages",
    "tables": "veinfit.case.stages",
    "write_case": "veinfit.case",
}
"""Where each public name is defined."""

__all__ = [
    "Anatomy",
    "Balloon",
    "CaseResult",
    "Fit",
    "InputError",
    "Opening",
    "Settings",
    "Surface",
    "Vein",
    "__version__",
    "as_surface",
    "assess",
    "columns",
    "find_veins",
    "load_case",
    "picture",
    "read_balloon",
    "read_landmarks",
    "read_surface",
    "read_volume",
    "seat",
    "tables",
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
