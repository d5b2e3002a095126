"""Writes fitted values as a settings file, with what they rest on beside them."""

from __future__ import annotations

from veinfit.settings import Settings, describe, with_values
from veinfit.validation.calibration.likelihood import BOUND, Calibration, Estimate
from veinfit.validation.calibration.run import Outcome

SIGNIFICANT = 4
"""Digits of a fitted value."""


def fitted_settings(settings: Settings, calibration: Calibration) -> Settings:
    """Return settings with fitted values and uncertainties in place of theirs."""
    values: dict[str, float] = {}
    for estimate in calibration.estimates:
        values[estimate.quantity.name] = _rounded(estimate.value)
        values[estimate.quantity.uncertainty] = _rounded(uncertainty(estimate))
    return with_values(settings, values)


def uncertainty(estimate: Estimate) -> float:
    """Return the standard deviation of an estimate: a logarithm's, or mm.

    A bound that the data do not give is the end of the range.
    """
    quantity = estimate.quantity
    low = quantity.low if estimate.low is None else estimate.low
    high = quantity.high if estimate.high is None else estimate.high
    return (quantity.share(high) - quantity.share(low)) * quantity.width / (2.0 * BOUND)


def settings_text(settings: Settings, outcome: Outcome) -> str:
    """Return the fitted settings as TOML; what equals the default is left out.

    Parameters
    ----------
    settings : Settings
        The starting values.
    outcome : Outcome

    Returns
    -------
    str
    """
    fitted = fitted_settings(settings, outcome.calibration)
    lines = [
        "# Fitted to observed occlusion by veinfit calibrate.",
        *(f"# {line}" for line in basis_lines(outcome)),
        *(f"# {line}" for line in report_lines(outcome)),
    ]
    defaults = {(group, name): value for group, name, value, _ in describe(Settings())}
    last = ""
    for group, name, value, about in describe(fitted):
        if value == defaults[group, name]:
            continue
        if group != last:
            lines += ["", f"[{group}]"]
            last = group
        text = str(value).lower() if isinstance(value, bool) else repr(value)
        lines.append(f"{name} = {text}  # {about['unit']}")
    return "\n".join(lines) + "\n"


def basis_lines(outcome: Outcome) -> list[str]:
    """Return what a calibration rests on, in words.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    list of str
    """
    found = outcome.calibration
    return [
        f"{outcome.attempts} attempts in {outcome.patients} patients, {outcome.fits} veins with a "
        "balloon; occluded is the complete grade alone.",
        f"Log-likelihood {found.log_likelihood:.2f}, before {found.start_log_likelihood:.2f}; "
        f"interpolation: leak widths to {outcome.emulator_error_mm:.2f} mm, probabilities to "
        f"{outcome.response_error:.3f}.",
        "The stiffness is held: push, guide and shaft act by their ratio to it.",
    ]


def report_lines(outcome: Outcome) -> list[str]:
    """Return the estimates with their intervals, and what the data do not tell.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    list of str
    """
    lines = []
    for estimate in outcome.calibration.estimates:
        quantity = estimate.quantity
        ends = [
            "not bounded" if end is None else f"{end:.{SIGNIFICANT - 1}g}"
            for end in (estimate.low, estimate.high)
        ]
        told = "" if estimate.told else "; the data do not tell it"
        lines.append(
            f"{quantity.name} = {estimate.value:.{SIGNIFICANT}g}: 95 % interval {ends[0]} to "
            f"{ends[1]}{told}"
        )
    for ridge in outcome.calibration.ridges:
        parts = " and ".join(
            f"{words} {'up' if weight > 0.0 else 'down'}" for words, weight in ridge.weights
        )
        lines.append(f"not told apart: {parts} together leave the likelihood nearly as it is")
    return lines


def _rounded(value: float) -> float:
    return float(f"{value:.{SIGNIFICANT}g}")
