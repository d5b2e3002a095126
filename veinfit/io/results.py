"""Writes the tables and the record of a case: six CSV files and ``case.json``.

Every table is built once as rows of values by column name; the CSV files and
``case.json`` are two spellings of these rows, with the same rounding, so that
they cannot disagree. All coordinates are LPS mm.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from importlib import metadata, resources
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy, AppliedCorrection, ContourMeasures, Vein
from veinfit.anatomy.verdict import InputVerdict
from veinfit.errors import InputError
from veinfit.frames import FloatArray
from veinfit.io.comparison_record import comparison_documents
from veinfit.io.files import hash_file, read_bytes
from veinfit.io.margin_record import margin_document, split_documents
from veinfit.notes import Note, verdict_first
from veinfit.seating.grade import deep_definition, grade_definition
from veinfit.seating.model import ClockReading, Fit, Leak
from veinfit.settings import Settings, describe

SCHEMA_VERSION = "1.2"
"""Version of the form of ``case.json``: the first number rises when a reader of it must change."""

Value = str | float | int | bool | None
Row = dict[str, Value]

VEIN_COLUMNS = (
    "vein", "d_max_mm", "d_min_mm", "ovality", "area_mm2", "perimeter_mm", "d_area_mm",
    "d_perimeter_mm", "takeoff_wall_deg", "takeoff_frontal_deg", "takeoff_transverse_deg",
    "trunk_length_mm", "trunk_at_least", "ostium_x_mm", "ostium_y_mm", "ostium_z_mm",
    "normal_x", "normal_y", "normal_z", "axis_x", "axis_y", "axis_z", "axis_length_mm",
    "ostium_residual_mm", "ostium_error_mm", "name_confidence", "confidence", "notes",
)  # fmt: skip
SECTION_COLUMNS = (
    "vein", "s_mm", "x_mm", "y_mm", "z_mm", "tangent_x", "tangent_y", "tangent_z",
    "area_mm2", "perimeter_mm", "d_max_mm", "d_min_mm",
)  # fmt: skip
RIDGE_COLUMNS = ("from", "to", "width_mm")
FIT_COLUMNS = (
    "vein", "balloon", "balloon_mm", "approach", "outcome", "reason",
    "centre_x_mm", "centre_y_mm", "centre_z_mm", "misalignment_deg", "depth_mm",
    "nose_depth_mm", "deep", "contact_area_mm2", "contact_arc_deg", "occluded", "sealed",
    "leak_width_mm", "leak_area_mm2", "leak_clock_h", "leak_side", "occlusion_grade",
    "antral_area_mm2", "freeze_shift_mm", "sealed_after_freeze", "seal_probability",
    "seal_probability_low", "seal_probability_high",
)  # fmt: skip
"""``fits.csv`` has in addition a ``distance_NAME_mm`` for each structure."""
LEAK_COLUMNS = tuple(f.name for f in fields(Leak))
CLOCK_COLUMNS = tuple(f.name for f in fields(ClockReading))

UNIT_VECTOR_DECIMALS = 6
"""Decimals of a unit vector's components: 1e-6 is 0.00006 degrees."""
DECIMALS_BY_SUFFIX = (("_mm2", 2), ("_mm", 3), ("_deg", 2), ("_h", 2), ("_ml", 2))
"""Decimals by the unit at the end of a name; below what any input can carry."""
OTHER_DECIMALS = 4
"""Decimals of ratios, probabilities and confidences."""

LIBRARIES = ("numpy", "scipy", "vtk", "pyvista", "trimesh", "nibabel", "SimpleITK", "matplotlib")
"""Libraries whose versions are recorded with a case."""


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that went into a case, known by its content alone.

    The name is left out: names of exported studies often carry the patient's.
    """

    role: str
    format: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a result comes from.

    Attributes
    ----------
    case_id, cardiac_phase, image_date : str or None
        As the user stated them.
    frame, unit : str
        As stated for a mesh.
    approach : str
    balloons : tuple of mapping
        Each candidate balloon's parameters.
    inputs : tuple of InputFile
    versions : mapping of str to str
        Of the program and the libraries that it used.
    created : str
        UTC, ISO 8601.
    """

    case_id: str | None
    cardiac_phase: str | None
    image_date: str | None
    frame: str
    unit: str
    approach: str
    balloons: tuple[Mapping[str, Value], ...]
    inputs: tuple[InputFile, ...]
    versions: Mapping[str, str]
    created: str


@dataclass(frozen=True, slots=True)
class CaseRecord:
    """All that is written about a case.

    ``structures`` holds the names of the neighbouring structures supplied.
    """

    anatomy: Anatomy
    fits: tuple[Fit, ...]
    structures: tuple[str, ...]
    notes: tuple[Note, ...]
    settings: Settings
    provenance: Provenance


def program_versions() -> dict[str, str]:
    """Return the versions of the program and of the libraries under it."""
    return {name: metadata.version(name) for name in ("veinfit", *LIBRARIES)}


def input_files(role: str, path: Path) -> tuple[InputFile, ...]:
    """Describe a file by its content, and the data file that a bare header names.

    Raises
    ------
    InputError
        A file cannot be read.
    """
    found = [(role, path), *((f"{role} data", part) for part in _detached_data(path))]
    return tuple(_input_file(name, part) for name, part in found)


def _input_file(role: str, path: Path) -> InputFile:
    # Hashed first: that is what words a file which is not there.
    digest = hash_file(path)
    return InputFile(role, _ending(path), path.stat().st_size, digest)


def _ending(path: Path) -> str:
    compressed = path.suffix.lower() == ".gz"
    return "".join(path.suffixes[-2 if compressed else -1 :]).lower()


def _detached_data(path: Path) -> list[Path]:
    """Return the data file that an MHD or NHDR header names, where there is one."""
    key = {".mhd": rb"ElementDataFile\s*=", ".nhdr": rb"data ?file:"}.get(path.suffix.lower())
    if key is None:
        return []
    with path.open("rb") as stream:
        found = re.search(rb"^" + key + rb"\s*(\S[^\r\n]*)", stream.read(1 << 16), re.M | re.I)
    name = found.group(1).decode(errors="replace").strip() if found else ""
    data = path.parent / name
    return [data] if name and data.is_file() else []


# ---- values ---------------------------------------------------------------------------------


def decimals(name: str) -> int:
    """Return how many decimals a number of this column name is written with."""
    if re.fullmatch(r"(normal|axis|tangent|direction)_[xyz]", name):
        return UNIT_VECTOR_DECIMALS
    return next((n for suffix, n in DECIMALS_BY_SUFFIX if name.endswith(suffix)), OTHER_DECIMALS)


def _plain(name: str, value: Any) -> Value:
    """Return a value as written: numbers rounded by their column, what is not finite as None."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    number = float(value)
    return round(number, decimals(name)) + 0.0 if math.isfinite(number) else None


def _cell(name: str, value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.{decimals(name)}f}"
    return " ".join(str(value).split())


def _xyz(prefix: str, vector: FloatArray | None, suffix: str = "") -> dict[str, Any]:
    parts = (None, None, None) if vector is None else vector
    return {f"{prefix}{c}{suffix}": part for c, part in zip("xyz", parts, strict=True)}


def _row(columns: Sequence[str], values: Mapping[str, Any]) -> Row:
    return {name: _plain(name, values[name]) for name in columns}


def _points(points: FloatArray, name: str = "_mm") -> list[list[Value]]:
    return [[_plain(name, c) for c in point] for point in np.atleast_2d(points)]


# ---- rows -----------------------------------------------------------------------------------


def vein_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``veins.csv``: veins that could not be measured last, with the reason."""
    rows = [_vein_row(vein, anatomy.notes) for vein in anatomy.veins]
    empty: Row = dict.fromkeys(VEIN_COLUMNS)
    return rows + [
        {**empty, "vein": name, "notes": f"not measured: {reason}"}
        for name, reason in anatomy.unmeasured.items()
    ]


def _vein_row(vein: Vein, case_notes: Iterable[Note]) -> Row:
    return _row(VEIN_COLUMNS, _vein_values(vein, case_notes))


def _contour_values(measures: ContourMeasures) -> dict[str, Any]:
    names = (
        "d_max_mm", "d_min_mm", "ovality", "area_mm2", "perimeter_mm", "d_area_mm",
        "d_perimeter_mm",
    )  # fmt: skip
    return {name: getattr(measures, name) for name in names}


def vein_notes(vein: Vein, case_notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return a vein's notes and those of the case that are about it, each once."""
    about = (note for note in case_notes if note.subject == vein.name)
    return tuple(dict.fromkeys((*vein.notes, *about)))


def _vein_values(vein: Vein, case_notes: Iterable[Note]) -> dict[str, Any]:
    ostium = vein.ostium
    names = (
        "axis_length_mm", "takeoff_wall_deg", "takeoff_frontal_deg", "takeoff_transverse_deg",
        "trunk_length_mm", "trunk_at_least", "name_confidence", "confidence",
    )  # fmt: skip
    return {
        "vein": vein.name,
        **_contour_values(ostium.measures),
        **{name: getattr(vein, name) for name in names},
        **_xyz("ostium_", ostium.centre, "_mm"),
        **_xyz("normal_", ostium.normal),
        **_xyz("axis_", vein.axis),
        "ostium_residual_mm": ostium.residual_mm,
        "ostium_error_mm": ostium.error_mm,
        "notes": " | ".join(note.text for note in vein_notes(vein, case_notes)),
    }


def section_rows(vein: Vein) -> list[Row]:
    """Return one vein's rows of ``sections.csv``."""
    return [
        _row(
            SECTION_COLUMNS,
            {
                "vein": vein.name,
                "s_mm": section.s_mm,
                **_xyz("", section.centre, "_mm"),
                **_xyz("tangent_", section.tangent),
                **_contour_values(section.measures),
            },
        )
        for section in vein.sections
    ]


def ridge_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``ridges.csv``."""
    return [
        _row(RIDGE_COLUMNS, {"from": ridge.start, "to": ridge.end, "width_mm": ridge.width_mm})
        for ridge in anatomy.ridges
    ]


def distance_column(structure: str) -> str:
    """Return the column of ``fits.csv`` that holds the distance to a structure."""
    return f"distance_{structure}_mm"


def fit_columns(structures: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``fits.csv`` for a case with these structures."""
    return (*FIT_COLUMNS, *(distance_column(name) for name in structures))


def fit_row(fit: Fit, structures: Sequence[str]) -> Row:
    """Return one fit's row of ``fits.csv``."""
    values = {
        **{f.name: getattr(fit, f.name) for f in fields(fit)},
        **_xyz("centre_", fit.centre, "_mm"),
        **{distance_column(name): fit.distances_mm.get(name) for name in structures},
    }
    return _row(fit_columns(structures), values)


def leak_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``leaks.csv``."""
    return [_row(LEAK_COLUMNS, asdict(leak)) for leak in fit.leaks]


def clock_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``clock.csv``."""
    return [_row(CLOCK_COLUMNS, asdict(reading)) for reading in fit.clock]


# ---- files ----------------------------------------------------------------------------------


def csv_table(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """Return rows as a CSV file: a header line, UTF-8, lines ended by a line feed."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(name, row[name]) for name in columns])
    return text.getvalue().encode()


def case_tables(record: CaseRecord) -> dict[str, bytes]:
    """Return the CSV files of a case by name."""
    anatomy, fits, structures = record.anatomy, record.fits, record.structures
    sections = [row for vein in anatomy.veins for row in section_rows(vein)]
    return {
        "veins.csv": csv_table(VEIN_COLUMNS, vein_rows(anatomy)),
        "sections.csv": csv_table(SECTION_COLUMNS, sections),
        "ridges.csv": csv_table(RIDGE_COLUMNS, ridge_rows(anatomy)),
        "fits.csv": csv_table(fit_columns(structures), [fit_row(f, structures) for f in fits]),
        "leaks.csv": csv_table(LEAK_COLUMNS, [row for f in fits for row in leak_rows(f)]),
        "clock.csv": csv_table(CLOCK_COLUMNS, [row for f in fits for row in clock_rows(f)]),
    }


def case_document(record: CaseRecord, files: Sequence[str] = ()) -> dict[str, Any]:
    """Return ``case.json`` as plain values.

    Parameters
    ----------
    record : CaseRecord
    files : sequence of str
        Names of all files written with it, relative to its folder.
    """
    provenance = record.provenance
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
            "input_unit": provenance.unit,
            "approach": provenance.approach,
            "balloons": [
                {name: _plain(name, value) for name, value in balloon.items()}
                for balloon in provenance.balloons
            ],
            "inputs": [asdict(item) for item in provenance.inputs],
            "settings": _settings(record.settings),
        },
        "input_verdict": _verdict(record.anatomy.verdict),
        "anatomy": _anatomy(record.anatomy),
        "corrections": [_correction(one) for one in record.anatomy.corrections],
        "structures": list(record.structures),
        "fits": [_fit(fit, record.structures) for fit in record.fits],
        "definitions": {
            "occlusion_grade": grade_definition(record.settings.seating),
            "deep": deep_definition(record.settings.seating),
        },
        "expected_splits": split_documents(record.fits),
        "comparisons": comparison_documents(record.fits, record.settings),
        "notes": [asdict(note) for note in _all_notes(record)],
        "files": sorted({*files, "case.json"}),
    }


def case_json(document: Mapping[str, Any]) -> bytes:
    """Return a case document as UTF-8 JSON; strict, so never with NaN or infinity."""
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

    Raises
    ------
    InputError
        There is none, or it is not what this version writes.
    """
    path = folder / "case.json"
    try:
        document: dict[str, Any] = json.loads(read_bytes(path, "case").decode("utf-8"))
    except ValueError as error:
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
    return document


def files_of_earlier_run(out: Path) -> tuple[str, ...]:
    """Return the files that an earlier run wrote into ``out``, by its ``case.json``."""
    try:
        document = json.loads((out / "case.json").read_text(encoding="utf-8"))
        if document["schema"] != "veinfit case":
            return ()
        return tuple(str(name) for name in document["files"])
    except (OSError, ValueError, KeyError, TypeError):
        return ()


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
        "volume_ml": _plain("volume_ml", anatomy.volume_ml),
        "body_radius_mm": _plain("body_radius_mm", anatomy.body_radius_mm),
        "body_centre_mm": _points(anatomy.body_centre)[0],
        "septal_crossing": None
        if septum is None
        else {
            "point_mm": _points(septum.point)[0],
            "source": septum.source,
            "off_wall_mm": _plain("off_wall_mm", septum.off_wall_mm),
            "entry": None if septum.entry is None else _points(septum.entry, "direction_x")[0],
            "entry_source": septum.entry_source,
        },
        "veins": [
            {
                **_vein_row(vein, anatomy.notes),
                "branches": list(vein.branches),
                "ostium_contour_mm": _points(vein.ostium.contour.points),
                "half_turn_points_mm": _points(vein.ostium.half_turn_points),
                "centreline": [
                    {"s_mm": _plain("s_mm", s), "point_mm": _points(point)[0]}
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
            "centre_mm": _points(appendage.centre)[0],
            "normal": _points(appendage.normal, "normal_x")[0],
            "tip_mm": _points(anatomy.wall.points[appendage.tip_vertex])[0],
            "ostium_contour_mm": _points(appendage.contour.points),
            "confidence": _plain("confidence", appendage.confidence),
        },
        "mitral_opening": None
        if mitral is None
        else {
            "centre_mm": _points(mitral.centre)[0],
            "normal": _points(mitral.normal, "normal_x")[0],
            "confidence": _plain("confidence", mitral.confidence),
        },
        "ridges": [
            {**row, "path_mm": _points(ridge.path)}
            for row, ridge in zip(ridge_rows(anatomy), anatomy.ridges, strict=True)
        ],
    }


def _verdict(verdict: InputVerdict | None) -> dict[str, Any] | None:
    if verdict is None:
        return None
    values = {name: _json_value(name, value) for name, value in asdict(verdict).items()}
    return {"text": verdict.note.text, "is_sound": verdict.is_sound, **values}


def _json_value(name: str, value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(name, item) for key, item in value.items()}
    return list(value) if isinstance(value, tuple) else _plain(name, value)


def _correction(one: AppliedCorrection) -> dict[str, Any]:
    """Return one correction with the automatic and the corrected values side by side."""
    return {
        "vein": one.vein,
        "what": one.what,
        "who": one.who,
        "why": one.why,
        "automatic": None if one.automatic is None else _vein_row(one.automatic, ()),
        "corrected": None if one.corrected is None else _vein_row(one.corrected, ()),
    }


def _fit(fit: Fit, structures: Sequence[str]) -> dict[str, Any]:
    direction = fit.push_direction
    return {
        **fit_row(fit, ()),
        "margin": margin_document(fit.margin),
        "freezing": [
            {name: _plain(name, value) for name, value in asdict(drift).items()}
            for drift in fit.freezing
        ],
        "push_direction": None if direction is None else _points(direction, "direction_x")[0],
        "distances_mm": {
            name: _plain(distance_column(name), fit.distances_mm.get(name)) for name in structures
        },
        "leaks": leak_rows(fit),
        "clock": clock_rows(fit),
        "notes": [asdict(note) for note in fit.notes],
    }


def _all_notes(record: CaseRecord) -> tuple[Note, ...]:
    """Return the notes of the case, its anatomy and its veins, each once."""
    of_veins = (note for vein in record.anatomy.veins for note in vein.notes)
    return verdict_first((*record.notes, *record.anatomy.notes, *of_veins))
