"""Many tries of one balloon in one vein: where each comes to rest and what it closes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from veinfit.seating.approach.line import ApproachLine
from veinfit.seating.approach.start import Start, find_starts
from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.attempt import (
    FIRST_PUSH_N,
    PUSH_RATIO,
    STEP_RESIDUAL_SHARE,
    Attempts,
    attempt,
)
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.joined import can_be_joined, each_closes, joined
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH, Exit, minimise
from veinfit.seating.prepare import (
    BalloonContact,
    PreparedVein,
    balloon_batch,
    balloon_contact,
    gathered_contact,
)
from veinfit.seating.seal.closure import ClosureWall, closure_wall, gathered_closure
from veinfit.seating.seal.reach import before_ostium, missing_on_path
from veinfit.seating.uncertainty.read_off import lies_deep, read_off
from veinfit.seating.uncertainty.readings import (
    CANNOT_REACH,
    NOT_ASSESSED,
    PASSES_THROUGH,
    SEATED,
    Readings,
)
from veinfit.seating.uncertainty.unknowns import TryInputs, perturbed
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import BoolArray, FloatArray, IntArray

SEAT_SHARE = 1e-3
"""At the seat of a try the forces balance to this share of the push."""


@dataclass(frozen=True, slots=True, eq=False)
class Simulator:
    """One balloon before one vein, ready for many tries.

    Attributes
    ----------
    prepared : PreparedVein
    contact : BalloonContact
    line : ApproachLine
    one : BalloonBatch
        The balloon without any perturbation.
    closure : ClosureWall
        In cells.
    fine : ClosureWall
        The same with every vertex.
    distance_mm : float
        How far the blood reaches back from the ostium along the shaft.
    seating : SeatingSettings
        Its values are the medians of their distributions.
    margin : MarginSettings
    missing_on_path : str
        That wall ends before the ostium within reach of a balloon on the guide, which more
        wall might have held; empty where it does not.
    starts : dict of float to Start
        Those found so far, by the longest ray: what is known already is not sought again.
    """

    prepared: PreparedVein
    contact: BalloonContact
    line: ApproachLine
    one: BalloonBatch
    closure: ClosureWall
    fine: ClosureWall
    distance_mm: float
    seating: SeatingSettings
    margin: MarginSettings
    missing_on_path: str
    starts: dict[float, Start] = field(default_factory=dict, repr=False)

    @property
    def balloon(self) -> Balloon:
        """Return the balloon."""
        return self.contact.balloon

    @property
    def label(self) -> str:
        """By what its tries are drawn: neither the vein's name nor the balloon's counts."""
        balloon = self.balloon
        return f"{self.prepared.seed} {balloon.equatorial_mm:.3f} {balloon.axial_mm:.3f}"

    @property
    def through(self) -> Exit:
        """Return the plane past which the balloon has passed through."""
        return self.prepared.exit(self.seating)

    @property
    def start(self) -> Start:
        """Return where the balloon starts without any perturbation, before the gathered wall."""
        self._starts(self.one)
        return self.starts[float(self.one.reach_mm[0])]

    def tries(
        self, aim: FloatArray, patient: FloatArray, scores: FloatArray, widths: int | None = None
    ) -> Readings:
        """Make one try for each aim.

        Parameters
        ----------
        aim : (N, 3) array
            Unit vectors about which the shafts scatter.
        patient : (N, 3) array
            Scores of the patients.
        scores : (N, 9) array
            Scores of the tries.
        widths : int, optional
            Leak widths are read of so many, the first ones; of all where None.

        Returns
        -------
        Readings
        """
        return tries_together([(self, TryInputs(aim, patient, scores), widths)])[0]

    def told(self, begun: Begun, done: Attempts | None, widths: int | None = None) -> Readings:
        """Read off tries that were made.

        Parameters
        ----------
        begun : Begun
        done : Attempts or None
            What those with room to start came to; None where there is none.
        widths : int, optional
            As of :meth:`tries`.

        Returns
        -------
        Readings
        """
        batch, which = begun.batch, begun.which
        outcome = np.full(batch.count, CANNOT_REACH)
        outcome[which] = SEATED
        place = np.full((batch.count, batch.unknowns), np.nan)
        push, to_occlude, to_seal = (np.full(batch.count, np.nan) for _ in range(3))
        if done is not None:
            rests = done.seats.state == AT_REST
            place[which[rests]] = done.seats.place[rests]
            gone = done.seats.state == WENT_THROUGH
            outcome[which[gone]] = np.where(
                self.may_be_held(done.seats.place[gone]), NOT_ASSESSED, PASSES_THROUGH
            )
            outcome[which[~rests & (done.seats.state != WENT_THROUGH)]] = NOT_ASSESSED
            push[which], to_occlude[which] = done.push_n, done.push_to_occlude_n
            to_seal[which] = done.push_to_seal_n
        return read_off(self, batch, place, outcome, push, to_occlude, to_seal, widths)

    def begun(self, inputs: TryInputs) -> Begun:
        """Lay out tries: their balloons, and where those start that have room.

        Parameters
        ----------
        inputs : TryInputs

        Returns
        -------
        Begun
        """
        axis, line = self.prepared.patch.axis, self.line
        batch = perturbed(
            self.one, inputs.aim, line.origin, inputs.patient, inputs.scores, axis, self.margin
        )
        start, ready = self._starts(batch)
        which = np.flatnonzero(ready)
        return Begun(batch, which, batch.only(which), start[which])

    def pushed_on(self, aim: FloatArray, patient: FloatArray, scores: FloatArray) -> Readings:
        """Push every try on past occlusion, to the greatest push at which it rests.

        The leak width there is the least that the try comes to: it occludes on the way
        where the tolerance is no less.

        Parameters
        ----------
        aim, patient : (N, 3) array
        scores : (N, 9) array
            As of :meth:`tries`.

        Returns
        -------
        Readings
        """
        axis = self.prepared.patch.axis
        batch = perturbed(self.one, aim, self.line.origin, patient, scores, axis, self.margin)
        place, ready = self._starts(batch)
        push = np.minimum(FIRST_PUSH_N, batch.push_n)
        rested = np.zeros(batch.count, dtype=bool)
        going = np.flatnonzero(ready)
        while len(going):
            pushed = replace(batch.only(going), push_n=push[going])
            found = minimise(pushed, place[going], self.through, residual_share=STEP_RESIDUAL_SHARE)
            on = going[found.at_rest]
            place[on], rested[on] = found.place[found.at_rest], True
            going = on[push[on] < batch.push_n[on]]
            push[going] = np.minimum(PUSH_RATIO * push[going], batch.push_n[going])
        passes = np.where(self.may_be_held(place), NOT_ASSESSED, PASSES_THROUGH)
        outcome = np.where(rested, SEATED, np.where(ready, passes, CANNOT_REACH))
        none = np.full(batch.count, np.nan)
        return read_off(self, batch, place, outcome, push, none, none)

    def may_be_held(self, place: FloatArray) -> BoolArray:
        """Whether missing wall might have held balloons that went past the vein at (K, 3 + M).

        One that slid past beside the ostium lies where no wall of the vein is.

        Parameters
        ----------
        place : (K, 3 + M) array
            Centres and amplitudes, mm.

        Returns
        -------
        (K,) array
        """
        return before_ostium(self.prepared, place[:, :3]) & bool(self.missing_on_path)

    def closes(
        self, batch: BalloonBatch, which: IntArray, place: FloatArray
    ) -> tuple[BoolArray, BoolArray]:
        """Whether balloons (K,) occlude and seal at places (K, 3 + M).

        Parameters
        ----------
        batch : BalloonBatch
        which : (K,) array
            Which balloons of the batch are at the places.
        place : (K, 3 + M) array
            Centres and amplitudes, mm.

        Returns
        -------
        occlude, seal : (K,) array
        """
        reach, tolerance = batch.reach_mm[which], self.seating.contact_tolerance_mm
        shaft = batch.direction[which]
        return self.closure.closed_by(self.balloon, tolerance, reach, shaft, place)

    def closes_antrally(
        self, batch: BalloonBatch, which: IntArray, place: FloatArray
    ) -> tuple[BoolArray, BoolArray]:
        """Whether balloons (K,) at places (K, 3 + M) seal, and which of those lie deep.

        Parameters
        ----------
        batch : BalloonBatch
        which : (K,) array
        place : (K, 3 + M) array
            As of :meth:`closes`.

        Returns
        -------
        seal, deep : (K,) array
        """
        sealed = self.closes(batch, which, place)[1]
        deep = np.zeros(len(which), dtype=bool)
        if sealed.any():
            reach, shaft = batch.reach_mm[which[sealed]], batch.direction[which[sealed]]
            gap, polar = self.closure.measured(self.balloon, reach, shaft, place[sealed])
            tolerance = self.seating.contact_tolerance_mm
            deep[sealed] = lies_deep(self, gap, polar, place[sealed], tolerance)
        return sealed, deep

    def _starts(self, batch: BalloonBatch) -> tuple[FloatArray, BoolArray]:
        """Where balloons start (N, 3 + M), and which of them (N,) have room.

        All balloons of one radius start where the balloon starts on the approach itself;
        the shaft leads each to its own line before the push counts.
        """
        start = np.zeros((batch.count, batch.unknowns))
        ready = np.zeros(batch.count, dtype=bool)
        radii = np.unique(batch.reach_mm)
        fresh = np.array([reach for reach in radii if float(reach) not in self.starts])
        if len(fresh):
            alone = replace(self.one.only(np.zeros(len(fresh), dtype=int)), reach_mm=fresh)
            sought = find_starts(alone, self.line, self.distance_mm)
            self.starts.update(zip(fresh.tolist(), sought, strict=True))
        for reach in radii:
            own = np.flatnonzero(batch.reach_mm == reach)
            found = self.starts[float(reach)]
            start[own, :3] = found.centre
            ready[own] = found.pressed_mm <= self.seating.greatest_start_press_mm
        return start, ready


@dataclass(frozen=True, slots=True, eq=False)
class Begun:
    """Tries of one balloon that are to be made.

    Attributes
    ----------
    batch : BalloonBatch
    which : (K,) array
        Those that have room to start.
    ready : BalloonBatch
        These alone.
    start : (K, 3 + M) array
        Where they start, mm.
    """

    batch: BalloonBatch
    which: IntArray
    ready: BalloonBatch
    start: FloatArray


def tries_together(
    asked: Sequence[tuple[Simulator, TryInputs, int | None]],
) -> list[Readings]:
    """Make tries of several balloons in one vein; each does what it would do alone.

    Parameters
    ----------
    asked : sequence of (Simulator, TryInputs, int or None)
        Of each: its tries, and of how many of them leak widths are read, the first ones; of all
        where None.

    Returns
    -------
    list of Readings
    """
    begun = [one.begun(inputs) for one, inputs, _ in asked]
    done: list[Attempts | None] = [None] * len(asked)
    own = [number for number, one in enumerate(begun) if len(one.which)]
    groups = [own] if can_be_joined([begun[k].ready for k in own]) else [[k] for k in own]
    for group in groups:
        if not group:
            continue
        simulators, parts = [asked[k][0] for k in group], [begun[k].ready for k in group]
        closes = [partial(one.closes, part) for one, part in zip(simulators, parts, strict=True)]
        made = attempt(
            joined(parts),
            np.concatenate([begun[k].start for k in group]),
            simulators[0].through,
            each_closes(parts, closes),
            simulators[0].seating.push_beyond_occlusion,
            seat_share=SEAT_SHARE,
        )
        ends = np.cumsum([part.count for part in parts])
        for k, part, end in zip(group, parts, ends, strict=True):
            done[k] = made.only(slice(end - part.count, end))
    return [
        one.told(laid, came, widths)
        for (one, _, widths), laid, came in zip(asked, begun, done, strict=True)
    ]


def simulator(
    prepared: PreparedVein,
    balloon: Balloon,
    line: ApproachLine,
    seating: SeatingSettings,
    margin: MarginSettings,
    distance_mm: float | None = None,
    grows_to_mm: float = 0.0,
) -> Simulator:
    """Prepare a balloon for many tries in a vein.

    Parameters
    ----------
    prepared : PreparedVein
    balloon : Balloon
    line : ApproachLine
        About which the push direction scatters.
    seating : SeatingSettings
    margin : MarginSettings
    distance_mm : float, optional
        How far the blood reaches back along the shaft, where it is known already.
    grows_to_mm : float
        Longest ray that the balloon may grow to where it lies.

    Returns
    -------
    Simulator
    """
    contact = balloon_contact(prepared, balloon, seating)
    coarse = gathered_contact(prepared, contact, seating.cell_mm)
    one = balloon_batch(prepared, coarse, [line], seating, exact=False)
    reserve = 4.0 * margin.surface_offset_sd_mm
    fine = closure_wall(prepared, contact, max(balloon.shape.reach_mm, grows_to_mm) + reserve)
    closure = gathered_closure(prepared, fine, seating.cell_mm)
    distance = prepared.distance_mm(line) if distance_mm is None else distance_mm
    lost = missing_on_path(prepared, contact)
    return Simulator(prepared, contact, line, one, closure, fine, distance, seating, margin, lost)
