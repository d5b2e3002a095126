"""The report as one page that needs nothing but a browser."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from veinfit.anatomy.correction_text import correction_entry
from veinfit.anatomy.model import Vein
from veinfit.notes import Note
from veinfit.report.charts import gap_chart, ostium_chart, profile_chart
from veinfit.report.colours import gap_bands
from veinfit.report.contact_map import contact_charts
from veinfit.report.correction_table import COMPARED, correction_rows
from veinfit.report.model import Picture, ReportInput, picture_notes, unique_notes
from veinfit.report.pages import CAUTIONS, environment, template_text
from veinfit.report.tables import (
    CERTAINTY_MEASURES,
    Glance,
    Group,
    Row,
    absent_measures,
    column_title,
    fit_groups,
    glance,
    ridge_rows,
    trunk_text,
    vein_rows,
)
from veinfit.report.wording import (
    balloon_title,
    mark,
    number,
    vein_in_words,
    verdict_sentence,
    why_missing,
)
from veinfit.seating.compare import Comparison, comparisons
from veinfit.seating.model import Fit
from veinfit.settings import describe

DEFINITIONS: tuple[tuple[str, str], ...] = (
    (
        "Ostium",
        "Around the vein, the places where the wall has made half of its turn from the vein's to "
        "the atrium's direction; a plane is fitted to them and may be oblique to the axis.",
    ),
    (
        "d_max × d_min",
        "Greatest caliper diameter of the wall's contour in the ostial plane, and the caliper "
        "diameter perpendicular to it. Ovality is their ratio, 1 for a circle.",
    ),
    (
        "Clock",
        "Read from the atrium looking into the vein along its axis: 12 is cranial (anterior where "
        "the axis is within 20° of cranial), hours run clockwise. Three o'clock is anterior on "
        "left veins and posterior on right ones, so every hour carries words.",
    ),
    (
        "Seated",
        "The balloon rests against the wall with a stated push: wall and balloon give way like an "
        "elastic foundation that stiffens with depth.",
    ),
    (
        "Gap and contact",
        "Distance of the wall from the balloon's surface; contact is a gap up to the tolerance "
        "in the settings. Cold contact is contact within the balloon's freezing zone.",
    ),
    (
        "Occluded, sealed",
        "Occluded: a closed line of contact parts vein and atrium. Sealed: the same with cold "
        "contact alone.",
    ),
    (
        "Leak width",
        "The greatest gap that some way over the wall from vein to atrium can keep all along.",
    ),
    (
        "Depth",
        "Place of the balloon's equator along the ostial normal: 0 in the ostial plane, negative "
        "in the atrium, positive in the vein. Nose depth is that of the balloon's front pole.",
    ),
    (
        "Probability of closure",
        "The share of simulated tries in which a closed line of cold contact forms: direction, "
        "push and guide are drawn anew for every try, the wall's place and stiffness for every "
        "patient. "
        "The interval carries how uncertain the calibration is.",
    ),
    (
        "Antral area",
        "Wall in cold contact, or enclosed by the sealing line, on the atrial side of the ostial "
        "plane.",
    ),
    (
        "Take-off",
        "The vein's axis against the outward normal of the wall (0° is straight out); in the "
        "frontal plane, positive superior; in the transverse plane, positive anterior.",
    ),
)
"""What the report's terms mean."""

HEADLINES: tuple[tuple[str, str, str], ...] = (
    ("Input", "stage", "verdict"),
    ("Approach", "subject", "septal_crossing"),
)
"""Notes that stand on the first screen: what the input is worth, from where the sheath comes.
A label, and the note's attribute and value by which it is known."""

EMBEDDED_QUALITY = 90
"""Quality, of 100, of the pictures inside the page: no loss that can be seen at their size."""


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """A picture, its title, and its file's content; None where the file is missing."""

    picture: Picture
    title: str
    content: bytes | None

    @property
    def source(self) -> str:
        """The picture as a data address; empty where the file is missing."""
        if self.content is None:
            return ""
        kind, content = _smaller(self.content)
        return f"data:image/{kind};base64,{base64.b64encode(content).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class VeinPart:
    """All that is shown of one vein."""

    vein: Vein
    anchor: str
    words: str
    size: str
    ovality: str
    confidence: str
    error: str
    branches: str
    comparisons: tuple[Comparison, ...]
    glances: tuple[Glance, ...]
    fits: tuple[Fit, ...]
    columns: tuple[str, ...]
    sentences: tuple[str, ...]
    groups: tuple[Group, ...]
    measures: tuple[Row, ...]
    certainty: tuple[Row, ...]
    ridges: tuple[Row, ...]
    trunk: str
    pictures: tuple[ShownPicture, ...]
    ostium: Markup
    profile: Markup
    gaps: Markup
    maps: tuple[tuple[str, Markup], ...]
    correction: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting as it was used."""

    name: str
    value: str
    unit: str
    meaning: str
    basis: str


def write_page(report: ReportInput, parts: tuple[VeinPart, ...] | None = None) -> str:
    """Return the report as one HTML page: pictures inside, no script, no network.

    Parameters
    ----------
    report : ReportInput
    parts : tuple of VeinPart, optional
        What :func:`vein_parts` gathers, where that is at hand.

    Returns
    -------
    str
        The same for the same input. Names and notes are data, never markup.
    """
    parts = vein_parts(report) if parts is None else parts
    fits = tuple(fit for part in parts for fit in part.fits)
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            style=Markup(template_text("report.css")),
            parts=parts,
            lost=unmeasured(report),
            overview=shown_pictures(report, [p for p in report.pictures if not p.vein]),
            approaches=tuple(dict.fromkeys(fit.approach for fit in fits)),
            corrected=correction_rows(report.anatomy.corrections),
            compared=tuple(title for _, title in COMPARED),
            notes=all_notes(report),
            warnings=warnings(report),
            headlines=headlines(report),
            bands=gap_bands(report.settings.seating.contact_tolerance_mm),
            absent=absent_measures(fits) if fits else (),
            settings=_setting_lines(report),
            definitions=DEFINITIONS,
            cautions=CAUTIONS,
            mark=mark,
            number=number,
        )
    )


def vein_parts(report: ReportInput) -> tuple[VeinPart, ...]:
    """Gather what is shown of every vein that was measured."""
    return tuple(
        _vein_part(report, vein, index, tuple(f for f in report.fits if f.vein == vein.name))
        for index, vein in enumerate(report.anatomy.veins, start=1)
    )


def _vein_part(report: ReportInput, vein: Vein, index: int, fits: tuple[Fit, ...]) -> VeinPart:
    measures = vein.ostium.measures
    several = len({fit.approach for fit in fits}) > 1
    tolerance = report.settings.seating.contact_tolerance_mm
    own = [*vein.notes, *(n for fit in fits for n in fit.notes)]
    own += [n for n in (*report.notes, *report.anatomy.notes) if n.subject == vein.name]
    return VeinPart(
        vein=vein,
        anchor=f"vein-{index}",
        words=vein_in_words(vein.name),
        size=f"{number(measures.d_max_mm)} × {number(measures.d_min_mm)}",
        ovality=number(measures.ovality, 2),
        confidence=number(vein.confidence, 2),
        error=number(vein.ostium.error_mm),
        branches=", ".join(vein.branches),
        comparisons=comparisons(fits, report.settings.seating, report.settings.comparison),
        glances=tuple(glance(fit, with_approach=several) for fit in fits),
        fits=fits,
        columns=tuple(column_title(fit, with_approach=several) for fit in fits),
        sentences=tuple(verdict_sentence(fit) for fit in fits),
        groups=fit_groups(fits, tuple(report.structures)),
        measures=vein_rows(vein),
        certainty=vein_rows(vein, CERTAINTY_MEASURES),
        ridges=ridge_rows(report.anatomy, vein),
        trunk=trunk_text(vein),
        pictures=shown_pictures(report, [p for p in report.pictures if p.vein == vein.name]),
        ostium=ostium_chart(vein, fits),
        profile=profile_chart(vein),
        gaps=gap_chart(vein, fits, tolerance),
        maps=contact_charts(vein, fits, gap_bands(tolerance), report.freezing_zones),
        correction=correction_entry(vein),
        notes=unique_notes(own),
    )


def shown_pictures(report: ReportInput, pictures: Sequence[Picture]) -> tuple[ShownPicture, ...]:
    """Return pictures with their titles and contents."""
    fits = {(fit.vein, fit.balloon, str(fit.approach)): fit for fit in report.fits}
    shown = []
    for picture in pictures:
        fit = fits.get((picture.vein, picture.balloon, picture.approach))
        title = picture.balloon if fit is None else f"{balloon_title(fit)}, {fit.approach}"
        shown.append(ShownPicture(picture, title, _content(report, picture)))
    return tuple(shown)


def _content(report: ReportInput, picture: Picture) -> bytes | None:
    if report.folder is None:
        return None
    try:
        return (report.folder / picture.file).read_bytes()
    except (OSError, ValueError):  # the latter for a name that no file can have
        return None


def _smaller(png: bytes) -> tuple[str, bytes]:
    """Return a picture in the format that takes a quarter of the room, where it can be had.

    The files beside the report stay as they are, without loss.
    """
    from PIL import Image, features

    if not features.check("webp"):
        return "png", png
    stream = io.BytesIO()
    with Image.open(io.BytesIO(png)) as image:
        image.convert("RGB").save(stream, format="WEBP", quality=EMBEDDED_QUALITY, method=4)
    return "webp", stream.getvalue()


def unmeasured(report: ReportInput) -> tuple[tuple[str, str], ...]:
    """Return the names of veins that have no measures, each with the reason."""
    measured = {vein.name for vein in report.anatomy.veins}
    lost = {fit.vein: why_missing(fit) for fit in report.fits if fit.vein not in measured}
    return tuple({**lost, **report.anatomy.unmeasured}.items())


def all_notes(report: ReportInput) -> tuple[Note, ...]:
    """Return every note of the case once, warnings and cautions first."""
    return unique_notes(
        [
            *report.notes,
            *report.anatomy.notes,
            *(note for vein in report.anatomy.veins for note in vein.notes),
            *(note for fit in report.fits for note in fit.notes),
            *picture_notes(report.pictures),
        ]
    )


def warnings(report: ReportInput) -> tuple[Note, ...]:
    """Return what puts all of a case in doubt: it stands above everything else."""
    return tuple(note for note in all_notes(report) if note.severity == "warning")


def headlines(report: ReportInput) -> tuple[tuple[str, Note], ...]:
    """Return what the first screen tells first, each note with its label."""
    return tuple(
        (label, note)
        for label, attribute, value in HEADLINES
        for note in all_notes(report)
        if getattr(note, attribute) == value
    )


def _setting_lines(report: ReportInput) -> tuple[SettingLine, ...]:
    return tuple(
        SettingLine(f"{group}.{name}", _written(value), data["unit"], data["meaning"],
                    data["basis"])
        for group, name, value, data in describe(report.settings)
    )  # fmt: skip


def _written(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return "∞" if math.isinf(value) else f"{value:g}"
    return str(value)
