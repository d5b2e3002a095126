"""The words of the report: verdicts, places, numbers, and what is missing and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from veinfit.frames import clock_words, clock_words_apart
from veinfit.result.columns import column
from veinfit.seating.likely import as_told
from veinfit.seating.model import Fit, Leak
from veinfit.settings import ReportSettings
from veinfit.vein_names import LONG_NAMES

MISSING = "–"

SPACE = "\u00a0"
"""Keeps a number and its unit on one line."""

Mark = Literal["full", "half", "empty", "none"]
"""The sign of a probability: a full, a half, an empty circle; a dash where there is none."""

SIGNS: dict[Mark, str] = {"full": "●", "half": "◐", "empty": "○", "none": "–"}


def vein_in_words(name: str) -> str:
    """Spell out a vein's abbreviation; empty where it has no long form."""
    if name in LONG_NAMES:
        return LONG_NAMES[name]
    numbered = re.fullmatch(r"(RMPV|extra)-(\d+)", name)
    if numbered is None:
        return ""
    kind = "further right middle" if numbered[1] == "RMPV" else "additional"
    return f"{kind} pulmonary vein, number {numbered[2]}"


def number(value: float | None, digits: int = 1) -> str:
    """Write a number with a real minus sign; an en dash where there is none."""
    if value is None:
        return MISSING
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def either(parts: Sequence[str]) -> str:
    """Join alternatives: ``a``, ``a or b``, ``a, b or c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def leak_mm(width_mm: float | None) -> str:
    """Write a leak's width with its unit, to as many decimals as every table has."""
    if width_mm is None:
        return MISSING
    return f"{number(width_mm, column('fits', 'leak_width_mm').shown_digits or 0)}{SPACE}mm"


def hours(clock_h: float) -> str:
    """Write a clock position as it is spoken of, to the nearest hour: ``10 o'clock``."""
    return clock_words(clock_h)


def place(side: str, clock_h: float | None) -> str:
    """Write a place around a vein in words and on the clock."""
    if clock_h is None:
        return side or MISSING
    return f"{side}, {hours(clock_h)}" if side else hours(clock_h)


def leak_place(fit: Fit) -> str:
    """Write where the widest leak of ``fit`` is."""
    return place(fit.leak_side, fit.leak_clock_h)


def mark(fit: Fit, settings: ReportSettings) -> Mark:
    """Return the sign of a fit: it follows the probability, never the single seat."""
    return sign_of(fit_likelihood(fit, settings))


def sign_of(word: str) -> Mark:
    """Return the sign of a word of :func:`likelihood`."""
    signs: dict[str, Mark] = {"likely": "full", "uncertain": "half", "unlikely": "empty"}
    return signs.get(word, "none")


def fit_likelihood(fit: Fit, settings: ReportSettings) -> str:
    """Say how likely one try is to seal."""
    bounds = fit.seal_probability_low, fit.seal_probability_high
    return likelihood(fit.seal_probability, settings, bounds)


def likelihood(
    probability: float | None,
    settings: ReportSettings,
    bounds: tuple[float | None, float | None] = (None, None),
) -> str:
    """Say how likely something is by the thresholds of the settings; empty without a figure.

    An interval that reaches into the opposite word makes it uncertain. Figures count as they are
    told, to two digits, so that none stands beside a word that it contradicts.

    Parameters
    ----------
    probability : float or None
    settings : ReportSettings
    bounds : (float or None, float or None)
        Of its interval.

    Returns
    -------
    {'likely', 'unlikely', 'uncertain', ''}
    """
    if probability is None:
        return ""
    probability = as_told(probability)
    low, high = (None if bound is None else as_told(bound) for bound in bounds)
    if probability >= settings.likely_from and (low is None or low > settings.unlikely_to):
        return "likely"
    if probability <= settings.unlikely_to and (high is None or high < settings.likely_from):
        return "unlikely"
    return "uncertain"


WIDE = "wide"
"""Stands beside an interval that alone makes a probability uncertain."""


def is_wide(
    probability: float | None,
    settings: ReportSettings,
    bounds: tuple[float | None, float | None],
) -> bool:
    """Return whether a probability is called uncertain only because its interval is wide."""
    alone = likelihood(probability, settings)
    return alone != likelihood(probability, settings, bounds)


def scale_words(settings: ReportSettings) -> str:
    """State the thresholds of the words.

    Parameters
    ----------
    settings : ReportSettings

    Returns
    -------
    str
    """
    return (
        f"Likely: a probability of {settings.likely_from:g} or more with its interval above "
        f"{settings.unlikely_to:g}. Unlikely: {settings.unlikely_to:g} or less with its interval "
        f"below {settings.likely_from:g}. Uncertain: all else; "
        f'"{WIDE}": only because the interval is. '
        "A tie: the difference is small and may be zero."
    )


ONE_TRY = "Probability that one try gives an antral seal (sealed and not deep), with its interval."
"""What the figure beside the sign of a size is."""

NOMINAL_SEAT = (
    "The nominal seat is the single try without scatter; shaft directions are compared without "
    "scatter too."
)
"""What the words beside the probabilities are about."""

NO_NEIGHBOURS = "No neighbouring structure was supplied: what lies near is not known."
"""Stands where there are no distances."""


def push_words(push_n: float, greatest_n: float, settings: ReportSettings) -> str:
    """Say how strong a push is beside the greatest one tried."""
    share = push_n / greatest_n if greatest_n > 0.0 else 1.0
    if share >= settings.firm_push_share:
        return "firm"
    return "light" if share <= settings.light_push_share else "moderate"


def verdict(fit: Fit) -> str:
    """Say in one phrase what the nominal seat is predicted to be.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    str
    """
    if fit.outcome == "not assessed":
        return "not assessed"
    if fit.outcome != "seated":
        return f"no seat: {fit.outcome}"
    if fit.occluded is None:
        return "seated, seal not assessed"
    if not fit.occluded:
        return "leak"
    if fit.sealed is None:
        return "occluded, cold contact not assessed"
    if not fit.sealed:
        return "occluded, not sealed"
    return "sealed, but deep" if fit.deep else "sealed"


def verdict_sentence(fit: Fit) -> str:
    """Say in one sentence what the nominal seat is predicted to be, its leak included."""
    words = {
        "sealed": "Nominal seat: sealed, by a closed line of cold contact",
        "sealed, but deep": "Nominal seat: sealed by a closed line of cold contact, but deep",
        "occluded, not sealed": "Nominal seat: occluded, not sealed; contact "
        "lies in part off the freezing zone",
        "occluded, cold contact not assessed": "Nominal seat: occluded; cold contact was not "
        "assessed",
        "seated, seal not assessed": "Nominal seat: the seal was not assessed",
    }
    said = verdict(fit)
    if said == "leak":
        if fit.leak_width_mm is None:
            return "Nominal seat: a leak, whose width was not measured"
        return f"Nominal seat: a leak {leak_mm(fit.leak_width_mm)} wide, {leak_place(fit)}"
    if said in words:
        return words[said]
    reason = f": {fit.reason}" if fit.reason else ""
    return f"{said[0].upper()}{said[1:]}{reason}"


def interval_words(low: float | None, high: float | None) -> str:
    """Write an interval; empty where a bound is missing."""
    if low is None or high is None:
        return ""
    return f"{number(low, 2)} to {number(high, 2)}"


def told_interval(
    probability: float | None,
    settings: ReportSettings,
    bounds: tuple[float | None, float | None],
) -> str:
    """Write the interval of a probability, and where it alone makes it uncertain, that it does."""
    text = interval_words(*bounds)
    return f"{text}, {WIDE}" if text and is_wide(probability, settings, bounds) else text


def chance_words(fit: Fit, field: str, settings: ReportSettings) -> str:
    """Write a probability of a fit with its word; empty where there is none.

    Parameters
    ----------
    fit : Fit
    field : str
        Name of the probability, such as ``seal_probability``.
    settings : ReportSettings
        Whose thresholds make the words.

    Returns
    -------
    str
    """
    value: float | None = getattr(fit, field)
    if value is None:
        return ""
    bounds = getattr(fit, f"{field}_low"), getattr(fit, f"{field}_high")
    wide = f" ({WIDE} interval)" if is_wide(value, settings, bounds) else ""
    return f"{likelihood(value, settings, bounds)}{wide} {number(value, 2)}"


def headline(fit: Fit, settings: ReportSettings) -> str:
    """Say in one line how likely one try is to seal, and then what the nominal seat is.

    Parameters
    ----------
    fit : Fit
    settings : ReportSettings

    Returns
    -------
    str
    """
    said = f"{verdict_sentence(fit)}"
    if fit.seal_probability is None:
        return said
    ends = fit.seal_probability_low, fit.seal_probability_high
    bounds = told_interval(fit.seal_probability, settings, ends)
    probability = number(fit.seal_probability, 2)
    if not bounds:
        # Without an interval there is no word for how likely it is.
        return f"Antral seal probability {probability}. {said}"
    return f"Antral seal {fit_likelihood(fit, settings)}: {probability} ({bounds}). {said}"


def figures(fit: Fit) -> str:
    """Return the figures of a fit's nominal seat in one line."""
    if fit.centre is None:
        return "No figures without a seat."
    # Where the balloon occludes nothing leaks: what is left is a gap that counts as contact.
    width = "widest gap in contact" if fit.occluded else "leak width"
    stated: list[tuple[object, str]] = [
        (fit.leak_width_mm, f"{width} {leak_mm(fit.leak_width_mm)}"),
        (
            fit.contact_arc_deg,
            f"contact at any depth over {number(fit.contact_arc_deg, 0)}° of the circumference"
            + (", the leak running between contacts" if _between_contacts(fit) else ""),
        ),
        (fit.contact_area_mm2, f"cold contact area {number(fit.contact_area_mm2, 0)} mm²"),
        (
            fit.depth_mm,
            f"depth of the equator {number(fit.depth_mm)} mm",
        ),
        (fit.nose_depth_mm, f"depth of the nose {number(fit.nose_depth_mm)} mm"),
        (fit.antral_area_mm2, f"antral area {number(fit.antral_area_mm2, 0)} mm²"),
        # Beside the equator's depth it would contradict it: what counts is where contact lies.
        (fit.deep or None, "the contact counts as deep"),
    ]
    parts = [words for value, words in stated if value is not None]
    text = "; ".join(parts)
    text = text[:1].upper() + text[1:]
    return (
        f"{text}. Depths count from the ostial plane, positive into the vein. "
        f"{fit.approach.capitalize()} approach assumed."
    )


def _between_contacts(fit: Fit) -> bool:
    """Return whether the widest leak runs where the wall is pressed too, at another depth."""
    if fit.occluded is not False or fit.leak_clock_h is None:
        return False
    hour = fit.leak_clock_h
    away = [(abs((r.clock_h - hour + 6.0) % 12.0 - 6.0), r.gap_mm) for r in fit.clock]
    gap = min(away, key=lambda one: one[0], default=(0.0, None))[1]
    return gap is not None and gap <= 0.0


def leaks_words(leaks: Sequence[Leak]) -> tuple[str, ...]:
    """Write width, arc and place of each leak of a seat; neighbours are told apart."""
    places = zip(leaks, clock_words_apart([leak.clock_h for leak in leaks]), strict=True)
    return tuple(
        f"{leak_mm(leak.width_mm)} wide over {number(leak.arc_deg, 0)}°, "
        + ", ".join(filter(None, (leak.side, hour)))
        for leak, hour in places
    )


def yes_no(value: bool | None) -> str:
    """Write a truth value."""
    return MISSING if value is None else ("yes" if value else "no")


def why_missing(fit: Fit) -> str:
    """Say why a fit's value is missing."""
    if fit.outcome != "seated":
        return fit.reason or f"{fit.outcome}: no seat to measure"
    return fit.reason or "could not be computed for this seat"


def balloon_size(fit: Fit) -> str:
    """Name a balloon by its diameter, with its own name where that says more."""
    size = f"{fit.balloon_mm:g}{SPACE}mm"
    says_more = fit.balloon.strip() not in {"", f"{fit.balloon_mm:g}", f"{fit.balloon_mm:g} mm"}
    return f"{fit.balloon} ({size})" if says_more else size


def column_title(fit: Fit, *, with_approach: bool) -> str:
    """Name a fit among those of its vein.

    Parameters
    ----------
    fit : Fit
    with_approach : bool
        Where a vein has fits by several.

    Returns
    -------
    str
    """
    title = balloon_size(fit)
    return f"{title}, {fit.approach}" if with_approach else title


def balloon_title(fit: Fit) -> str:
    """Name a balloon for a heading."""
    size = balloon_size(fit)
    return size if size.endswith(")") else f"{size} balloon"


def safe_file_name(text: str) -> str:
    """Turn any name into one that every file system takes: letters, digits, ``.``, ``-``, ``_``.

    Leading dots and hyphens go, and the length is held to 60 characters.
    """
    kept = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")[:60]
    return kept or "unnamed"


def axis_title(table: str, name: str) -> str:
    """Return what an axis of a chart is called on which a column's values stand."""
    title = column(table, name).heading()
    return title[:1].lower() + title[1:]
