"""Names of the pulmonary veins and of what else opens into the left atrium: clinical names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

APPENDAGE = "LAA"
MITRAL = "MV"

USUAL_VEINS = ("LSPV", "LIPV", "RSPV", "RIPV")
"""Every left atrium has these, alone or as branches of a common trunk."""

MIDDLE_VEINS = ("RMPV", "RMPV-2")

TRUNK_BRANCHES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {"LCPV": ("LSPV", "LIPV"), "RCPV": ("RSPV", "RIPV"), "ICPV": ("LIPV", "RIPV")}
)
"""Names of a common trunk's branches: the superior first, of ICPV the left first."""

VEIN_NAMES = ("LSPV", "LIPV", "LCPV", "RSPV", "RMPV", "RMPV-2", "RIPV", "RCPV", "ICPV")
"""Single veins and common trunks, in the order of every list."""

EXTRA_VEIN = re.compile(r"extra-[1-9][0-9]*")
"""Further veins by number, behind the others in every list."""

LONG_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "LSPV": "left superior pulmonary vein",
        "LIPV": "left inferior pulmonary vein",
        "RSPV": "right superior pulmonary vein",
        "RIPV": "right inferior pulmonary vein",
        "LCPV": "left common pulmonary vein",
        "RCPV": "right common pulmonary vein",
        "ICPV": "inferior common pulmonary vein",
        "RMPV": "right middle pulmonary vein",
        APPENDAGE: "left atrial appendage",
        MITRAL: "mitral opening",
    }
)
"""What the clinical abbreviations stand for."""


def is_vein_name(name: str) -> bool:
    """Whether a vein may be called so: a clinical name, or ``extra-N``.

    Parameters
    ----------
    name : str

    Returns
    -------
    bool
    """
    return name in VEIN_NAMES or EXTRA_VEIN.fullmatch(name) is not None


def vein_order(name: str) -> tuple[int, str]:
    """Key that sorts veins into the order of every list; others come behind, by name.

    Parameters
    ----------
    name : str

    Returns
    -------
    tuple of int and str
    """
    return (VEIN_NAMES.index(name) if name in VEIN_NAMES else len(VEIN_NAMES), name)
