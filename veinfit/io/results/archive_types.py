"""The names by which archives know the program's types: they stay when code moves.

A class that moves or is renamed keeps its name here, and its place is brought up to date. A part
of a class that is renamed or dropped is told in ``RENAMED_PARTS``, so that cases of earlier
releases still load. A part that is added needs a default.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from functools import cache
from typing import Any

PLACES: Mapping[str, tuple[str, ...]] = {
    "veinfit.surface.contours": ("ContourMeasures",),
    "veinfit.anatomy.corrections.apply": ("Correction",),
    "veinfit.anatomy.lumen_input": ("LumenInput",),
    "veinfit.anatomy.mitral_and_septum": ("MitralOpening", "SeptalCrossing"),
    "veinfit.anatomy.model": (
        "Anatomy", "Appendage", "AppliedCorrection", "Centreline", "Contour",
        "LabelOstium", "Ostium", "Ridge", "Section", "Vein",
    ),
    "veinfit.anatomy.ostium.certainty": ("Evidence",),
    "veinfit.anatomy.verdict": ("InputVerdict",),
    "veinfit.result.case_result": ("CaseResult",),
    "veinfit.result.provenance": ("InputFile", "Provenance"),
    "veinfit.labels.model": ("LabelBorder",),
    "veinfit.notes": ("Note",),
    "veinfit.seating.balloon": ("Balloon",),
    "veinfit.seating.further": (
        "BestCrossing", "CrossingPlace", "Crossings", "Growth", "GrowthStep", "Plan", "PlanSeat",
        "VeinPlans",
    ),
    "veinfit.seating.model": (
        "Aim", "AttemptRow", "Chance", "ClockReading", "Fit", "FreezeDrift", "Leak", "Margin",
    ),
    "veinfit.settings.anatomy": ("AnatomySettings",),
    "veinfit.settings.margin": ("MarginSettings",),
    "veinfit.settings.report": ("ComparisonSettings", "ReportSettings"),
    "veinfit.settings.seating": ("SeatingSettings",),
    "veinfit.settings.surface": ("SurfaceSettings",),
    "veinfit.settings.whole": ("Settings",),
    "veinfit.surface.mesh": ("Surface",),
}  # fmt: skip
"""Classes whose name in archives is still their own, by the module in which they are."""

RENAMED: Mapping[str, str] = {}
"""Classes that have another name than archives know them by: that name, and module:class."""

TYPES: Mapping[str, str] = {
    **{name: f"{module}:{name}" for module, names in PLACES.items() for name in names},
    **RENAMED,
}
"""Where the class of each archived name is."""

RENAMED_PARTS: Mapping[str, Mapping[str, str | None]] = {
    "Balloon": {"section_mm": "section"},
    "Fit": {"shape_mm": "shape_amplitudes"},
    "Growth": {"centres_mm": "centres"},
    "Margin": {
        "leak_width_mm": "leak_width_percentiles",
        "push_to_seal_n": "push_percentiles",
        "shares": "variance_shares",
    },
}
"""Parts that have another name than in earlier archives, by type; None for those dropped."""

EXACT = frozenset({"LumenInput"})
"""Types whose arrays are kept to the last bit, with all that they hold: what veins are found from.
Where names are at a limit, the rounding of a surface changed them."""


@cache
def type_of(name: str) -> Any:
    """Return the class that archives know by this name.

    Raises
    ------
    KeyError
        There is none.
    """
    module, _, item = TYPES[name].partition(":")
    return getattr(importlib.import_module(module), item)
