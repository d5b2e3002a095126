"""Objects held against the tables of the standard, as highdicom ships them from PS3.3.

Of each module that the object's definition (IOD) makes mandatory, an attribute of type 1 is there
with a value and one of type 2 is there; in sequences, where the sequence is. Conditions of types 1C
and 2C are prose in the standard, and are left to a validator, dciodvfy. Nothing of a module outside
the IOD is written.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import import_module
from importlib.resources import files
from typing import Any

from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset

CHOSEN = {"SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence"}
"""What these hold is chosen by macros of which each stands in one of the two; and the content of a
structured report by the type of each value. Another toolkit, dcmqi, reads both."""

CONTENT = "sr-document-content"


IODS, MODULES, CLASSES = (
    ("iod_module_map.json", "_iods", "IOD_MODULE_MAP"),
    ("module_attribute_map.json", "_modules", "MODULE_ATTRIBUTE_MAP"),
    ("sop_class_iod_map.json", "_iods", "SOP_CLASS_UID_IOD_KEY_MAP"),
)
"""Where the tables are: a file of newer releases, and the module and name of older ones."""


@cache
def table(place: tuple[str, str, str]) -> Any:
    file, module, name = place
    path = files("highdicom").joinpath("_standard", file)
    if path.is_file():
        return json.loads(path.read_text("utf-8"))
    return getattr(import_module(f"highdicom.{module}"), name)


def modules(sop_class: str) -> list[dict[str, Any]]:
    return list(table(IODS)[table(CLASSES)[sop_class]])


def faults(ds: Dataset) -> list[str]:
    """Return what the tables find wanting, a line each."""
    found = []
    attributes = table(MODULES)
    for module in modules(ds.SOPClassUID):
        if module["usage"] != "M" or module["key"] == CONTENT:
            continue
        for attribute in attributes[module["key"]]:
            if CHOSEN.intersection(attribute["path"]):
                continue
            found += _missing(ds, attribute, module["key"])
    return found + _strange(ds)


def _missing(ds: Dataset, attribute: dict[str, Any], module: str) -> list[str]:
    places = [ds]
    for step in attribute["path"]:
        # Only within sequences that are there: their own type says whether they must be.
        places = [item for place in places for item in (place.get(step) or [])]
    keyword, kind = attribute["keyword"], attribute["type"]
    where = "/".join([module, *attribute["path"], keyword])
    found = []
    for place in places:
        if kind in ("1", "2") and keyword not in place:
            found.append(f"{where}: type {kind}, missing")
        elif kind == "1" and place[keyword].is_empty:
            found.append(f"{where}: type 1, empty")
    return found


def _strange(ds: Dataset) -> list[str]:
    """Return attributes of the top level that no module of the IOD knows."""
    attributes = table(MODULES)
    known = {
        tag_for_keyword(a["keyword"])
        for module in modules(ds.SOPClassUID)
        for a in attributes[module["key"]]
        if not a["path"]
    }
    return [f"{e.keyword or e.tag}: of no module of the IOD" for e in ds if e.tag not in known]
