"""Why a run failed, in the words of a page: what options would mend it become buttons."""

from __future__ import annotations

import errno
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from veinfit.anatomy.naming.frame_check import SIDES, WORDS, Axes

UNWRITTEN = re.compile(r"output (.+) cannot be written: (.+?)(?:; pass another --out)?")
FULL = (errno.ENOSPC, errno.EDQUOT)
MAKE_ROOM = "free some room, then do it again: what was there before is as it was"

FLAG = re.compile(r"--([a-z][a-z-]*)(?: (ras|lps|mm|cm|um|m)\b)?")


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to mend a failed run: its words, the options that it states, what is done first."""

    words: str
    options: dict[str, Any]
    act: str = ""


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
    if reason.startswith("corrections "):
        found.append(Remedy("Put these corrections aside and run again", {}, "put-aside"))
    return tuple({one.words: one for one in found}.values())


def turned(reason: str) -> Axes | None:
    """Return the axes with which the shape would fit, where the frame was refused; None elsewhere.

    They are those of :class:`veinfit.anatomy.naming.frame_check.OtherFrame`, whose words these are.
    """
    for axes, words in WORDS.items():
        if f"only when {words}" in reason:
            return axes
    told = re.search(r"axes point to the patient's (\w+), (\w+) and (\w+)", reason)
    if told is None:
        return None
    flips = (-1, -1, 1) if "the frame ras" in reason else (1, 1, 1)
    found = [0, 0, 0]
    for axis, end in enumerate(told.groups()):
        for k, ends in enumerate(SIDES):
            if end in ends:
                found[k] = (axis + 1) * flips[axis] * (1 if end == ends[0] else -1)
    return (found[0], found[1], found[2]) if all(found) else None


def page_words(reason: str) -> str:
    """Return a reason in the words of a page: no options of commands, no paths of outputs."""
    if (unwritten := UNWRITTEN.fullmatch(reason)) is not None:
        name, why = Path(unwritten[1]).name, unwritten[2]
        if any(os.strerror(code) in why for code in FULL):
            return f"{name} cannot be written, for the disk is full ({why}); {MAKE_ROOM}"
        return f"{name} cannot be written: {why}"
    parts = re.split(r"(?<=\w)[;,] (?=(?:or )?(?:pass|leave|add) )", reason)
    told = [part for part in parts if "--" not in part]
    left = "; ".join(told)
    return left if left and len(told) < len(parts) else reason
