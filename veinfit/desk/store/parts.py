"""What each part of a case's label files is: the label map that says it, and stored maps."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from veinfit.desk.store.cases import INPUTS
from veinfit.errors import InputError
from veinfit.io.inputs.label_map import label_map_from_mapping, read_label_map
from veinfit.labels.model import (
    BODY_NAME,
    LABEL_NAMES,
    SEPTUM_NAME,
    is_label_name,
    is_structure_name,
)
from veinfit.toml import parse_toml
from veinfit.vein_names import APPENDAGE, LONG_NAMES

MAPS = "label_maps"
"""Folder of the maps that are kept for later cases."""

NEIGHBOURS = ("oesophagus", "right_phrenic_nerve", "left_phrenic_nerve", "descending_aorta")
"""Usual names of structures beside the atrium; any other will do."""

IN_WORDS = {
    BODY_NAME: "blood of the left atrium",
    "pulmonary_veins": "all pulmonary veins in one part",
    **{name: LONG_NAMES[name] for name in LABEL_NAMES if name in LONG_NAMES},
    "appendage": LONG_NAMES[APPENDAGE],
    SEPTUM_NAME: "septum between the atria",
}
"""What names of parts stand for."""


def known_name(text: str) -> str:
    """Return the known name that somebody means, however it is spelt; any other as it is.

    Parameters
    ----------
    text : str
        Such as ``Left atrium``, ``lspv`` or ``left superior pulmonary vein``.
    """
    plain = {_plainly(words): name for name, words in IN_WORDS.items()}
    plain |= {_plainly(name): name for name in (*LABEL_NAMES, *NEIGHBOURS)}
    return plain.get(_plainly(text), text.strip())


def _plainly(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalnum())


@dataclass(frozen=True, slots=True)
class Assigned:
    """What one part is.

    Attributes
    ----------
    file : str
        Name of the file in the case's ``inputs``.
    value : int
    name : str
        In the label map; empty where the part is not used.
    """

    file: str
    value: int
    name: str


def map_text(parts: Sequence[Assigned]) -> tuple[str, str]:
    """Return a label map and the file that is the input with it.

    Raises
    ------
    InputError
        No part is the left atrium, a name is unknown, or one stands for parts of two files.
    """
    named: dict[str, list[Assigned]] = {}
    for part in parts:
        if part.name:
            named.setdefault(part.name, []).append(part)
    for name, found in named.items():
        files = {part.file for part in found}
        if len(files) > 1:
            raise InputError(
                f"{name} is given to parts of {' and '.join(sorted(files))}; give it to one file"
            )
        if not is_label_name(name) and not is_structure_name(name):
            raise InputError(f"the name {name!r} may hold letters, digits, blanks and _ . - only")
    if BODY_NAME not in named:
        raise InputError("say which part is the left atrium: its blood, with or without the veins")
    several = len({part.file for found in named.values() for part in found}) > 1
    tables: dict[str, list[str]] = {"labels": [], "structures": []}
    for name, found in named.items():
        values = [part.value for part in found]
        text = f"{json.dumps(values[0] if len(values) == 1 else values)}"
        if several:
            file = json.dumps(found[0].file, ensure_ascii=False)
            text = f"{{ file = {file}, value = {text} }}"
        key = json.dumps(name, ensure_ascii=False)
        tables["labels" if is_label_name(name) else "structures"].append(f"{key} = {text}")
    lines = [f"[{table}]\n" + "\n".join(rows) + "\n" for table, rows in tables.items() if rows]
    whole = "\n".join(lines)
    label_map_from_mapping(parse_toml(whole, "label map"))
    return whole, f"{INPUTS}/{named[BODY_NAME][0].file}"


def assigned_in(path: Path, files: Sequence[dict[str, Any]]) -> list[Assigned]:
    """Return what a label map says of the parts of label files; nothing where it cannot be read."""
    try:
        read = read_label_map(path)
    except InputError:
        return []
    found = []
    names = [str(one["name"]) for one in files]
    for table in (read.labels, read.structures):
        found += [Assigned(f, v, n) for n, vs in table.items() for v in vs for f in names[:1]]
    for name, part in read.parts.items():
        file = Path(part.file).name if part.file else (names[0] if names else "")
        found += [Assigned(file, value, name) for value in part.values]
    return found


def proposed(folder: Path, files: Sequence[dict[str, Any]]) -> tuple[str, list[Assigned]]:
    """Return a stored label map that fits the parts of a case, and what it says of them.

    A map fits a file where every value that it names is there; of several, the one that names
    the most is taken. What a file says by its own codes goes before any map, and a file
    with one part is the left atrium.

    Parameters
    ----------
    folder : Path
        Of all cases.
    files : sequence of dict
        Looks into the label files of the case.

    Returns
    -------
    source : str
        Where the proposal comes from, in words; empty without one.
    parts : list of Assigned
    """
    coded = [
        Assigned(str(f["name"]), int(p["value"]), str(p["meaning"]))
        for f in files
        for p in f["parts"]
        if p["meaning"]
    ]
    if coded:
        return "the codes in the file", coded
    if len(files) == 1:
        values = {int(p["value"]) for p in files[0]["parts"]}
        best: tuple[str, list[Assigned]] = ("", [])
        for name, table in _stored(folder):
            if set(table) <= values and len(table) > len(best[1]):
                found = [Assigned(str(files[0]["name"]), v, n) for v, n in table.items()]
                best = (f"the stored map {name}", found)
        if best[1]:
            return best
        if len(values) == 1:
            only = Assigned(str(files[0]["name"]), values.pop(), BODY_NAME)
            return "it is the only part of the file", [only]
    by_name = list(_by_file_names(files))
    return ("the names of the files", by_name) if by_name else ("", [])


def _by_file_names(files: Iterable[dict[str, Any]]) -> Iterable[Assigned]:
    """Take the name of a file with one part for the name of that part, where it is one."""
    for file in files:
        name = known_name(str(file["name"]).split(".")[0])
        if len(file["parts"]) == 1 and name in (*LABEL_NAMES, *NEIGHBOURS):
            yield Assigned(str(file["name"]), int(file["parts"][0]["value"]), name)


def _stored(folder: Path) -> Iterable[tuple[str, dict[int, str]]]:
    for path in sorted((folder / MAPS).glob("*.toml")):
        try:
            read = read_label_map(path)
        except InputError:
            continue
        tables = (read.labels, read.structures)
        if not read.parts:
            yield path.stem, {v: n for table in tables for n, vs in table.items() for v in vs}
