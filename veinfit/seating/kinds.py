"""The words for how a balloon comes to a vein, and for what becomes of it there."""

from __future__ import annotations

from typing import Literal

Outcome = Literal["seated", "passes through", "cannot reach", "not assessed"]
Approach = Literal["coaxial", "transseptal"]

DEFAULT_APPROACH: Approach = "transseptal"
"""As in the laboratory."""

BOTH = "both"
"""Asks for the transseptal approach, and for coaxial rows beside it for reference."""
