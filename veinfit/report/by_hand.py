"""What a person corrected, as pages, pictures and the 3D view mark it."""

from __future__ import annotations

from veinfit.anatomy.model import Anatomy, AppliedCorrection


def hand_words(anatomy: Anatomy, vein: str) -> str:
    """Say in a few words what was done to a vein by hand; empty where nothing was."""
    said: list[str] = []
    for one in anatomy.corrections:
        if one.corrected is None or one.corrected.name != vein:
            continue
        if one.what.startswith("added"):
            said.append("added by hand")
        elif one.vein != vein:
            said.append(f"renamed by hand from {one.vein}")
        if one.corrected.ostium.by_hand:
            said.append("ostium set by hand")
    return ", ".join(dict.fromkeys(said))


def dropped(anatomy: Anatomy) -> tuple[AppliedCorrection, ...]:
    """Return the corrections that say of something measured that it is no vein."""
    names = {vein.name for vein in anatomy.veins}
    return tuple(
        one for one in anatomy.corrections if one.corrected is None and one.vein not in names
    )


def dropped_words(one: AppliedCorrection) -> str:
    """Say who dropped a vein and why."""
    return f"dropped by hand: it is no vein ({one.who}: {one.why})"
