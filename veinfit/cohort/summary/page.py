"""Writes the summary of a cohort: tables as CSV, and one page with plots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from veinfit.cohort.statistics import Interval
from veinfit.cohort.summary.findings import findings
from veinfit.cohort.summary.model import (
    PARTS,
    PRACTICE,
    SPLIT_ORDER,
    Predictor,
    Split,
    Summary,
    split_words,
)
from veinfit.cohort.summary.plots import (
    difference_plot,
    gain_words,
    has_practice_sizes,
    mean_digits,
    predictor_plot,
    rose_plot,
    split_plot,
    title,
    verdict_plot,
)
from veinfit.io.cells import csv_table
from veinfit.io.results.output import staged_output
from veinfit.report.page.study_page import (
    Page,
    Section,
    Table,
    folded_table,
    number,
    with_span,
    write_study_page,
)

PAGE = "summary.html"
BASES = {
    "tries": "probabilities over tries, multiplied for each draw of what the sizes share",
    "product": "probabilities over tries, multiplied as if the sizes were independent",
    "single seat": "the nominal seat of each size",
}


def _with_ends(name: str) -> tuple[str, str, str]:
    """Return the columns of a value with its interval."""
    return name, f"{name}_low", f"{name}_high"


COLUMNS: Mapping[str, tuple[str, ...]] = {
    "rates": (
        "vein", "balloon", "verdict", "number", "count", "not_assessed", "passes_through",
        "cannot_reach", *_with_ends("seat_share"), *_with_ends("expected"),
    ),
    "expected": (
        "choice", "tries", "cases", "veins", *_with_ends("expected_sealed"),
        *_with_ends("all_sealed"),
    ),
    "split": (
        "vein", "smaller", "larger", "verdict", "number", "basis", *_with_ends("only_smaller"),
        *_with_ends("only_larger"), *_with_ends("both"), *_with_ends("neither"),
        "seats_only_smaller", "seats_only_larger", "seats_both", "seats_neither", "seats_exact_p",
    ),
    "differences": (
        "vein", "smaller", "larger", "measure", "number", *_with_ends("mean"), "sd", "median",
    ),
    "leak_sides": ("vein", "balloon", "side", "leaks", "of", *_with_ends("share")),
    "leak_hours": ("vein", "balloon", "hour", "leaks", "side"),
    "predictors": (
        "vein", "balloon", "measure", "leaking", "occluded", "mean_leaking", "mean_occluded",
        "hedges_g", *_with_ends("superiority"),
    ),
}  # fmt: skip
"""Of every table, also of one without a row: readers ask for columns by name."""


def write_summary(summary: Summary, out: Path) -> tuple[str, ...]:
    """Write tables and page into a folder, all at once; return the names of the files.

    Parameters
    ----------
    summary : Summary
    out : Path

    Returns
    -------
    tuple of str
    """
    tables = summary_tables(summary)
    content = {f"{name}.csv": csv_table(columns, rows) for name, (columns, rows) in tables.items()}
    content[PAGE] = write_study_page(_page(summary)).encode()
    with staged_output(out, command="cohort summary") as stage:
        for name, data in content.items():
            (stage / name).write_bytes(data)
    return tuple(sorted(content))


def summary_tables(
    summary: Summary,
) -> dict[str, tuple[tuple[str, ...], list[dict[str, Any]]]]:
    """Return every table by name: its columns and rows."""
    rates = [
        {
            "vein": r.vein, "balloon": r.balloon, "verdict": r.verdict, "number": r.number,
            "count": r.count, "not_assessed": r.not_assessed, "passes_through": r.through,
            "cannot_reach": r.out_of_reach, **_spread("seat_share", r.seat),
            **_spread("expected", r.expected),
        }
        for r in summary.rates
    ]  # fmt: skip
    splits = [
        {
            "vein": s.vein, "smaller": s.smaller, "larger": s.larger, "verdict": s.verdict,
            "number": s.number, "basis": s.basis,
            **{k: v for part in PARTS for k, v in _spread(_name(part), s.parts[part]).items()},
            **{f"seats_{_name(part)}": s.counts[part] for part in PARTS},
            "seats_exact_p": s.p,
        }
        for s in summary.splits
    ]  # fmt: skip
    differences = [
        {
            "vein": d.vein, "smaller": d.smaller, "larger": d.larger, "measure": d.measure,
            "number": d.number, **_spread("mean", d.mean), "sd": d.sd, "median": d.median,
        }
        for d in summary.differences
    ]  # fmt: skip
    leaks = [
        {
            "vein": k.vein, "balloon": k.balloon, "side": k.side, "leaks": k.leaks, "of": k.of,
            **_spread("share", k.share),
        }
        for k in summary.leaks
    ]  # fmt: skip
    hours = [
        {"vein": r.vein, "balloon": r.balloon, "hour": h or 12, "leaks": n, "side": r.words[h]}
        for r in summary.roses
        for h, n in enumerate(r.counts)
    ]
    predictors = [
        {
            "vein": p.vein, "balloon": p.balloon, "measure": p.measure, "leaking": p.leaking,
            "occluded": p.occluded, "mean_leaking": p.mean_leaking,
            "mean_occluded": p.mean_occluded, "hedges_g": p.effect,
            **_spread("superiority", p.superiority),
        }
        for p in summary.predictors
    ]  # fmt: skip
    whole = [
        {
            "choice": w.choice, "tries": w.tries, "cases": w.cases, "veins": w.veins,
            **_spread("expected_sealed", w.sealed), **_spread("all_sealed", w.every),
        }
        for w in summary.whole
    ]  # fmt: skip
    found: dict[str, list[dict[str, Any]]] = {
        "rates": rates,
        "expected": whole,
        "split": splits,
        "differences": differences,
        "leak_sides": leaks,
        "leak_hours": hours,
        "predictors": predictors,
    }
    return {name: (COLUMNS[name], rows) for name, rows in found.items()}


def _name(part: str) -> str:
    return part.replace(" ", "_")


def _spread(name: str, found: Interval) -> Mapping[str, float | None]:
    return dict(zip(_with_ends(name), (found.value, found.low, found.high), strict=True))


# ---- page -----------------------------------------------------------------------------------


def _page(summary: Summary) -> Page:
    cohort = summary.cohort
    sizes = ", ".join(size.balloon for size in cohort.sizes)
    basis = (
        f"{cohort.cases} cases, {len(cohort.vein)} veins; balloons {sizes}; approach "
        f"{cohort.approach}.",
        "Intervals hold 95 % and are clustered by case where veins of one case are added up. They "
        "carry the number of cases alone: not the error of the model, which has not been measured.",
    )
    sections = [
        _rates(summary),
        *_whole(summary),
        _split(summary),
        _differences(summary),
        _leaks(summary),
        _predictors(summary),
    ]
    return Page("Summary of a cohort", findings(summary), basis, summary.remarks, sections)


def _rates(summary: Summary) -> Section:
    rows = [
        (
            r.number,
            (
                r.vein,
                r.balloon,
                r.verdict,
                f"{r.count} of {r.number}",
                with_span(r.seat.value, r.seat.low, r.seat.high),
                with_span(r.expected.value, r.expected.low, r.expected.high),
                str(r.through),
                str(r.out_of_reach),
                str(r.not_assessed),
            ),
        )
        for r in summary.rates
    ]
    columns = ("vein", "balloon", "counted", "nominal seats", "share", "expected over tries",
               "passes through", "cannot reach", "not assessed")  # fmt: skip
    return Section(
        "Occluded and sealed",
        (
            "Occluded: a closed line of contact, which contrast shows. Sealed: the same in cold "
            "contact, which ablates. Nominal seats count as sealed also where they are deep; what "
            "is expected over tries counts seals that are not. A balloon that passes through or "
            "cannot reach does neither.",
        ),
        [verdict_plot(summary, "occluded"), verdict_plot(summary, "sealed")],
        [folded_table("Seals by vein and size; Wilson intervals of single veins", columns, rows)],
    )


def _whole(summary: Summary) -> list[Section]:
    if not summary.whole:
        return []
    rows = [
        (
            w.choice,
            w.tries,
            with_span(w.sealed.value, w.sealed.low, w.sealed.high),
            number(w.veins, 1),
            with_span(w.every.value, w.every.low, w.every.high),
            str(w.cases),
        )
        for w in summary.whole
    ]
    text = (
        "Number of veins of a case with an antral seal, in the mean over cases, and the "
        "probability that all veins counted have one. The second size where the first does not "
        "seal; several tries of each size, the later ones steered.",
    )
    columns = ("choice", "tries", "veins sealed", "of", "all sealed", "cases")
    return [Section("The whole case", text, [], [Table("Expected seals of a case", columns, rows)])]


def _split(summary: Summary) -> Section:
    splits = [s for v in SPLIT_ORDER for s in summary.splits if s.number and s.verdict == v]
    if not splits:
        return Section("What the second size adds", ("There are no two sizes to compare.",))
    figures = [f for c in SPLIT_ORDER if (f := split_plot(summary, c)) is not None]
    columns = ("vein", "counted", *(_titled(part, splits[0]) for part in PARTS), "veins",
               "nominal seats that differ", "exact p")  # fmt: skip
    rows = [
        (
            s.number,
            (
                s.vein,
                s.verdict,
                *(with_span(i.value, i.low, i.high) for i in _parts(s)),
                str(s.number),
                f"{s.counts['only smaller']} only {s.smaller}, "
                f"{s.counts['only larger']} only {s.larger}",
                "–" if s.p is None else f"{s.p:.3g}",
            ),
        )
        for s in splits
    ]
    if has_practice_sizes(summary):
        rows.append(
            (
                summary.cohort.cases,
                (
                    "common practice",
                    "sealed",
                    *(number(PRACTICE[part]) for part in PARTS),
                    "–",
                    "–",
                    "–",
                ),
            )
        )
    bases = " and ".join(BASES[basis] for basis in dict.fromkeys(s.basis for s in splits))
    gains = [
        f"{words[:1].upper()}{words[1:]}: {'; '.join(gain_words(s) for s in mine)}."
        for verdict in SPLIT_ORDER
        if (mine := [s for s in splits if s.verdict == verdict and s.vein != "all"])
        for words in (split_words(mine[0]),)
    ]
    text = (
        f"Expected shares rest on {bases}. The exact test is McNemar's, of the nominal seats of "
        "the same veins; over all veins it treats the veins of one case as independent, and no "
        "allowance is made for the number of tests.",
        *gains,
    )
    return Section(
        "What the second size adds", text, figures, [folded_table("Split", columns, rows)]
    )


def _titled(part: str, split: Split) -> str:
    return part.replace("smaller", split.smaller).replace("larger", split.larger)


def _parts(split: Split) -> Iterable[Interval]:
    return (split.parts[part] for part in PARTS)


def _differences(summary: Summary) -> Section:
    figure = difference_plot(summary)
    if figure is None:
        return Section("Differences", ("There are no two sizes to compare.",))
    rows = [
        (
            d.number,
            (
                d.vein,
                title(d.measure),
                f"{d.larger} less {d.smaller}",
                str(d.number),
                with_span(d.mean.value, d.mean.low, d.mean.high, k),
                number(d.sd, k),
                number(d.median, k),
            ),
        )
        for d in summary.differences
        for k in (mean_digits(d.measure),)
    ]
    columns = ("vein", "measure", "difference", "veins", "mean", "SD", "median")
    return Section("Differences", (), [figure], [folded_table("Paired differences", columns, rows)])


def _leaks(summary: Summary) -> Section:
    figure = rose_plot(summary.roses)
    if figure is None:
        return Section("Where leaks are", ("There is no leak.",))
    rows = [
        (k.of, (k.vein, k.balloon, k.side, f"{k.leaks} of {k.of}",
                with_span(k.share.value, k.share.low, k.share.high)))
        for k in summary.leaks
    ]  # fmt: skip
    columns = ("vein", "balloon", "side", "leaks", "share")
    caption = "Leaks by side, in words; intervals treat leaks as independent"
    return Section("Where leaks are", (), [figure], [folded_table(caption, columns, rows)])


def _predictors(summary: Summary) -> Section:
    figure = predictor_plot(summary.predictors)
    if figure is None:
        return Section(
            "What correlates with a leak",
            ("Too few veins leak, or too few are occluded, to tell what correlates with a leak.",),
        )
    rows = [_predictor_row(p) for p in summary.predictors]
    columns = ("vein", "balloon", "measure", "leaking", "occluded", "mean leaking",
               "mean occluded", "Hedges' g", "chance of the greater value")  # fmt: skip
    text = (
        "About nominal seats that do not occlude. Over all veins a measure also reflects which "
        "vein it is; in the rows of one vein it does not. Measures correlate with each other, and "
        "what correlates with a leak need not cause it.",
    )
    return Section(
        "What correlates with a leak", text, [figure], [Table("Measures", columns, rows)]
    )


def _predictor_row(p: Predictor) -> Sequence[str]:
    found = p.superiority
    return (
        p.vein,
        p.balloon,
        title(p.measure),
        str(p.leaking),
        str(p.occluded),
        number(p.mean_leaking, mean_digits(p.measure)),
        number(p.mean_occluded, mean_digits(p.measure)),
        number(p.effect),
        with_span(found.value, found.low, found.high),
    )
