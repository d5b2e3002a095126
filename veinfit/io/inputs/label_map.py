"""Reads the label map: what the values of a label volume mean.

It is TOML, for example::

    [labels]
    left_atrium = 1
    pulmonary_veins = [2, 3]
    appendage = 4

    [structures]
    oesophagus = 7
    aorta = { file = "aorta.nii.gz" }
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.io.files import DICOM_SUFFIXES, VOLUME_SUFFIXES, check_file
from veinfit.labels.model import (
    BODY_NAME,
    LABEL_NAMES,
    LabelMap,
    PartSource,
    is_label_name,
    is_structure_name,
)
from veinfit.toml import read_toml

TABLES = ("labels", "structures")

KEYS = ("file", "value", "at_least", "segment", "code")
"""What an entry that is a table may hold."""


def read_label_map(path: Path) -> LabelMap:
    """Read a label map.

    Parameters
    ----------
    path : Path
        TOML with a table ``[labels]`` of ``LABEL_NAMES`` and ``extra-1``,
        ``extra-2``, ..., of which ``left_atrium`` must be one, and an optional
        table ``[structures]`` of any names; each ``= value`` or ``= [values]``, or a
        table of ``file`` (relative to the map), ``value``, ``at_least``, ``segment``, ``code``.

    Returns
    -------
    LabelMap
        Files of parts are relative to the map.

    Raises
    ------
    InputError
        The file cannot be read, or names or values in it are wrong; the message
        lists every fault, and the nearest name for one that does not exist.
    """
    path = Path(path)
    check_file(path, "label map")
    read = label_map_from_mapping(read_toml(path, "label map"), f"label map {path}")
    beside = {
        name: replace(part, file=str(path.parent / part.file)) if part.file else part
        for name, part in read.parts.items()
    }
    return replace(read, parts=beside)


def label_map_from_mapping(content: Mapping[str, Any], source: str = "label map") -> LabelMap:
    """Build a label map from nested mappings.

    Parameters
    ----------
    content : mapping of str to object
        As the tables of a label map file.
    source : str
        What it comes from, for the message.

    Returns
    -------
    LabelMap

    Raises
    ------
    InputError
        Names or values are wrong; the message lists every fault.
    """
    faults: list[str] = []
    for name in content:
        if name not in TABLES:
            faults.append(_unknown("table", name, TABLES))
    tables: dict[str, dict[str, tuple[int, ...]]] = {name: {} for name in TABLES}
    owners: dict[tuple[str, int], str] = {}
    parts: dict[str, PartSource] = {}
    for table, found in tables.items():
        given = content.get(table, {})
        if not isinstance(given, Mapping):
            faults.append(f"[{table}] must be a table of names and values")
            continue
        for name, value in given.items():
            fault = _name_fault(table, name)
            if fault:
                faults.append(fault)
            part = _part(name, value, faults) if _names_place(value) else None
            values = _values(name, value, faults) if part is None else part.values
            file = "" if part is None else part.file
            for v in values:
                other = owners.setdefault((file, v), name)
                if other != name:
                    faults.append(f"{v} stands under both {other} and {name}; leave it to one")
            if part is None:
                found[name] = values
            else:
                parts[name] = part
    broken = any(fault.startswith("[labels]") for fault in faults)
    if not broken and BODY_NAME not in tables["labels"] and BODY_NAME not in parts:
        faults.append(f"[labels] must give the value of {BODY_NAME}")
    if faults:
        raise InputError(f"{source}: " + "; ".join(faults))
    return LabelMap(tables["labels"], tables["structures"], source, parts)


def _name_fault(table: str, name: str) -> str:
    if table == "labels":
        return "" if is_label_name(name) else _unknown("label", name, LABEL_NAMES)
    if is_label_name(name):
        return f"{name} belongs in [labels], not in [structures]"
    if not is_structure_name(name):
        return f"the structure name {name!r} may hold letters, digits, blanks and _ . - only"
    return ""


def _unknown(kind: str, name: str, known: tuple[str, ...]) -> str:
    by_fold = {k.casefold(): k for k in known}
    near = difflib.get_close_matches(name.casefold(), by_fold, n=1)
    hint = f"did you mean {by_fold[near[0]]!r}?" if near else f"there are {', '.join(known)}"
    return f"unknown {kind} {name!r}; {hint}"


def _names_place(value: Any) -> bool:
    """Tell whether an entry is a table, or the name of a volume in short."""
    suffixes = (*VOLUME_SUFFIXES, *DICOM_SUFFIXES)
    return isinstance(value, Mapping) or (
        isinstance(value, str) and value.lower().endswith(suffixes)
    )


def _part(name: str, given: Mapping[str, Any] | str, faults: list[str]) -> PartSource:
    """Return where an entry that is a table, or the name of a file, says that its label is."""
    entry = {"file": given} if isinstance(given, str) else given
    faults += [f"{name}: {_unknown('key', key, KEYS)}" for key in entry if key not in KEYS]
    if not entry:
        faults.append(f"{name} is an empty table; give one of {', '.join(KEYS)}")
    file = entry.get("file", "")
    if not isinstance(file, str) or ("file" in entry and not file.strip()):
        faults.append(f"{name}: file = {file!r} must be the name of a file")
        file = ""
    values = _values(f"{name}: value", entry["value"], faults) if "value" in entry else ()
    level = entry.get("at_least")
    if level is not None:
        if isinstance(level, bool) or not isinstance(level, int | float) or not 0 < level < 1e6:
            faults.append(f"{name}: at_least = {level!r} must be a number above 0")
            level = None
        elif values:
            faults.append(f"{name}: value goes with labels, at_least with probabilities; give one")
    texts = {key: _texts(name, key, entry.get(key, []), faults) for key in ("segment", "code")}
    return PartSource(
        file, values, None if level is None else float(level), texts["segment"], texts["code"]
    )


def _texts(name: str, key: str, given: Any, faults: list[str]) -> tuple[str, ...]:
    items = given if isinstance(given, list) else [given]
    if not all(isinstance(item, str) and item.strip() for item in items):
        faults.append(f"{name}: {key} = {given!r} must be a text or a list of texts")
        return ()
    return tuple(items)


def _values(name: str, value: Any, faults: list[str]) -> tuple[int, ...]:
    """Return the whole numbers from 1 up given for a name; file what is none as a fault."""
    items = value if isinstance(value, list) else [value]
    good = [v for v in items if isinstance(v, int) and not isinstance(v, bool) and v > 0]
    if not items or len(good) < len(items):
        faults.append(f"{name} = {value!r} must be a whole number from 1 up or a list of them")
    # A value twice under one name is harmless.
    return tuple(dict.fromkeys(good))
