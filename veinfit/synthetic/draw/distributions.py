"""What a synthetic cohort is drawn from: distributions and shares with their sources, from TOML."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.io.files import LARGEST_TABLE_BYTES, read_bytes
from veinfit.synthetic.draw.truncated import KINDS, Source, TruncatedDistribution
from veinfit.toml import parse_toml
from veinfit.vectors import FloatArray
from veinfit.vein_names import USUAL_VEINS

BUILT_IN = "distributions.toml"
"""The file in this folder that is drawn from when no other is given."""

SIZE = ("ostial_diameter_mm", "ovality")
COURSE = ("takeoff_frontal_deg", "takeoff_transverse_deg")
MEASURES: Mapping[str, tuple[str, ...]] = {
    "atrium": ("volume_ml",),
    **{name: (*SIZE, "first_branch_mm", *COURSE) for name in USUAL_VEINS},
    "common": (*SIZE, "first_branch_mm"),
    "RMPV": (*SIZE, "first_branch_mm"),
    "roof": SIZE,
}
"""The measures that a file must give, by table."""

BOUNDS: Mapping[str, tuple[float, float]] = {
    "volume_ml": (30.0, 250.0),
    "ostial_diameter_mm": (3.0, 50.0),
    "ovality": (1.0, 2.5),
    "first_branch_mm": (2.0, 60.0),
    "takeoff_frontal_deg": (-70.0, 70.0),
    "takeoff_transverse_deg": (-70.0, 70.0),
}
"""Between these the generator can build: ranges must lie within."""

VARIANTS = (
    "left_common", "right_common", "right_middle", "two_middle", "roof", "inferior_common",
)  # fmt: skip
RIGHT_VARIANTS = ("right_common", "right_middle", "two_middle", "roof")
"""At most one of these is drawn for a case."""

ENTRY_KEYS = ("law", "mean", "sd", "low", "high", "source", "sd_source")
SHARE_KEYS = ("share", "patients", "source")
SHAPE: Mapping[str, tuple[float, float]] = {
    "body_breadth": (0.9, 1.5),
    "body_depth": (0.4, 1.1),
    "wave_mm": (0.01, 1.5),
    "lip_mm": (0.5, 12.9),
    "mouth_ratio": (1.01, 4.0),
    "funnel_inside_mm": (0.1, 18.0),
    "funnel_outside_mm": (0.5, 15.0),
    "vein_ovality": (1.0, 2.0),
    "gap_mm": (-10.0, 20.0),
    "seen_mm": (3.0, 40.0),
}
"""Parameters of the shape of atria of the real kind, with the range they can be built in."""

TABLES = ("sources", "variants", "correlation", "shape", *MEASURES)


@dataclass(frozen=True, slots=True)
class Share:
    """How often a variant is drawn; ``patients`` is the size of the series it comes from."""

    share: float
    patients: int | None
    source: Source


@dataclass(frozen=True, eq=False)
class Distributions:
    """All that a cohort is drawn from.

    Attributes
    ----------
    of_measures : mapping of (table, measure) to TruncatedDistribution
        In the order of :data:`MEASURES`.
    shape : mapping of str to TruncatedDistribution
        Of every parameter in :data:`SHAPE`.
    shares : mapping of str to Share
        Of every one of :data:`VARIANTS`.
    correlation : (N, N) array
        Between the normal scores of the measures, in their order.
    text : str
        The file they were read from.
    """

    of_measures: Mapping[tuple[str, str], TruncatedDistribution]
    shape: Mapping[str, TruncatedDistribution]
    shares: Mapping[str, Share]
    correlation: FloatArray
    text: str


def built_in_distributions() -> Distributions:
    """Return the distributions of published series that come with the program."""
    text = (files("veinfit.synthetic") / BUILT_IN).read_text("utf-8")
    return parse_distributions(text, "built-in distributions")


def read_distributions(path: Path) -> Distributions:
    """Read a distribution file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Distributions

    Raises
    ------
    InputError
        It cannot be read, or something in it is wrong; the message lists every fault.
    """
    source = f"distribution file {path}"
    content = read_bytes(path, "distribution file", LARGEST_TABLE_BYTES)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{source} is not UTF-8 text; save it as UTF-8") from error
    return parse_distributions(text, source)


def parse_distributions(text: str, where: str) -> Distributions:
    """Build distributions from TOML.

    Parameters
    ----------
    text : str
    where : str
        What it comes from, for the message.

    Returns
    -------
    Distributions

    Raises
    ------
    InputError
        Something in it is wrong; the message lists every fault.
    """
    content = parse_toml(text, where)
    faults: list[str] = []
    _known(content, TABLES, "table", faults)
    sources = _sources(content.get("sources", {}), faults)
    of_measures: dict[tuple[str, str], TruncatedDistribution] = {}
    for table, measures in MEASURES.items():
        given = _table(content, table, faults)
        _known(given, measures, f"measure in [{table}]", faults)
        for measure in measures:
            distribution = _truncated(
                f"{table}.{measure}", given.get(measure), BOUNDS[measure], sources, faults
            )
            if distribution is not None:
                of_measures[table, measure] = distribution
    shape: dict[str, TruncatedDistribution] = {}
    given = _table(content, "shape", faults)
    _known(given, SHAPE, "parameter in [shape]", faults)
    for name, bounds in SHAPE.items():
        distribution = _truncated(f"shape.{name}", given.get(name), bounds, sources, faults)
        if distribution is not None:
            shape[name] = distribution
    shares = _shares(_table(content, "variants", faults), sources, faults)
    correlation = _correlation(content.get("correlation", []), list(of_measures), sources, faults)
    if faults:
        raise InputError(f"{where}: " + "; ".join(faults))
    return Distributions(of_measures, shape, shares, correlation, text)


def _table(content: Mapping[str, Any], name: str, faults: list[str]) -> Mapping[str, Any]:
    given = content.get(name)
    if given is None:
        faults.append(f"[{name}] is missing")
    elif not isinstance(given, Mapping):
        faults.append(f"[{name}] must be a table")
    return given if isinstance(given, Mapping) else {}


def _known(given: Iterable[str], known: Iterable[str], kind: str, faults: list[str]) -> None:
    names = tuple(known)
    for name in given:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(names)}"
            faults.append(f"unknown {kind} {name!r}; {hint}")


def _sources(given: Any, faults: list[str]) -> dict[str, Source]:
    found: dict[str, Source] = {}
    for name, entry in given.items() if isinstance(given, Mapping) else ():
        text = entry.get("text") if isinstance(entry, Mapping) else None
        published = entry.get("published", True) if isinstance(entry, Mapping) else True
        if not isinstance(text, str) or not text.strip() or not isinstance(published, bool):
            faults.append(f"[sources.{name}] needs a text, and published = true or false")
            continue
        found[name] = Source(name, text, published)
    return found


def _source(
    where: str, name: Any, sources: Mapping[str, Source], faults: list[str]
) -> Source | None:
    if isinstance(name, str) and name in sources:
        return sources[name]
    faults.append(f"{where}: source {name!r} is none of [sources]")
    return None


def _numbers(
    where: str, given: Mapping[str, Any], keys: Iterable[str], faults: list[str]
) -> dict[str, float] | None:
    """Return the finite numbers under ``keys``; file those that are none as faults."""
    found: dict[str, float] = {}
    bad = []
    for key in keys:
        value = given.get(key)
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            bad.append(key)
        else:
            found[key] = float(value)
    if bad:
        faults.append(f"{where}: {', '.join(bad)} must be given as numbers")
        return None
    return found


def _truncated(
    where: str,
    given: Any,
    bounds: tuple[float, float],
    sources: Mapping[str, Source],
    faults: list[str],
) -> TruncatedDistribution | None:
    if not isinstance(given, Mapping):
        faults.append(f"{where} is missing or no table of mean, sd, low, high and source")
        return None
    _known(given, ENTRY_KEYS, f"entry of {where}", faults)
    kind = given.get("law", "normal")
    if kind not in KINDS:
        faults.append(f"{where}: law {kind!r} is none of {', '.join(KINDS)}")
    source = _source(where, given.get("source"), sources, faults)
    sd_source = source
    if "sd_source" in given:
        sd_source = _source(where, given["sd_source"], sources, faults)
    n = _numbers(where, given, ("mean", "sd", "low", "high"), faults)
    if n is None or kind not in KINDS or source is None or sd_source is None:
        return None
    low, high = bounds
    if not low <= n["low"] < n["mean"] < n["high"] <= high or n["sd"] <= 0.0:
        faults.append(
            f"{where}: low < mean < high within {low:g} to {high:g} and an SD over 0 are needed"
        )
        return None
    if kind == "lognormal" and n["low"] <= 0.0:
        faults.append(f"{where}: a lognormal distribution needs a low over 0")
        return None
    distribution = TruncatedDistribution(
        kind, n["mean"], n["sd"], n["low"], n["high"], source, sd_source
    )
    try:
        distribution.parameters  # noqa: B018
    except ValueError as error:
        faults.append(f"{where}: {error}")
        return None
    return distribution


def _shares(
    given: Mapping[str, Any], sources: Mapping[str, Source], faults: list[str]
) -> dict[str, Share]:
    _known(given, VARIANTS, "variant", faults)
    found: dict[str, Share] = {}
    for name in VARIANTS:
        where = f"variants.{name}"
        entry = given.get(name)
        if not isinstance(entry, Mapping):
            faults.append(f"{where} is missing or no table of share and source")
            continue
        _known(entry, SHARE_KEYS, f"entry of {where}", faults)
        source = _source(where, entry.get("source"), sources, faults)
        number = _numbers(where, entry, ("share",), faults)
        patients = entry.get("patients")
        if patients is not None and (isinstance(patients, bool) or not isinstance(patients, int)):
            faults.append(f"{where}: patients must be a whole number")
            continue
        if number is None or source is None:
            continue
        if not 0.0 <= number["share"] <= 1.0:
            faults.append(f"{where}: the share {number['share']:g} is not from 0 to 1")
        found[name] = Share(number["share"], patients, source)
    total = sum(found[name].share for name in RIGHT_VARIANTS if name in found)
    if total > 1.0:
        faults.append(f"variants: {', '.join(RIGHT_VARIANTS)} have {total:g} in all, more than 1")
    return found


def _correlation(
    given: Any, names: list[tuple[str, str]], sources: Mapping[str, Source], faults: list[str]
) -> FloatArray:
    matrix = np.eye(len(names))
    index = {f"{table}.{measure}": k for k, (table, measure) in enumerate(names)}
    for number, entry in enumerate(given if isinstance(given, list) else [given], start=1):
        where = f"correlation {number}"
        if not isinstance(entry, Mapping):
            faults.append(f"{where} must be a table of between, r and source")
            continue
        _known(entry, ("between", "r", "source"), f"entry of {where}", faults)
        _source(where, entry.get("source"), sources, faults)
        found = _numbers(where, entry, ("r",), faults)
        pair = entry.get("between")
        if (
            not isinstance(pair, list)
            or len(pair) != 2
            or not all(isinstance(p, str) for p in pair)
        ):
            faults.append(f"{where}: between must name two measures, such as 'LSPV.ovality'")
            continue
        missing = [name for name in pair if name not in index]
        if missing or pair[0] == pair[1]:
            faults.append(f"{where}: {', '.join(missing or pair)} cannot be correlated")
            continue
        if found is None:
            continue
        i, j = (index[name] for name in pair)
        matrix[i, j] = matrix[j, i] = found["r"]
    # A file without a single distribution has been told so already.
    if names and np.linalg.eigvalsh(matrix).min() < 1e-9:
        faults.append("correlations: no set of measures can have all these coefficients at once")
    return matrix
