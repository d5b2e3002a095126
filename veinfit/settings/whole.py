"""All settings of a run: read from a file, checked, told."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.settings.anatomy import AnatomySettings
from veinfit.settings.margin import MarginSettings
from veinfit.settings.report import ComparisonSettings, ReportSettings
from veinfit.settings.seating import SeatingSettings
from veinfit.settings.surface import SurfaceSettings
from veinfit.toml import read_toml

LONG_NUMBER = 1e15
"""No setting is so large; a message does not write such a whole number out."""


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a run, in groups.

    Attributes
    ----------
    surface : SurfaceSettings
        How a surface is cleaned and smoothed.
    anatomy : AnatomySettings
        What counts as a trunk, an ostium, a vein.
    seating : SeatingSettings
        Wall, push, sheath, contact, and what is read off a seat.
    margin : MarginSettings
        What scatters, how much, and how many tries are made.
    comparison : ComparisonSettings
        From which difference on one size is told from another.
    report : ReportSettings
        From which probability on words such as likely are used.

    Examples
    --------
    >>> Settings.from_mapping({"seating": {"greatest_push_n": 0.5}}).seating.greatest_push_n
    0.5
    """

    surface: SurfaceSettings = field(default_factory=SurfaceSettings)
    anatomy: AnatomySettings = field(default_factory=AnatomySettings)
    seating: SeatingSettings = field(default_factory=SeatingSettings)
    margin: MarginSettings = field(default_factory=MarginSettings)
    comparison: ComparisonSettings = field(default_factory=ComparisonSettings)
    report: ReportSettings = field(default_factory=ReportSettings)

    @classmethod
    def from_toml(cls, path: Path) -> Settings:
        """Read a settings file.

        Parameters
        ----------
        path : Path

        Returns
        -------
        Settings
            Defaults for what the file leaves out.

        Raises
        ------
        InputError
            The file cannot be read, or names or values in it are wrong; the
            message lists every one of them.
        """
        return cls.from_mapping(read_toml(path, "settings file"), f"settings file {path}")

    @classmethod
    def from_mapping(cls, content: Mapping[str, Any], source: str = "settings") -> Settings:
        """Build settings from nested mappings, group by group.

        Parameters
        ----------
        content : mapping of str to mapping
        source : str
            What it comes from, for the message.

        Returns
        -------
        Settings
            Defaults for what is left out.

        Raises
        ------
        InputError
            Names or values are wrong; the message lists every one of them.
        """
        faults: list[str] = []
        groups: dict[str, Any] = {}
        known = {f.name: type(getattr(cls(), f.name)) for f in dataclasses.fields(cls)}
        for name, values in content.items():
            group = known.get(name)
            if group is None:
                faults.append(_unknown("table", name, known))
            elif not isinstance(values, Mapping):
                faults.append(f"{name} must be a table")
            else:
                groups[name] = _group_from_mapping(group, values, name, faults)
        settings = cls(**groups)
        small, moderate = (
            settings.seating.grade_small_leak_mm2,
            settings.seating.grade_moderate_leak_mm2,
        )
        if small > moderate:
            faults.append(
                f"seating.grade_small_leak_mm2 = {small:g} must be at most "
                f"grade_moderate_leak_mm2 = {moderate:g}, or no leak would be moderate"
            )
        if faults:
            raise InputError(f"{source}: " + "; ".join(faults))
        return settings

    def as_mapping(self) -> dict[str, dict[str, Any]]:
        """Return every setting as nested plain values, in declared order."""
        return dataclasses.asdict(self)


def with_values(settings: Settings, values: Mapping[str, float]) -> Settings:
    """Return settings with some values in place of theirs, checked.

    Parameters
    ----------
    settings : Settings
    values : mapping of str to float
        By group and name, such as ``seating.greatest_push_n``.

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        A value is out of range.
    """
    content = settings.as_mapping()
    for name, value in values.items():
        group, _, setting = name.partition(".")
        content[group][setting] = float(value)
    return Settings.from_mapping(content)


def describe(settings: Settings) -> Iterator[tuple[str, str, Any, Mapping[str, Any]]]:
    """Yield group, name, value and metadata (unit, meaning, basis) of every setting.

    Parameters
    ----------
    settings : Settings

    Yields
    ------
    tuple of str, str, value and mapping
    """
    for group in dataclasses.fields(settings):
        values = getattr(settings, group.name)
        for item in dataclasses.fields(values):
            yield group.name, item.name, getattr(values, item.name), item.metadata


def _unknown(kind: str, name: str, known: Mapping[str, Any]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(known)}"
    return f"unknown {kind} {name!r}{hint}"


def _told(value: Any) -> str:
    """Return a number in words of one line, however many digits it has."""
    short = isinstance(value, float) or abs(value) < LONG_NUMBER
    return str(value) if short else f"a number beyond {LONG_NUMBER:g}"


def _group_from_mapping(
    group: Any, values: Mapping[str, Any], group_name: str, faults: list[str]
) -> Any:
    known = {f.name: f for f in dataclasses.fields(group)}
    accepted: dict[str, Any] = {}
    for name, value in values.items():
        item = known.get(name)
        where = f"{group_name}.{name}"
        if item is None:
            faults.append(_unknown("setting", name, known) + f" in [{group_name}]")
            continue
        kind: Any = type(item.default)
        if kind in (int, float):
            whole = isinstance(value, int) or (isinstance(value, float) and kind is float)
            # No float holds every whole number, so isnan is asked of floats alone.
            nan = isinstance(value, float) and math.isnan(value)
            if isinstance(value, bool) or not whole or nan:
                faults.append(f"{where} must be a {'whole ' if kind is int else ''}number")
                continue
            low, high = item.metadata["low"], item.metadata["high"]
            if not low <= value <= high:
                unit = item.metadata["unit"]
                after = "" if unit == "1" else f" {unit}"
                faults.append(f"{where} = {_told(value)} is outside {low} to {high}{after}")
                continue
            step = item.metadata["multiple_of"]
            if kind is int and value % step:
                faults.append(f"{where} = {value} must be a multiple of {step}")
                continue
            if item.metadata["power_of_two"] and value & (value - 1):
                faults.append(f"{where} = {value} must be a power of two")
                continue
        elif not isinstance(value, kind):
            faults.append(f"{where} must be {'true or false' if kind is bool else 'a text'}")
            continue
        elif value not in item.metadata.get("choices", (value,)):
            faults.append(f"{where} = {value!r} must be one of {item.metadata['choices']}")
            continue
        accepted[name] = kind(value)
    return group(**accepted)
