"""Holds what an archive tells against the program's types, before anything is made of it.

The check sums of a file that somebody changed by hand may be right, and what it holds may still be
no case: a text where a number belongs, an array of another shape, a face of vertices that are not
there. Such a file is refused as a whole.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from veinfit.errors import InputError
from veinfit.settings import Settings

Shape = tuple[int | str, ...]
"""Of an array; a letter stands for a length, the same one throughout an object."""

POINT: Shape = (3,)
POINTS: Shape = ("N", 3)

SHAPES: Mapping[str, Mapping[str, Shape]] = {
    "Anatomy": {"body_centre": POINT, "found_places": POINT},
    "Appendage": {"centre": POINT, "normal": POINT},
    "CaseResult": {"structures": POINTS},
    "Centreline": {"points": POINTS, "s_mm": ("N",)},
    "Contour": {"points": POINTS},
    "Correction": {"add_at": POINT, "centre": POINT, "normal": POINT},
    "Fit": {
        "centre": POINT, "push_direction": POINT, "patch_gap_mm": ("V",),
        "balloon_section": ("S", 2),
    },
    "LabelBorder": {"centre": POINT, "normal": POINT},
    "LabelOstium": {"centre": POINT, "normal": POINT},
    "LumenInput": {
        "hints": ("H", 3), "image_border_points": POINTS, "septum_points": ("P", 3),
    },
    "MitralOpening": {"centre": POINT, "normal": POINT, "rim": ("N",)},
    "Ostium": {"centre": POINT, "normal": POINT, "half_turn_points": POINTS},
    "Plan": {"line_mm": POINTS},
    "PlanSeat": {"band_from_mm": ("M",), "band_to_mm": ("M",)},
    "Ridge": {"path": POINTS},
    "Section": {"centre": POINT, "tangent": POINT},
    "SeptalCrossing": {"point": POINT, "entry": POINT},
    "Surface": {"points": POINTS, "faces": ("F", 3)},
    "Vein": {"axis": POINT, "end_rims": ("R",)},
}  # fmt: skip
"""Shapes of arrays by type and part; where a part holds several arrays, of each of them."""

SEVERAL = {"hints", "end_rims", "structures", "found_places"}
"""Parts that hold several arrays, each with lengths of its own."""

WITH_GAPS = {
    "Chance.given_patient", "Fit.patch_gap_mm", "Growth.given_patient", "Ostium.residual_mm",
    "Plan.line_mm", "PlanSeat.band_from_mm", "PlanSeat.band_to_mm",
}  # fmt: skip
"""Parts in which NaN stands for what could not be had."""

LARGEST = 1e12
"""No number of a case is greater, whatever its unit."""


class WrongPart(ValueError):
    """A part of an archived object that is not what the program keeps there."""


def check_parts(name: str, kind: type, values: Mapping[str, Any]) -> None:
    """Make sure that the parts of an object are what the program keeps there.

    Parameters
    ----------
    name : str
        Of the type in archives.
    kind : type
        The dataclass.
    values : mapping of str to object
        Its parts, decoded.

    Raises
    ------
    WrongPart
        One is not; the message tells which, and what is wrong with it.
    """
    checks = _checks(name, kind)
    for part, value in values.items():
        if fault := checks[part](value):
            raise WrongPart(f"{name}.{part} {fault}")
    lengths: dict[str, int] = {}
    for part, shape in SHAPES.get(name, {}).items():
        if part in SEVERAL or not isinstance(array := values.get(part), np.ndarray):
            continue
        for length, told in zip(array.shape, shape, strict=True):
            if isinstance(told, str) and lengths.setdefault(told, length) != length:
                raise WrongPart(f"{name}.{part} has {length} entries for {lengths[told]}")
    if name in TOGETHER and (fault := TOGETHER[name](values)):
        raise WrongPart(f"{name}{fault}")


Check = Callable[[Any], str]
"""Returns what is wrong with a value, empty where nothing is."""


@cache
def _checks(name: str, kind: type) -> Mapping[str, Check]:
    shapes = SHAPES.get(name, {})
    return {
        part: _check(hint, shapes.get(part, ()), f"{name}.{part}" in WITH_GAPS)
        for part, hint in get_type_hints(kind).items()
    }


def _check(hint: Any, shape: Shape, gaps: bool) -> Check:
    """Return what holds values against a type as it is annotated."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint is Any:
        return lambda value: ""
    if hint in PLAIN:
        return _finite_or_nan if gaps and hint is float else PLAIN[hint]
    if origin is Literal:
        return lambda value: "" if value in inner else f"is {_told(value)}"
    if origin in (Union, UnionType):
        return _any_of([_check(one, shape, gaps) for one in inner])
    if origin is np.ndarray:
        # The second of NDArray's two arguments is dtype[float64], say.
        scalar = get_args(inner[1])[0]
        return lambda value: _array_fault(value, np.dtype(scalar).kind, shape, gaps)
    if origin is tuple and inner[-1] is Ellipsis:
        return _each(_check(inner[0], shape, gaps))
    if origin is tuple:
        return _one_by_one([_check(one, shape, gaps) for one in inner])
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _values(_check(inner[1], shape, gaps))
    if isinstance(hint, type):
        return lambda value: "" if isinstance(value, hint) else f"is {_told(value)}"
    raise TypeError(f"no check for {hint}")


def _told(value: Any) -> str:
    """Name what a value is, for messages."""
    if isinstance(value, str):
        return f"the text {value[:20]!r}"
    if value is None or isinstance(value, bool):
        return "nothing" if value is None else str(value).lower()
    if isinstance(value, (int, float)):
        if value != value:
            return "no number"
        return f"{value:.3g}" if abs(value) < LARGEST else "a number out of range"
    words = {dict: "a mapping", tuple: "a list", list: "a list", np.ndarray: "an array"}
    return words.get(type(value), f"a {type(value).__name__}")


def _number(value: Any) -> str:
    fine = isinstance(value, (int, float)) and not isinstance(value, bool)
    return "" if fine and -LARGEST <= value <= LARGEST else f"is {_told(value)}"


def _finite_or_nan(value: Any) -> str:
    return "" if isinstance(value, float) and math.isnan(value) else _number(value)


def _whole(value: Any) -> str:
    return _number(value) if isinstance(value, int) else f"is {_told(value)}"


def _of(kind: type) -> Check:
    return lambda value: "" if isinstance(value, kind) else f"is {_told(value)}"


PLAIN: Mapping[Any, Check] = {
    float: _number, int: _whole, bool: _of(bool), str: _of(str), NoneType: _of(NoneType)
}  # fmt: skip


def _any_of(checks: list[Check]) -> Check:
    def check(value: Any) -> str:
        # What is said of a value that is there, before that it should be missing.
        faults = [check(value) for check in checks]
        return "" if "" in faults else faults[0]

    return check


def _each(check: Check) -> Check:
    def whole(value: Any) -> str:
        if not isinstance(value, (tuple, list)):
            return f"is {_told(value)}"
        return next((f"holds one that {fault}" for one in value if (fault := check(one))), "")

    return whole


def _one_by_one(checks: list[Check]) -> Check:
    def whole(value: Any) -> str:
        if not isinstance(value, (tuple, list)) or len(value) != len(checks):
            return f"is not {len(checks)} values"
        faults = (check(one) for check, one in zip(checks, value, strict=True))
        return next((f"holds one that {fault}" for fault in faults if fault), "")

    return whole


def _values(check: Check) -> Check:
    each = _each(check)

    def whole(value: Any) -> str:
        return each(list(value.values())) if isinstance(value, Mapping) else f"is {_told(value)}"

    return whole


def _array_fault(value: Any, kind: str, shape: Shape, gaps: bool) -> str:
    if not isinstance(value, np.ndarray):
        return f"is {_told(value)}"
    if value.dtype.kind != kind:
        return f"is an array of {value.dtype}"
    fits = value.ndim == len(shape) and all(
        isinstance(told, str) or length == told
        for length, told in zip(value.shape, shape, strict=True)
    )
    if not fits:
        return f"has the shape {value.shape}"
    if kind == "i":  # Numbers of vertices, all of them.
        return "holds numbers below 0" if value.min(initial=0) < 0 else ""
    beyond = ~(np.abs(value) <= LARGEST)
    if gaps:
        beyond &= ~np.isnan(value)
    return "holds what is no number, or out of range" if beyond.any() else ""


def _fit_fault(values: Mapping[str, Any]) -> str:
    patch, gap = values.get("patch"), values.get("patch_gap_mm")
    if patch is not None and gap is not None and len(gap) != len(patch.points):
        return f".patch_gap_mm has {len(gap)} entries for {len(patch.points)} points"
    return ""


def _anatomy_fault(values: Mapping[str, Any]) -> str:
    count = len(values["wall"].points)
    rims = {f"rim of {vein.name}": rim for vein in values["veins"] for rim in vein.end_rims}
    if values["mitral"] is not None:
        rims["mitral rim"] = values["mitral"].rim
    if values["appendage"] is not None:
        rims["tip of the appendage"] = np.array([values["appendage"].tip_vertex])
    for name, rim in rims.items():
        if rim.min(initial=0) < 0 or rim.max(initial=0) >= count:
            return f": the {name} is of vertices that the wall lacks"
    return ""


def _settings_fault(values: Mapping[str, Any]) -> str:
    groups = {name: dataclasses.asdict(one) for name, one in values.items()}
    try:
        Settings.from_mapping(groups)
    except InputError as error:
        return f": {error}"
    return ""


TOGETHER: Mapping[str, Check] = {
    "Anatomy": _anatomy_fault, "Fit": _fit_fault, "Settings": _settings_fault
}  # fmt: skip
"""What the parts of an object have to be beside each other."""
