"""Holds a ``case.json`` against the published schema, as far as that schema goes.

Of JSON Schema (2020-12) no more is known here than ``case.schema.json`` uses; the tests hold that
to a whole validator.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from veinfit.errors import InputError

Schema = Mapping[str, Any]

KINDS: Mapping[str, type | tuple[type, ...]] = {
    "object": dict, "array": list, "string": str, "boolean": bool, "null": type(None),
    "integer": (int, float), "number": (int, float),
}  # fmt: skip

KEYWORDS = {
    "type", "const", "enum", "pattern", "minLength", "minimum", "maximum", "exclusiveMinimum",
    "items", "minItems", "maxItems", "uniqueItems", "properties", "required",
    "additionalProperties", "patternProperties", "anyOf", "oneOf", "$ref",
}  # fmt: skip
"""Those that say what a value has to be."""

SAYING_NOTHING = {"$schema", "$id", "$defs", "title", "description"}
"""Those that are passed over."""

SHOWN = 40
"""A message quotes at most this much of a value."""


def schema_fault(document: Any, schema: Schema, same_version: bool = True) -> str:
    """Return the first thing in which a document is not what its schema says; empty for none.

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
    return next(_Holder(schema, same_version).faults(document, schema, ""), "")


class _Holder:
    def __init__(self, schema: Schema, same_version: bool) -> None:
        self.whole = schema
        self.same_version = same_version

    def faults(self, value: Any, schema: Schema, place: str) -> Iterator[str]:
        """Yield what is wrong with a value, wherever it is."""
        if "$ref" in schema:
            yield from self.faults(value, self._referred(schema["$ref"]), place)
        for several in ("anyOf", "oneOf"):
            if several in schema:
                yield from self._of_several(value, schema[several], place)
        if not _is_allowed(value, schema):
            yield f"{place or 'it'} is {_told(value)}"
            return
        if isinstance(value, dict):
            yield from self._of_object(value, schema, place)
        elif isinstance(value, list):
            yield from self._of_list(value, schema, place)
        else:
            yield from _of_plain(value, schema, place)

    def _referred(self, pointer: str) -> Schema:
        found: Any = self.whole
        for step in pointer.removeprefix("#/").split("/"):
            found = found[step]
        return found

    def _of_several(self, value: Any, schemas: list[Schema], place: str) -> Iterator[str]:
        told = [list(self.faults(value, one, place)) for one in schemas]
        if all(told):
            # Of null and an object, what is wrong with the one that it is meant to be.
            yield max(told, key=lambda faults: len(faults[0]))[0]

    def _of_object(self, value: dict[str, Any], schema: Schema, place: str) -> Iterator[str]:
        known = schema.get("properties", {})
        patterns = schema.get("patternProperties", {})
        more = schema.get("additionalProperties", True)
        if self.same_version:
            for name in schema.get("required", ()):
                if name not in value:
                    yield f"{_below(place, name)} is missing"
        for name, inner in value.items():
            own = [part for pattern, part in patterns.items() if re.search(pattern, name)]
            if name in known:
                own.append(known[name])
            elif not own and isinstance(more, Mapping):
                own.append(more)
            elif not own and more is False and self.same_version:
                yield f"{_below(place, name)} is not known"
            for part in own:
                yield from self.faults(inner, part, _below(place, name))

    def _of_list(self, value: list[Any], schema: Schema, place: str) -> Iterator[str]:
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", math.inf):
            yield f"{place} has {len(value)} entries"
        if schema.get("uniqueItems") and any(one in value[:k] for k, one in enumerate(value)):
            yield f"{place} has an entry twice"
        if "items" in schema:
            for number, inner in enumerate(value):
                yield from self.faults(inner, schema["items"], f"{place}[{number}]")


def _of_plain(value: Any, schema: Schema, place: str) -> Iterator[str]:
    if isinstance(value, str):
        fits = re.search(schema.get("pattern", ""), value)
        if not fits or len(value) < schema.get("minLength", 0):
            yield f"{place} is {_told(value)}"
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        low, high = schema.get("minimum", -math.inf), schema.get("maximum", math.inf)
        if not low <= value <= high or value <= schema.get("exclusiveMinimum", -math.inf):
            yield f"{place} is {_told(value)}"


def _is_allowed(value: Any, schema: Schema) -> bool:
    """Tell whether a value is of the right kind, and one of those that there are."""
    allowed = [schema["const"]] if "const" in schema else schema.get("enum", [value])
    # Python takes true for equal to 1.
    known = any(
        value == one and isinstance(value, bool) == isinstance(one, bool) for one in allowed
    )
    return known and ("type" not in schema or _is_of(value, schema["type"]))


def _is_of(value: Any, kinds: str | list[str]) -> bool:
    for kind in [kinds] if isinstance(kinds, str) else kinds:
        number = kind in ("integer", "number")
        if number and (isinstance(value, bool) or not _is_finite(value)):
            continue
        if kind == "integer" and value != int(value):
            continue
        if isinstance(value, KINDS[kind]):
            return True
    return False


def _is_finite(value: Any) -> bool:
    try:
        return isinstance(value, (int, float)) and math.isfinite(value)
    except OverflowError:  # A whole number beyond all others.
        return False


def _below(place: str, name: str) -> str:
    shown = name if len(name) <= SHOWN else name[:SHOWN] + "..."
    return f"{place}.{shown}" if place else shown


def _told(value: Any) -> str:
    """Name what a value is, for messages."""
    if isinstance(value, str):
        return f"the text {value[:SHOWN]!r}"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, (int, float)):
        return f"{value:g}" if _is_finite(value) else "no finite number"
    return "a list" if isinstance(value, list) else "an object"


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
        It is not; the message tells the first thing.
    """
    if fault := schema_fault(document, schema, same_version):
        raise InputError(
            f"{where} was changed since it was written ({fault}); assess the case again"
        )
