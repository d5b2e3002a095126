"""The benchmark's tables, as Markdown."""

from __future__ import annotations

import os
import platform
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

BEGIN, END = "<!-- benchmark -->", "<!-- end of benchmark -->"

STAGES = ("reading the input", "anatomy", "seating")
FLOOR = ("read and decompress", "crop", "distance transform", "surface")


def table(told: Mapping[str, Any]) -> str:
    """Return all tables of one run."""
    floor_s = sum(told["floor"][name] for name in FLOOR)
    return "\n\n".join(
        [
            _prose(
                f"One run of `python -m tests.benchmarks` on {os.cpu_count()} cores of "
                f"{platform.machine()}, Python {platform.python_version()}, at a load of "
                f"{told['load']:.1f} by other work; seconds of processor. Start-up takes "
                f"{told['start-up']['start-up']:.1f} s and is in no other figure."
            ),
            _floor(told["floor"], floor_s),
            _jobs(told, floor_s),
            _libraries(told["libraries"]),
        ]
    )


def _floor(floor: Mapping[str, float], floor_s: float) -> str:
    parts = ", ".join(f"{name} {floor[name]:.2f}" for name in FLOOR)
    return _prose(
        f"The floor, which is what any program has to do with the volume, by nibabel, scipy and "
        f"scikit-image: {floor_s:.2f} s ({parts})."
    )


def _jobs(told: Mapping[str, Any], floor_s: float) -> str:
    names = list(told["nominal"])
    rows = [["", *names], ["---", *("--:" for _ in names)]]

    def row(title: str, cells: list[str]) -> None:
        rows.append([title, *cells])

    nominal, margin, whole = (
        [told[kind][name] for name in names] for kind in ("nominal", "margin", "whole")
    )
    for stage, title in zip(STAGES, ("reading", "anatomy", "nominal seats"), strict=True):
        row(title, [f"{job[stage]:.1f}" for job in nominal])
    sums = [sum(job[stage] for stage in STAGES) for job in nominal]
    row("**these three**", [f"**{total:.1f}**" for total in sums])
    row("**times the floor**", [f"**{total / floor_s:.1f}**" for total in sums])
    for title, job, without in (
        ("margin of 64 chains for 8 seats, besides", margin, nominal),
        ("aim maps, growth, plans and crossings, besides", whole, margin),
    ):
        seconds = [one["seating"] - less["seating"] for one, less in zip(job, without, strict=True)]
        row(title, [f"{one:.1f}" for one in seconds])
    row("pictures", [f"{job['pictures']:.1f}" for job in whole])
    row(
        "tables, report, 3D view, archive",
        [f"{job['report'] + job['tables']:.1f}" for job in whole],
    )
    row(
        "whole job",
        [f"{sum(s for stage, s in job.items() if stage != 'peak_mb'):.1f}" for job in whole],
    )
    row("peak memory up to the nominal seats, MB", [f"{job['peak_mb']:.0f}" for job in nominal])
    row("peak memory of the whole job, MB", [f"{job['peak_mb']:.0f}" for job in whole])
    floor = told["floor"]
    return "\n".join(_line(cells) for cells in rows) + (
        f"\n\nThe crop of the volume takes {floor['crop_mb']:.0f} MB, a byte a voxel; the floor "
        f"peaks at {floor['peak_mb']:.0f} MB."
    )


def _libraries(rows: list[dict[str, Any]]) -> str:
    lines = [
        ["stage", "here", "a general library", "there", "its answer differs"],
        ["---", "--:", "---", "--:", "---"],
    ]
    for row in rows:
        own, other = (_seconds(row[name]) for name in ("own_s", "other_s"))
        lines.append([row["stage"], own, row["other"], other, row["differs"]])
    return "\n".join(map(_line, lines))


def _prose(text: str) -> str:
    return textwrap.fill(text, 100, break_long_words=False, break_on_hyphens=False)


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if value >= 0.1 else f"{1000 * value:.2g} ms"


def _line(cells: list[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def put_between_marks(document: Path, text: str) -> None:
    """Replace what stands between the marks of a document."""
    before, rest = document.read_text(encoding="utf-8").split(f"{BEGIN}\n")
    _, after = rest.split(END)
    document.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")
