"""Shapes of many atria in one table, beside those of nine atria of living patients."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from veinfit.cohort.shapes.measure import HALF_PLANES, TURNING_DEG, AtriumShape, VeinShape
from veinfit.io.cells import csv_text

QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)
"""Columns of the table."""

WIDEST_VEIN_MM = 27.0
"""Veins with wider ostia are left out: common trunks, and ostia that lie in the atrium."""

FUNNEL_MM = 6.0
"""Length before the ostium over which the funnel's half angle is taken."""

FEW_SECTORS = 12
"""Of a vein with no more sectors that could be followed no spread is told."""

IPSILATERAL = (frozenset(("LSPV", "LIPV")), frozenset(("RSPV", "RIPV")))
"""Neighbours of one side."""

COLUMNS = ("measure", "q10", "q25", "q50", "q75", "q90", "count")
PATIENTS = "nine_atria.csv"

Values = Callable[[Sequence[AtriumShape]], Iterable[float]]


@dataclass(frozen=True)
class Row:
    """One measure over many atria: its quantiles, and of how many values."""

    measure: str
    quantiles: tuple[float, ...]
    count: int

    def overlaps(self, other: Row) -> bool:
        """Tell whether the ranges from 10 to 90 % have something in common."""
        low, high = self.quantiles[0], self.quantiles[-1]
        return low <= other.quantiles[-1] and other.quantiles[0] <= high

    def median_within(self, other: Row) -> bool:
        """Tell whether the median lies between the other's 10 and 90 %."""
        middle = self.quantiles[len(QUANTILES) // 2]
        return other.quantiles[0] <= middle <= other.quantiles[-1]


def _veins(shapes: Sequence[AtriumShape]) -> list[VeinShape]:
    return [v for s in shapes for v in s.veins.values() if v.ostium_mm < WIDEST_VEIN_MM]


def _extent(axis: int) -> Values:
    return lambda shapes: [
        float(s.extents_mm[axis]) / (1000.0 * s.volume_ml) ** (1.0 / 3.0) for s in shapes
    ]


def _beside_ostium(station: float) -> Values:
    return lambda shapes: [
        v.d_area_mm[station] / v.d_area_mm[0.0]
        for v in _veins(shapes)
        if station in v.d_area_mm and 0.0 in v.d_area_mm
    ]


def _ovality(station: float) -> Values:
    return lambda shapes: [v.ovality[station] for v in _veins(shapes) if station in v.ovality]


def _half_angles(shapes: Sequence[AtriumShape]) -> Iterable[float]:
    for vein in _veins(shapes):
        if {-FUNNEL_MM, 0.0} <= set(vein.d_area_mm):
            growth = vein.d_area_mm[-FUNNEL_MM] - vein.d_area_mm[0.0]
            yield float(np.degrees(np.arctan(growth / (2.0 * FUNNEL_MM))))


def _turns(shapes: Sequence[AtriumShape]) -> Iterable[float]:
    return np.concatenate([v.turn_deg for v in _veins(shapes)]).tolist()


def _lips(shapes: Sequence[AtriumShape]) -> Iterable[float]:
    return np.concatenate([v.lip_mm for v in _veins(shapes)]).tolist()


def _ridges(shapes: Sequence[AtriumShape], wanted: Callable[[frozenset[str]], bool]) -> list[float]:
    return [w for s in shapes for pair, w in s.ridges_mm.items() if wanted(frozenset(pair))]


MEASURES: dict[str, Values] = {
    "volume, ml": lambda shapes: [s.volume_ml for s in shapes],
    "body extent left-right over cube root of volume": _extent(0),
    "body extent front-back over cube root of volume": _extent(1),
    "body extent up-down over cube root of volume": _extent(2),
    "least over greatest principal extent of the body": lambda shapes: [
        float(s.principal_mm[0] / s.principal_mm[2]) for s in shapes
    ],
    "waviness of the body, RMS mm against a smoothed surface": lambda shapes: [
        s.waviness_mm for s in shapes
    ],
    **{
        f"d_area at s = {s:+.0f} mm over that at the ostium": _beside_ostium(s)
        for s in (-12.0, -9.0, -6.0, -3.0, 3.0, 6.0, 9.0)
    },
    **{f"ovality at s = {s:+.0f} mm": _ovality(s) for s in (-6.0, 0.0, 6.0)},
    "half angle of the funnel over 6 mm before the ostium, deg": _half_angles,
    "share of veins still parted from the body 6 mm before the ostium": lambda shapes: [
        float(-FUNNEL_MM in v.d_area_mm) for v in _veins(shapes)
    ],
    "turn of the wall from vein to atrium by sector, deg": _turns,
    "spread of that turn within a vein (SD), deg": lambda shapes: [
        float(np.std(v.turn_deg)) for v in _veins(shapes) if len(v.turn_deg) > FEW_SECTORS
    ],
    "radius of the lip by sector, mm": _lips,
    "share of sectors that turn by less than 30 deg or cannot be followed": lambda shapes: [
        1.0 - float((v.turn_deg >= TURNING_DEG).sum()) / HALF_PLANES for v in _veins(shapes)
    ],
    "length of the vein past the ostium, mm": lambda shapes: [v.length_mm for v in _veins(shapes)],
    "take-off from the wall, deg": lambda shapes: [
        v.takeoff_deg for v in _veins(shapes) if v.takeoff_deg is not None
    ],
    "narrowest wall between ipsilateral ostia, mm": lambda shapes: _ridges(
        shapes, lambda pair: pair in IPSILATERAL
    ),
    "ridge from LSPV to appendage, mm": lambda shapes: _ridges(shapes, lambda pair: "LAA" in pair),
}
"""All rows of the table, and where their values come from."""


def shape_table(shapes: Sequence[AtriumShape]) -> tuple[Row, ...]:
    """Return a row for every measure of which there is a value.

    Parameters
    ----------
    shapes : sequence of AtriumShape

    Returns
    -------
    tuple of Row
    """
    rows = []
    for measure, values in MEASURES.items():
        found = np.array([x for x in values(shapes) if np.isfinite(x)]) if shapes else np.empty(0)
        if len(found):
            quantiles = tuple(float(q) for q in np.quantile(found, QUANTILES))
            rows.append(Row(measure, quantiles, len(found)))
    return tuple(rows)


@lru_cache
def patients_table() -> dict[str, Row]:
    """Return the rows of nine atria of living patients, CT and MRI, by measure."""
    text = (files("veinfit.cohort.shapes") / PATIENTS).read_text("utf-8")
    return {
        line["measure"]: Row(
            line["measure"], tuple(float(line[q]) for q in COLUMNS[1:-1]), int(line["count"])
        )
        for line in csv.DictReader(io.StringIO(text))
    }


def table_csv(rows: Sequence[Row]) -> str:
    """Return rows as CSV.

    Parameters
    ----------
    rows : sequence of Row

    Returns
    -------
    str
    """
    cells = ([row.measure, *(f"{q:.4g}" for q in row.quantiles), row.count] for row in rows)
    return csv_text(COLUMNS, cells)


def table_markdown(rows: Sequence[Row], title: str) -> str:
    """Return rows beside those of the patients, and what does not agree, as Markdown.

    Parameters
    ----------
    rows : sequence of Row
    title : str
        Heads their column.

    Returns
    -------
    str
    """
    lines = [f"| measure | nine atria | {title} | |", "|---|---|---|---|"]
    for row in rows:
        real = patients_table().get(row.measure)
        told = "" if real is None else _told(real)
        apart = "" if real is None else _apart(row, real)
        lines.append(f"| {row.measure} | {told} | {_told(row)} | {apart} |")
    return "\n".join(lines) + "\n"


def _told(row: Row) -> str:
    digits = 2 if max(map(abs, row.quantiles)) < 10.0 else 1
    return " / ".join(f"{q:.{digits}f}" for q in row.quantiles) + f" ({row.count})"


def _apart(row: Row, real: Row) -> str:
    if not row.overlaps(real):
        return "apart"
    return "" if row.median_within(real) else "median outside"
