"""What is asked for a case, as its file ``asked.toml`` says: files, options, texts."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.io.files import hash_file
from veinfit.io.results.output import write_file
from veinfit.seating.balloon_defaults import STANDARD_SIZES
from veinfit.toml import read_toml

OPTIONS_FILE = "asked.toml"

HEADING = "# What the desk asks of `assess` for this case. Paths are relative to this folder.\n"


@dataclass(frozen=True, slots=True)
class HeldFile:
    """A file of a case as it was given.

    Attributes
    ----------
    path : str
        Relative to the case's folder; absolute where it was referred to.
    sha256 : str
    bytes : int
    """

    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class CaseOptions:
    """Options of a case. Empty texts are what nobody has stated yet.

    Attributes
    ----------
    input, labels, landmarks, corrections, image, settings : str
        Paths, relative to the case's folder.
    frame, unit : str
        Of a mesh; a volume tells its own.
    trust_frame : bool
    approach, paper : str
    balloons : tuple of str
    case_id, phase, image_date : str
        For the report; nothing is taken from files.
    pictures : bool
    files : tuple of HeldFile
        Every file that was given.
    """

    input: str = ""
    labels: str = ""
    landmarks: str = ""
    corrections: str = ""
    image: str = ""
    settings: str = ""
    frame: str = ""
    unit: str = ""
    trust_frame: bool = False
    approach: str = "transseptal"
    paper: str = "a4"
    balloons: tuple[str, ...] = tuple(f"{mm:g}" for mm in STANDARD_SIZES)
    case_id: str = ""
    phase: str = ""
    image_date: str = ""
    pictures: bool = True
    files: tuple[HeldFile, ...] = ()

    @property
    def is_mesh(self) -> bool:
        """Whether the input is a surface mesh."""
        from veinfit.io.files import MESH_SUFFIXES

        return self.input.lower().endswith(MESH_SUFFIXES)

    @property
    def missing(self) -> str:
        """What must still be stated before the case can be run, in words; empty where nothing."""
        if not self.input:
            return "say which file, or which of its parts, is the left atrium"
        if self.is_mesh and not (self.frame and self.unit):
            return "state the frame and the unit of the mesh, which its file does not tell"
        return ""


def read_options(folder: Path) -> CaseOptions:
    """Return what ``asked.toml`` of a case says.

    Raises
    ------
    InputError
        There is none, or it says what is not understood; the message names the entry.
    """
    path = folder / OPTIONS_FILE
    content = read_toml(path, "asked")
    known = {field.name: field for field in fields(CaseOptions)}
    values: dict[str, Any] = {}
    for name, value in content.items():
        if name not in known:
            raise InputError(f"{path}: unknown entry {name!r}; there are {', '.join(known)}")
        values[name] = _checked(path, name, value)
    return CaseOptions(**values)


def _checked(path: Path, name: str, value: Any) -> Any:
    default = getattr(CaseOptions(), name)
    if name == "files":
        try:
            return tuple(HeldFile(str(f["path"]), str(f["sha256"]), int(f["bytes"])) for f in value)
        except (TypeError, KeyError, ValueError) as error:
            raise InputError(f"{path}: [[files]] needs path, sha256 and bytes") from error
    if isinstance(default, tuple):
        if isinstance(value, list) and all(isinstance(one, str) for one in value):
            return tuple(value)
        raise InputError(f"{path}: {name} must be a list of texts")
    if type(value) is not type(default):
        kind = "true or false" if isinstance(default, bool) else "a text"
        raise InputError(f"{path}: {name} must be {kind}")
    return value


def options_text(options: CaseOptions) -> str:
    """Return ``asked.toml``: what differs from the defaults, and the files."""
    lines = [HEADING]
    plain = CaseOptions()
    for field in fields(CaseOptions):
        value = getattr(options, field.name)
        if field.name != "files" and value != getattr(plain, field.name):
            lines.append(f"{field.name} = {_written(value)}\n")
    for one in options.files:
        lines.append("\n[[files]]\n")
        lines += [
            f"{name} = {_written(getattr(one, name))}\n" for name in ("path", "sha256", "bytes")
        ]
    return "".join(lines)


def write_options(folder: Path, options: CaseOptions) -> None:
    """Write ``asked.toml`` whole or not at all."""
    write_file(folder / OPTIONS_FILE, options_text(options).encode())


def with_own(folder: Path, options: CaseOptions, path: str, **changes: Any) -> CaseOptions:
    """Return options changed, with a file of a case's folder that the desk itself has written."""
    file = folder / path
    own = HeldFile(path, hash_file(file), file.stat().st_size)
    files = (*(one for one in options.files if one.path != path), own)
    return replace(options, files=files, **changes)


def _written(value: Any) -> str:
    # Strings, numbers, truth values and lists are written in TOML as in JSON; the signs that
    # TOML refuses in a string are escaped.
    text = json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")


def stated(options: CaseOptions, changes: Mapping[str, Any]) -> CaseOptions:
    """Return options changed by what a page sent.

    Raises
    ------
    InputError
        An option is unknown or none that a page may set, or its value is of no use.
    """
    from veinfit.case.options import checked_date, chosen_balloons, one_line
    from veinfit.frames import FRAMES
    from veinfit.io.inputs.meshes import UNITS
    from veinfit.seating.approach.line import approaches_named

    allowed = {f.name for f in fields(CaseOptions)} - {
        "files",
        "input",
        "labels",
        "settings",
        "image",
    }
    values: dict[str, Any] = {}
    for name, value in changes.items():
        if name not in allowed:
            raise InputError(f"{name!r} is no option of a case")
        values[name] = _checked(Path(OPTIONS_FILE), name, value)
    changed = replace(options, **values)
    for name, known in (("frame", FRAMES), ("unit", UNITS), ("paper", ("a4", "letter"))):
        given = getattr(changed, name)
        if given and given not in known:
            raise InputError(f"{name} {given!r} is not known; choose {' or '.join(known)}")
    approaches_named(changed.approach)
    if any(not one.replace(".", "", 1).isdigit() for one in changed.balloons):
        raise InputError("give each balloon's diameter in mm, such as 28")
    chosen_balloons(changed.balloons)
    for name in ("case_id", "phase"):
        one_line(name, getattr(changed, name) or None)
    checked_date(changed.image_date or None)
    return changed
