"""What follows from the seats: growth in place, several seats, places of the crossing.

Field names are the columns of ``growth.csv``, ``plans.csv`` and ``crossings.csv``; None is
an empty cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from veinfit.seating.kinds import Approach, Outcome
from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True)
class GrowthStep:
    """One diameter of a balloon that grows in place; a row of ``growth.csv``.

    ``seal_probability`` is that of an antral seal at this diameter, ``gain_probability``
    that of one which the smaller size left open; both over the first tries of the margin.
    ``loop_depth_mm`` and ``loop_fit`` tell where a mapping loop lies at the nose.
    """

    vein: str
    approach: Approach
    from_balloon: str
    to_balloon: str
    diameter_mm: float
    outcome: Outcome
    depth_mm: float | None = None
    occluded: bool | None = None
    sealed: bool | None = None
    leak_width_mm: float | None = None
    leak_side: str = ""
    antral_area_mm2: float | None = None
    seal_probability: float | None = None
    gain_probability: float | None = None
    loop_depth_mm: float | None = None
    loop_fit: str = ""
    distances_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Growth:
    """What becomes of a seat when the balloon grows to the next size where it lies.

    Attributes
    ----------
    steps : tuple of GrowthStep
        The first is the seat of the smaller size.
    given_patient : tuple of float
        Probability that the smaller size seals antrally or the grown one does, for each
        draw of the patient's unknowns.
    kept_probability, gained_probability : float or None
        Of tries that sealed, the share that seals at the larger size; of those that did not
        seal antrally, the share that then does. None where there are none.
    centres : tuple of (float, float, float) or None
        Where the nominal balloon's centre lies at each step, mm; None where it does not rest.
    """

    steps: tuple[GrowthStep, ...]
    given_patient: tuple[float, ...]
    kept_probability: float | None
    gained_probability: float | None
    centres: tuple[tuple[float, float, float] | None, ...] = ()

    @property
    def either_probability(self) -> float | None:
        """Probability that the smaller size seals antrally or, where it does not, once grown.

        Summed over the veins it is the case's expected number with growth in place.
        """
        known = [value for value in self.given_patient if math.isfinite(value)]
        return sum(known) / len(known) if known else None

    @property
    def seal_kept(self) -> bool | None:
        """Whether the nominal seat seals at every diameter; None where one is not known."""
        seals = [step.sealed for step in self.steps]
        return None if None in seals else all(seals)

    @property
    def lost_at_mm(self) -> float | None:
        """First diameter at which a nominal seat that sealed no longer does."""
        if not self.steps[0].sealed:
            return None
        return next((step.diameter_mm for step in self.steps if step.sealed is False), None)

    @property
    def gained_at_mm(self) -> float | None:
        """First diameter at which a nominal seat that did not seal does."""
        if self.steps[0].sealed is not False:
            return None
        return next((step.diameter_mm for step in self.steps if step.sealed), None)

    @property
    def back_mm(self) -> float | None:
        """How far the equator comes back out of the vein; None where either seat is unknown."""
        first, last = self.steps[0].depth_mm, self.steps[-1].depth_mm
        return None if first is None or last is None else first - last


@dataclass(frozen=True, slots=True)
class CrossingPlace:
    """One size of balloon from one place of the septum; a row of ``crossings.csv``.

    Attributes
    ----------
    x_mm, y_mm, z_mm : float
    balloon : str
    expected_sealed : float or None
        Number of veins with an antral seal in one try; None where the tries of a vein do not
        tell its probability from here.
    misalignment_deg : mapping of str to float
        Between shaft and axis, of each vein that the sheath reaches from here.
    error : float or None
        Standard error of ``expected_sealed`` from the number of tries.
    """

    x_mm: float
    y_mm: float
    z_mm: float
    balloon: str
    expected_sealed: float | None
    misalignment_deg: Mapping[str, float]
    error: float | None = None


@dataclass(frozen=True, slots=True)
class BestCrossing:
    """Where on the septum one size is predicted to seal most veins.

    ``given`` is what is expected from the case's own place, ``loss_5mm`` by how much the
    worst place one step of the grid away from the best falls short of it.
    """

    balloon: str
    x_mm: float
    y_mm: float
    z_mm: float
    expected_sealed: float
    given: float | None
    loss_5mm: float | None


@dataclass(frozen=True, slots=True)
class Crossings:
    """The map of places where the septum may be crossed.

    Attributes
    ----------
    places : tuple of CrossingPlace
        The case's own place first, size by size.
    best : tuple of BestCrossing
        For each size of which anything is known.
    estimated : bool
        Whether the own place, about which the grid lies, is estimated.
    """

    places: tuple[CrossingPlace, ...]
    best: tuple[BestCrossing, ...]
    estimated: bool


@dataclass(frozen=True, slots=True, eq=False)
class PlanSeat:
    """One seat of a plan.

    Attributes
    ----------
    balloon : str
    shaft_clock_h : float or None
        Where the nose points, seen from the atrium along the vein's axis; None straight along it.
    shaft_side : str
    shaft_tilt_deg : float
        From the vein's axis.
    covers_from_h, covers_to_h : float or None
        The longest arc of cold contact, clockwise; 0 and 12 all round; None without any.
    probability_without : float or None
        That the others of the plan close the vein if this seat fails.
    band_from_mm, band_to_mm : (M,) array
        Depth of the edges of its cold contact on each meridian, from twelve o'clock on, along
        the ostial normal; NaN without contact.
    """

    balloon: str
    shaft_clock_h: float | None
    shaft_side: str
    shaft_tilt_deg: float
    covers_from_h: float | None
    covers_to_h: float | None
    probability_without: float | None
    band_from_mm: FloatArray
    band_to_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """A set of seats whose bands of cold contact are to close a vein together.

    Attributes
    ----------
    seats : tuple of PlanSeat
    seal_probability : float or None
        That they do, under the scatter of tries; None where too few could be assessed.
    sampling_error : float or None
        Its standard error from the number of tries.
    open_gap_mm : float or None
        The widest path from vein to atrium that the seats leave, without perturbation; None
        where missing wall decides.
    open_side : str
        Where it is narrowest; empty where the seats close the vein.
    line_mm : (M, 3) array
        The line of least gap around the vein, a point on each meridian; NaN where no seat
        touches.
    """

    seats: tuple[PlanSeat, ...]
    seal_probability: float | None
    sampling_error: float | None
    open_gap_mm: float | None
    open_side: str
    line_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class VeinPlans:
    """What several seats are predicted to do in one vein, by one approach.

    Attributes
    ----------
    vein : str
    approach : Approach
    best_single : float
        Greatest probability of one seat that the aim maps tell, over all sizes.
    plans : tuple of Plan
        Of two seats and, where these are not likely to close, of three; none where no
        two seats meet.
    reach_gap_mm : float or None
        The widest path that is left open by all directions that the sheath reaches, with all
        sizes together: what no set can close.
    reach_side : str
        Where; empty where nothing stays out of reach.
    reach_from_h, reach_to_h : float or None
        The arc that they cover together, clockwise; 0 and 12 all round.
    """

    vein: str
    approach: Approach
    best_single: float
    plans: tuple[Plan, ...] = ()
    reach_gap_mm: float | None = None
    reach_side: str = ""
    reach_from_h: float | None = None
    reach_to_h: float | None = None
