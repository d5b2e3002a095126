"""Shapes that measure what they are asked to: the atria of a cohort.

What is asked for is measured at the ostium, and a shape's parameters are not: the flare
widens the mouth, and the carina of two branches lies beyond the trunk's end. So a shape is
drawn, measured roughly from its implicit function, corrected, and measured again.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
from numpy.random import Generator
from scipy.spatial.transform import Rotation

from veinfit.synthetic.draw.draw import SCANNER_OFFSET_MM
from veinfit.synthetic.draw.draw_chamber import draw_neighbours
from veinfit.synthetic.draw.draw_veins import Fork, upright
from veinfit.synthetic.draw.random_draws import (
    as_vector,
    direction_from_angles,
    truncated_normal,
)
from veinfit.synthetic.draw.styles import LEAST_DIAMETER_MM, EasyStyle
from veinfit.synthetic.shape.shape import (
    AtriumShape,
    BodyShape,
    BranchShape,
    MitralShape,
    VeinShape,
)
from veinfit.synthetic.truth.survey import TrunkSurvey, survey_trunks
from veinfit.synthetic.wall.assembly import implicit
from veinfit.synthetic.wall.chamber import chamber_volume_ml
from veinfit.synthetic.wall.soundness import is_sound
from veinfit.vectors import FloatArray, unit

BRANCH_SHARE = (0.46, 0.54)
"""Long diameter of a branch over that of its trunk."""


FUNNEL_SHARE = 0.8
"""A trunk's funnel ends within this share of its length before the branches."""

LEAST_FUNNEL_MM = 1.5
"""A trunk with less room is no funnel."""

CARINA_ROOM_MM = 4.0
"""The carina lies about this far beyond the trunk's end, to begin with."""

LEAST_TRUNK_MM = 0.3
"""Shortest trunk, from the body to where the branches start."""

GREATEST_STEP = 1.35
"""A correction changes a diameter by at most this factor."""

PAIRS = (("LSPV", "LIPV", True), ("RSPV", "RIPV", False))


def shape_for_targets(
    rng: Generator,
    volume_ml: float,
    veins: Mapping[str, Mapping[str, float]],
    variant: str,
    style: EasyStyle,
) -> AtriumShape | None:
    """Draw an atrium with given measures.

    Parameters
    ----------
    volume_ml : float
        Of the chamber without veins and appendage.
    veins : mapping of str to mapping of str to float
        For each vein or trunk what it is to measure: ``ostial_diameter_mm`` (mean of the long
        and the short diameter), ``ovality``, and where asked for ``first_branch_mm``,
        ``takeoff_frontal_deg`` and ``takeoff_transverse_deg``.
    style : EasyStyle
        How all the rest is drawn.

    Returns
    -------
    AtriumShape or None
        None where this draw makes no sound atrium.
    """
    for_body, for_veins, for_appendage, for_mitral, for_neighbours, for_rest = rng.spawn(6)
    mitral = style.mitral(for_mitral)
    body = _body(for_body, mitral, style.body_share * volume_ml, style)
    shape = AtriumShape(
        body=body,
        veins=_veins(for_veins, body, veins, style),
        appendage=style.appendage(for_appendage, body),
        mitral=mitral,
        neighbours=draw_neighbours(for_neighbours),
        carina_mm=float(for_rest.uniform(1.0, 2.5)),
        waves=style.waves(for_rest),
        centre=as_vector(for_rest.uniform(-SCANNER_OFFSET_MM, SCANNER_OFFSET_MM, size=3)),
        variant=variant,
    )
    field = implicit(shape)
    if not is_sound(shape, field, style.limits):
        return None
    for _ in range(style.corrections):
        try:
            found = survey_trunks(shape, style.surveyed(field))
        except ValueError:
            return None  # a vein without an ostium
        corrected = tuple(
            _corrected(vein, trunk, veins[vein.name])
            for vein, trunk in zip(shape.veins, found, strict=True)
        )
        shape = dataclasses.replace(shape, veins=corrected)
        field = implicit(shape)
        if not is_sound(shape, field, style.limits):
            return None
    return shape


def _body(rng: Generator, mitral: MitralShape, volume_ml: float, style: EasyStyle) -> BodyShape:
    body = None
    while body is None:
        body = style.body(rng)
    for _ in range(style.volume_rounds):
        share = volume_ml / chamber_volume_ml(implicit(AtriumShape(body, (), mitral=mitral)))
        x, y, z = (axis * share ** (1.0 / 3.0) for axis in body.semi_axes_mm)
        body = dataclasses.replace(body, semi_axes_mm=(x, y, z))
    return body


def long_and_short(want: Mapping[str, float]) -> tuple[float, float]:
    """Long and short diameter of an ostium from their mean and their ratio."""
    short = 2.0 * want["ostial_diameter_mm"] / (1.0 + want["ovality"])
    return short * want["ovality"], short


def _veins(
    rng: Generator,
    body: BodyShape,
    veins: Mapping[str, Mapping[str, float]],
    style: EasyStyle,
) -> tuple[VeinShape, ...]:
    made: dict[str, VeinShape] = {}
    _, ry, rz = body.semi_axes_mm
    for (upper, lower, left), stream in zip(PAIRS, rng.spawn(2), strict=True):
        side = 1.0 if left else -1.0
        trunk = "LCPV" if left else "RCPV"
        middles = [name for name in ("RMPV", "RMPV-2") if name in veins and not left]
        # Where the inferior veins share a trunk, or both of this side do, place the pair as if.
        sizes = [long_and_short(veins[n])[0] if n in veins else 14.0 for n in (upper, lower)]
        wide = [long_and_short(veins[name])[0] for name in middles]
        gap = style.gap_mm(stream, left)
        if wide:
            gap = max(wide) + truncated_normal(stream, 6.5, 1.0, 5.0, 9.0)
        above, below, join = style.pair(stream, body, left, (sizes[0], sizes[1]), gap)
        for name, exit_point in ((upper, above), (lower, below)):
            if name in veins:
                want = veins[name]
                direction = direction_from_angles(
                    side, want["takeoff_frontal_deg"], want["takeoff_transverse_deg"]
                )
                axis = upright(stream, 18.0)
                made[name] = _vein(stream, style, (name, exit_point, direction, axis), want)
        if trunk in veins:
            direction = direction_from_angles(
                side,
                truncated_normal(stream, 8.0, 5.0, -4.0, 20.0),
                truncated_normal(stream, -6.0, 6.0, -20.0, 8.0),
            )
            lean = truncated_normal(stream, 0.35, 0.1, 0.1, 0.6)
            axis = unit(np.array([0.0, -lean, 1.0]))
            exit_point = 0.5 * (above + below)
            want = veins[trunk]
            made[trunk] = _vein(
                stream, style, (trunk, exit_point, direction, axis), want, (upper, lower)
            )
        spread = 0.5 * sum(wide) + 4.0 if len(wide) == 2 else 0.0
        for k, name in enumerate(middles):
            shift = spread * (k - 0.5 * (len(middles) - 1))
            direction = direction_from_angles(
                side,
                truncated_normal(stream, 3.0, 4.0, -8.0, 14.0),
                truncated_normal(stream, 3.0 - 4.0 * shift, 6.0, -45.0, 40.0),
            )
            exit_point = join + np.array([0.0, -2.0 + shift, 0.3 * shift])
            axis = upright(stream, 18.0)
            made[name] = _vein(stream, style, (name, exit_point, direction, axis), veins[name])
    if "ICPV" in veins:
        low = rz * truncated_normal(rng, -0.38, 0.06, -0.5, -0.25)
        sideways = truncated_normal(rng, 0.0, 0.08, -0.2, 0.2)
        direction = unit(np.array([sideways, 1.0, rng.uniform(-0.3, -0.05)]))
        exit_point = np.array([0.0, 0.9 * ry, low])
        axis, names = np.array([1.0, 0.0, 0.0]), ("LIPV", "RIPV")
        want = veins["ICPV"]
        made["ICPV"] = _vein(rng, style, ("ICPV", exit_point, direction, axis), want, names)
    if "extra-1" in veins:
        direction = unit(np.array([rng.uniform(-0.45, -0.05), rng.uniform(0.0, 0.35), 1.0]))
        exit_point = np.array([rng.uniform(-0.35, -0.1), rng.uniform(0.1, 0.3), 1.0])
        axis = np.array([1.0, 0.0, 0.0])
        made["extra-1"] = _vein(
            rng, style, ("extra-1", exit_point, direction, axis), veins["extra-1"]
        )
    return tuple(made[name] for name in veins)


def _vein(
    rng: Generator,
    style: EasyStyle,
    frame: tuple[str, FloatArray, FloatArray, FloatArray],
    want: Mapping[str, float],
    members: tuple[str, str] | None = None,
) -> VeinShape:
    """Draw a vein that will measure about what is wanted; ``members`` share it as their trunk.

    ``frame`` is its name, exit, direction and long axis.
    """
    vein, cut = style.vein(rng, frame, long_and_short(want))
    first = want.get("first_branch_mm", math.inf)
    least = style.least_branch_mm
    vein = dataclasses.replace(vein, length_mm=min(cut, max(first, least)) + vein.length_mm)
    if members is None and (
        first > cut - least or BRANCH_SHARE[0] * vein.d_long_mm < LEAST_DIAMETER_MM
    ):
        return vein
    length = max(first - CARINA_ROOM_MM, LEAST_TRUNK_MM)
    inside, outside = vein.funnel_mm
    outside = min(outside, FUNNEL_SHARE * length)
    mouth = vein.mouth if outside > LEAST_FUNNEL_MM else (1.0, 1.0)
    # The course is straight up to the branches: these turn away from it.
    return dataclasses.replace(
        vein,
        end_direction=vein.direction,
        twist_deg=0.0,
        taper=0.97,
        length_mm=length,
        funnel_mm=(inside, outside),
        mouth=mouth,
        branches=_branches(rng, vein, members, max(cut - first, least)),
    )


def _branches(
    rng: Generator, vein: VeinShape, members: tuple[str, str] | None, seen_mm: float
) -> tuple[BranchShape, ...]:
    names = members or (f"{vein.name}-a", f"{vein.name}-b")
    # The branches of a common trunk are whole veins; those of a vein part as published forks do.
    turn = {"ICPV": 58.0}.get(vein.name, 31.0)
    fork = Fork(unit(vein.direction), np.array(vein.long_axis), vein.d_long_mm)
    return tuple(
        fork.branch(
            rng,
            name,
            sign,
            truncated_normal(rng, turn, 5.0, turn - 9.0, turn + 13.0),
            (
                vein.d_long_mm * float(rng.uniform(*BRANCH_SHARE)),
                vein.d_short_mm * float(rng.uniform(0.70, 0.88)),
            ),
            seen_mm + CARINA_ROOM_MM,
        )
        for name, sign in zip(names, (1.0, -1.0), strict=True)
    )


def _corrected(vein: VeinShape, found: TrunkSurvey, want: Mapping[str, float]) -> VeinShape:
    """Change a vein by what it measures too much or too little."""
    long, short = long_and_short(want)
    size = (long + short) / (found.ostium.d_max_mm + found.ostium.d_min_mm)
    ovality = math.sqrt(want["ovality"] * found.ostium.d_min_mm / found.ostium.d_max_mm)
    mouth = vein.mouth
    if mouth != (1.0, 1.0):
        # A funnel's ovality is its mouth's: the vein past it stays as round as it was drawn.
        ovality = float(np.clip(ovality, 1.0 / GREATEST_STEP, GREATEST_STEP))
        mouth, ovality = (mouth[0] * ovality, mouth[1] / ovality), 1.0
    by_long = float(np.clip(size * ovality, 1.0 / GREATEST_STEP, GREATEST_STEP))
    by_short = float(np.clip(size / ovality, 1.0 / GREATEST_STEP, GREATEST_STEP))
    d_long = max(vein.d_long_mm * by_long, LEAST_DIAMETER_MM)
    d_short = min(max(vein.d_short_mm * by_short, LEAST_DIAMETER_MM), d_long)
    changed = dataclasses.replace(vein, d_long_mm=d_long, d_short_mm=d_short, mouth=mouth)
    if vein.branches:
        length = vein.length_mm + want["first_branch_mm"] - found.trunk_length_mm
        branches = tuple(
            dataclasses.replace(
                branch,
                offset_mm=(branch.offset_mm[0] * by_long, 0.0),
                d_long_mm=max(branch.d_long_mm * by_long, LEAST_DIAMETER_MM),
                d_short_mm=max(branch.d_short_mm * by_short, LEAST_DIAMETER_MM),
            )
            for branch in vein.branches
        )
        changed = dataclasses.replace(
            changed, length_mm=max(length, LEAST_TRUNK_MM), branches=branches
        )
    if "takeoff_frontal_deg" in want:
        changed = _turned(changed, found.axis, want)
    return changed


def _turned(vein: VeinShape, axis: FloatArray, want: Mapping[str, float]) -> VeinShape:
    """Turn a vein as a whole by what its axis is off."""
    side = 1.0 if vein.name.startswith("L") else -1.0
    wanted = direction_from_angles(
        side, want["takeoff_frontal_deg"], want["takeoff_transverse_deg"]
    )
    about = np.cross(axis, wanted)
    angle = math.atan2(float(np.linalg.norm(about)), float(axis @ wanted))
    turn = Rotation.from_rotvec(angle * unit(about) if angle > 1e-9 else np.zeros(3))
    branches = tuple(
        dataclasses.replace(
            branch,
            start_direction=as_vector(turn.apply(branch.start_direction)),
            direction=as_vector(turn.apply(branch.direction)),
        )
        for branch in vein.branches
    )
    return dataclasses.replace(
        vein,
        direction=as_vector(turn.apply(vein.direction)),
        end_direction=as_vector(turn.apply(vein.end_direction)),
        branches=branches,
    )
