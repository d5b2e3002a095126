"""Holds a ``case.json`` against the published schema, and tells in a few words what is wrong."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from veinfit.errors import InputError

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError

Schema = Mapping[str, Any]

OF_ONE_VERSION = {"required", "additionalProperties"}
"""What another version of the record, with more parts or fewer, need not keep."""

SHOWN = 40
"""A message quotes at most this much of a value."""


def schema_fault(document: Any, schema: Schema, same_version: bool = True) -> str:
    """Return a thing in which a document is not what its schema says; empty for none.

    Numbers have to be finite: what JSON has no words for, Python's reader takes all the same.

    Parameters
    ----------
    document : object
        As a reader of JSON returns it.
    schema : mapping
    same_version : bool
        Whether the schema is of the very version that wrote the document: else parts may have
        been added or be missing.

    Returns
    -------
    str
        Such as ``fits[3].depth_mm is a text``.
    """
    from jsonschema import Draft202012Validator
    from jsonschema.validators import extend

    standard = Draft202012Validator.TYPE_CHECKER
    finite = standard.redefine_many(
        {
            kind: lambda _, value, kind=kind: standard.is_type(value, kind) and _is_finite(value)
            for kind in ("integer", "number")
        }
    )
    validator = extend(Draft202012Validator, type_checker=finite)(schema)
    faults = list(_that_count(validator.iter_errors(document), same_version))
    # What is missing is told before what should not be there: a name may have been changed.
    faults.sort(key=lambda fault: fault.validator == "additionalProperties")
    return _told(faults[0]) if faults else ""


def check_document(document: Any, schema: Schema, same_version: bool, where: str) -> None:
    """Make sure that a document is what its schema says.

    Parameters
    ----------
    document : object
    schema : mapping
    same_version : bool
        As of :func:`schema_fault`.
    where : str
        The file, for the message.

    Raises
    ------
    InputError
        It is not; the message tells one thing.
    """
    if fault := schema_fault(document, schema, same_version):
        raise InputError(
            f"{where} was changed since it was written ({fault}); assess the case again"
        )


def _that_count(faults: Iterable[ValidationError], same_version: bool) -> Iterator[ValidationError]:
    """Yield the faults that make a document useless; of several forms those of the nearest one."""
    for fault in faults:
        if not same_version and fault.validator in OF_ONE_VERSION:
            continue
        if fault.validator not in ("anyOf", "oneOf"):
            yield fault
            continue
        forms: dict[Any, list[ValidationError]] = {}
        for inner in fault.context or ():
            forms.setdefault(inner.schema_path[0], []).append(inner)
        told = [list(_that_count(form, same_version)) for form in forms.values()]
        if all(told) and told:
            # Of null and an object, what is wrong within the one that it is meant to be.
            yield max((form[0] for form in told), key=lambda one: len(one.absolute_path))
        elif not told:
            yield fault


def _told(fault: ValidationError) -> str:
    place = _place(fault.absolute_path)
    if fault.validator in OF_ONE_VERSION and isinstance(fault.instance, dict):
        known, patterns = (fault.schema.get(k, ()) for k in ("properties", "patternProperties"))
        if fault.validator == "required":
            name = next(one for one in fault.validator_value if one not in fault.instance)
            return f"{_place([*fault.absolute_path, name])} is missing"
        name = next(
            one
            for one in fault.instance
            if one not in known and not any(re.search(pattern, one) for pattern in patterns)
        )
        return f"{_place([*fault.absolute_path, name])} is not known"
    if fault.validator in ("minItems", "maxItems"):
        return f"{place} has {len(fault.instance)} entries"
    if fault.validator == "uniqueItems":
        return f"{place} has an entry twice"
    return f"{place or 'it'} is {_value(fault.instance)}"


def _place(path: Iterable[str | int]) -> str:
    place = ""
    for step in path:
        if isinstance(step, int):
            place += f"[{step}]"
            continue
        shown = step if len(step) <= SHOWN else step[:SHOWN] + "..."
        place = f"{place}.{shown}" if place else shown
    return place


def _is_finite(value: Any) -> bool:
    try:
        return isinstance(value, (int, float)) and math.isfinite(value)
    except OverflowError:  # A whole number beyond all others.
        return False


def _value(value: Any) -> str:
    """Name what a value is, for messages."""
    if isinstance(value, str):
        return f"the text {value[:SHOWN]!r}"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, (int, float)):
        return f"{value:g}" if _is_finite(value) else "no finite number"
    return "a list" if isinstance(value, list) else "an object"
