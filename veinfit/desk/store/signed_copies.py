"""The report of a signed case: what was looked over, with the signature on it."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from veinfit.desk.store.cases import CaseFolder
from veinfit.io.files import hash_file
from veinfit.io.results.output import staged_output
from veinfit.report.page.signature import signed_page
from veinfit.report.paper.stamp import stamped
from veinfit.report.render.drawing import shortened

COPIES = "signed"
"""Their folder in the case; beside a signature that was taken back ``signed-1`` and so on."""

REPORT, PDF, VIEWER = "report.html", "report.pdf", "viewer.html"

LONGEST_NAME = 60


def write_copies(case: CaseFolder, signed: Mapping[str, Any]) -> tuple[str, ...]:
    """Write the report with its signature beside the results, which stay as they are.

    Parameters
    ----------
    case : CaseFolder
    signed : mapping
        ``who``, ``time``, ``reviewed``, ``versions`` and ``result``, the hash of the record.

    Returns
    -------
    tuple of str
        Names of the files, relative to the case; none where the results have no report.

    Raises
    ------
    InputError
        The report was written by a version that left no room, or the disk is full.
    """
    page, pdf = case.result / REPORT, case.result / PDF
    if not page.is_file() or not pdf.is_file():
        return ()
    _put_away_left(case)
    lines = signature_lines(signed)
    with staged_output(case.path / COPIES, last=PDF) as stage:
        (stage / REPORT).write_bytes(signed_page(page.read_bytes(), lines))
        (stage / PDF).write_bytes(stamped(pdf.read_bytes(), lines))
        if (case.result / VIEWER).is_file():
            shutil.copyfile(case.result / VIEWER, stage / VIEWER)
        names = sorted(path.name for path in stage.iterdir())
    return tuple(f"{COPIES}/{name}" for name in names)


def put_away(case: CaseFolder, kept: Path) -> None:
    """Keep the copies of a signature that was taken back, beside it."""
    copies = case.path / COPIES
    if copies.is_dir():
        copies.rename(kept.with_suffix(""))


def _put_away_left(case: CaseFolder) -> None:
    """Keep copies that a desk which was killed in a reopening left where they were."""
    for kept in case.path.glob("signed-*.json"):
        held = case.state_file(kept.name).get("files", {}).get(f"{COPIES}/{PDF}")
        left = case.path / COPIES / PDF
        lost = held and left.is_file() and not kept.with_suffix("").exists()
        if lost and hash_file(left) == held:
            put_away(case, kept)


def signature_lines(signed: Mapping[str, Any]) -> Sequence[str]:
    """Return what a signature says, in two lines."""
    over = signed["reviewed"]
    names = [shortened(str(one["who"]), LONGEST_NAME) for one in (signed, over)]
    versions = signed["versions"]
    return (
        f"Signed by {names[0]}, {local_time(signed['time'])}; looked over by {names[1]}, "
        f"{local_time(over['time'])}. Names are as typed.",
        f"veinfit {versions['veinfit']}, signed with {versions['desk']}. SHA-256 of the results "
        f"(case.json): {signed['result']}",
    )


def local_time(text: str) -> str:
    """Return a time of UTC, ISO 8601, as this machine's clock has it, with its zone."""
    at = datetime.fromisoformat(text).astimezone()
    minutes = int((at.utcoffset() or at - at).total_seconds() // 60)
    hours, rest = divmod(abs(minutes), 60)
    sign = "−" if minutes < 0 else "+"
    zone = f"{sign}{hours}{f':{rest:02d}' if rest else ''}" if minutes else ""
    return f"{at:%Y-%m-%d %H:%M} UTC{zone}"
