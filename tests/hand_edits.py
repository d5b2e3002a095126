"""Edits of a tree of JSON as a person, or a program that knows no better, might make them."""

from __future__ import annotations

import copy
import random
from typing import Any

Place = tuple[str | int, ...]

WRONG: tuple[Any, ...] = (
    "text", "", 1, 0, -1, 1.5, -7.25, 10**30, 10**400, 1e300, None, True, [], [1], ["a"], {},
    {"tuple": ["x"]}, {"map": {"a": 1}}, {"list": []}, {"same": 0}, {"same": -1}, {"same": 5},
    {"array": [], "kind": "<f8", "shape": [0]}, {"array": [1.0], "kind": "<f8", "shape": [1]},
    {"array": [[1, 2, 3]], "kind": "<i8", "shape": [1, 3]},
    {"array": ["a"], "kind": "<U1", "shape": [1]},
    {"stored": "a0", "kind": "<f8", "steps": True}, {"stored": "a1", "kind": "<i8", "steps": False},
)  # fmt: skip
"""What may stand in the place of a value; also in the words of an archive."""

NO_NUMBERS = float("nan"), float("inf"), -float("inf")
"""What JSON has no words for, and Python's reader takes all the same."""


def kinds_of_places(tree: Any) -> list[list[Place]]:
    """Return all places, those together that differ in numbers of lists alone."""
    found: dict[Place, list[Place]] = {}

    def walk(value: Any, place: Place) -> None:
        kind = tuple("#" if isinstance(step, int) else step for step in place)
        found.setdefault(kind, []).append(place)
        items = value.items() if isinstance(value, dict) else ()
        for name, inner in enumerate(value) if isinstance(value, list) else items:
            walk(inner, (*place, name))

    walk(tree, ())
    return [places for kind, places in sorted(found.items(), key=str) if kind]


def edited(
    tree: Any, kinds: list[list[Place]], rng: random.Random, wrong: tuple[Any, ...] = WRONG
) -> tuple[Any, str]:
    """Return a copy of a tree with one edit, and what it is."""
    place = rng.choice(rng.choice(kinds))
    # Only what lies on the way is copied.
    whole = at = copy.copy(tree)
    for step in place[:-1]:
        at[step] = copy.copy(at[step])
        at = at[step]
    old = at[place[-1]]
    number = isinstance(old, (int, float)) and not isinstance(old, bool)
    how = rng.random()
    if how < 0.15:
        del at[place[-1]]
        return whole, f"{place} gone"
    if number and how < 0.4:
        at[place[-1]] = rng.choice([old * 1000, -old, old + 1, str(old), 1e7, old * 1e-6, 1e11])
    elif isinstance(old, list) and old and how < 0.4:
        at[place[-1]] = rng.choice([old[:-1], old[::-1], [*old, old[0]], [old]])
    elif isinstance(old, dict) and how < 0.3:
        at[place[-1]] = {**old, "surprise": 1}
    else:
        at[place[-1]] = rng.choice(wrong)
    return whole, f"{place}: {str(old)[:60]} became {str(at[place[-1]])[:60]}"
