"""Joins observed attempts with predictions, row by row, and names what does not go together."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from veinfit.errors import InputError
from veinfit.io.inputs.observed import ObservedRow
from veinfit.validation.predictions import Prediction
from veinfit.vein_names import TRUNK_BRANCHES, USUAL_VEINS

TRUNKS: dict[str, tuple[str, ...]] = {
    vein: tuple(trunk for trunk, branches in TRUNK_BRANCHES.items() if vein in branches)
    for vein in USUAL_VEINS
}
"""Common trunks that a vein can be a branch of."""


class NoPairs(InputError):
    """Nothing that was observed goes with a prediction."""


@dataclass(frozen=True, slots=True)
class Pair:
    """An observed attempt and the prediction that goes with it."""

    observed: ObservedRow
    predicted: Prediction


@dataclass(frozen=True, slots=True)
class Joined:
    """What became of every observed row.

    Attributes
    ----------
    pairs : tuple of Pair
    left_out : tuple of (ObservedRow, str)
        Rows that count for nothing, with the reason.
    remarks : tuple of str
        What was taken for what.
    """

    pairs: tuple[Pair, ...]
    left_out: tuple[tuple[ObservedRow, str], ...]
    remarks: tuple[str, ...]


def join(observed: Sequence[ObservedRow], predictions: Sequence[Prediction]) -> Joined:
    """Join observed attempts with predictions.

    A vein that was predicted as part of a common trunk goes with the trunk. Where
    a row does not say the approach, the transseptal one is taken if it was
    predicted, and else the only one.

    Parameters
    ----------
    observed : sequence of ObservedRow
    predictions : sequence of Prediction

    Returns
    -------
    Joined

    Raises
    ------
    NoPairs
        Not one row goes with a prediction.
    InputError
        Predictions stand twice.
    """
    known = _by_case(predictions)
    rows, left_out = _once(observed)
    pairs: list[Pair] = []
    remarks: dict[str, None] = {}
    for row in rows:
        found = _match(row, known.get(row.case))
        if isinstance(found, str):
            left_out.append((row, found))
            continue
        if found.vein != row.vein:
            remarks[f"{row.case}: {row.vein} was predicted as {found.vein}, a common trunk"] = None
        pairs.append(Pair(row, found))
    left_out.sort(key=lambda item: item[0].line)
    if not pairs:
        first = "; ".join(f"{row.title}: {reason}" for row, reason in left_out[:5])
        raise NoPairs(f"no observed row goes with a prediction: {first}")
    return Joined(tuple(pairs), tuple(left_out), tuple(remarks))


def _by_case(predictions: Iterable[Prediction]) -> dict[str, list[Prediction]]:
    cases: dict[str, list[Prediction]] = defaultdict(list)
    seen = set()
    for item in predictions:
        key = (item.case, item.vein, item.balloon, item.approach)
        if key in seen:
            raise InputError(
                f"predictions: {' '.join(key)} appears twice; give every case its own name"
            )
        seen.add(key)
        cases[item.case].append(item)
    return cases


def _once(
    observed: Sequence[ObservedRow],
) -> tuple[list[ObservedRow], list[tuple[ObservedRow, str]]]:
    """Return the rows that stand once, and those that do not with the reason."""
    groups: dict[tuple[object, ...], list[ObservedRow]] = defaultdict(list)
    for row in observed:
        size = row.diameter_mm
        balloon = row.balloon if size is None else size
        groups[(row.case, row.vein, balloon, row.approach, row.attempt)].append(row)
    kept: list[ObservedRow] = []
    left_out: list[tuple[ObservedRow, str]] = []
    for rows in groups.values():
        first = rows[0]
        alike = all(replace(row, line=0, balloon="") == replace(first, line=0, balloon="")
                    for row in rows)  # fmt: skip
        if alike:
            kept.append(first)
            left_out += [(row, f"the same as line {first.line}") for row in rows[1:]]
            continue
        lines = ", ".join(str(row.line) for row in rows)
        reason = f"lines {lines} are the same attempt with other values; number the attempts"
        left_out += [(row, reason) for row in rows]
    return sorted(kept, key=lambda row: row.line), left_out


def _match(row: ObservedRow, fits: Sequence[Prediction] | None) -> Prediction | str:
    """Return the prediction for a row, or why there is none."""
    if not fits:
        return "the case was not predicted"
    veins = {fit.vein for fit in fits}
    vein = next((v for v in (row.vein, *TRUNKS.get(row.vein, ())) if v in veins), None)
    if vein is None:
        return f"the vein was not predicted; the case has {', '.join(sorted(veins))}"
    of_vein = [fit for fit in fits if fit.vein == vein]
    size = row.diameter_mm
    of_balloon = [
        fit
        for fit in of_vein
        if fit.balloon == row.balloon or (size is not None and math.isclose(fit.balloon_mm, size))
    ]
    if not of_balloon:
        names = ", ".join(sorted({fit.balloon for fit in of_vein}))
        return f"the balloon was not predicted; there are {names}"
    if len({fit.balloon for fit in of_balloon}) > 1:
        names = ", ".join(sorted({fit.balloon for fit in of_balloon}))
        return f"several balloons have this size; write one of {names}"
    approaches = {fit.approach: fit for fit in of_balloon}
    wanted = row.approach or ("transseptal" if "transseptal" in approaches else min(approaches))
    fit = approaches.get(wanted)
    if fit is None:
        return f"the approach was not predicted; there is {', '.join(sorted(approaches))}"
    if fit.occluded is None:
        return f"the prediction is {fit.outcome!r}: {fit.reason}"
    return fit
