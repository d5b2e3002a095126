"""Tries of a balloon: one without perturbation, many at once, and what is read off them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from seating.phantoms import as_phantom, ellipse, hole, revolve, rounded, rounded_hole, walk
from seating.test_seat import with_hole

from veinfit.anatomy import find_anatomy
from veinfit.case.reading import read_case
from veinfit.seating.approach.line import approach_line, line_through_ostium
from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.nominal import seat_balloon
from veinfit.seating.prepare import prepare
from veinfit.seating.uncertainty.attempts import simulator, tries_together
from veinfit.seating.uncertainty.readings import (
    CANNOT_REACH,
    NOT_ASSESSED,
    OUTCOMES,
    PASSES_THROUGH,
    SEATED,
)
from veinfit.seating.uncertainty.unknowns import TryInputs
from veinfit.settings import MarginSettings, SeatingSettings, Settings

SAMPLES = Path(__file__).parents[3] / "sample_meshes"
SETTINGS = SeatingSettings(growth_what_if_mm=0.0)
MARGIN = MarginSettings()
TUBE = {"edge_mm": 0.9, "plate_mm": 26.0, "tube_mm": 18.0}
GROUNDS = {
    "round": hole(9.0, **TUBE),
    "oval": hole(11.0, ratio=8.0 / 11.0, **TUBE),
    "flat": hole(12.0, ratio=0.55, **TUBE),
}
SHAFTS = ((0.0, 0.0), (0.15, 0.0), (-0.2, 0.2))


def rounded_oval(radius, fillet, ratio):
    """A hole with a rim rounded by a quarter torus, all of it squeezed across."""
    arc = rounded(radius, fillet, 0.8)
    tube = walk([(radius, -18.0), tuple(arc[0])], 0.9)[:-1]
    profile = np.vstack([tube, arc[:-1], walk([tuple(arc[-1]), (26.0, 0.0)], 0.9)])
    rim = radius + fillet
    return as_phantom(revolve(profile, ratio, 0.9), ellipse(rim, ratio * rim))


SMOOTH = {
    "round": rounded_hole(8.0, 5.0, **TUBE),
    "oval": rounded_oval(9.0, 4.0, 0.75),
    "flat": rounded_oval(9.0, 4.0, 0.6),
}


def none(count=1):
    return np.zeros((count, 3)), np.zeros((count, 9))


def nominal_and_try(phantom, balloon, settings, slopes):
    """The nominal seat and the try without any perturbation on one shaft."""
    line = line_through_ostium("transseptal", phantom.vein, [*slopes, -1.0])
    prepared = prepare(phantom.anatomy, phantom.vein, balloon.shape.reach_mm + 2.0, settings)
    ready = simulator(prepared, balloon, line, settings, MARGIN)
    return seat_balloon(prepared, ready), ready.tries(line.direction[None], *none()), ready


def compared(grounds, diameter, settings):
    """Nominal seats and tries of all grounds and shafts: verdicts (N, 2, 2) and leaks (N, 2)."""
    verdicts, leaks = [], []
    for phantom in grounds.values():
        for slopes in SHAFTS:
            fit, told, _ = nominal_and_try(phantom, sphere(diameter), settings, slopes)
            assert fit.outcome == OUTCOMES[told.outcome[0]] == "seated"
            verdicts.append([[fit.occluded, fit.sealed], [told.occluded[1, 0], told.sealed[1, 0]]])
            leaks.append([fit.leak_width_mm, max(told.width_mm[0], 0.0)])
    return np.array(verdicts), np.array(leaks)


@pytest.mark.parametrize(
    ("diameter", "shape"), [(28.0, 0.1), pytest.param(31.0, 1.0, marks=pytest.mark.slow)]
)
@pytest.mark.slow
def test_a_try_without_perturbation_is_the_nominal_seat(diameter, shape):
    """Verdicts equal where the leak is 0.1 mm from the tolerance; leaks within 0.1 mm."""
    settings = replace(SETTINGS, shape_stiffness_n_per_mm=shape)
    verdicts, leaks = compared(SMOOTH, diameter, settings)
    clear = np.abs(leaks[:, 0] - settings.contact_tolerance_mm) > 0.1
    assert clear.sum() >= 5
    assert (verdicts[clear, 0] == verdicts[clear, 1]).all()
    assert np.median(np.abs(leaks[:, 0] - leaks[:, 1])) < 0.1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sample", "diameter"), [("larkmoor-01.ply", 28.0), ("larkmoor-04.ply", 31.0)]
)
def test_it_is_so_in_invented_atria(sample, diameter):
    anatomy = find_anatomy(read_case(SAMPLES / sample).lumen, Settings())
    leaks = []
    for vein in anatomy.veins:
        line = approach_line("transseptal", anatomy, vein, SETTINGS)
        prepared = prepare(anatomy, vein, 0.5 * diameter + 2.0, SETTINGS)
        ready = simulator(prepared, sphere(diameter), line, SETTINGS, MARGIN)
        fit = seat_balloon(prepared, ready)
        told = ready.tries(line.direction[None], *none())
        assert OUTCOMES[told.outcome[0]] == fit.outcome
        if fit.outcome != "seated":
            continue
        leaks.append([fit.leak_width_mm, max(told.width_mm[0], 0.0)])
        if abs(fit.leak_width_mm - SETTINGS.contact_tolerance_mm) > 0.1:
            assert (told.occluded[1, 0], told.sealed[1, 0]) == (fit.occluded, fit.sealed)
    assert len(leaks) >= 3
    assert np.median(np.abs(np.diff(leaks, axis=1))) < 0.05


@pytest.mark.slow
def test_at_a_sharp_rim_the_gathered_wall_keeps_its_edge():
    _, leaks = compared(GROUNDS, 28.0, SETTINGS)
    apart = leaks[:, 1] - leaks[:, 0]
    assert np.median(np.abs(apart)) < 0.05
    assert np.abs(apart).max() < 0.1


def test_many_tries_at_once_are_those_of_each():
    phantom = GROUNDS["oval"]
    settings = replace(SETTINGS, patch_edge_mm=1.2)
    prepared = prepare(phantom.anatomy, phantom.vein, 16.0, settings)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    ready = simulator(prepared, sphere(28), line, settings, MARGIN)
    rng = np.random.default_rng(4)
    patient, scores = rng.normal(size=(10, 3)), rng.normal(size=(10, 9))
    aim = np.tile(line.direction, (10, 1))
    together = ready.tries(aim, patient, scores)
    for k in range(10):
        one = ready.tries(aim[[k]], patient[[k]], scores[[k]])
        assert one.outcome[0] == together.outcome[k]
        assert one.occluded[:, 0] == pytest.approx(together.occluded[:, k])
        assert one.sealed[:, 0] == pytest.approx(together.sealed[:, k])
        assert one.width_mm[0] == pytest.approx(together.width_mm[k], abs=0.02)
        assert one.place[0] == pytest.approx(together.place[k], abs=0.02, nan_ok=True)


def test_antral_is_sealed_and_not_deep():
    """In a straight tube of nearly its own width a ball seals close to its equator: deep."""
    phantom = hole(13.0, edge_mm=1.0, plate_mm=26.0, tube_mm=30.0)
    settings = replace(SETTINGS, patch_edge_mm=1.0)
    fit, told, _ = nominal_and_try(phantom, sphere(28), settings, (0.0, 0.0))
    assert fit.sealed and fit.deep and fit.antral is False
    assert told.sealed[1, 0] and told.deep[0]
    assert not told.antral[:, 0].any()
    fit, told, _ = nominal_and_try(GROUNDS["round"], sphere(28), SETTINGS, (0.0, 0.0))
    assert fit.sealed and not fit.deep and fit.antral
    assert told.antral[1, 0] and not told.deep[0]


def test_warm_contact_occludes_and_does_not_seal():
    cold = Balloon("front", 28.0, 28.0, zone_from_deg=0.0, zone_to_deg=20.0)
    fit, told, _ = nominal_and_try(GROUNDS["round"], cold, SETTINGS, (0.0, 0.0))
    assert fit.occluded and not fit.sealed
    assert told.occluded[1, 0] and not told.sealed[1, 0]
    assert np.isnan(told.push_to_seal_n[0])
    assert told.cold_width_mm[0] > told.width_mm[0]


def test_a_wider_tolerance_closes_no_less():
    phantom = GROUNDS["flat"]
    prepared = prepare(phantom.anatomy, phantom.vein, 16.0, SETTINGS)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    ready = simulator(prepared, sphere(28), line, SETTINGS, MARGIN)
    rng = np.random.default_rng(6)
    told = ready.tries(
        np.tile(line.direction, (24, 1)), rng.normal(size=(24, 3)), rng.normal(size=(24, 9))
    )
    for closed in (told.occluded, told.sealed, told.antral):
        assert (closed[0] <= closed[1]).all() and (closed[1] <= closed[2]).all()
    assert (told.sealed <= told.occluded).all()
    rests = told.outcome == SEATED
    tolerance = SETTINGS.contact_tolerance_mm
    assert (told.occluded[1, rests] == (told.width_mm[rests] <= tolerance)).all()


def test_balls_wider_than_the_vein_rest_and_smaller_ones_pass_through():
    phantom = hole(14.5, edge_mm=1.2, plate_mm=26.0, tube_mm=45.0)
    settings = replace(SETTINGS, patch_edge_mm=1.2)
    prepared = prepare(phantom.anatomy, phantom.vein, 16.5, settings)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    margin = replace(MARGIN, surface_offset_sd_mm=1.0)
    ready = simulator(prepared, sphere(30), line, settings, margin)
    patient, scores = none(2)
    patient[:, 0] = [-1.0, 2.0]  # the surface lies inside, and outside: radius 16 and 13 mm
    told = ready.tries(np.tile(line.direction, (2, 1)), patient, scores)
    assert list(told.outcome) == [SEATED, PASSES_THROUGH]
    assert told.occluded[1].tolist() == [True, False]
    assert np.isnan(told.place[1]).all()
    assert told.assessed.all(), "what passes through closes nothing, and that is known"


@pytest.mark.parametrize(("size", "assessed"), [(1.6, True), (4.5, False)])
def test_missing_wall_counts_in_tries_as_in_the_seat(size, assessed):
    """A hole in the contact band: where it decides, neither seat nor try has a verdict."""
    settings = replace(SETTINGS, patch_edge_mm=1.0)
    whole = rounded_hole(8.0, 4.0, edge_mm=1.0, plate_mm=26.0, tube_mm=22.0)
    fit, _, _ = nominal_and_try(whole, sphere(28), settings, (0.0, 0.0))
    place = fit.clock[0].sealing_depth_mm
    holed = with_hole(whole, np.array([0.0, 9.5, -place]), size)
    fit, told, _ = nominal_and_try(holed, sphere(28), settings, (0.0, 0.0))
    assert (fit.outcome == "seated") is assessed
    assert bool(told.assessed[0]) is assessed
    if assessed:
        assert told.sealed[1, 0] and fit.sealed
    else:
        assert told.outcome[0] == NOT_ASSESSED
        assert not told.occluded[:, 0].any()
        assert np.isnan(told.width_mm[0])


def test_a_vein_cut_off_before_the_balloon_rests_gives_no_verdict_in_tries():
    """36 by 24 mm, cut 2 mm in: what passes through might have been held by more wall."""
    short = hole(18.0, ratio=12.0 / 18.0, edge_mm=1.0, plate_mm=26.0, tube_mm=2.0)
    settings = replace(SETTINGS, patch_edge_mm=1.0)
    fit, told, ready = nominal_and_try(short, sphere(28), settings, (0.0, 0.0))
    assert fit.outcome == "not assessed"
    assert told.outcome[0] == NOT_ASSESSED
    assert ready.missing_on_path == fit.reason


def test_without_room_a_balloon_cannot_reach():
    phantom = GROUNDS["round"]
    settings = replace(SETTINGS, patch_edge_mm=1.2, greatest_start_press_mm=0.0, farthest_nose_mm=0)
    prepared = prepare(phantom.anatomy, phantom.vein, 16.0, settings)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    ready = simulator(prepared, sphere(28), line, settings, MARGIN)
    far = replace(ready, seating=replace(settings, farthest_nose_mm=-30.0))
    told = far.tries(line.direction[None], *none())
    assert told.outcome[0] == CANNOT_REACH
    assert not told.occluded.any()
    assert told.assessed.all()


@pytest.mark.parametrize("spread_mm", [0.0, 0.6])
def test_tries_of_several_sizes_side_by_side_come_to_what_each_comes_to_alone(spread_mm):
    """28 and 31 mm, the second on another shaft; one balloon is too long to be joined."""
    phantom, rng = GROUNDS["oval"], np.random.default_rng(8)
    margin = replace(MARGIN, surface_offset_sd_mm=spread_mm)
    prepared = prepare(phantom.anatomy, phantom.vein, 18.0, SETTINGS)
    long = Balloon("long", 28.0, 32.0, profile="spheroid")
    asked = []
    for balloon, slopes in ((sphere(28), SHAFTS[0]), (sphere(31), SHAFTS[1]), (long, SHAFTS[0])):
        line = line_through_ostium("transseptal", phantom.vein, [*slopes, -1.0])
        scores = rng.normal(size=(5, 3)), rng.normal(size=(5, 9))
        inputs = TryInputs(np.tile(line.direction, (5, 1)), *scores)
        asked.append((simulator(prepared, balloon, line, SETTINGS, margin), inputs, None))
    for some in (asked[:2], asked):
        for told, (ready, inputs, _) in zip(tries_together(some), some, strict=True):
            alone = ready.tries(inputs.aim, inputs.patient, inputs.scores)
            assert told.outcome.tolist() == alone.outcome.tolist()
            assert told.occluded.tolist() == alone.occluded.tolist()
            assert told.sealed.tolist() == alone.sealed.tolist()
            assert np.allclose(told.place, alone.place, atol=1e-9, equal_nan=True)
            assert np.allclose(told.width_mm, alone.width_mm, atol=1e-9, equal_nan=True)
            assert np.allclose(told.push_n, alone.push_n, atol=1e-12, equal_nan=True)
