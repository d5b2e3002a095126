"""Rows of the tables of an anatomy: veins, sections, ridges, ostia of labels.

Numbers are rounded as they are written. All coordinates are LPS mm.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.notes import Note
from veinfit.result.columns import names
from veinfit.result.values import Row, row_of, xyz_values
from veinfit.surface.contours import ContourMeasures

VEIN_COLUMNS = names("veins")

SECTION_COLUMNS = names("sections")

RIDGE_COLUMNS = names("ridges")

LABEL_OSTIUM_COLUMNS = names("label_ostia")


def vein_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``veins.csv``: veins that could not be measured last, with the reason.

    Parameters
    ----------
    anatomy : Anatomy
        With its veins measured.

    Returns
    -------
    list of Row
    """
    rows = [vein_row(vein, anatomy.notes) for vein in anatomy.veins]
    empty: Row = dict.fromkeys(VEIN_COLUMNS)
    return rows + [
        {**empty, "vein": name, "notes": f"not measured: {reason}"}
        for name, reason in anatomy.unmeasured.items()
    ]


def vein_row(vein: Vein, case_notes: Iterable[Note]) -> Row:
    """Return the row of one vein in ``veins.csv``.

    Parameters
    ----------
    vein : Vein
        A measured one.
    case_notes : iterable of Note
        Of the whole case; those about the vein stand in its row beside its own.

    Returns
    -------
    Row
        Numbers rounded as they are written.
    """
    return row_of(VEIN_COLUMNS, _vein_values(vein, case_notes))


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
        "trunk_length_mm", "trunk_at_least", "name_confidence", "confidence", "axis_error_deg",
    )  # fmt: skip
    return {
        "vein": vein.name,
        **_contour_values(ostium.measures),
        **{name: getattr(vein, name) for name in names},
        **xyz_values("ostium_", ostium.centre, "_mm"),
        **xyz_values("normal_", ostium.normal),
        **xyz_values("axis_", vein.axis),
        "ostium_residual_mm": ostium.residual_mm,
        "ostium_error_mm": ostium.error_mm,
        "ostium_kind": ostium.kind,
        "notes": " | ".join(note.text for note in vein_notes(vein, case_notes)),
    }


def section_rows(vein: Vein) -> list[Row]:
    """Return one vein's rows of ``sections.csv``.

    Parameters
    ----------
    vein : Vein
        A measured one.

    Returns
    -------
    list of Row
        A row a station of the centreline.
    """
    return [
        row_of(
            SECTION_COLUMNS,
            {
                "vein": vein.name,
                "s_mm": section.s_mm,
                **xyz_values("", section.centre, "_mm"),
                **xyz_values("tangent_", section.tangent),
                **_contour_values(section.measures),
            },
        )
        for section in vein.sections
    ]


def ridge_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``ridges.csv``.

    Parameters
    ----------
    anatomy : Anatomy
        With its ridges measured.

    Returns
    -------
    list of Row
        A row a pair of neighbouring ostia.
    """
    return [
        row_of(RIDGE_COLUMNS, {"from": ridge.start, "to": ridge.end, "width_mm": ridge.width_mm})
        for ridge in anatomy.ridges
    ]


def label_ostium_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``label_ostia.csv``: where single-vein labels begin.

    Parameters
    ----------
    anatomy : Anatomy
        Of a volume whose map names single veins; others have no row.

    Returns
    -------
    list of Row
        A row a vein that has a label of its own.
    """
    return [
        row_of(
            LABEL_OSTIUM_COLUMNS,
            {
                "vein": ostium.vein,
                **xyz_values("", ostium.centre, "_mm"),
                **{
                    name: None if ostium.measures is None else getattr(ostium.measures, name)
                    for name in ("d_max_mm", "d_min_mm", "d_area_mm")
                },
                "distance_mm": ostium.distance_mm,
            },
        )
        for ostium in anatomy.label_ostia
    ]
