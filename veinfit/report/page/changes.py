"""Two results side by side: before and after a correction, or two phases of the heart."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any, TypeGuard

from markupsafe import Markup

from veinfit.report.cautions import CAUTIONS
from veinfit.report.page.changed_quantities import FIT_QUANTITIES, VEIN_QUANTITIES
from veinfit.report.page.pages import environment, template_text
from veinfit.result.columns import column
from veinfit.seating.kinds import DEFAULT_APPROACH

Document = Mapping[str, Any]
"""The content of a ``case.json``."""

OSTIUM_DISTANCE = "ostium_distance_mm"

CHANGE_COLUMNS = (
    "vein", "balloon", "approach", "quantity", "unit", "before", "after", "change", "vein_before",
    "before_low", "before_high", "after_low", "after_high",
)  # fmt: skip
"""Columns of ``changes.csv``."""

SAME_PLACE_MM = 8.0
"""Ostia of other names that lie nearer than this in one input are the same vein's."""

LABELS: Mapping[str, str] = {
    **{name: column("veins", name).label for name, _, _ in VEIN_QUANTITIES},
    **{name: column("fits", name).label for name, _, _ in FIT_QUANTITIES},
    OSTIUM_DISTANCE: "Distance between the two ostia",
}
"""What the quantities are called on the page."""


ENDS = "low", "high"
"""Of an interval."""

SEAT_WORDS = {"true": "sealed", "false": "not sealed", "": "not assessed"}


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity in two results, as it is written; empty where a result does not have it.

    ``vein`` is the name in the second result, ``vein_before`` in the first; where
    one of them does not have the vein, both are the other's.
    """

    vein: str
    balloon: str
    approach: str
    quantity: str
    unit: str
    before: str
    after: str
    change: str
    vein_before: str
    before_low: str = ""
    before_high: str = ""
    after_low: str = ""
    after_high: str = ""

    @property
    def label(self) -> str:
        """What the quantity is called on the page."""
        return LABELS.get(self.quantity, self.quantity)

    @property
    def told_before(self) -> str:
        """The value before as a reader sees it, with its interval."""
        return _told(self.before, self.before_low, self.before_high)

    @property
    def told_after(self) -> str:
        """The value after as a reader sees it, with its interval."""
        return _told(self.after, self.after_low, self.after_high)

    @property
    def differs(self) -> bool:
        """Whether the two are written differently."""
        if self.quantity == OSTIUM_DISTANCE:
            return float(self.change) > 0.0
        written = (self.before, self.before_low, self.before_high)
        return written != (self.after, self.after_low, self.after_high)


def case_changes(before: Document, after: Document) -> tuple[Change, ...]:
    """Return every quantity of the veins and of the fits in both results, vein by vein.

    A vein that a person renamed stands beside itself; so does, in two results of
    one input, a vein that has another name at the same place. Balloons and
    approaches go by their names: what one result alone has stands beside nothing.

    Parameters
    ----------
    before, after : Document
        What :func:`veinfit.io.results.document.read_document` returns.

    Returns
    -------
    tuple of Change
    """
    veins = [_keyed(d["anatomy"]["veins"], lambda v: v["vein"]) for d in (before, after)]
    fits = [
        _keyed(d["fits"], lambda f: (f["vein"], f["balloon"], f["approach"]))
        for d in (before, after)
    ]
    changes: list[Change] = []
    for first, second in paired_veins(before, after):
        old, new = veins[0].get(first, {}), veins[1].get(second, {})
        names = second or first, first or second
        changes += [_change((names[0], "", ""), names[1], q, old, new) for q in VEIN_QUANTITIES]
        changes += _moved(names, old, new)
        keys = [[k[1:] for k in f if k[0] == n] for f, n in zip(fits, (first, second), strict=True)]
        for key in dict.fromkeys([*keys[0], *keys[1]]):
            one, other = fits[0].get((first, *key), {}), fits[1].get((second, *key), {})
            changes += [_change((names[0], *key), names[1], q, one, other) for q in FIT_QUANTITIES]
    return tuple(changes)


def paired_veins(before: Document, after: Document) -> tuple[tuple[str, str], ...]:
    """Return the name of every vein in both results; empty where one does not have it."""
    documents = before, after
    names = [
        list(dict.fromkeys([*(v["vein"] for v in d["anatomy"]["veins"]),
                            *(f["vein"] for f in d["fits"])]))
        for d in documents
    ]  # fmt: skip
    found = [_found_names(d) for d in documents]
    pairs: list[tuple[str, str]] = []
    left = list(names[1])
    for name in names[0]:
        own = found[0].get(name, name)
        other = next((n for n in left if found[1].get(n, n) == own), "")
        if other:
            left.remove(other)
        pairs.append((name, other))
    if _inputs(before) == _inputs(after):
        for k, (name, other) in enumerate(pairs):
            near = "" if other else _nearest(name, left, before, after)
            if near:
                left.remove(near)
                pairs[k] = (name, near)
    return (*pairs, *(("", name) for name in left))


def _found_names(document: Document) -> dict[str, str]:
    """Return the name under which each corrected vein was found, by its name now."""
    return {
        c["corrected"]["vein"]: c["vein"]
        for c in document.get("corrections", ())
        if c.get("corrected") and c.get("automatic")
    }


def _nearest(name: str, others: Iterable[str], before: Document, after: Document) -> str:
    """Return the vein of the other result whose ostium lies where this one's does."""
    places = [{v["vein"]: _ostium(v) for v in d["anatomy"]["veins"]} for d in (before, after)]
    if name not in places[0]:
        return ""
    away = {n: math.dist(places[0][name], places[1][n]) for n in others if n in places[1]}
    best = min(away, key=lambda n: away[n], default="")
    return best if best and away[best] < SAME_PLACE_MM else ""


def _ostium(vein: Document) -> list[float]:
    return [vein[f"ostium_{c}_mm"] for c in "xyz"]


def _inputs(document: Document) -> list[str]:
    return [i["sha256"] for i in document["run"]["inputs"] if i["role"] == "input"]


def case_differences(before: Document, after: Document) -> tuple[str, ...]:
    """Say what besides anatomy and input differs: what makes two results hard to compare.

    Parameters
    ----------
    before, after : Document

    Returns
    -------
    tuple of str
    """
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
            first, second = ("not there" if value is None else value for value in pair)
            said.append(f"setting {name}: {first} and {second}")
    balloons = [[b["name"] for b in run["balloons"]] for run in runs]
    if balloons[0] != balloons[1]:
        said.append(f"balloons {', '.join(balloons[0])} and {', '.join(balloons[1])}")
    return tuple(said)


def input_caution(before: Document, after: Document) -> str:
    """Say what other input files do to the comparison, before everything else; else empty.

    Parameters
    ----------
    before, after : Document

    Returns
    -------
    str
    """
    if _inputs(before) == _inputs(after):
        return ""
    return (
        "The two results are of different input files. What changed is told as if both were of "
        "one heart, and how far ostia moved is valid only if both lie in one frame."
    )


def changes_page(before: Document, after: Document) -> str:
    """Return the comparison as one HTML page that needs no network.

    Parameters
    ----------
    before, after : Document

    Returns
    -------
    str
    """
    changes = case_changes(before, after)
    return (
        environment()
        .get_template("changes.html.j2")
        .render(
            cases=(_about(before), _about(after)),
            # In the order in which veins are told everywhere, not by their letters.
            veins=[list(rows) for _, rows in groupby(changes, lambda c: (c.vein, c.vein_before))],
            headlines=change_headlines(changes, before, after),
            input_caution=input_caution(before, after),
            differences=case_differences(before, after),
            cautions=CAUTIONS,
            units={"1": "", "deg": "°", "mm2": "mm²"},
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


def change_headlines(
    changes: Iterable[Change], before: Document, after: Document
) -> tuple[str, ...]:
    """Say what changed, the predictions first: a sentence for each vein and balloon.

    Parameters
    ----------
    changes : iterable of Change
        As :func:`case_changes` returns them.
    before, after : Document

    Returns
    -------
    tuple of str
    """
    dropped = [c["vein"] for c in after.get("corrections", ()) if not c.get("corrected")]
    groups: dict[tuple[str, str, str], dict[str, Change]] = {}
    for one in changes:
        groups.setdefault((one.vein, one.balloon, one.approach), {})[one.quantity] = one
    several = len({key[2] for key in groups if key[1]}) > 1
    fits = [_fit_headline(key, group, several) for key, group in groups.items() if key[1]]
    veins = [_vein_headline(group, dropped) for key, group in groups.items() if not key[1]]
    return tuple(filter(None, (*fits, *veins)))


def _fit_headline(key: tuple[str, str, str], group: Mapping[str, Change], several: bool) -> str:
    vein, balloon, approach = key
    chance, seats = group["seal_probability"], _seats(group)
    if not all(seats):
        return ""
    said = []
    if chance.before != chance.after and chance.before and chance.after:
        apart = _apart(chance)
        said.append(
            f"predicted probability of an antral seal in one try {chance.told_after}, before "
            f"{chance.told_before}{apart}"
        )
    if seats[0] != seats[1]:
        said.append(f"nominal seat {seats[1]}, before {seats[0]}")
    beside = (approach,) if several or approach != DEFAULT_APPROACH else ()
    who = ", ".join((vein, balloon, *beside))
    return f"{who}: {'; '.join(said)}." if said else ""


def _seats(group: Mapping[str, Change]) -> tuple[str, str]:
    """Say what the nominal seats before and after are; empty for a fit that a result lacks."""
    outcome, seal = group["outcome"], group["sealed"]
    none = "passes through", "cannot reach"
    first, second = (
        f"none ({what})" if what in none else what and SEAT_WORDS[sealed]
        for what, sealed in ((outcome.before, seal.before), (outcome.after, seal.after))
    )
    return first, second


def _apart(chance: Change) -> str:
    """Say whether two intervals share anything."""
    bounds = (chance.before_low, chance.before_high, chance.after_low, chance.after_high)
    if not all(bounds):
        return ""
    low, high, other_low, other_high = map(float, bounds)
    return f", intervals {'overlap' if other_low <= high and low <= other_high else 'apart'}"


def _vein_headline(group: Mapping[str, Change], dropped: Iterable[str]) -> str:
    size, moved = group["d_area_mm"], group.get(OSTIUM_DISTANCE)
    vein, first = size.vein, size.vein_before
    if not size.after and size.before:
        return f"{vein}: dropped by hand." if vein in dropped else f"{vein}: no longer there."
    if size.after and not size.before:
        return f"{vein}: new."
    said = []
    if vein != first:
        said.append(f"called {first} before")
    if moved is not None and float(moved.change) > 0.0:
        said.append(
            f"ostium moved by {moved.change} mm, diameter by area {size.after} mm, before "
            f"{size.before} mm"
        )
    return f"{vein}: {'; '.join(said)}." if said else ""


def _change(
    key: tuple[str, str, str],
    vein_before: str,
    quantity: tuple[str, str, int],
    old: Document,
    new: Document,
) -> Change:
    name, unit, digits = quantity
    a, b = old.get(name), new.get(name)
    change = ""
    if _is_number(a) and _is_number(b):
        change = f"{round(b, digits) - round(a, digits) + 0.0:+.{digits}f}"
    bounds = (_written(d.get(f"{name}_{end}"), digits) for d in (old, new) for end in ENDS)
    values = _written(a, digits), _written(b, digits)
    return Change(*key, name, unit, *values, change, vein_before, *bounds)


def _moved(names: tuple[str, str], old: Document, new: Document) -> list[Change]:
    if not old or not new:
        return []
    away = f"{math.dist(_ostium(old), _ostium(new)):.1f}"
    return [Change(names[0], "", "", OSTIUM_DISTANCE, "mm", "", "", away, names[1])]


def _told(value: str, low: str, high: str) -> str:
    """Return a value as a reader sees it."""
    text = {"true": "yes", "false": "no"}.get(value, value)
    if text.startswith("-"):
        text = f"−{text[1:]}"
    return f"{text} ({low} to {high})" if low and high else text


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _written(value: Any, digits: int) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    # Adding zero takes the sign from a number that rounds to none.
    return f"{round(value, digits) + 0.0:.{digits}f}" if _is_number(value) else str(value)
