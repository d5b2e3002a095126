"""The first page of the printed report: what is predicted for each vein and for the case."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer, TableStyle

from veinfit.report.answers.answers import Answer, SizeAnswer, in_doubt_first
from veinfit.report.answers.case_answer import CASE_KEY, CASE_TITLE, case_lines, case_rows
from veinfit.report.answers.correction_table import COMPARED, correction_rows
from veinfit.report.answers.parts import VeinPart, case_notes, headlines, unmeasured, warnings
from veinfit.report.cautions import CAUTIONS
from veinfit.report.charts.further import crossing_charts, crossing_key
from veinfit.report.colours import ALARM, MUTED
from veinfit.report.model import Report
from veinfit.report.paper.fitting import fitted
from veinfit.report.paper.pdf_blocks import (
    ACCENT,
    GUTTER,
    LINED,
    SMALL_PT,
    TITLE_PT,
    TYPE_PT,
    Bookmark,
    labelled,
    note_blocks,
    note_colour,
    picture_rows,
    rows_of,
    titled,
    words,
)
from veinfit.report.paper.tagged import Figures
from veinfit.report.pictures.overview import LEGEND
from veinfit.report.pictures.shown import shown_pictures
from veinfit.report.practice import against_practice
from veinfit.report.wording import NO_NEIGHBOURS, NOMINAL_SEAT, ONE_TRY, SIGNS, number, scale_words

LEAST_OVERVIEW, GREATEST_OVERVIEW = 100 * mm, 125 * mm
"""Heights of the overview: the room that is left, else on the next page. Its labels are readable
from the lower one on."""

OVERVIEW_KEY = f"Left: from behind. Right: from the front. {LEGEND}"
"""On paper the overview is its two views alone: what is written around them stands below."""

NOTES_ON_SUMMARY = 10
"""So many notes are printed, cautions first; more are counted, and in report.html."""


def summary(
    report: Report, parts: Sequence[VeinPart], width: float, height: float
) -> list[Flowable]:
    """Return the blocks of the first page; the overview takes the room that they leave.

    Parameters
    ----------
    report : Report
    parts : sequence of VeinPart
    width, height : float
        Of the page inside its margins, points.
    """
    approaches = " and a ".join(dict.fromkeys(f.approach for p in parts for f in p.fits))
    assumed = f"What the geometry predicts for a {approaches} approach, which is assumed. "
    alarms = warnings(report)
    blocks: list[Flowable] = [
        Bookmark("summary", "Summary"),
        *(labelled(("Warning:", note.text), colour=ALARM) for note in alarms),
        words("Predicted balloon seats in the pulmonary veins", TYPE_PT, ACCENT, bold=True),
        words(report.case_id or "Unnamed case", TITLE_PT, bold=True, role="H1"),
        Spacer(1, 2),
        words((assumed if approaches else "") + " ".join(CAUTIONS), SMALL_PT, MUTED),
    ]
    told = headlines(report)
    for label, note in told:
        line = labelled((f"{label}:", note.text), size=SMALL_PT, colour=note_colour(note))
        blocks.append(line)
    blocks += [Spacer(1, 2 * mm), _answers(report, parts, width)]
    blocks.append(words(against_practice(report.result.settings), SMALL_PT, MUTED))
    settings = report.result.settings.report
    lines = case_lines(report.result.expected, report.result.fits)
    keys = [NOMINAL_SEAT, *(() if report.result.structures else (NO_NEIGHBOURS,))]
    blocks += [*_case(case_rows(lines), width), Spacer(1, 1 * mm)]
    blocks += [
        words(f"{ONE_TRY} {scale_words(settings)}", SMALL_PT, MUTED),
        words(" ".join(keys), SMALL_PT, MUTED),
        Spacer(1, 2 * mm),
    ]
    below: list[Flowable] = []
    for row in correction_rows(report.result.anatomy.corrections):
        pairs = zip(COMPARED, row.values, strict=True)
        values = "; ".join(f"{title} {a} automatic, {b} corrected" for (_, title), (a, b) in pairs)
        label = f"Corrected by hand, {row.vein}:"
        text = f"{row.what}, by {row.who}: {row.why}. {values}."
        below.append(labelled((label, text), size=SMALL_PT))
    first = {*alarms, *(note for _, note in told)}
    notes = [note for note in case_notes(report) if note not in first]
    below += [*note_blocks(notes, NOTES_ON_SUMMARY), Spacer(1, 2 * mm)]
    origin = _origin(report)
    picture = shown_pictures(report, [p for p in report.pictures if not p.vein])
    key = [words(OVERVIEW_KEY, SMALL_PT, MUTED)] if picture else []
    used = sum(block.wrap(width, height)[1] for block in (*blocks, *below, *key, origin))
    room = min(max(height - used - 4 * mm, LEAST_OVERVIEW), GREATEST_OVERVIEW)
    atrium = picture_rows(picture, width, room, "No overview picture was made.")
    above = [*blocks, *below, *atrium, *key]
    last = fitted(lambda share: [*_septum(report, width, share), origin], width, height, above)
    return [*above, *last]


def _septum(report: Report, width: float, share: float) -> list[Flowable]:
    """Return the maps of the places of the septal crossing, two beside each other.

    They take ``share`` of the width that there is for them.
    """
    drawn = crossing_charts(report.result.crossings)
    if not drawn:
        return []
    half = share * 0.5 * (width - GUTTER)
    title = words("Where the septum is crossed", TYPE_PT, ACCENT, bold=True, role="H2")
    key = words(crossing_key(report.result.crossings), SMALL_PT, MUTED)
    title.keepWithNext = key.keepWithNext = True
    return [
        title,
        key,
        *rows_of([titled(title, drawing, half) for title, drawing in drawn], width, 2),
        Spacer(1, 2 * mm),
    ]


def _case(rows: Sequence[Sequence[str]], width: float) -> list[Flowable]:
    """Return what is predicted for the whole case as a table."""
    if not rows:
        return []
    table = Figures(
        [[words(text, SMALL_PT, bold=not k or not column) for column, text in enumerate(row)]
         for k, row in enumerate(rows)],
        colWidths=[0.34 * width, *[0.66 * width / (len(rows[0]) - 1)] * (len(rows[0]) - 1)],
        style=TableStyle([*LINED, ("NOSPLIT", (0, 0), (-1, -1))]),
        hAlign="LEFT",
    )  # fmt: skip
    title = words(CASE_TITLE, SMALL_PT, ACCENT, bold=True, role="H2")
    title.keepWithNext = True
    return [Spacer(1, 1 * mm), title, table, words(CASE_KEY, SMALL_PT, MUTED)]


def _answers(report: Report, parts: Sequence[VeinPart], width: float) -> Flowable:
    """Return a line for each vein, those in doubt first."""
    by_name = {part.vein.name: part for part in parts}
    rows: list[list[Any]] = [
        [words(reason, SMALL_PT) if k else words(name, TYPE_PT, bold=True)
         for k in range(2)] + [""]
        for name, reason in unmeasured(report)
    ]  # fmt: skip
    spans = [("SPAN", (1, k), (-1, k)) for k in range(len(rows))]
    rows += [_answer(one, by_name[one.vein]) for one in in_doubt_first([p.answer for p in parts])]
    if not rows:
        return words("No vein was measured; the notes say why.")
    shares = (0.135, 0.325, 0.54)
    apart = ("RIGHTPADDING", (0, 0), (1, -1), 5)
    style = TableStyle([*LINED, apart, *spans])
    return Figures(rows, colWidths=[share * width for share in shares], style=style, hAlign="LEFT")


def _answer(one: Answer, part: VeinPart) -> list[Any]:
    sure = ": ".join(filter(None, (part.confidence, part.doubt)))
    about = f"ostium {part.size} mm; measurement confidence {sure}"
    name = [words(one.vein, TYPE_PT, bold=True), words(about, SMALL_PT, MUTED)]
    sizes: list[Flowable] = [words(one.by, SMALL_PT, MUTED)] if one.by else []
    sizes += [labelled(*_size(size), size=SMALL_PT) for size in one.sizes]
    if not one.sizes:
        sizes = [words("no balloon was tried", SMALL_PT)]
    if one.apart:
        sizes.append(words(one.apart, SMALL_PT))
    points = labelled(*((label, f"{text}.") for label, text in one.points), size=SMALL_PT)
    return [name, sizes, points]


def _size(size: SizeAnswer) -> list[tuple[str, str]]:
    """Return what is told of one balloon: a label and words, once for each number of tries."""
    told = []
    for chance, after in ((size.one, ""), (size.steered, "up to three tries ")):
        if chance is not None:
            interval = f" ({chance.interval})" if chance.interval else ""
            told.append(f"{after}{chance.word} {chance.value.text}{interval}")
    if size.grown is not None:
        told.append(f"one try, or grown to {size.grown_to} {size.grown.value.text}")
    return [(f"{SIGNS[size.sign]} {size.title}", "; ".join(told))]


def _origin(report: Report) -> Flowable:
    made, volume_ml = report.result.provenance, report.result.anatomy.volume_ml
    files = "; ".join(
        f"{file.role}{f' ({file.format})' if file.format else ''} SHA-256 {file.sha256}"
        for file in made.inputs
    )
    told = (
        f"Made {made.created} by veinfit {report.version}. Image date "
        f"{made.image_date or 'not stated'}; cardiac phase {made.cardiac_phase or 'not stated'}"
        f"; atrial volume {number(volume_ml, 0)} ml. Inputs: {files or 'none'}. "
        "Settings, definitions and all notes: report.html. Lengths in mm, in the patient's frame "
        "(LPS)."
    )
    return words(told, SMALL_PT, MUTED)
