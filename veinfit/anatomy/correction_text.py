"""Corrections as the text of a corrections file."""

from __future__ import annotations

import json
from collections.abc import Sequence

from veinfit.anatomy.corrections import Correction
from veinfit.anatomy.model import Vein
from veinfit.frames import FloatArray


def correction_entry(vein: Vein) -> str:
    """Return the entry of a corrections file for a vein, ready to be pasted and filled in.

    As it stands it moves nothing; who and why are left empty, and a file with
    either of them empty is refused.
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


def corrections_text(corrections: Sequence[Correction], heading: str = "") -> str:
    """Return a whole corrections file that says what some corrections say, LPS mm."""
    parts = [*(f"# {line}" for line in heading.splitlines()), 'frame = "lps"', ""]
    for one in corrections:
        parts += ["[[correction]]", f"vein = {_quoted(one.vein)}"]
        if one.rename:
            parts.append(f"rename = {_quoted(one.rename)}")
        if one.drop:
            parts.append("drop = true")
        if one.add_at is not None:
            parts.append(f"add_at_mm = {_vector(one.add_at, 2)}")
        if one.centre is not None and one.normal is not None:
            parts.append(f"centre_mm = {_vector(one.centre, 3)}")
            parts.append(f"normal = {_vector(one.normal, 6)}")
        elif one.sets_ostium:
            parts.append(f"shift_mm = {one.shift_mm:.3f}")
            if one.tilt_deg:
                parts.append(f"tilt_deg = {one.tilt_deg:.3f}")
                parts.append(f"tilt_toward_h = {one.tilt_toward_h:.3f}")
        parts += [f"who = {_quoted(one.who)}", f"why = {_quoted(one.why)}", ""]
    return "\n".join(parts)


def _quoted(text: str) -> str:
    # A JSON string is a TOML string too, but for the escape of a slash, which is not written.
    return json.dumps(text, ensure_ascii=False)


def _vector(vector: FloatArray, decimals: int) -> str:
    return "[" + ", ".join(f"{part + 0.0:.{decimals}f}" for part in vector) + "]"
