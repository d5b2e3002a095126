"""The words of the report: verdicts, places, numbers, and what is missing and why."""

from __future__ import annotations

import re
from typing import Literal

from veinfit.seating.model import Fit, Leak

MISSING = "–"

SPACE = "\u00a0"
"""Keeps a number and its unit on one line."""

VEIN_NAMES: dict[str, str] = {
    "LSPV": "left superior pulmonary vein",
    "LIPV": "left inferior pulmonary vein",
    "RSPV": "right superior pulmonary vein",
    "RIPV": "right inferior pulmonary vein",
    "LCPV": "left common pulmonary vein",
    "RCPV": "right common pulmonary vein",
    "ICPV": "inferior common pulmonary vein",
    "RMPV": "right middle pulmonary vein",
    "LAA": "left atrial appendage",
    "MV": "mitral opening",
}
"""What the trade's abbreviations stand for."""

Mark = Literal["closed", "half", "open", "none"]
"""The sign of a verdict: a full, a half, an empty circle; a dash."""


def vein_in_words(name: str) -> str:
    """Spell out a vein's abbreviation; empty where it has no long form."""
    if name in VEIN_NAMES:
        return VEIN_NAMES[name]
    numbered = re.fullmatch(r"(RMPV|extra)-(\d+)", name)
    if numbered is None:
        return ""
    kind = "further right middle" if numbered[1] == "RMPV" else "additional"
    return f"{kind} pulmonary vein, number {numbered[2]}"


def number(value: float | None, digits: int = 1) -> str:
    """Write a number with a real minus sign; an en dash where there is none."""
    if value is None:
        return MISSING
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def leak_mm(width_mm: float | None) -> str:
    """Write a leak's width with its unit; hundredths below 1 mm, where the tolerance lies."""
    if width_mm is None:
        return MISSING
    return f"{number(width_mm, 2 if abs(width_mm) < 1.0 else 1)}{SPACE}mm"


def hours(clock_h: float) -> str:
    """Write a clock position: ``10.5 h``; midnight is twelve."""
    shown = round(clock_h % 12.0, 1)
    return f"{12.0 if shown == 0.0 else shown:.1f}{SPACE}h"


def place(side: str, clock_h: float | None) -> str:
    """Write a place around a vein in words and on the clock."""
    if clock_h is None:
        return side or MISSING
    return f"{side} ({hours(clock_h)})" if side else hours(clock_h)


def leak_place(fit: Fit) -> str:
    """Write where the widest leak of ``fit`` is."""
    return place(fit.leak_side, fit.leak_clock_h)


def mark(fit: Fit) -> Mark:
    """Return the sign of a fit's verdict."""
    if fit.outcome != "seated" or fit.occluded is None:
        return "none"
    if not fit.occluded:
        return "open"
    return "closed" if fit.sealed else "half"


def verdict(fit: Fit) -> str:
    """Say in one phrase whether the vein is predicted to close."""
    if fit.outcome == "not assessed":
        return "not assessed"
    if fit.outcome != "seated":
        return f"no seat: {fit.outcome}"
    if fit.occluded is None:
        return "seated, closure not assessed"
    if not fit.occluded:
        return "open"
    if fit.sealed is None:
        return "occluded, cold contact not assessed"
    return "sealed" if fit.sealed else "occluded, not sealed"


def verdict_sentence(fit: Fit) -> str:
    """Say in one sentence what is predicted, with the leak where there is one."""
    words = {
        "sealed": "Sealed: a closed line of cold contact parts vein and atrium",
        "occluded, not sealed": "Occluded, not sealed: part of the closed line lies off the "
        "freezing zone",
        "occluded, cold contact not assessed": "Occluded; cold contact was not assessed",
        "seated, closure not assessed": "Seated; closure was not assessed",
    }
    said = verdict(fit)
    if said == "open":
        if fit.leak_width_mm is None:
            return "Open: no closed line of contact"
        return f"Open: leak {leak_mm(fit.leak_width_mm)} wide, {leak_place(fit)}"
    if said in words:
        return words[said]
    reason = f": {fit.reason}" if fit.reason else ""
    return f"{said[0].upper()}{said[1:]}{reason}"


def probability_words(fit: Fit) -> str:
    """Write the probability of closure with its interval; empty where there is none."""
    if fit.seal_probability is None:
        return ""
    text = f"probability {number(fit.seal_probability, 2)}"
    if fit.seal_probability_low is None or fit.seal_probability_high is None:
        return text
    return (
        f"{text} ({number(fit.seal_probability_low, 2)} to {number(fit.seal_probability_high, 2)})"
    )


def leak_words(leak: Leak) -> str:
    """Write one leak's width, arc and place."""
    return (
        f"{leak_mm(leak.width_mm)} wide over {number(leak.arc_deg, 0)}°, "
        f"{place(leak.side, leak.clock_h)}"
    )


def yes_no(value: bool | None) -> str:
    """Write a truth value."""
    return MISSING if value is None else ("yes" if value else "no")


def why_missing(fit: Fit) -> str:
    """Say why a fit's value is missing."""
    if fit.outcome != "seated":
        return fit.reason or f"{fit.outcome}: no seat to measure"
    return fit.reason or "could not be had for this seat"


def balloon_size(fit: Fit) -> str:
    """Name a balloon by its diameter, with its own name where that says more."""
    size = f"{fit.balloon_mm:g}{SPACE}mm"
    says_more = fit.balloon.strip() not in {"", f"{fit.balloon_mm:g}", f"{fit.balloon_mm:g} mm"}
    return f"{fit.balloon} ({size})" if says_more else size


def balloon_title(fit: Fit) -> str:
    """Name a balloon for a heading."""
    size = balloon_size(fit)
    return size if size.endswith(")") else f"{size} balloon"


def safe_file_name(text: str) -> str:
    """Turn any name into one that every file system takes: letters, digits, ``.``, ``-``, ``_``.

    Leading dots and hyphens go, and the length is held to 60 characters.
    """
    kept = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")[:60]
    return kept or "unnamed"
