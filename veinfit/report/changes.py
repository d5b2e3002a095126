"""Two results side by side: before and after a correction, or two phases of the heart."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeGuard

from markupsafe import Markup

from veinfit.report.pages import CAUTIONS, environment, template_text

Document = Mapping[str, Any]
"""The content of a ``case.json``."""

VEIN_QUANTITIES = (
    ("d_max_mm", "mm", 1), ("d_min_mm", "mm", 1), ("ovality", "1", 2), ("area_mm2", "mm2", 0),
    ("d_area_mm", "mm", 1), ("takeoff_wall_deg", "deg", 0), ("takeoff_frontal_deg", "deg", 0),
    ("takeoff_transverse_deg", "deg", 0), ("trunk_length_mm", "mm", 1), ("confidence", "1", 2),
)  # fmt: skip
FIT_QUANTITIES = (
    ("outcome", "", 0), ("sealed", "", 0), ("occluded", "", 0), ("seal_probability", "1", 2),
    ("leak_width_mm", "mm", 1), ("leak_area_mm2", "mm2", 0), ("leak_side", "", 0),
    ("occlusion_grade", "", 0), ("depth_mm", "mm", 1), ("nose_depth_mm", "mm", 1),
    ("contact_arc_deg", "deg", 0), ("antral_area_mm2", "mm2", 0),
)  # fmt: skip
OSTIUM_DISTANCE = "ostium_distance_mm"

CHANGE_COLUMNS = ("vein", "balloon", "approach", "quantity", "unit", "before", "after", "change")
"""Columns of ``changes.csv``."""


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity in two results, as it is written; empty where a result does not have it."""

    vein: str
    balloon: str
    approach: str
    quantity: str
    unit: str
    before: str
    after: str
    change: str

    @property
    def differs(self) -> bool:
        """Whether the two are written differently."""
        return self.before != self.after or self.quantity == OSTIUM_DISTANCE


def case_changes(before: Document, after: Document) -> tuple[Change, ...]:
    """Return every quantity of the veins and of the fits in both results, vein by vein.

    Veins, balloons and approaches go by their names: what one result alone has
    stands beside nothing.
    """
    veins = [_keyed(d["anatomy"]["veins"], lambda v: v["vein"]) for d in (before, after)]
    fits = [
        _keyed(d["fits"], lambda f: (f["vein"], f["balloon"], f["approach"]))
        for d in (before, after)
    ]
    names = dict.fromkeys([*veins[0], *veins[1], *(key[0] for f in fits for key in f)])
    changes: list[Change] = []
    for name in names:
        old, new = veins[0].get(name, {}), veins[1].get(name, {})
        changes += [_change((name, "", ""), q, old, new) for q in VEIN_QUANTITIES]
        changes += _moved(name, old, new)
        for key in dict.fromkeys(k for f in fits for k in f if k[0] == name):
            one, other = fits[0].get(key, {}), fits[1].get(key, {})
            changes += [_change(key, q, one, other) for q in FIT_QUANTITIES]
    return tuple(changes)


def case_differences(before: Document, after: Document) -> tuple[str, ...]:
    """Say what besides the anatomy differs: what makes two results hard to compare."""
    said = []
    runs = before["run"], after["run"]
    versions = [run["versions"].get("veinfit") for run in runs]
    if versions[0] != versions[1]:
        said.append(f"program version {versions[0]} and {versions[1]}")
    settings = [
        {f"{g}.{n}": s["value"] for g, group in run["settings"].items() for n, s in group.items()}
        for run in runs
    ]
    for name in sorted(settings[0].keys() | settings[1].keys()):
        pair = settings[0].get(name), settings[1].get(name)
        if pair[0] != pair[1]:
            said.append(f"setting {name}: {pair[0]} and {pair[1]}")
    balloons = [[b["name"] for b in run["balloons"]] for run in runs]
    if balloons[0] != balloons[1]:
        said.append(f"balloons {', '.join(balloons[0])} and {', '.join(balloons[1])}")
    hashes = [[i["sha256"] for i in run["inputs"] if i["role"] == "input"] for run in runs]
    if hashes[0] != hashes[1]:
        said.append("the input files: distances between ostia mean something in one frame only")
    return tuple(said)


def changes_page(before: Document, after: Document) -> str:
    """Return the comparison as one HTML page that needs no network."""
    return (
        environment()
        .get_template("changes.html.j2")
        .render(
            cases=(_about(before), _about(after)),
            changes=case_changes(before, after),
            differences=case_differences(before, after),
            cautions=CAUTIONS,
            style=Markup(template_text("report.css")),
        )
    )


def _about(document: Document) -> dict[str, str]:
    case = document["case"]
    corrections = document.get("corrections", ())
    return {
        "id": case["id"] or "unnamed case",
        "phase": case["cardiac_phase"] or "not stated",
        "image_date": case["image_date"] or "not stated",
        "created": document["created"],
        "corrections": "; ".join(f"{c['vein']}: {c['what']} ({c['who']})" for c in corrections),
    }


def _keyed(items: Iterable[Any], key: Callable[[Any], Any]) -> dict[Any, Any]:
    return {key(item): item for item in items}


def _change(
    key: tuple[str, str, str], quantity: tuple[str, str, int], old: Document, new: Document
) -> Change:
    name, unit, digits = quantity
    a, b = old.get(name), new.get(name)
    change = ""
    if _is_number(a) and _is_number(b):
        change = f"{round(b, digits) - round(a, digits) + 0.0:+.{digits}f}"
    return Change(*key, name, unit, _written(a, digits), _written(b, digits), change)


def _moved(name: str, old: Document, new: Document) -> list[Change]:
    if not old or not new:
        return []
    places = [[v[f"ostium_{c}_mm"] for c in "xyz"] for v in (old, new)]
    return [
        Change(name, "", "", OSTIUM_DISTANCE, "mm", "", "", f"{math.dist(*places):.1f}")
    ]  # fmt: skip


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _written(value: Any, digits: int) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.{digits}f}" if _is_number(value) else str(value)
