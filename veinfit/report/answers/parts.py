"""What is told of a case and of each vein, gathered once for the page and for paper."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.anatomy.model import Vein
from veinfit.io.results.corrections_text import correction_entry
from veinfit.notes import Note
from veinfit.report.answers.answers import Answer, answer
from veinfit.report.answers.tables import (
    CERTAINTY_MEASURES,
    Group,
    Row,
    fit_groups,
    placed_row,
    ridge_rows,
    trunk_text,
    vein_rows,
)
from veinfit.report.by_hand import dropped, dropped_words, hand_words
from veinfit.report.charts.aims import aim_charts
from veinfit.report.charts.charts import gap_chart, ostium_chart, profile_chart
from veinfit.report.charts.contact_map import contact_charts_of_widths
from veinfit.report.charts.further import further_charts
from veinfit.report.colours import gap_bands
from veinfit.report.model import Report, picture_notes, unique_notes
from veinfit.report.pictures.shown import ShownPicture, shown_pictures
from veinfit.report.render.drawing import Drawing
from veinfit.report.render.plot import NARROW_PX, WIDE_PX
from veinfit.report.seating_words import SideBySide, in_words
from veinfit.report.vein_doubt import doubt_words
from veinfit.report.wording import (
    Mark,
    column_title,
    headline,
    mark,
    number,
    vein_in_words,
    why_missing,
)
from veinfit.seating.model import Fit

HEADLINES: tuple[tuple[str, str, str], ...] = (
    ("Input", "stage", "verdict"),
    ("Frame", "stage", "frame"),
    ("Approach", "subject", "septal_crossing"),
)
"""Notes that stand on the first screen: what the input is worth, how it lies, from
where the sheath comes.
A label, and the note's attribute and value by which it is known."""


@dataclass(frozen=True, slots=True)
class VeinPart:
    """All that is shown of one vein."""

    vein: Vein
    anchor: str
    words: str
    size: str
    ovality: str
    confidence: str
    doubt: str
    error: str
    branches: str
    answer: Answer
    comparisons: tuple[SideBySide, ...]
    fits: tuple[Fit, ...]
    columns: tuple[str, ...]
    signs: tuple[Mark, ...]
    sentences: tuple[str, ...]
    groups: tuple[Group, ...]
    measures: tuple[Row, ...]
    certainty: tuple[Row, ...]
    ridges: tuple[Row, ...]
    trunk: str
    pictures: tuple[ShownPicture, ...]
    aims: tuple[tuple[str, Drawing], ...]
    ostium: Drawing
    profile: Drawing | None
    gaps: Drawing | None
    maps: tuple[tuple[str, Drawing], ...]
    narrow_gaps: Drawing | None
    narrow_maps: tuple[tuple[str, Drawing], ...]
    further: tuple[tuple[str, Drawing], ...]
    correction: str
    notes: tuple[Note, ...]

    @property
    def grave(self) -> tuple[Note, ...]:
        """Warnings and cautions."""
        return tuple(note for note in self.notes if note.severity != "info")

    @property
    def others(self) -> tuple[Note, ...]:
        """Notes that warn of nothing."""
        return tuple(note for note in self.notes if note.severity == "info")

    @property
    def cautions(self) -> int:
        """How many of the notes are cautions."""
        return sum(note.severity == "caution" for note in self.notes)


def vein_parts(report: Report) -> tuple[VeinPart, ...]:
    """Gather what is shown of every vein that was measured.

    Parameters
    ----------
    report : Report

    Returns
    -------
    tuple of VeinPart
    """
    return tuple(
        _vein_part(report, vein, index, tuple(f for f in report.result.fits if f.vein == vein.name))
        for index, vein in enumerate(report.result.anatomy.veins, start=1)
    )


def _vein_part(report: Report, vein: Vein, index: int, fits: tuple[Fit, ...]) -> VeinPart:
    measures = vein.ostium.measures
    several = len({fit.approach for fit in fits}) > 1
    tolerance = report.result.settings.seating.contact_tolerance_mm
    bands = gap_bands(tolerance)
    sides = tuple(one for one in report.result.comparisons if one.vein == vein.name)
    by_hand = hand_words(report.result.anatomy, vein.name)
    maps, narrow_maps = contact_charts_of_widths(
        vein, fits, bands, report.result.freezing_zones, (WIDE_PX, NARROW_PX)
    )
    own = [*vein.notes, *(n for fit in fits for n in fit.notes)]
    own += [n for n in (*report.notes, *report.result.anatomy.notes) if n.subject == vein.name]
    return VeinPart(
        vein=vein,
        anchor=f"vein-{index}",
        words=", ".join(filter(None, (vein_in_words(vein.name), by_hand))),
        size=f"{number(measures.d_max_mm)} × {number(measures.d_min_mm)}",
        ovality=number(measures.ovality, 2),
        confidence=number(vein.confidence, 2) + (f" ({by_hand})" if by_hand else ""),
        doubt=doubt_words(vein),
        error=number(vein.ostium.error_mm),
        branches=", ".join(vein.branches),
        answer=answer(vein.name, fits, sides, report.result.settings),
        comparisons=tuple(in_words(side, report.result.settings.comparison) for side in sides),
        fits=fits,
        columns=tuple(column_title(fit, with_approach=several) for fit in fits),
        signs=tuple(mark(fit, report.result.settings.report) for fit in fits),
        sentences=tuple(headline(fit, report.result.settings.report) for fit in fits),
        groups=fit_groups(fits, tuple(report.result.structures)),
        measures=vein_rows(vein),
        certainty=(placed_row(vein), *vein_rows(vein, CERTAINTY_MEASURES)),
        ridges=ridge_rows(report.result.anatomy, vein),
        trunk=trunk_text(vein),
        pictures=shown_pictures(report, [p for p in report.pictures if p.vein == vein.name]),
        aims=aim_charts(vein, fits, bands),
        ostium=ostium_chart(vein, fits),
        profile=profile_chart(vein),
        gaps=gap_chart(vein, fits, tolerance),
        maps=maps,
        narrow_gaps=gap_chart(vein, fits, tolerance, NARROW_PX),
        narrow_maps=narrow_maps,
        further=further_charts(vein, fits),
        correction=correction_entry(vein),
        notes=unique_notes(own),
    )


def unmeasured(report: Report) -> tuple[tuple[str, str], ...]:
    """Return the names of veins that have no measures or were dropped, and what is told of them."""
    result = report.result
    measured = {vein.name for vein in result.anatomy.veins}
    lost = {fit.vein: why_missing(fit) for fit in result.fits if fit.vein not in measured}
    lost |= result.anatomy.unmeasured
    told = {name: f"not measured: {reason}" for name, reason in lost.items()}
    return tuple({**told, **{d.vein: dropped_words(d) for d in dropped(result.anatomy)}}.items())


def _every(report: Report) -> tuple[Note, ...]:
    fits = (note for fit in report.result.fits for note in fit.notes)
    return unique_notes([*report.notes, *report.result.anatomy.notes, *fits])


def case_notes(report: Report) -> tuple[Note, ...]:
    """Return every note that no vein's own part tells, each once, cautions first."""
    shown = {vein.name for vein in report.result.anatomy.veins}
    every = unique_notes([*_every(report), *picture_notes(report.pictures)])
    own = {n for vein in report.result.anatomy.veins for n in vein.notes}
    own |= {n for fit in report.result.fits if fit.vein in shown for n in fit.notes}
    return tuple(n for n in every if n.subject not in shown and n not in own)


def warnings(report: Report) -> tuple[Note, ...]:
    """Return what puts all of a case in doubt: it stands above everything else."""
    return tuple(note for note in _every(report) if note.severity == "warning")


def headlines(report: Report) -> tuple[tuple[str, Note], ...]:
    """Return what the first screen tells first, each note with its label."""
    every = [note for note in _every(report) if note.severity != "warning"]
    return tuple(
        (label, note)
        for label, attribute, value in HEADLINES
        for note in every
        if getattr(note, attribute) == value
    )
