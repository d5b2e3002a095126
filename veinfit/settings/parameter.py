"""How one setting is declared."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Any


def parameter(
    default: float | int | bool | str,
    *,
    unit: str,
    meaning: str,
    basis: str,
    low: float = -math.inf,
    high: float = math.inf,
    choices: tuple[str, ...] = (),
    multiple_of: int = 1,
    power_of_two: bool = False,
) -> Any:
    """Declare one setting: its default, unit, meaning, basis and closed range or choices."""
    metadata = {"unit": unit, "meaning": meaning, "basis": basis, "low": low, "high": high}
    metadata |= {"multiple_of": multiple_of, "power_of_two": power_of_two}
    if choices:
        metadata["choices"] = choices
    return field(default=default, metadata=metadata)
