"""Writes how predictions agree with observations: tables, and one page with plots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
from scipy.optimize import isotonic_regression

from veinfit.io.cells import csv_table
from veinfit.io.inputs.observed import GRADES
from veinfit.io.results.output import staged_output
from veinfit.report.colours import DATA, MUTED, PLANE
from veinfit.report.page.study_page import (
    Figure,
    Page,
    Section,
    Table,
    number,
    picture,
    plot,
    span,
    write_study_page,
)
from veinfit.result.values import Row
from veinfit.validation.agreement.agree import DEPTH, Agreement
from veinfit.validation.agreement.measures import ONE_TRY, Measure, both, differences

MEASURE_COLUMNS = (
    "measure", "group", "value", "low", "high", "clustered_low", "clustered_high", "number",
    "patients", "note",
)  # fmt: skip
PAIR_COLUMNS = (
    "line", "case", "patient", "vein", "balloon", "approach", "attempt", "counts",
    "occlusion_grade", "predicted_vein", "predicted_balloon", "predicted_approach",
    "predicted_occluded", "predicted_grade", "probability", "probability_of", "leak_width_mm",
    "seating_depth_mm", "predicted_depth_mm", "time_to_isolation_s", "lowest_temperature_c",
    "shift_after_freeze_mm", "predicted_shift_mm",
)  # fmt: skip
LEFT_OUT_COLUMNS = ("line", "case", "vein", "balloon", "approach", "attempt", "reason")
BIN_COLUMNS = ("low", "high", "predicted", "observed", "observed_low", "observed_high", "number")
ALL = "all"
"""The group of every row."""
NUMBERS_APART = 0.06
"""Between numbers in a row above the reliability curve, as a share of its axis."""

FILES = ("agreement.csv", "agreement.html", "calibration.csv", "left_out.csv", "pairs.csv")
"""What is written."""


def write_agreement(found: Agreement, out: Path) -> tuple[str, ...]:
    """Write tables and page into a folder, all at once; return the names of the files.

    Parameters
    ----------
    found : Agreement
    out : Path

    Returns
    -------
    tuple of str
    """
    content = {
        "agreement.csv": csv_table(MEASURE_COLUMNS, [_measure_row(m) for m in found.measures]),
        "pairs.csv": csv_table(PAIR_COLUMNS, _pair_rows(found)),
        "left_out.csv": csv_table(
            LEFT_OUT_COLUMNS,
            [
                {name: asdict(row).get(name) for name in LEFT_OUT_COLUMNS} | {"reason": reason}
                for row, reason in found.joined.left_out
            ],
        ),
        "calibration.csv": csv_table(BIN_COLUMNS, _bin_rows(found)),
        "agreement.html": write_study_page(_page(found)).encode(),
    }
    with staged_output(out, command="agree") as stage:
        for name, data in content.items():
            (stage / name).write_bytes(data)
    return FILES


def _measure_row(measure: Measure) -> Row:
    return {
        "measure": measure.name,
        "group": measure.group,
        "value": measure.interval.value,
        "low": measure.interval.low,
        "high": measure.interval.high,
        "clustered_low": measure.clustered.low,
        "clustered_high": measure.clustered.high,
        "number": measure.number,
        "patients": measure.patients,
        "note": measure.note,
    }


def _pair_rows(found: Agreement) -> list[Row]:
    best = {id(pair) for pair in found.best}
    rows: list[Row] = []
    for pair in found.joined.pairs:
        seen, told = pair.observed, pair.predicted
        plain = {name: getattr(seen, name) for name in PAIR_COLUMNS if hasattr(seen, name)}
        rows.append(
            {
                **plain,
                "counts": id(pair) in best,
                "predicted_vein": told.vein,
                "predicted_balloon": told.balloon,
                "predicted_approach": told.approach,
                "predicted_occluded": told.occluded,
                "predicted_grade": told.occlusion_grade,
                "probability": told.probability,
                "probability_of": told.probability_of if told.probability is not None else "",
                "leak_width_mm": told.leak_width_mm,
                "predicted_depth_mm": told.depth_mm,
                "predicted_shift_mm": told.freeze_shift_mm,
            }
        )
    return rows


def _bin_rows(found: Agreement) -> list[Row]:
    return [
        {
            "low": b.low,
            "high": b.high,
            "predicted": b.predicted,
            "observed": b.observed.value,
            "observed_low": b.observed.low,
            "observed_high": b.observed.high,
            "number": b.number,
        }
        for b in found.reliability
    ]


# ---- page -----------------------------------------------------------------------------------


def _page(found: Agreement) -> Page:
    joined = found.joined
    patients = {pair.observed.patient for pair in joined.pairs}
    scale = ", ".join(f"{grade} {words}" for grade, words in GRADES.items())
    basis = (
        f"{len(joined.pairs)} observed attempts of {len(patients)} patients go with a prediction; "
        f"rows left out: {len(joined.left_out)}.",
        f"Observed grades are read as {scale}. If the observers' scale runs the other way, every "
        "measure is reversed.",
        "Intervals are 95 % intervals. The plain ones take every row as independent, which veins "
        "of one patient are not; the clustered ones allow for this.",
    )
    sections = [_occlusion(found), _probability(found), _depth(found), _others(found)]
    sections.append(_rows(found))
    return Page("Prediction and observation", findings(found), basis, found.warnings, sections)


def findings(found: Agreement) -> tuple[str, ...]:
    """Return what the page says first: occlusion, its probability and depth, with figures."""
    sentences = (_occlusion_found(found), _probability_found(found), _depth_found(found))
    return tuple(filter(None, sentences)) or (
        "There are too few observations to say how far the predictions agree with them.",
    )


def _occlusion_found(found: Agreement) -> str:
    closed, opened = (_overall(found, name) for name in ("sensitivity", "specificity"))
    told = []
    if closed is not None:
        told.append(
            f"of {_counted(closed, 'balloons that occluded')}, {_share(closed)} were predicted to"
        )
    if opened is not None:
        told.append(
            f"of {_counted(opened, 'that did not')}, {_share(opened)} were predicted not to"
        )
    text = "; ".join(told)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _probability_found(found: Agreement) -> str:
    rate = _overall(found, f"{ONE_TRY}: observed rate less mean probability")
    rank = _overall(found, f"{ONE_TRY}: discrimination (area under the curve)")
    told = []
    if rate is not None:
        told.append(
            f"of {_counted(rate, 'first attempts')}, the share that occluded differs from the mean "
            f"predicted probability by {_share(rate)}"
        )
    if rank is not None:
        told.append(f"their discrimination is {_share(rank)}, where 0.5 is chance and 1 is perfect")
    text = "; ".join(told)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _depth_found(found: Agreement) -> str:
    bias = _overall(found, "depth, mm: bias")
    if bias is None:
        return ""
    return (
        f"In {_counted(bias, 'attempts')}, the predicted depth less the observed one is "
        f"{_share(bias, ' mm on average')}."
    )


def _overall(found: Agreement, name: str) -> Measure | None:
    """Return a measure over all rows; None where it has no value."""
    named = (m for m in found.measures if m.name == name and m.group == ALL)
    return next((m for m in named if m.interval.value is not None), None)


def _counted(measure: Measure, what: str) -> str:
    patients = f"{measure.patients} patient{'s' if measure.patients != 1 else ''}"
    return f"{measure.number} {what} ({patients})"


def _share(measure: Measure, unit: str = "") -> str:
    """Write a measure with its interval clustered by patient: the plain one is too narrow."""
    spread = measure.clustered
    bounds = f" ({span(spread.low, spread.high)})" if spread.low is not None else ""
    return f"{number(measure.interval.value)}{unit}{bounds}"


def _measures(caption: str, measures: Sequence[Measure]) -> Table:
    columns = ("measure", "group", "value", "plain interval", "clustered by patient", "rows",
               "patients", "what weakens it")  # fmt: skip
    rows = [
        (
            m.name,
            m.group,
            number(m.interval.value),
            span(m.interval.low, m.interval.high),
            span(m.clustered.low, m.clustered.high),
            str(m.number),
            str(m.patients),
            m.note,
        )
        for m in measures
    ]
    whole = [row for row in rows if row[1] == ALL]
    parts = [row for row in rows if row[1] != ALL]
    return Table(caption, columns, whole, parts, "of single sizes and veins")


def _some(found: Agreement, *words: str) -> list[Measure]:
    return [m for m in found.measures if any(word in m.name for word in words)]


def _occlusion(found: Agreement) -> Section:
    measures = _some(found, "sensitivity", "specificity", "predictive", "accuracy", "kappa")
    tables = [_measures("Agreement of occlusion, best attempt of each balloon in each vein",
                        measures)]  # fmt: skip
    if found.grades is not None:
        names = [f"observed {g}" for g in (1, 2, 3, 4)]
        rows = [
            (f"predicted {g}", *(str(int(n)) for n in found.grades[g - 1])) for g in (1, 2, 3, 4)
        ]
        tables.append(Table("Grades", ("", *names), rows))
    return Section(
        "Occluded or not",
        (
            "Sensitivity: of the balloons that occluded (grade 4 in any attempt), the share that "
            "was predicted to. Specificity: of those that did not, the share predicted not to.",
        ),
        (),
        tables,
    )


def _probability(found: Agreement) -> Section:
    measures = _some(found, "Brier", "observed rate", "discrimination", "broken off")
    if not found.reliability:
        text = ("Too few first attempts have a probability and a grade for a reliability curve.",)
        tables = (_measures("Calibration", measures),) if measures else ()
        return Section("Probability", text, (), tables)
    with plot(6.4, 5.2) as (drawing, axes):
        axes.plot([0, 1], [0, 1], color=MUTED, linestyle="--", label="perfect calibration")
        x = np.array([b.predicted for b in found.reliability])
        y = np.array([b.observed.value for b in found.reliability], dtype=float)
        low = np.array([b.observed.low for b in found.reliability], dtype=float)
        high = np.array([b.observed.high for b in found.reliability], dtype=float)
        axes.errorbar(
            x, y, np.maximum([y - low, high - y], 0.0), color=DATA, marker="o", capsize=3,
            label="observed, with Wilson intervals",
        )  # fmt: skip
        # In a row of their own: beside the points they lay under the intervals of others.
        apart = NUMBERS_APART * np.arange(len(x))
        across = isotonic_regression(x - apart).x + apart
        for b, place, end in zip(found.reliability, across, high, strict=True):
            axes.plot([b.predicted, place], [end, 1.05], color=MUTED, linewidth=0.5)
            axes.annotate(str(b.number), (place, 1.06), ha="center", color=MUTED)
        axes.set(
            xlim=(-0.02, 1.02), ylim=(-0.02, 1.12), aspect="equal",
            xlabel=f"predicted probability of {found.probability_of}",
            ylabel="share of first attempts that occluded",
        )  # fmt: skip
        # Beside the curve: within it intervals of some tables reach every corner.
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2)
        source = picture(drawing)
    figure = Figure(
        "Reliability curve",
        source,
        "First attempts in groups of equal number by their predicted probability; the number of "
        "attempts stands above each point.",
        "Reliability curve: "
        + "; ".join(f"{b.predicted:.2f} predicted, {number(b.observed.value)} observed of "
                    f"{b.number}" for b in found.reliability),
    )  # fmt: skip
    words = (
        "First attempts are compared with the probability of one try; later ones are made only "
        "where the first failed. Whether a balloon occluded within three attempts is compared with "
        "the probability of up to three steered tries. What came of a series that ended earlier "
        "without occlusion is not known: the observed rate has bounds, and where more than a tenth "
        "of the series are such, there is no calibration.",
        "The Brier score is the mean squared error of the probability: 0 is perfect; that of the "
        "observed rate alone is what a forecast without knowledge gets. Discrimination: 0.5 tells "
        "veins apart no better than chance, 1 always.",
    )
    return Section("Probability", words, (figure,), (_measures("Calibration", measures),))


def _depth(found: Agreement) -> Section:
    pairs = both(found.joined.pairs, *DEPTH)
    limits = found.depth
    if limits is None or not pairs:
        return Section("Depth", ("No attempt has an observed seating depth.",))
    gaps = differences(pairs, *DEPTH)
    observed = np.array([p.observed.seating_depth_mm for p in pairs], dtype=float)
    with plot(8.0, 4.6) as (drawing, axes):
        axes.scatter(observed + 0.5 * gaps, gaps, s=22, color=DATA, alpha=0.7)
        for interval, name, style in (
            (limits.bias, "bias", "-"),
            (limits.lower, "lower limit", "--"),
            (limits.upper, "upper limit", "--"),
        ):
            if interval.value is None:
                continue
            axes.axhline(interval.value, color=PLANE, linestyle=style)
            axes.annotate(f"{name} {number(interval.value, 1)}", (1.0, interval.value), (4, 0),
                          xycoords=("axes fraction", "data"), textcoords="offset points",
                          va="center", color=PLANE, annotation_clip=False)  # fmt: skip
            if interval.low is not None:
                axes.axhspan(interval.low, interval.high, color=PLANE, alpha=0.1, linewidth=0)
        axes.set(
            xlabel="mean of predicted and observed depth, mm",
            ylabel="predicted less observed, mm",
        )
        source = picture(drawing)
    figure = Figure(
        "Depth, predicted and observed",
        source,
        "Difference against mean; the lines are the bias and the limits of agreement (1.96 SD), "
        "the bands their intervals, which treat every attempt as independent.",
        f"Differences of depth: bias {number(limits.bias.value, 1)} mm, limits "
        f"{number(limits.lower.value, 1)} to {number(limits.upper.value, 1)} mm, "
        f"{limits.number} attempts.",
    )
    table = _measures("Depth, mm", _some(found, "depth, mm"))
    return Section("Depth", (), (figure,), (table,))


def _others(found: Agreement) -> Section:
    measures = _some(found, "shift after", "rank correlation")
    if not measures:
        return Section(
            "Other observations",
            ("No time to isolation, lowest temperature or shift was observed often enough.",),
        )
    return Section(
        "Other observations",
        (
            "A rank correlation goes from −1 to 1; it tells whether a wider predicted leak goes "
            "with a later isolation or a warmer lowest temperature, and not by how much.",
        ),
        (),
        (_measures("Other observations", measures),),
    )


def _rows(found: Agreement) -> Section:
    out = [(str(row.line), row.title.partition(" (")[2].rstrip(")"), reason)
           for row, reason in found.joined.left_out]  # fmt: skip
    remarks = [*found.joined.remarks]
    text = (
        "Every row of the observations and its prediction is in pairs.csv. Left out are:"
        if out
        else "Every row of the observations counts; pairs.csv has them with their predictions.",
        *remarks,
    )
    tables = (Table("Rows left out", ("line", "row", "reason"), out),) if out else ()
    return Section("Rows", text, (), tables)
