"""What balloons of many tries close where they rest, read off side by side."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.shape import gaps_mm
from veinfit.seating.prepare import PreparedVein
from veinfit.seating.seal.closure import ClosureWall
from veinfit.seating.seal.grade import DEEP_BY_PLANE
from veinfit.seating.seal.missing_wall import settled
from veinfit.seating.seal.paths import WIDE_MM
from veinfit.seating.seal.reach import reached
from veinfit.seating.uncertainty.readings import CANNOT_REACH, NOT_ASSESSED, SEATED, Readings
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import BoolArray, FloatArray, IntArray


class BalloonBefore(Protocol):
    """One balloon before one vein: what tells what it closes where it rests."""

    @property
    def balloon(self) -> Balloon:
        """Return the balloon."""

    @property
    def prepared(self) -> PreparedVein:
        """Return the vein."""

    @property
    def closure(self) -> ClosureWall:
        """Return the wall on which closure is read, in cells."""

    @property
    def seating(self) -> SeatingSettings:
        """Return the settings of seats."""

    @property
    def margin(self) -> MarginSettings:
        """Return the settings of tries."""


def read_off(
    one: BalloonBefore,
    batch: BalloonBatch,
    place: FloatArray,
    outcome: IntArray,
    push: FloatArray,
    to_occlude: FloatArray,
    to_seal: FloatArray,
    widths: int | None = None,
) -> Readings:
    """Read off what balloons that rest close; all others that are assessed close nothing."""
    count, tolerance = batch.count, one.seating.contact_tolerance_mm
    outcome = outcome.copy()
    width = np.where(outcome == NOT_ASSESSED, np.nan, WIDE_MM)
    cold_width = width.copy()
    occluded, sealed = (np.zeros((3, count), dtype=bool) for _ in range(2))
    deep = np.zeros(count, dtype=bool)
    narrowest = np.full(count, -1)
    rest = np.flatnonzero(outcome == SEATED)
    if len(rest):
        reach, shaft = batch.reach_mm[rest], batch.direction[rest]
        gap, polar = one.closure.measured(one.balloon, reach, shaft, place[rest])
        reaches = reached(one.prepared.patch, _noses(one, batch, rest, place), one.seating)
        outcome[rest[~reaches]] = CANNOT_REACH
        rest, gap, polar = rest[reaches], gap[reaches], polar[reaches]
    if len(rest):
        cold = one.balloon.freezes_at(polar)
        asked = rest < (batch.count if widths is None else widths)
        width[rest] = cold_width[rest] = np.nan
        of, levels = rest[asked], (tolerance, WIDE_MM)
        width[of], narrowest[of] = one.closure.wall.widths(gap[asked], levels)
        steps = one.margin.tolerance_calibration_mm * np.array([-1.0, 0.0, 1.0])
        for which, step in enumerate(steps):
            contact = gap <= tolerance + step
            # A width is no more than a tolerance where the contact at it parts the two.
            shut = width[rest] <= tolerance + step
            told = ~np.isnan(width[rest])
            shut[~told] = one.closure.parted(contact[~told])
            occluded[which, rest] = shut
            warm = np.flatnonzero(shut & (contact & ~cold).any(axis=1))
            shut[warm] = one.closure.parted(contact[warm] & cold[warm])
            sealed[which, rest] = shut
        past_mm = _past_rims(one, batch, rest, place[rest])
        unknown = ~settled(one.closure.wall, gap - tolerance, past_mm, cold)
        outcome[rest[unknown]] = NOT_ASSESSED
        width[rest[unknown]], narrowest[rest[unknown]] = np.nan, -1
        width[rest] = cold_width[rest] = np.minimum(width[rest], WIDE_MM)
        touched = ~cold & (gap <= tolerance)
        own = np.flatnonzero(touched.any(axis=1) & ~np.isnan(width[rest]))
        over = tolerance + one.balloon.off_zone_mm(polar[own])
        apart = np.where(touched[own], np.maximum(gap[own], over), gap[own])
        cold_width[rest[own]] = np.minimum(one.closure.wall.widths(apart, levels)[0], WIDE_MM)
        deep[rest] = lies_deep(one, gap, polar, place[rest], tolerance)
    occluded[:, outcome == NOT_ASSESSED] = sealed[:, outcome == NOT_ASSESSED] = False
    return Readings(
        outcome,
        batch.direction,
        np.where((outcome == SEATED)[:, None], place, np.nan),
        push,
        to_occlude,
        to_seal,
        occluded,
        sealed,
        deep,
        width,
        cold_width,
        narrowest,
    )


def _past_rims(
    one: BalloonBefore, batch: BalloonBatch, rest: IntArray, place: FloatArray
) -> FloatArray:
    """How far balloons (K,) reach past the rims (M,) at which wall is missing: (K, M), mm."""
    shape, missing = one.balloon.shape, one.closure.wall.missing
    longer = batch.reach_mm[rest] - shape.reach_mm
    past = np.zeros((len(rest), len(missing)))
    for column, wall in enumerate(missing):
        offset = wall.cap[None] - place[:, None, :3]
        beyond = gaps_mm(shape, offset, batch.direction[rest][:, None, :])[0].min(axis=1)
        past[:, column] = np.maximum(longer - beyond, 0.0)
    return past


def lies_deep(
    one: BalloonBefore, gap: FloatArray, polar: FloatArray, place: FloatArray, tolerance: float
) -> BoolArray:
    """Tell which balloons lie deep, by their contact ring or as the setting has it.

    Parameters
    ----------
    one : BalloonBefore
    gap, polar : (N, K) array
        At the wall's vertices, mm and degrees from the nose.
    place : (N, 3 + M) array
        Centres and amplitudes, mm.
    tolerance : float
        A gap up to this is contact, mm.

    Returns
    -------
    (N,) array
    """
    patch, seating = one.prepared.patch, one.seating
    depth = (place[:, :3] - patch.centre) @ patch.normal
    if seating.deep_convention == DEEP_BY_PLANE:
        return np.asarray(depth > -seating.deep_plane_mm)
    ring = one.closure.ring_deg(gap, polar, tolerance)
    return np.asarray((depth > 0.0) | (ring > seating.deep_ring_angle_deg))


def _noses(
    one: BalloonBefore, batch: BalloonBatch, rest: IntArray, place: FloatArray
) -> FloatArray:
    nose_mm = batch.shape.nose_mm + batch.reach_mm[rest] - batch.shape.reach_mm
    return np.asarray(place[rest, :3] + nose_mm[:, None] * batch.direction[rest])
