"""What a case is made with: settings, balloons, corrections and texts, checked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from veinfit.anatomy.corrections.apply import Correction
from veinfit.errors import InputError
from veinfit.io.files import check_file, input_kind
from veinfit.io.inputs.corrections import Corrections, read_corrections
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.results.provenance import input_files, surface_in_memory
from veinfit.result.provenance import BalloonValue, InputFile
from veinfit.seating.balloon import Balloon
from veinfit.seating.balloon_file import balloon_path, parse_balloons
from veinfit.settings import Settings
from veinfit.surface import Surface

WRITTEN_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
"""The one form of a date that results, their schema and their readers know."""

SettingsLike = Settings | Mapping[str, Any] | Path | str | None
"""Settings as such, as nested mappings, or as a file; the defaults where None."""


def settings_of(settings: SettingsLike) -> Settings:
    """Return settings given as such, as nested mappings or as a file; the defaults where None."""
    if settings is None:
        return Settings()
    if isinstance(settings, (str, Path)):
        return Settings.from_toml(Path(settings))
    if isinstance(settings, Mapping):
        return Settings.from_mapping(settings)
    if not isinstance(settings, Settings):
        raise TypeError(
            "settings: expected Settings, the path of a settings file, a dictionary such as "
            "{'margin': {'samples': 0}}, or None; got a "
            f"{type(settings).__name__}"
        )
    return settings


def corrections_of(given: Path | str | Sequence[Correction] | None) -> Corrections:
    """Return corrections given as such or as a file."""
    if isinstance(given, (str, Path)):
        return read_corrections(Path(given))
    return given if isinstance(given, Corrections) else Corrections(tuple(given or ()))


def chosen_balloons(balloons: Sequence[float | str | Path | Balloon]) -> tuple[Balloon, ...]:
    """Return the balloons asked for, both ends of a range; each name stands for one of them.

    Parameters
    ----------
    balloons : sequence of float, str, Path or Balloon
        Diameters in mm, TOML files, or balloons.

    Returns
    -------
    tuple of Balloon
        In the order in which they were given, each once.

    Raises
    ------
    TypeError
        It is no sequence of these.
    InputError
        None was given, one is faulty, or two that differ share a name.
    """
    found: dict[str, Balloon] = {}
    if isinstance(balloons, (str, bytes)) or not isinstance(balloons, Iterable):
        raise TypeError(
            "balloons: expected a sequence of diameters in mm, TOML files or balloons, such as "
            f"[28, 31]; got {balloons!r}"
        )
    for item in balloons:
        if isinstance(item, bool) or not isinstance(item, (int, float, str, Path, Balloon)):
            raise TypeError(
                "balloons: expected diameters in mm, TOML files or balloons; got a "
                f"{type(item).__name__}"
            )
        for size in item.sizes if isinstance(item, Balloon) else parse_balloons([str(item)]):
            if found.setdefault(size.name, size) != size:
                raise InputError(
                    f"two different balloons are called {size.name!r}; give each its own name"
                )
    if not found:
        raise InputError("no balloon was given; name at least one")
    return tuple(found.values())


def given_twice(balloons: Iterable[float | str | Path | Balloon]) -> tuple[str, ...]:
    """Return the names of balloons that :func:`chosen_balloons` was given more than once."""
    names = [size.name for item in balloons for size in chosen_balloons([item])]
    return tuple(dict.fromkeys(name for name in names if names.count(name) > 1))


def balloon_values(balloon: Balloon) -> dict[str, BalloonValue]:
    """Return what the record of a case states of a balloon: all that makes its shape."""
    return {
        "name": balloon.name,
        "equatorial_mm": balloon.equatorial_mm,
        "axial_mm": balloon.axial_mm,
        "profile": balloon.profile,
        "zone_from_deg": balloon.zone_from_deg,
        "zone_to_deg": balloon.zone_to_deg,
        "growth_mm": balloon.growth_mm,
        "inflation_pressure_kpa": balloon.inflation_pressure_kpa,
        "section": balloon.section or None,
        "swollen_mm": balloon.swollen_mm,
    }


def one_line(what: str, text: str | None) -> str | None:
    """Check a text that goes onto the results as it is.

    Parameters
    ----------
    what : str
        What the text is, for the message.
    text : str or None
        Is not asked for where None.

    Returns
    -------
    str or None
        As it was given.

    Raises
    ------
    InputError
        It is empty, or holds line breaks or what cannot be printed.
    """
    if text is None or (text.strip() and text.isprintable()):
        return text
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        # What the system could not decode stands as a half of a pair of code units.
        raise InputError(
            f"{what} {text!r} has letters that the language setting here cannot read; choose one "
            "with UTF-8, such as LC_ALL=C.UTF-8, or leave them out"
        )
    raise InputError(f"{what} {text!r} must be a text of one line, of letters that can be printed")


def checked_date(text: str | None) -> str | None:
    """Check a date, YYYY-MM-DD.

    Parameters
    ----------
    text : str or None
        Is not asked for where None.

    Returns
    -------
    str or None
        As it was given.

    Raises
    ------
    InputError
        It is no such date, or one that is still to come.
    """
    if text is None:
        return None
    try:
        # Python reads other forms of ISO 8601 as well, such as 20260131 and 2026-W05.
        given = date.fromisoformat(text) if WRITTEN_DATE.fullmatch(text) else None
    except ValueError as error:
        raise InputError(f"image date {text!r}: there is no such day") from error
    if given is None:
        raise InputError(f"image date {text!r} is no date; write it as YYYY-MM-DD")
    # Where the image was made it may be tomorrow already.
    if given > date.today() + timedelta(days=1):
        raise InputError(f"image date {text} is still to come; state the day of the image")
    return given.isoformat()


def files_of(
    input: Path | str | Surface,
    labels: Path | str | None,
    landmarks: Path | str | None,
    corrections: Path | str | Sequence[Correction] | None,
    settings: SettingsLike,
    balloons: Sequence[float | str | Path | Balloon],
    also: Sequence[Path | str] = (),
    image: Path | str | None = None,
) -> tuple[InputFile, ...]:
    """Describe every file that goes into a case by its content; so of a surface in memory."""
    roles: list[tuple[str, object]] = [
        ("input", input),
        ("label map", labels),
        ("landmarks", landmarks),
        ("corrections", corrections),
        ("settings", settings),
    ]
    in_memory = (surface_in_memory("input", input),) if isinstance(input, Surface) else ()
    given = [(role, Path(p)) for role, p in roles if isinstance(p, (str, Path))]
    given += [("label volume", Path(file)) for file in also]
    if (
        labels is not None
        and not isinstance(input, Surface)
        and input_kind(Path(input)) == "volume"
    ):
        parts = read_label_map(Path(labels)).parts.values()
        named = dict.fromkeys(part.file for part in parts if part.file)
        known = {path.resolve() for _, path in given}
        given += [("label volume", Path(f)) for f in named if Path(f).resolve() not in known]
    texts = (str(item) for item in balloons if isinstance(item, (str, Path)))
    given += [("balloon", path) for path in map(balloon_path, texts) if path is not None]
    for role, path in given:
        check_file(path, role)
    if image is not None:
        given.append(("image", Path(image)))
    return in_memory + tuple(file for role, path in given for file in input_files(role, path))
