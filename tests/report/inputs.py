"""What a report is made of, for the tests of the page, the PDF and the 3D view."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

from veinfit.anatomy.model import Anatomy
from veinfit.report.model import Report
from veinfit.result.case_result import CaseResult
from veinfit.result.provenance import InputFile, Provenance
from veinfit.seating.model import Fit
from veinfit.settings import Settings

HASH = "ab" * 32


def report_of(anatomy: Anatomy, fits: tuple[Fit, ...], **changes: Any) -> Report:
    """A report of a case; ``changes`` are parts of the report, the case or its provenance."""
    made = Provenance(
        case_id="Larkmoor test", cardiac_phase=None, image_date=None, frame="lps", unit="mm",
        approach="transseptal", balloons=(), inputs=(InputFile("input", ".ply", 1, HASH),),
        versions={"veinfit": "0.1.0"}, created="2026-11-25T10:00:00Z",
    )  # fmt: skip
    case = CaseResult(anatomy, fits, {}, (), Settings(), made)
    own = {one.name for one in fields(Report)}
    known = {one.name for one in fields(Provenance)}
    told = {name: changes.pop(name) for name in own & changes.keys()}
    origin = {name: changes.pop(name) for name in known & changes.keys()}
    if "version" in changes:
        origin["versions"] = {"veinfit": changes.pop("version")}
    return Report(replace(case, provenance=replace(made, **origin), **changes), **told)
