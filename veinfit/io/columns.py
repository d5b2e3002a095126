"""The page that tells every column, and the JSON Schema of ``case.json``, from the registry.

``python -m veinfit.io.columns`` writes both anew.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from veinfit.result.columns import Column, columns, names, registry

SCHEMA_PARTS = {
    "veins": "vein", "sections": "section", "ridges": "ridge", "label_ostia": "label_ostium",
    "fits": "fit", "leaks": "leak", "clock": "clock_reading", "aims": "aim",
    "growth": "growth_step", "plans": "plan_seat", "expected": "expected",
    "comparisons": "comparison", "crossings": "crossing_place",
}  # fmt: skip
"""Where the rows of each table stand in ``case.json``, by the schema's definitions."""

VEIN_ROW = "vein_row"
"""The row of a vein that a correction replaced: its columns alone."""


def columns_page() -> str:
    """Return the page in Markdown that tells every column."""
    lines = [
        "# Columns\n",
        "Every column of every table, made from [columns.csv](../result/columns.csv):",
        "`python -m veinfit.io.columns` writes this page and [the JSON Schema](case.schema.json) "
        "anew.\n",
        "All coordinates are LPS mm. What could not be had is empty, never zero. The unit 1 is "
        "that of ratios,\nprobabilities and confidences. Digits are the decimals in the files.\n",
    ]
    for table in dict.fromkeys(one.table for one in registry()):
        lines += [
            f"## `{table}.csv`\n",
            "| column | type | unit | digits | meaning |",
            "|---|---|---|---|---|",
        ]
        lines += [
            f"| `{one.name}` | {_type_words(one)} | {one.unit} | "
            f"{'' if one.digits is None else one.digits} | {one.meaning} |"
            for one in columns(table)
        ]
        lines.append("")
    return "\n".join(lines)


def with_columns(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the JSON Schema of ``case.json`` with what the registry says of its rows.

    A column that its part lacks goes behind the others. What has a column for each vein or
    structure stands in ``case.json`` as an object of its own.
    """
    parts = dict(schema["$defs"])
    for table, part in SCHEMA_PARTS.items():
        told = {one.name: one.json_schema() for one in columns(table) if one.name in names(table)}
        parts[part] = _with_properties(parts[part], told)
    row = {one.name: {"$ref": f"#/$defs/vein/properties/{one.name}"} for one in columns("veins")}
    return {**schema, "$defs": {**parts, VEIN_ROW: _with_properties(parts[VEIN_ROW], row)}}


def _with_properties(part: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    new = [name for name in told if name not in part["properties"]]
    required = [*part["required"], *new]
    return {**part, "required": required, "properties": {**part["properties"], **told}}


def _type_words(one: Column) -> str:
    if one.choices:
        return ", ".join(f"`{choice}`" if choice else "empty" for choice in one.choices)
    return {"text": "text", "number": "number", "whole": "whole number", "yes": "true, false"}[
        one.kind
    ]


def schema_text(schema: dict[str, Any]) -> str:
    """Return the JSON Schema as its file holds it."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    here = Path(__file__).parent
    (here / "COLUMNS.md").write_text(columns_page(), encoding="utf-8")
    published = here / "case.schema.json"
    content = json.loads(published.read_text(encoding="utf-8"))
    published.write_text(schema_text(with_columns(content)), encoding="utf-8")
    sys.stdout.write("COLUMNS.md and case.schema.json are written\n")
