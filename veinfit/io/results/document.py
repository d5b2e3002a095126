"""case.json: what a case came to, whole, against its schema; and the folder that holds it."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy, AppliedCorrection
from veinfit.anatomy.verdict import InputVerdict
from veinfit.errors import InputError
from veinfit.io.files import read_bytes
from veinfit.io.results.comparison_record import comparison_documents
from veinfit.io.results.margin_record import margin_document, split_documents
from veinfit.io.results.schema_check import check_document
from veinfit.notes import Note, verdict_first
from veinfit.result.case_result import CaseResult
from veinfit.result.fit_rows import (
    aim_rows,
    clock_rows,
    comparison_rows,
    crossing_rows,
    distance_column,
    expected_rows,
    fit_row,
    growth_rows,
    leak_rows,
    plan_rows,
)
from veinfit.result.provenance import BalloonValue
from veinfit.result.values import plain_value, point_list
from veinfit.result.vein_rows import label_ostium_rows, ridge_rows, section_rows, vein_row
from veinfit.seating.model import Fit
from veinfit.seating.seal.grade import deep_definition, grade_definition
from veinfit.settings import Settings, describe

SCHEMA_VERSION = "1.4"
"""Version of the form of ``case.json``: the first number rises when a reader of it must change."""


def case_document(
    result: CaseResult,
    files: Sequence[str] = (),
    notes: Sequence[Note] = (),
    remarks: Sequence[Sequence[str]] = (),
) -> dict[str, Any]:
    """Return ``case.json`` as plain values.

    Parameters
    ----------
    result : CaseResult
    files : sequence of str
        Names of all files written with it, relative to its folder.
    notes : sequence of Note
        Besides those of the case: how its pictures came about.
    remarks : sequence of sequence of str
        The words for every remark of every comparison; empty texts where not given.

    Returns
    -------
    dict
    """
    provenance, structures = result.provenance, tuple(result.structures)
    return {
        "schema": "veinfit case",
        "schema_version": SCHEMA_VERSION,
        "created": provenance.created,
        "case": {
            "id": provenance.case_id,
            "cardiac_phase": provenance.cardiac_phase,
            "image_date": provenance.image_date,
        },
        "coordinates": {"frame": "LPS", "unit": "mm"},
        "run": {
            "versions": dict(provenance.versions),
            "input_frame": provenance.frame,
            "frame_trusted": provenance.trust_frame,
            "input_unit": provenance.unit,
            "approach": provenance.approach,
            "balloons": [_balloon(balloon) for balloon in provenance.balloons],
            "inputs": [asdict(item) for item in provenance.inputs],
            "settings": _settings(result.settings),
        },
        "input_verdict": _verdict(result.anatomy.verdict),
        "anatomy": _anatomy(result.anatomy),
        "corrections": [_correction(one) for one in result.anatomy.corrections],
        "structures": list(structures),
        "fits": [_fit(fit, structures) for fit in result.fits],
        "definitions": {
            "occlusion_grade": grade_definition(result.settings.seating),
            "deep": deep_definition(result.settings.seating),
        },
        "expected_splits": split_documents(result.splits),
        "expected": expected_rows(result.expected),
        "crossings": _crossings(result),
        "comparisons": comparison_documents(
            result.comparisons, comparison_rows(result.comparisons), remarks
        ),
        "notes": [asdict(note) for note in _all_notes(result, notes)],
        "files": sorted({*files, "case.json"}),
    }


def case_json(document: Mapping[str, Any]) -> bytes:
    """Return a case document as UTF-8 JSON; strict, so never with NaN or infinity.

    Parameters
    ----------
    document : mapping of str to object

    Returns
    -------
    bytes
    """
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    # A point or a short list of numbers stays on one line: the file is read by people too.
    # The raw line breaks keep the pattern out of strings, in which they are escaped.
    text = re.sub(r"\[\n\s*(-?\d[^\[\]{}\"]*?)\n\s*\]", _on_one_line, text)
    return (text + "\n").encode()


def _on_one_line(found: re.Match[str]) -> str:
    return "[" + ", ".join(part.strip() for part in found.group(1).split(",")) + "]"


def case_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of ``case.json``."""
    text = resources.files("veinfit.io").joinpath("case.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def read_document(folder: Path) -> dict[str, Any]:
    """Read the ``case.json`` of a finished case.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict

    Raises
    ------
    InputError
        There is none, or it is not what this version writes; the message tells the first thing.
    """
    path = folder / "case.json"
    content = read_bytes(path, "case")
    try:
        document: dict[str, Any] = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is no JSON; assess the case again") from error
    try:
        known = document["schema"] == "veinfit case"
        major = str(document["schema_version"]).split(".")[0]
    except (KeyError, TypeError):
        known, major = False, ""
    if not known:
        raise InputError(f"{path} is no record of a case; pass a folder that assess wrote")
    if major != SCHEMA_VERSION.split(".")[0]:
        raise InputError(f"{path} is of another form of the record; assess the case again")
    same = document["schema_version"] == SCHEMA_VERSION
    check_document(document, case_schema(), same, str(path))
    return document


def files_of_earlier_run(out: Path) -> tuple[str, ...]:
    """Return the files that an earlier run wrote into ``out``, by its ``case.json``.

    Parameters
    ----------
    out : Path

    Returns
    -------
    tuple of str
        Relative to ``out``; none where no run has written there.
    """
    try:
        document = json.loads((out / "case.json").read_text(encoding="utf-8"))
        if document["schema"] != "veinfit case":
            return ()
        return tuple(str(name) for name in document["files"])
    except (OSError, ValueError, KeyError, TypeError):
        return ()


def _balloon(values: Mapping[str, BalloonValue]) -> dict[str, Any]:
    """Return what is told of a balloon, the rows of its half section as such."""
    return {
        name: [[plain_value("_mm", part) for part in row] for row in value]
        if isinstance(value, (tuple, list))
        else plain_value(name, value)
        for name, value in values.items()
    }


def _settings(settings: Settings) -> dict[str, dict[str, Any]]:
    groups: dict[str, dict[str, Any]] = {}
    for group, name, value, about in describe(settings):
        # JSON has no infinity; the word is what a settings file writes too.
        finite = not isinstance(value, float) or math.isfinite(value)
        groups.setdefault(group, {})[name] = {
            "value": value if finite else str(value),
            "unit": about["unit"],
            "meaning": about["meaning"],
            "basis": about["basis"],
        }
    return groups


def _anatomy(anatomy: Anatomy) -> dict[str, Any]:
    appendage, mitral, septum = anatomy.appendage, anatomy.mitral, anatomy.septum
    return {
        "volume_ml": plain_value("volume_ml", anatomy.volume_ml),
        "body_radius_mm": plain_value("body_radius_mm", anatomy.body_radius_mm),
        "body_centre_mm": point_list(anatomy.body_centre)[0],
        "septal_crossing": None
        if septum is None
        else {
            "point_mm": point_list(septum.point)[0],
            "source": septum.source,
            "off_wall_mm": plain_value("off_wall_mm", septum.off_wall_mm),
            "entry": None if septum.entry is None else point_list(septum.entry, "direction_x")[0],
            "entry_source": septum.entry_source,
        },
        "veins": [
            {
                **vein_row(vein, anatomy.notes),
                "branches": list(vein.branches),
                "ostium_contour_mm": point_list(vein.ostium.contour.points),
                "half_turn_points_mm": point_list(vein.ostium.half_turn_points),
                "centreline": [
                    {"s_mm": plain_value("s_mm", s), "point_mm": point_list(point)[0]}
                    for s, point in zip(vein.centreline.s_mm, vein.centreline.points, strict=True)
                ],
                "sections": section_rows(vein),
            }
            for vein in anatomy.veins
        ],
        "unmeasured": dict(anatomy.unmeasured),
        "appendage": None
        if appendage is None
        else {
            "centre_mm": point_list(appendage.centre)[0],
            "normal": point_list(appendage.normal, "normal_x")[0],
            "tip_mm": point_list(anatomy.wall.points[appendage.tip_vertex])[0],
            "ostium_contour_mm": point_list(appendage.contour.points),
            "confidence": plain_value("confidence", appendage.confidence),
        },
        "mitral_opening": None
        if mitral is None
        else {
            "centre_mm": point_list(mitral.centre)[0],
            "normal": point_list(mitral.normal, "normal_x")[0],
            "confidence": plain_value("confidence", mitral.confidence),
            "source": mitral.source,
        },
        "ridges": [
            {**row, "path_mm": point_list(ridge.path)}
            for row, ridge in zip(ridge_rows(anatomy), anatomy.ridges, strict=True)
        ],
        "label_ostia": [
            {**row, "normal": point_list(one.normal, "normal_x")[0]}
            for row, one in zip(label_ostium_rows(anatomy), anatomy.label_ostia, strict=True)
        ],
    }


def _verdict(verdict: InputVerdict | None) -> dict[str, Any] | None:
    if verdict is None:
        return None
    values = {name: _json_value(name, value) for name, value in asdict(verdict).items()}
    return {"text": verdict.note.text, "is_sound": verdict.is_sound, **values}


def _json_value(name: str, value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: plain_value(name, item) for key, item in value.items()}
    return list(value) if isinstance(value, tuple) else plain_value(name, value)


def _correction(one: AppliedCorrection) -> dict[str, Any]:
    """Return one correction with the automatic and the corrected values side by side."""
    return {
        "vein": one.vein,
        "what": one.what,
        "who": one.who,
        "why": one.why,
        "automatic": None if one.automatic is None else vein_row(one.automatic, ()),
        "corrected": None if one.corrected is None else vein_row(one.corrected, ()),
    }


def _fit(fit: Fit, structures: Sequence[str]) -> dict[str, Any]:
    direction = fit.push_direction
    return {
        **fit_row(fit, ()),
        "margin": margin_document(fit.margin),
        "freezing": [
            {name: plain_value(name, value) for name, value in asdict(drift).items()}
            for drift in fit.freezing
        ],
        "push_direction": None if direction is None else point_list(direction, "direction_x")[0],
        "distances_mm": {
            name: plain_value(distance_column(name), fit.distances_mm.get(name))
            for name in structures
        },
        "leaks": leak_rows(fit),
        "clock": clock_rows(fit),
        "push_n": plain_value("push_n", fit.push_n),
        "shape_mm": [plain_value("shape_mm", value) for value in fit.shape_amplitudes],
        "aims": aim_rows(fit),
        "growth": _growth(fit, structures),
        "plans": _plans(fit),
        "notes": [asdict(note) for note in fit.notes],
    }


def _crossings(result: CaseResult) -> dict[str, Any] | None:
    """Return the places where the septum may be crossed as plain values."""
    told = result.crossings
    if told is None:
        return None
    return {
        "estimated": told.estimated,
        "places": crossing_rows(told, [vein.name for vein in result.anatomy.veins]),
        "best": [
            {name: plain_value(name, value) for name, value in asdict(one).items()}
            for one in told.best
        ],
    }


def _growth(fit: Fit, structures: Sequence[str]) -> dict[str, Any] | None:
    """Return a growth in place as plain values."""
    growth = fit.growth
    if growth is None:
        return None
    return {
        "steps": growth_rows(fit, structures),
        "seal_kept": growth.seal_kept,
        "lost_at_mm": plain_value("lost_at_mm", growth.lost_at_mm),
        "gained_at_mm": plain_value("gained_at_mm", growth.gained_at_mm),
        "back_mm": plain_value("back_mm", growth.back_mm),
        "kept_probability": plain_value("kept_probability", growth.kept_probability),
        "gained_probability": plain_value("gained_probability", growth.gained_probability),
    }


def _plans(fit: Fit) -> dict[str, Any] | None:
    """Return the sets of seats that are to close a vein together as plain values."""
    found = fit.plans
    if found is None:
        return None
    return {
        "best_single": plain_value("seal_probability", found.best_single),
        "seats": plan_rows(fit),
        "sampling_errors": [
            plain_value("seal_probability", plan.sampling_error) for plan in found.plans
        ],
        "lines_mm": [
            point_list(plan.line_mm[np.isfinite(plan.line_mm).all(axis=1)]) for plan in found.plans
        ],
    }


def _all_notes(result: CaseResult, more: Sequence[Note]) -> tuple[Note, ...]:
    """Return the notes of the case, its anatomy and its veins, each once."""
    of_veins = (note for vein in result.anatomy.veins for note in vein.notes)
    return verdict_first((*result.notes, *more, *result.anatomy.notes, *of_veins))
