"""The report as one page that needs nothing but a browser."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from veinfit.report.answers.answers import WIDE_POINTS, in_doubt_first
from veinfit.report.answers.case_answer import CASE_KEY, CASE_TITLE, case_lines, case_rows
from veinfit.report.answers.correction_table import COMPARED, correction_rows
from veinfit.report.answers.parts import (
    VeinPart,
    case_notes,
    headlines,
    unmeasured,
    vein_parts,
    warnings,
)
from veinfit.report.answers.tables import absent_measures
from veinfit.report.cautions import CAUTIONS
from veinfit.report.charts.aims import aim_key
from veinfit.report.charts.further import crossing_charts, crossing_key
from veinfit.report.colours import gap_bands
from veinfit.report.definitions import DEFINITIONS
from veinfit.report.model import Report
from veinfit.report.page.pages import environment, template_text
from veinfit.report.pictures.shown import shown_pictures
from veinfit.report.practice import against_practice
from veinfit.report.wording import NO_NEIGHBOURS, NOMINAL_SEAT, ONE_TRY, number, scale_words
from veinfit.settings import describe


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting as it was used."""

    name: str
    value: str
    unit: str
    meaning: str
    basis: str


def write_page(report: Report, parts: tuple[VeinPart, ...] | None = None) -> str:
    """Return the report as one HTML page: pictures inside, no script, no network.

    Parameters
    ----------
    report : Report
    parts : tuple of VeinPart, optional
        What :func:`vein_parts` gathers, where that is at hand.

    Returns
    -------
    str
        The same for the same input. Names and notes are data, never markup.
    """
    result = report.result
    parts = vein_parts(report) if parts is None else parts
    fits = tuple(fit for part in parts for fit in part.fits)
    by_vein = {part.vein.name: part for part in parts}
    answers = [part.answer for part in parts]
    first = headlines(report)
    alarms = warnings(report)
    bands = gap_bands(result.settings.seating.contact_tolerance_mm)
    told = {*alarms, *(note for _, note in first)}
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            style=Markup(template_text("report.css")),
            parts=parts,
            lines=tuple((by_vein[one.vein], one) for one in in_doubt_first(answers)),
            lost=unmeasured(report),
            whole=case_rows(case_lines(result.expected, result.fits)),
            whole_title=CASE_TITLE,
            whole_key=CASE_KEY,
            wide_points=WIDE_POINTS,
            overview=shown_pictures(report, [p for p in report.pictures if not p.vein]),
            approaches=tuple(dict.fromkeys(fit.approach for fit in fits)),
            corrected=correction_rows(result.anatomy.corrections),
            compared=tuple(title for _, title in COMPARED),
            notes=tuple(note for note in case_notes(report) if note not in told),
            warnings=alarms,
            headlines=first,
            scale=scale_words(result.settings.report),
            one_try=ONE_TRY,
            nominal_seat=NOMINAL_SEAT,
            no_neighbours="" if result.structures else NO_NEIGHBOURS,
            crossings=crossing_charts(result.crossings),
            crossing_key=crossing_key(result.crossings),
            practice=against_practice(result.settings),
            aim_key=aim_key(bands),
            bands=bands,
            absent=absent_measures(fits) if fits else (),
            settings=_setting_lines(report),
            definitions=DEFINITIONS,
            cautions=CAUTIONS,
            number=number,
        )
    )


def _setting_lines(report: Report) -> tuple[SettingLine, ...]:
    return tuple(
        SettingLine(f"{group}.{name}", _written(value), data["unit"], data["meaning"],
                    data["basis"])
        for group, name, value, data in describe(report.result.settings)
    )  # fmt: skip


def _written(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return "∞" if math.isinf(value) else f"{value:g}"
    return str(value)
