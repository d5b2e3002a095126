"""Archives a case's results in one small file, so that they can be drawn again without a new run.

An archive is a tree of the program's own dataclasses: numbers and words as
JSON, long arrays beside it in whole micrometres, but for what anything is found from again: that is
kept to the last bit. Types go by names that do not
change when code moves (:mod:`veinfit.io.results.archive_types`). Nothing in the file is
run when it is read.
"""

from __future__ import annotations

import dataclasses
import io
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.io.results.archive_check import WrongPart, check_parts
from veinfit.io.results.archive_types import EXACT, RENAMED_PARTS, TYPES, type_of

FORM = 2
"""Schema version of the file. 1 named a type by its module and class, which moved."""

FORMS = (1, 2)
"""Those that are read."""

LONG = 500
"""Arrays with more numbers than this are stored beside the tree."""

STEP_MM = 1e-3
"""Long arrays of lengths are stored in steps of a micrometre: below what any input carries."""

NOT_A_NUMBER = np.iinfo(np.int32).min
"""Stands for NaN in a stored array of lengths."""

TREE = "tree"

LARGEST_BYTES = 1 << 30
"""No case takes more when it is unpacked: those of up to 164,000 faces took 8 to 24 MB."""

QUOTED = 60
"""A message quotes at most this much of a name that is not known."""

LEVEL = 2
"""How hard the file is compressed: a quarter of the time of the usual 6 for 7 % more room."""


def archived(value: Any) -> bytes:
    """Return ``value`` as the content of a file: the same bytes for the same value.

    Parameters
    ----------
    value : object
        Numbers, texts, None, tuples, lists, mappings with text keys, arrays, and
        dataclasses of this program of such. Lengths in long arrays are rounded
        to a micrometre, but in types that are kept exactly.

    Returns
    -------
    bytes
    """
    encoder = _Encoder()
    tree = json.dumps({"form": FORM, "value": encoder.encode(value)}, separators=(",", ":"))
    stream = io.BytesIO()
    arrays = {TREE: np.frombuffer(tree.encode(), dtype=np.uint8), **encoder.arrays}
    with zipfile.ZipFile(stream, "w") as archive:
        for name, array in arrays.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, array, allow_pickle=False)
            # Without a time of its own: the same bytes for the same value.
            info = zipfile.ZipInfo(f"{name}.npy")
            archive.writestr(info, member.getvalue(), zipfile.ZIP_DEFLATED, LEVEL)
    return stream.getvalue()


def load_archive(path: Path) -> Any:
    """Return what :func:`archived` put into a file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    object

    Raises
    ------
    InputError
        The file is missing, damaged, or of another version of the program.
    """
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as file:
            if sum(member.file_size for member in file.zip.infolist()) > LARGEST_BYTES:
                raise _TooLarge("it unpacks to more than any case holds")
            arrays = {name: file[name] for name in file.files}
        content = json.loads(arrays.pop(TREE).tobytes())
        if content["form"] not in FORMS:
            raise _Strange(f"form {content['form']!s:.{QUOTED}}")
        return _Decoder(arrays).decode(content["value"])
    except FileNotFoundError as error:
        raise InputError(f"{path} is missing; assess the case again") from error
    except _Strange as error:
        raise InputError(
            f"{path} was written by another version of the program ({error}); assess the case again"
        ) from error
    except WrongPart as error:
        raise InputError(
            f"{path} was changed since it was written ({error}); assess the case again"
        ) from error
    except Exception as error:  # What a damaged archive makes the libraries raise is open.
        raise InputError(f"{path} is damaged and cannot be read; assess the case again") from error


class _Strange(Exception):
    """Something that this version of the program does not have."""


class _TooLarge(ValueError):
    """More than is unpacked."""


class _Encoder:
    def __init__(self) -> None:
        self.arrays: dict[str, np.ndarray] = {}
        # What stands both in an exact part and elsewhere is there twice.
        self._exact = False
        self._stored: dict[tuple[int, bool], str] = {}
        self._seen: dict[tuple[int, bool], int] = {}

    def encode(self, value: Any) -> Any:
        if value is None or isinstance(value, (bool, int, float, str)):
            return value
        if isinstance(value, np.generic):
            return value.item()
        if isinstance(value, np.ndarray):
            return self._array(value)
        if isinstance(value, tuple):
            return {"tuple": [self.encode(item) for item in value]}
        if isinstance(value, list):
            return {"list": [self.encode(item) for item in value]}
        if isinstance(value, Mapping):
            return {"map": {str(name): self.encode(item) for name, item in value.items()}}
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return self._object(value)
        raise TypeError(f"a {type(value).__name__} cannot be archived")

    def _object(self, value: Any) -> Any:
        name = _stable_name(type(value))
        around, self._exact = self._exact, self._exact or name in EXACT
        key = (id(value), self._exact)
        if key in self._seen:
            self._exact = around
            return {"same": self._seen[key]}
        parts = {f.name: self.encode(getattr(value, f.name)) for f in dataclasses.fields(value)}
        self._exact = around
        # Numbered when complete, as the decoder does.
        self._seen[key] = len(self._seen)
        return {"type": name, "parts": parts}

    def _array(self, array: np.ndarray) -> Any:
        if array.size <= LONG:
            return {"array": array.tolist(), "kind": array.dtype.str, "shape": list(array.shape)}
        key = (id(array), self._exact)
        if key not in self._stored:
            self._stored[key] = f"a{len(self.arrays)}"
            exact = self._exact and array.dtype.kind == "f"
            self.arrays[self._stored[key]] = _halved(array) if exact else _packed(array)
        name = self._stored[key]
        return {
            "stored": name,
            "kind": array.dtype.str,
            "steps": self.arrays[name].dtype == np.int32,
        }


def _halved(array: np.ndarray) -> np.ndarray:
    """Return an array in single precision where that loses nothing, as that of most files."""
    with np.errstate(over="ignore", invalid="ignore"):
        single = array.astype(np.float32)
    return single if np.array_equal(single, array, equal_nan=True) else array


def _packed(array: np.ndarray) -> np.ndarray:
    """Return an array as differences of whole steps along its first axis where they fit."""
    steps = array
    if array.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            if np.isinf(array).any() or (np.abs(array) > 1e6).any():
                return array
            steps = np.where(np.isnan(array), NOT_A_NUMBER, np.rint(array / STEP_MM))
    elif array.dtype.kind != "i" or np.abs(array).max(initial=0) >= 2**31:
        return array
    whole = steps.astype(np.int32)
    # Neighbours are alike, so their differences, modulo 2^32, take less room.
    return np.diff(whole, axis=0, prepend=np.zeros_like(whole[:1]))


class _Decoder:
    def __init__(self, arrays: dict[str, np.ndarray]) -> None:
        self._stored = arrays
        self._unpacked: dict[str, np.ndarray] = {}
        self._made: list[Any] = []

    def decode(self, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        match value:
            case {"tuple": items}:
                return tuple(self.decode(item) for item in items)
            case {"list": items}:
                return [self.decode(item) for item in items]
            case {"map": items}:
                return {name: self.decode(item) for name, item in items.items()}
            case {"array": numbers, "kind": kind, "shape": shape}:
                return np.array(numbers, dtype=kind).reshape(shape)
            case {"stored": name, "kind": kind, "steps": steps}:
                return self._array(name, kind, steps)
            case {"same": number}:
                return self._made[number]
            case {"type": name, "parts": parts}:
                return self._object(name, parts)
            case {"class": place, "parts": parts}:
                return self._object(_name_in_form_1(place), parts)
        raise ValueError("unknown kind of value")

    def _array(self, name: str, kind: str, steps: bool) -> np.ndarray:
        if name not in self._unpacked:
            array = self._stored[name]
            if steps:
                array = np.cumsum(array, axis=0, dtype=np.int32)
                if np.dtype(kind).kind == "f":
                    array = np.where(array == NOT_A_NUMBER, np.nan, array * STEP_MM)
            self._unpacked[name] = array.astype(kind, copy=False)
        return self._unpacked[name]

    def _object(self, name: str, parts: dict[str, Any]) -> Any:
        if name not in TYPES:
            raise _Strange(f"no {name!s:.{QUOTED}}")
        kind = type_of(name)
        known = {f.name: f for f in dataclasses.fields(kind)}
        renamed = RENAMED_PARTS.get(name, {})
        values = {}
        for part, item in parts.items():
            # Decoded even where it is left out: what comes later may refer to it.
            made = self.decode(item)
            if (now := renamed.get(part, part)) is not None:
                values[now] = made
        needed = {
            f.name
            for f in known.values()
            if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        }
        # A part that came later and may be left out is as if it had not been computed.
        if not needed <= set(values) <= set(known):
            raise _Strange(f"{name} has other parts")
        check_parts(name, kind, values)
        built = kind(**values)
        self._made.append(built)
        return built


def _stable_name(kind: type) -> str:
    """Return the name by which archives know a class."""
    place = f"{kind.__module__}:{kind.__qualname__}"
    for name, where in TYPES.items():
        if where == place:
            return name
    raise TypeError(
        f"a {kind.__name__} cannot be archived: veinfit.io.results.archive_types lacks it"
    )


def _name_in_form_1(place: str) -> str:
    """Return the name of a class that a file of form 1 tells by its place."""
    module, _, name = place.partition(":")
    if not module.startswith("veinfit.") or not all(map(str.isidentifier, module.split("."))):
        raise ValueError(f"no class of this program: {place}")
    return name
