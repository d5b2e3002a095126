"""What growth in place comes to in the veins of many atria, to be set beside practice.

28 mm is seated and grows to 31 mm where it lies, as :mod:`veinfit.seating.growth.in_place`
does it, in every vein of every atrium. A try stops a little past the least push that
occludes, and growth holds that push; what more push would keep is told beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.seating.approach.line import approach_line
from veinfit.seating.balloon import sphere
from veinfit.seating.growth.in_place import STEP_RESIDUAL_SHARE, growth_of
from veinfit.seating.mechanics.minimise import minimise
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.seating.nominal import seat_balloon
from veinfit.seating.prepare import prepare
from veinfit.seating.seat import RESERVE_SD
from veinfit.seating.uncertainty.attempts import Simulator, simulator
from veinfit.seating.uncertainty.chains import Chains, first_tries
from veinfit.seating.uncertainty.readings import SEATED
from veinfit.seating.uncertainty.unknowns import draw, perturbed
from veinfit.settings import Settings
from veinfit.validation.practice import LARGE_MM, SMALL_MM

PHRENIC = "right_phrenic_nerve"
"""Landmark whose distance is told."""

MORE_PUSH = 1.5
"""How often the held push is taken, where growth with more push is told."""


@dataclass(frozen=True, slots=True)
class GrowthOutcome:
    """What growth from 28 to 31 mm comes to in one vein; NaN and None where it is not known.

    Attributes
    ----------
    case, vein : str
    sealed, kept, gained : bool or None
        Of the nominal seat: that it seals with 28 mm; that it does at every diameter; that it
        does at some diameter though not with 28 mm.
    back_mm : float
        How far its equator comes back out of the vein.
    area_mm2, phrenic_mm : float
        Change of its antral area and of its distance to the right phrenic course.
    one_try, grown : float
        Probability that 28 mm seals antrally in one try; that it does or does once grown.
    sealed_tries, open_tries : int
        Tries that seal with 28 mm; that do not seal antrally.
    kept_tries, gained_tries : float
        How many of them seal at 31 mm; seal antrally at 31 mm.
    kept_more_push, kept_greatest_push : int
        How many that sealed would at 31 mm, with ``MORE_PUSH`` times the push and with the
        greatest of that try.
    """

    case: str
    vein: str
    sealed: bool | None = None
    kept: bool | None = None
    gained: bool | None = None
    back_mm: float = math.nan
    area_mm2: float = math.nan
    phrenic_mm: float = math.nan
    one_try: float = math.nan
    grown: float = math.nan
    sealed_tries: int = 0
    open_tries: int = 0
    kept_tries: float = 0.0
    gained_tries: float = 0.0
    kept_more_push: int = 0
    kept_greatest_push: int = 0


def growth_outcomes_of(
    case: str, anatomy: Anatomy, structures: Mapping[str, Structure], settings: Settings
) -> list[GrowthOutcome]:
    """Let 28 mm grow to 31 mm in every vein of one atrium, by the transseptal approach.

    Parameters
    ----------
    case : str
        Its name.
    anatomy : Anatomy
        With its septal crossing.
    structures : mapping of str to Structure
        The phrenic nerve is looked at, where it is among them.
    settings : Settings

    Returns
    -------
    list of GrowthOutcome
    """
    seating, margin = settings.seating, settings.margin
    phrenic = {name: one for name, one in structures.items() if name == PHRENIC}
    found = []
    for vein in anatomy.veins:
        line = approach_line("transseptal", anatomy, vein, seating)
        outcome = GrowthOutcome(case, vein.name)
        if not line.cannot_reach:
            reserve = RESERVE_SD * margin.surface_offset_sd_mm
            prepared = prepare(anatomy, vein, 0.5 * LARGE_MM + reserve, seating)
            small, larger = sphere(SMALL_MM), sphere(LARGE_MM)
            grows_to = larger.shape.reach_mm
            ready = simulator(prepared, small, line, seating, margin, grows_to_mm=grows_to)
            outcome = _outcome(outcome, ready, phrenic, settings)
        found.append(outcome)
    return found


def _outcome(
    blank: GrowthOutcome,
    ready: Simulator,
    phrenic: Mapping[str, Structure],
    settings: Settings,
) -> GrowthOutcome:
    fit = seat_balloon(ready.prepared, ready, phrenic)
    unknowns = draw(settings.margin, ready.label, 1)
    tries = first_tries(ready, unknowns)
    told = ready.tries(tries.aim, tries.patient, tries.scores, widths=0)
    chains = Chains(unknowns, (told,), (np.arange(tries.count),), (tries.aim,))
    loop_mm = settings.seating.loop_diameter_mm
    growth = growth_of(fit, sphere(LARGE_MM), ready, chains, phrenic, loop_mm)
    if growth is None:
        return blank
    last = growth.steps[-1]
    sealed, open_ = (
        int((told.sealed[1] & told.assessed).sum()),
        int((~told.antral[1] & told.assessed).sum()),
    )
    more, greatest = _kept_by_push(ready, chains)
    return replace(
        blank,
        sealed=fit.sealed,
        kept=growth.seal_kept if fit.sealed else None,
        gained=growth.gained_at_mm is not None if fit.sealed is False else None,
        back_mm=_or_nan(growth.back_mm),
        area_mm2=_change(fit.antral_area_mm2, last.antral_area_mm2),
        phrenic_mm=_change(_distance(fit), last.distances_mm.get(PHRENIC)),
        one_try=_or_nan(growth.steps[0].seal_probability),
        grown=_or_nan(growth.either_probability),
        sealed_tries=sealed,
        open_tries=open_,
        kept_tries=(growth.kept_probability or 0.0) * sealed,
        gained_tries=(growth.gained_probability or 0.0) * open_,
        kept_more_push=more,
        kept_greatest_push=greatest,
    )


def _distance(fit: Fit) -> float | None:
    return fit.distances_mm.get(PHRENIC)


def _kept_by_push(ready: Simulator, chains: Chains) -> tuple[int, int]:
    """Of tries that seal, how many do at 31 mm with more push, and with their greatest."""
    first, unknowns = chains.first, chains.unknowns
    own = np.flatnonzero(first.sealed[1] & (first.outcome == SEATED))
    if not len(own):
        return 0, 0
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)
    scores = unknowns.first.reshape(len(patient), -1)
    axis = ready.prepared.patch.axis
    batch = perturbed(
        ready.one, chains.aim[0], ready.line.origin, patient, scores, axis, ready.margin
    ).only(own)
    grown = replace(batch, reach_mm=batch.reach_mm + 0.5 * (LARGE_MM - SMALL_MM))
    held, place = first.push_n[own], first.place[own]
    # First with the push that it has, then on from there: more push comes after growth.
    place = minimise(
        replace(grown, push_n=held), place, ready.through, residual_share=STEP_RESIDUAL_SHARE
    ).place
    kept = []
    for push in (MORE_PUSH * held, np.maximum(held, batch.push_n)):
        pushed = replace(grown, push_n=push)
        rest = minimise(pushed, place, ready.through, residual_share=STEP_RESIDUAL_SHARE)
        which = np.flatnonzero(rest.at_rest)
        seals = ready.closes(pushed, which, rest.place[which])[1] if len(which) else which
        kept.append(int(np.sum(seals)))
    return kept[0], kept[1]


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _change(before: float | None, after: float | None) -> float:
    return math.nan if before is None or after is None else after - before
