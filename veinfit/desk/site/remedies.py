"""Why a run failed, in the words of a page: what options would mend it become buttons."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

FLAG = re.compile(r"--([a-z][a-z-]*)(?: (ras|lps|mm|cm|um|m)\b)?")


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to mend a failed run: its words, and the options that it states."""

    words: str
    options: dict[str, Any]


def remedies(reason: str) -> tuple[Remedy, ...]:
    """Return what the reason of a failed run says would mend it."""
    found = []
    for name, value in FLAG.findall(reason):
        if name == "frame" and value in ("ras", "lps"):
            found.append(Remedy(f"Read it in {value.upper()} and run again", {"frame": value}))
        elif name == "unit" and value:
            found.append(Remedy(f"Read it in {value} and run again", {"unit": value}))
        elif name == "trust-frame":
            words = "The frame is right all the same: run again"
            found.append(Remedy(words, {"trust_frame": True}))
    return tuple({one.words: one for one in found}.values())


def page_words(reason: str) -> str:
    """Return a reason without the options of commands, which a page has as buttons."""
    parts = re.split(r"(?<=\w)[;,] (?=(?:or )?(?:pass|leave|add) )", reason)
    told = [part for part in parts if "--" not in part]
    left = "; ".join(told)
    return left if left and len(told) < len(parts) else reason
