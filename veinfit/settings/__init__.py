"""Every named parameter of the program with its unit, default and basis, a module a group.

A settings file is TOML with one table a group, for example::

    [seating]
    greatest_push_n = 0.8

What the file does not name keeps its default; a name that does not exist or a
value out of range is an error that says so, all of them at once.
"""

from veinfit.settings.anatomy import AnatomySettings
from veinfit.settings.margin import MarginSettings
from veinfit.settings.report import ComparisonSettings, ReportSettings
from veinfit.settings.seating import SeatingSettings
from veinfit.settings.surface import SurfaceSettings
from veinfit.settings.whole import Settings, describe, with_values

__all__ = [
    "AnatomySettings",
    "ComparisonSettings",
    "MarginSettings",
    "ReportSettings",
    "SeatingSettings",
    "Settings",
    "SurfaceSettings",
    "describe",
    "with_values",
]
