"""What the seating stages hand on: seats, gaps, leaks, the clock.

Field names are the columns of ``fits.csv``, ``leaks.csv`` and ``clock.csv``;
None is an empty cell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from veinfit.notes import Note
from veinfit.seating.further import Growth, VeinPlans
from veinfit.seating.kinds import Approach, Outcome
from veinfit.seating.uncertainty.aim_field import AimField
from veinfit.surface import Surface
from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Leak:
    """One place where the seal is open, seen from the atrium."""

    vein: str
    balloon: str
    approach: Approach
    leak: int
    width_mm: float
    arc_deg: float
    area_mm2: float | None
    clock_h: float
    side: str
    x_mm: float
    y_mm: float
    z_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class ClockReading:
    """The gap and the contact band in one direction around the vein.

    ``gap_mm`` is the least gap met in this direction; the band and line depths
    are along the ostial normal from the ostial centre, positive into the vein,
    and None where there is no contact.
    """

    vein: str
    balloon: str
    approach: Approach
    clock_h: float
    side: str
    gap_mm: float
    band_atrial_depth_mm: float | None
    band_distal_depth_mm: float | None
    band_width_mm: float | None
    sealing_depth_mm: float | None


@dataclass(frozen=True, slots=True)
class Chance:
    """The probability that a balloon closes a vein, over how it comes to lie.

    Attributes
    ----------
    probability : float
    low, high : float
        95 % bounds that carry the uncertainty of the calibration alone.
    sampling_error : float
        Standard error of ``probability`` from the number of tries simulated.
    given_patient : tuple of float
        The probability for each draw of the patient's unknowns, the same draws for
        every vein and balloon; NaN where no try of a draw could be assessed.
    spread : float
        Variance of the probability over the uncertainty of the calibration, as a share of
        the greatest that it could have, p (1 - p).
    sensitivities : mapping of str to float
        By how much the probability changes with one standard deviation of each calibrated
        quantity; what moves two balloons alike is no difference between them.
    """

    probability: float
    low: float
    high: float
    sampling_error: float
    given_patient: tuple[float, ...]
    spread: float = 0.0
    sensitivities: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Margin:
    """What many chains of tries of one balloon in one vein came to.

    Attributes
    ----------
    chains : int
        Simulated.
    assessed : int
        Of these, those that could be assessed; all else is about them.
    through : int
        Of their first tries, those in which the balloon passed through or had no room.
    occluded, sealed, antral : Chance
        One try: closed by contrast, sealed by cold contact, sealed and not deep.
    steered_occluded, steered_antral : Chance
        The last try of each chain.
    deep_seal_probability : float
        One try sealed, but deep.
    freeze_loss_probability : float or None
        One try antral, and no longer sealed once the balloon has grown as freezing starts;
        None where nothing grows.
    attempts_per_chain : float
        Tries made until the balloon occludes or none is left, in the mean.
    push_percentiles : tuple of float
        Tenth, fiftieth and ninetieth percentile of the push that sealed, N; empty where
        none did.
    leak_width_percentiles : tuple of float
        The same of the leak width, mm.
    variance_shares : mapping of str to float
        Which unknown moves the seal: shares of the variance of the leak width in
        cold contact; ``together`` is what no group does by itself.
    """

    chains: int
    assessed: int
    through: int
    occluded: Chance
    sealed: Chance
    antral: Chance
    steered_occluded: Chance
    steered_antral: Chance
    deep_seal_probability: float
    freeze_loss_probability: float | None
    attempts_per_chain: float
    push_percentiles: tuple[float, ...]
    leak_width_percentiles: tuple[float, float, float]
    variance_shares: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One try of a chain, as written for researchers."""

    vein: str
    balloon: str
    approach: Approach
    patient: int
    chain: int
    attempt: int
    outcome: Outcome
    shaft_clock_h: float | None
    shaft_tilt_deg: float
    push_n: float | None
    push_to_occlude_n: float | None
    push_to_seal_n: float | None
    occluded: bool | None
    sealed: bool | None
    deep: bool | None
    antral: bool | None
    leak_width_mm: float | None


@dataclass(frozen=True, slots=True)
class Aim:
    """What becomes of one direction of the shaft; a row of ``aims.csv``.

    ``shaft_clock_h`` is where the nose points, seen from the atrium along the vein's
    axis, and None straight along it; ``shaft_tilt_deg`` counts from that axis. The
    outcome is that of a try without any perturbation; ``seal_probability`` is that of
    an antral seal of a try which aims there, with its scatter; None where the sample
    tells none.
    """

    vein: str
    balloon: str
    approach: Approach
    shaft_clock_h: float | None
    shaft_side: str
    shaft_tilt_deg: float
    outcome: Outcome
    occluded: bool | None
    sealed: bool | None
    antral: bool | None
    leak_width_mm: float | None
    leak_side: str
    push_to_seal_n: float | None
    seal_probability: float | None


@dataclass(frozen=True, slots=True)
class FreezeDrift:
    """What becomes of a seat when the balloon grows as freezing starts.

    Attributes
    ----------
    growth_mm : float
        Of the diameter; 0 is a balloon of constant size.
    outcome : Outcome
        ``passes through`` where the grown balloon finds no rest.
    shift_mm : float or None
        How far the centre moves.
    occluded, sealed : bool or None
    leak_width_mm : float or None
    """

    growth_mm: float
    outcome: Outcome
    shift_mm: float | None = None
    occluded: bool | None = None
    sealed: bool | None = None
    leak_width_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """How one balloon sits in one vein, the fields of a row of ``fits.csv`` and more.

    Unit and meaning of each field that is a column are told by ``columns("fits")``; None
    is what could not be had.

    Attributes
    ----------
    centre : (3,) array or None
        Of the balloon, mm. Where the outcome is ``not assessed`` although the balloon rests,
        its place is given and the seal is not.
    push_direction : (3,) array or None
        Unit vector from the atrium into the vein.
    push_n : float or None
        The push at the seat, N.
    distances_mm : mapping of str to float
        From the freezing zone to each structure.
    leaks : tuple of Leak
    clock : tuple of ClockReading
    patch : Surface or None
        The refined wall near the vein, as it lies under the balloon.
    patch_gap_mm : (V,) array or None
        The gap at its vertices: negative where pressed, NaN on wall whose blood side the
        balloon does not face, such as the far side of a carina.
    margin : Margin or None
        What tries come to whose input scatters; None where none were made.
    freezing : tuple of FreezeDrift
        Constant size beside the balloon's own growth as freezing starts or, where it has
        none, beside the settings' what-if.
    balloon_section : (N, 2) array or None
        Half section of what is no sphere: place along the shaft, from back to nose, and
        radius, mm.
    shape_amplitudes : tuple of float
        By which the ostium, and ``patch`` with it, has changed shape, mm.
    aims : tuple of Aim
        The aim map, a direction of the shaft each.
    aim_field : AimField or None
        At hand while a case is assessed; results do not keep it.
    growth : Growth or None
        What becomes of the seat when the balloon grows to the next size where it lies.
    plans : VeinPlans or None
        Of all sizes together, on the fit of the last of them.
    attempts : tuple of AttemptRow
        Every try, where the settings ask for them.
    notes : tuple of Note

    Examples
    --------
    >>> fit = result.fit("LSPV", 28)
    >>> fit.outcome, fit.occluded, fit.antral
    ('seated', True, True)
    """

    vein: str
    balloon: str
    balloon_mm: float
    approach: Approach
    outcome: Outcome
    reason: str = ""
    centre: FloatArray | None = None
    push_direction: FloatArray | None = None
    misalignment_deg: float | None = None
    depth_mm: float | None = None
    nose_depth_mm: float | None = None
    deep: bool | None = None
    contact_area_mm2: float | None = None
    contact_arc_deg: float | None = None
    occluded: bool | None = None
    sealed: bool | None = None
    leak_width_mm: float | None = None
    leak_area_mm2: float | None = None
    leak_clock_h: float | None = None
    leak_side: str = ""
    occlusion_grade: int | None = None
    antral_area_mm2: float | None = None
    freeze_shift_mm: float | None = None
    sealed_after_freeze: bool | None = None
    seal_probability: float | None = None
    seal_probability_low: float | None = None
    seal_probability_high: float | None = None
    antral: bool | None = None
    push_to_seal_n: float | None = None
    occlusion_probability: float | None = None
    occlusion_probability_low: float | None = None
    occlusion_probability_high: float | None = None
    steered_seal_probability: float | None = None
    steered_seal_probability_low: float | None = None
    steered_seal_probability_high: float | None = None
    steered_occlusion_probability: float | None = None
    steered_occlusion_probability_low: float | None = None
    steered_occlusion_probability_high: float | None = None
    deep_seal_probability: float | None = None
    freeze_loss_probability: float | None = None
    tries_leak_side: str = ""
    loop_depth_mm: float | None = None
    loop_fit: str = ""
    distances_mm: Mapping[str, float] = field(default_factory=dict)
    leaks: tuple[Leak, ...] = ()
    clock: tuple[ClockReading, ...] = ()
    patch: Surface | None = None
    patch_gap_mm: FloatArray | None = None
    margin: Margin | None = None
    freezing: tuple[FreezeDrift, ...] = ()
    balloon_section: FloatArray | None = None
    shape_amplitudes: tuple[float, ...] = ()
    push_n: float | None = None
    aims: tuple[Aim, ...] = ()
    aim_field: AimField | None = None
    growth: Growth | None = None
    plans: VeinPlans | None = None
    attempts: tuple[AttemptRow, ...] = ()
    notes: tuple[Note, ...] = ()

    def __repr__(self) -> str:
        told: list[str] = [self.outcome]
        if self.occluded is not None:
            told.append(
                "occluded" if self.occluded else f"leaks {self.leak_width_mm or 0.0:.2f} mm"
            )
        if self.sealed:
            told.append("sealed")
        if self.seal_probability is not None:
            told.append(f"seal probability {self.seal_probability:.2f}")
        return f"Fit({self.vein}, {self.balloon}, {self.approach}: {', '.join(told)})"
