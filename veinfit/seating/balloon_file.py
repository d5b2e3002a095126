"""Descriptions of balloons, built in or read from TOML.

A description looks like this::

    name = "28 mm"
    equatorial_diameter_mm = 28.0
    axial_length_mm = 28.0
    profile = "sphere"

    [freezing_zone]
    from_deg = 0.0
    to_deg = 90.0

    [freezing]
    growth_mm = 0.0

With ``profile = "spheroid"`` the two lengths may differ; with ``profile = "table"`` the half
section is given, as places along the shaft from the equator toward the nose and radii, from
the rear pole to the nose::

    section_mm = [[-15.0, 0.0], [-11.0, 9.0], [0.0, 14.0], [11.0, 9.0], [15.0, 0.0]]

A balloon that may be inflated further states its ``largest_diameter_mm`` too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, get_args

import numpy as np

from veinfit.errors import InputError
from veinfit.seating.balloon import Balloon, Profile, sphere
from veinfit.seating.balloon_defaults import (
    BUILT_IN,
    FRONT_HALF_DEG,
    GREATEST_GROWTH_MM,
    LARGEST_DIAMETER_MM,
    SMALLEST_DIAMETER_MM,
    STANDARD_SIZES,
)
from veinfit.toml import parse_toml, read_toml

FIELDS = {
    "": (
        "name", "equatorial_diameter_mm", "largest_diameter_mm", "axial_length_mm", "profile",
        "section_mm", "inflation_pressure_kpa",
    ),
    "freezing_zone": ("from_deg", "to_deg"),
    "freezing": ("growth_mm",),
}  # fmt: skip
"""The keys of a description, table by table."""

NEEDED = (
    "name and equatorial_diameter_mm are needed (with profile = 'table' name and section_mm), "
    "the rest is optional"
)
"""Which of them a description must have, for messages."""

FEWEST_ROWS = 5
"""Rows of a table: fewer tell no shape."""

POLES_MM = 1e-6
"""A radius up to this is that of a pole."""


def parse_balloon(text: str) -> Balloon:
    """Return the balloon that ``text`` asks for: a diameter in mm or a TOML file.

    A diameter of 23, 28 or 31 gives the built-in description; any other plausible one a
    sphere that freezes over its front half. ``28mm`` and ``28 mm`` are understood too.

    Parameters
    ----------
    text : str

    Returns
    -------
    Balloon

    Raises
    ------
    InputError
        No such file, a description with faults, or a diameter that is not plausible.
    """
    if (path := balloon_path(text)) is not None:
        return balloon_from_toml(path)
    diameter = _diameter_mm(text)
    if diameter is None or not math.isfinite(diameter):
        raise InputError(f"balloon {text!r}: give a diameter in mm or a TOML file")
    name = f"{diameter:g} mm"
    return built_in(name) if name in BUILT_IN else sphere(diameter, name)


def balloon_path(text: str) -> Path | None:
    """Return the file that ``text`` names a balloon by; None where it is a diameter, or empty.

    Parameters
    ----------
    text : str
        As of :func:`parse_balloon`.

    Returns
    -------
    Path or None
    """
    # An empty path would be the folder at hand.
    return Path(text.strip()) if text.strip() and _diameter_mm(text) is None else None


def _diameter_mm(text: str) -> float | None:
    try:
        return float(text.strip().removesuffix("mm").strip())
    except ValueError:
        return None


def parse_balloons(texts: Iterable[str]) -> tuple[Balloon, ...]:
    """Return the balloons asked for, both ends of a range; the standard two where none is.

    Parameters
    ----------
    texts : iterable of str
        As of :func:`parse_balloon`.

    Returns
    -------
    tuple of Balloon
        Each once.

    Raises
    ------
    InputError
        As :func:`parse_balloon`, or two different balloons share a name.
    """
    found: dict[str, Balloon] = {}
    for asked, balloon in ((one, size) for one in texts for size in parse_balloon(one).sizes):
        if found.setdefault(balloon.name, balloon) != balloon:
            raise InputError(
                f"balloon {asked!r}: the name {balloon.name!r} is already taken by a different "
                "balloon; give each balloon its own name"
            )
    return tuple(found.values()) or parse_balloons(map(str, STANDARD_SIZES))


def built_in(name: str) -> Balloon:
    """Return one of the balloons that come with the package, by its name."""
    if name not in BUILT_IN:
        raise InputError(f"no built-in balloon {name!r}; there are {', '.join(BUILT_IN)}")
    file = resources.files("veinfit.seating") / f"balloon_{name.split()[0]}.toml"
    return balloon_from_mapping(parse_toml(file.read_bytes(), name), source=name)


def balloon_from_toml(path: Path) -> Balloon:
    """Read the description of a balloon.

    Raises
    ------
    InputError
        The file cannot be read or has faults; the message lists every one.
    """
    if path.suffix.lower() != ".toml" and not path.is_file():
        raise InputError(f"balloon {str(path)!r}: give a diameter in mm or a TOML file")
    return balloon_from_mapping(read_toml(path, "balloon file"), f"balloon file {path}")


def balloon_from_mapping(content: Mapping[str, Any], source: str = "balloon") -> Balloon:
    """Build a balloon from the content of a description.

    Raises
    ------
    InputError
        Keys or values are wrong; the message lists every fault.
    """
    faults = _unknown_keys(content)
    name = content.get("name")
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        faults.append("name must be a text of one line")
    profile = content.get("profile", "sphere")
    if profile not in get_args(Profile):
        faults.append(
            f"profile = {profile!r} is not known; there is {', '.join(get_args(Profile))}"
        )
    section = _section(content.get("section_mm"), profile == "table", faults)
    wide, long = _extent(section)
    read = _Numbers(content, faults)
    equatorial = read("", "equatorial_diameter_mm", wide, SMALLEST_DIAMETER_MM, LARGEST_DIAMETER_MM)
    axial = read(
        "", "axial_length_mm", long or equatorial, SMALLEST_DIAMETER_MM, LARGEST_DIAMETER_MM
    )
    largest = read("", "largest_diameter_mm", math.nan, SMALLEST_DIAMETER_MM, LARGEST_DIAMETER_MM)
    pressure = read("", "inflation_pressure_kpa", math.nan, 0.0, 1000.0)
    zone_from = read("freezing_zone", "from_deg", FRONT_HALF_DEG[0], 0.0, 180.0)
    zone_to = read("freezing_zone", "to_deg", FRONT_HALF_DEG[1], 0.0, 180.0)
    growth = read("freezing", "growth_mm", 0.0, 0.0, GREATEST_GROWTH_MM)
    if not faults and not zone_from < zone_to:
        faults.append(f"freezing_zone.from_deg = {zone_from:g} must be below to_deg = {zone_to:g}")
    if not faults and largest <= equatorial:
        faults.append(f"largest_diameter_mm = {largest:g} must be above {equatorial:g}")
    if not faults and section and (equatorial, axial) != (wide, long):
        faults.append(
            f"equatorial_diameter_mm = {equatorial:g} and axial_length_mm = {axial:g} are not "
            f"those of section_mm, {wide:g} and {long:g}; leave them out"
        )
    if not faults and profile == "sphere" and axial != equatorial:
        faults.append(
            f"axial_length_mm = {axial:g} differs from equatorial_diameter_mm = {equatorial:g}: "
            "a sphere's are equal"
        )
    if faults:
        raise InputError(f"{source}: " + "; ".join(faults))
    return Balloon(
        name=str(name).strip(),
        equatorial_mm=equatorial,
        axial_mm=axial,
        profile=profile,
        zone_from_deg=zone_from,
        zone_to_deg=zone_to,
        growth_mm=growth,
        inflation_pressure_kpa=None if math.isnan(pressure) else pressure,
        section=section,
        largest_mm=None if math.isnan(largest) else largest,
    )


def _section(rows: Any, wanted: bool, faults: list[str]) -> tuple[tuple[float, float], ...]:
    """Read the half section of a table; none, with a fault, where it makes no balloon."""
    if rows is None or not wanted:
        if wanted:
            faults.append("section_mm is missing: profile = 'table' needs it")
        elif rows is not None:
            faults.append("section_mm goes with profile = 'table'")
        return ()
    try:
        table = np.array(rows, dtype=float)
    except (TypeError, ValueError):
        table = np.zeros(0)
    if table.ndim != 2 or table.shape[1] != 2 or not np.isfinite(table).all():
        faults.append("section_mm must be rows of two numbers: place along the shaft, radius")
        return ()
    along, across = table.T
    if len(table) < FEWEST_ROWS:
        faults.append(f"section_mm has {len(table)} rows; give {FEWEST_ROWS} or more")
    elif not (across[1:-1] > 0.0).all() or across[[0, -1]].max() > POLES_MM or across.min() < 0.0:
        faults.append("section_mm must begin and end with radius 0 and be wider between")
    elif along[int(np.argmax(across))] != 0.0:
        faults.append("section_mm counts from the equator: its greatest radius must be at 0")
    elif not (np.diff(along / np.hypot(along, across)) > 0.0).all():
        faults.append(
            "section_mm must run from the rear pole to the nose, seen once from its centre"
        )
    else:
        return tuple((float(z), float(r)) for z, r in table)
    return ()


def _extent(section: tuple[tuple[float, float], ...]) -> tuple[float | None, float | None]:
    """Return a section's greatest diameter and its length, mm."""
    if not section:
        return None, None
    return 2.0 * max(r for _, r in section), section[-1][0] - section[0][0]


def _unknown_keys(content: Mapping[str, Any]) -> list[str]:
    faults = []
    for key, value in content.items():
        if key in FIELDS:
            if not isinstance(value, Mapping):
                faults.append(f"{key} must be a table")
                continue
            faults += [
                f"unknown key {key}.{inner}; there are {', '.join(FIELDS[key])}"
                for inner in value
                if inner not in FIELDS[key]
            ]
        elif key not in FIELDS[""]:
            names = [*FIELDS[""], *(f"[{table}]" for table in FIELDS if table)]
            faults.append(f"unknown key {key}; there are {', '.join(names)}: {NEEDED}")
    return faults


class _Numbers:
    """Reads numbers out of a description and collects what is wrong with them."""

    def __init__(self, content: Mapping[str, Any], faults: list[str]) -> None:
        self._content = content
        self._faults = faults

    def __call__(
        self, table: str, key: str, default: float | None, low: float, high: float
    ) -> float:
        group = self._content.get(table, {}) if table else self._content
        where = f"{table}.{key}" if table else key
        value = group.get(key, default) if isinstance(group, Mapping) else default
        if value is None:
            self._faults.append(f"{where} is missing")
            return math.nan
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self._faults.append(f"{where} must be a number")
            return math.nan
        if value is default:
            return float(value)
        try:
            number = float(value)
        except OverflowError:  # A whole number that no float holds.
            number = math.inf if value > 0 else -math.inf
        if not low <= number <= high:
            self._faults.append(f"{where} = {number:g} is outside {low:g} to {high:g}")
        return number
