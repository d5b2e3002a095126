"""Reads the label map: what the values of a label volume mean.

It is TOML, for example::

    [labels]
    left_atrium = 1
    pulmonary_veins = [2, 3]
    appendage = 4

    [structures]
    oesophagus = 7
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.io.files import check_file
from veinfit.labels.model import (
    BODY_NAME,
    LABEL_NAMES,
    LabelMap,
    is_label_name,
    is_structure_name,
)
from veinfit.toml import read_toml

TABLES = ("labels", "structures")


def read_label_map(path: Path) -> LabelMap:
    """Read a label map.

    Parameters
    ----------
    path : Path
        TOML with a table ``[labels]`` of ``LABEL_NAMES`` and ``extra-1``,
        ``extra-2``, ..., of which ``left_atrium`` must be one, and an optional
        table ``[structures]`` of any names; each ``= value`` or ``= [values]``.

    Raises
    ------
    InputError
        The file cannot be read, or names or values in it are wrong; the message
        lists every fault, and the nearest name for one that does not exist.
    """
    path = Path(path)
    check_file(path, "label map")
    return label_map_from_mapping(read_toml(path, "label map"), f"label map {path}")


def label_map_from_mapping(content: Mapping[str, Any], source: str = "label map") -> LabelMap:
    """Build a label map from nested mappings; raise InputError listing every fault."""
    faults: list[str] = []
    for name in content:
        if name not in TABLES:
            faults.append(_unknown("table", name, TABLES))
    tables: dict[str, dict[str, tuple[int, ...]]] = {name: {} for name in TABLES}
    owners: dict[int, str] = {}
    for table, found in tables.items():
        given = content.get(table, {})
        if not isinstance(given, Mapping):
            faults.append(f"[{table}] must be a table of names and values")
            continue
        for name, value in given.items():
            fault = _name_fault(table, name)
            if fault:
                faults.append(fault)
            values = _values(name, value, faults)
            for v in values:
                if v in owners:
                    faults.append(f"{v} stands under both {owners[v]} and {name}; leave it to one")
                owners[v] = name
            found[name] = values
    broken = any(fault.startswith("[labels]") for fault in faults)
    if not broken and BODY_NAME not in tables["labels"]:
        faults.append(f"[labels] must give the value of {BODY_NAME}")
    if faults:
        raise InputError(f"{source}: " + "; ".join(faults))
    return LabelMap(tables["labels"], tables["structures"], source)


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


def _values(name: str, value: Any, faults: list[str]) -> tuple[int, ...]:
    """Return the whole numbers from 1 up given for a name; file what is none as a fault."""
    items = value if isinstance(value, list) else [value]
    good = [v for v in items if isinstance(v, int) and not isinstance(v, bool) and v > 0]
    if not items or len(good) < len(items):
        faults.append(f"{name} = {value!r} must be a whole number from 1 up or a list of them")
    # A value twice under one name is harmless.
    return tuple(dict.fromkeys(good))
