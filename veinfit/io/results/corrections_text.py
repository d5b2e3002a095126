"""Corrections as the text of a corrections file."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from veinfit.anatomy.corrections.apply import Correction
from veinfit.anatomy.model import Vein
from veinfit.result.input_mark import InputMark


def correction_entry(vein: Vein) -> str:
    """Return the entry of a corrections file for a vein, ready to be pasted and filled in.

    As it stands it moves nothing; who and why are left empty, and a file with
    either of them empty is refused.

    Parameters
    ----------
    vein : Vein

    Returns
    -------
    str
    """
    ostium = vein.ostium
    return "\n".join(
        (
            "[[correction]]",
            f"vein = {_quoted(vein.name)}",
            "shift_mm = 0.0    # along the centreline, positive into the vein",
            "# tilt_deg = 0.0",
            "# tilt_toward_h = 12.0    # clock position, seen from the atrium",
            "# instead of shift and tilt, the plane itself; these are the values now, LPS",
            f"# centre_mm = {_vector(ostium.centre, 2)}",
            f"# normal = {_vector(ostium.normal, 4)}    # into the vein",
            '# rename = "extra-1"',
            "# drop = true    # alone: it is no vein",
            'who = ""',
            'why = ""',
            "",
        )
    )


def corrections_text(
    corrections: Sequence[Correction], heading: str = "", made_on: InputMark | None = None
) -> str:
    """Return a whole corrections file that says what some corrections say, LPS mm.

    Parameters
    ----------
    corrections : sequence of Correction
    heading : str
        Goes before them as comments.
    made_on : InputMark, optional
        The input that was corrected.

    Returns
    -------
    str
    """
    parts = [*(f"# {line}" for line in heading.splitlines()), 'frame = "lps"', ""]
    if made_on is not None:
        parts += [
            "[made_on]",
            f"input = {_quoted(made_on.sha256)}    # SHA-256 of what was corrected",
            f"frame = {_quoted(made_on.frame)}",
            f"unit = {_quoted(made_on.unit)}",
            "",
        ]
    for one in corrections:
        parts.append("[[correction]]")
        parts += [f"{key} = {_written(key, value)}" for key, value in entry_values(one).items()]
        parts.append("")
    return "\n".join(parts)


def entry_values(one: Correction) -> dict[str, Any]:
    """Return a correction as the keys and values of its entry, LPS mm.

    Parameters
    ----------
    one : Correction

    Returns
    -------
    dict of str to object
    """
    values: dict[str, Any] = {"vein": one.vein}
    if one.rename:
        values["rename"] = one.rename
    if one.drop:
        values["drop"] = True
    if one.add_at is not None:
        values["add_at_mm"] = one.add_at.tolist()
    if one.centre is not None and one.normal is not None:
        values |= {"centre_mm": one.centre.tolist(), "normal": one.normal.tolist()}
    elif one.sets_ostium or len(values) == 1:
        values["shift_mm"] = one.shift_mm
        if one.tilt_deg:
            values |= {"tilt_deg": one.tilt_deg, "tilt_toward_h": one.tilt_toward_h}
    return {**values, "who": one.who, "why": one.why}


def _written(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, float):
        return f"{value:.3f}"
    return _vector(value, 6 if key == "normal" else 3)


def _quoted(text: str) -> str:
    # A JSON string is a TOML string too, but for the escape of a slash, which is not written.
    return json.dumps(text, ensure_ascii=False)


def _vector(vector: Iterable[float], decimals: int) -> str:
    return "[" + ", ".join(f"{part + 0.0:.{decimals}f}" for part in vector) + "]"
