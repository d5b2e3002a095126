"""From the parameters of an atrium to its implicit function."""

from __future__ import annotations

import dataclasses

import numpy as np

from veinfit.synthetic.shape.shape import (
    AppendageShape,
    AtriumShape,
    BodyShape,
    BranchShape,
    LobeShape,
    MitralShape,
    Vector,
    VeinShape,
    WaveShape,
)
from veinfit.synthetic.wall.curves import Curve
from veinfit.synthetic.wall.fields import (
    Blob,
    Body,
    Implicit,
    Waves,
    rotation_matrix,
)
from veinfit.synthetic.wall.implicit_tubes import END_ROOM_MM, ImplicitTube
from veinfit.vectors import FloatArray, unit

ROOT_INSIDE_MM = 1.0
"""A tube keeps its width until its wall is this far inside the body all around."""

LONGEST_ROOT_MM = 25.0
"""How far back into the body that place is sought."""

ROOT_END_MM = 6.0
"""Farther in it narrows over this length, so that its end stays inside the body."""

ROOT_END_SHARE = 0.55
"""Width of its inner end over its width where it leaves the body."""

FUNNEL_ROOT_END_MM = 9.0
"""A vein that begins as a funnel narrows inward over this length ..."""

FUNNEL_ROOT_END_SHARE = 0.35
"""... to this share of its mouth."""

LEAST_FUNNEL_ROOT_MM = 0.5
"""A vein's funnel begins at least this far before its root narrows."""

FUNNEL_ROOT_SHARE = 0.72
"""The funnel's inner end is this much narrower, so that its edge stays inside the body."""

FUNNEL_ROOT_MM = 16.0
"""Length of the mitral funnel's tube, from inside the body to the mitral plane."""

TRUNK_CAP_SHARE = 0.5
"""Height of a trunk's rounded end, in the fork of its branches, over its short semi-axis."""

WAVES = 24
"""Plane waves that make the walls uneven."""

BRANCH_ROOT_MM = 5.0
"""A branch reaches this far back into its trunk."""


def implicit(shape: AtriumShape) -> Implicit:
    """Build the implicit function of ``shape``."""
    centre = np.array(shape.centre, dtype=float)
    body = _body(shape.body, centre)
    tubes: list[ImplicitTube] = []
    for vein in shape.veins:
        trunk = _trunk(vein, body)
        tubes.append(trunk)
        tubes.extend(_branch(branch, vein, trunk) for branch in vein.branches)
    appendage = _appendage(shape.appendage, body) if shape.appendage else None
    lobes: tuple[Blob, ...] = ()
    if shape.appendage and appendage:
        lobes = tuple(_lobe(lobe, appendage) for lobe in shape.appendage.lobes)
    return Implicit(
        body=body,
        funnel=_funnel(shape.mitral, body) if shape.mitral else None,
        tubes=tuple(tubes),
        appendage=appendage,
        lobes=lobes,
        carina_mm=shape.carina_mm,
        waves=_waves(shape.waves, centre) if shape.waves else None,
    )


def _waves(shape: WaveShape, centre: FloatArray) -> Waves:
    rng = np.random.default_rng([shape.seed])
    low, high = shape.lengths_mm
    lengths = np.exp(rng.uniform(np.log(low), np.log(high), size=WAVES))
    directions = rng.normal(size=(WAVES, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    return Waves(
        vectors=2.0 * np.pi * directions / lengths[:, None],
        phases=rng.uniform(0.0, 2.0 * np.pi, size=WAVES),
        # Cosines have a mean square of one half.
        amplitude_mm=shape.rms_mm * float(np.sqrt(2.0 / WAVES)),
        centre=centre,
    )


def _array(vector: Vector) -> FloatArray:
    return np.array(vector, dtype=float)


def _body(shape: BodyShape, centre: FloatArray) -> Body:
    smooth = Body(
        centre=centre,
        semi_axes=_array(shape.semi_axes_mm),
        exponent=shape.exponent,
        egg=shape.egg,
        rotation=rotation_matrix(shape.tilt_deg),
        bump_centres=np.empty((0, 3)),
        bump_heights=np.empty(0),
        bump_widths=np.empty(0),
    )
    if not shape.bumps:
        return smooth
    return dataclasses.replace(
        smooth,
        bump_centres=np.stack(
            [smooth.exit_point(centre, unit(bump.direction)) for bump in shape.bumps]
        ),
        bump_heights=np.array([bump.height_mm for bump in shape.bumps]),
        bump_widths=np.array([bump.width_mm for bump in shape.bumps]),
    )


def body_normal(body: Body, point: FloatArray) -> FloatArray:
    """Outward unit normal (3,) of the bare body at a point (3,) near its wall."""
    h = 1e-4
    steps = h * np.concatenate([np.eye(3), -np.eye(3)])
    values = body.distance(point + steps)
    return unit(values[:3] - values[3:])


def _root_mm(
    body: Body, start: FloatArray, direction: FloatArray, long_axis: FloatArray, semi: FloatArray
) -> float:
    """How far back from ``start`` (3,) a tube's wall lies inside the body all around."""
    along = unit(long_axis - (long_axis @ direction) * direction)
    across = np.cross(direction, along)
    phi = np.linspace(0.0, 2.0 * np.pi, 32, endpoint=False)[:, None]
    ring = start + semi[0] * np.cos(phi) * along + semi[1] * np.sin(phi) * across
    depths = np.arange(0.5, LONGEST_ROOT_MM, 0.5)
    points = ring[None] - depths[:, None, None] * direction
    outermost = body.distance(points.reshape(-1, 3)).reshape(len(depths), -1).max(axis=1)
    inside = outermost < -ROOT_INSIDE_MM
    # Where no place is inside all around, the best there is: such shapes are not sound.
    return float(depths[int(np.argmax(inside)) if inside.any() else int(np.argmin(outermost))])


def _trunk(shape: VeinShape, body: Body) -> ImplicitTube:
    start = body.exit_point(body.centre, unit(shape.exit))
    direction = unit(shape.direction)
    mouth = np.array(shape.mouth)
    semi = 0.5 * np.array([shape.d_long_mm, shape.d_short_mm]) * mouth
    inside, outside = shape.funnel_mm
    if shape.mouth == (1.0, 1.0):
        root = _root_mm(body, start, direction, unit(shape.long_axis), semi)
        whole_root, end_share = root + ROOT_END_MM, ROOT_END_SHARE
    else:
        # A wide mouth may bulge out of a flat body: only its inner end must not.
        root = inside + LEAST_FUNNEL_ROOT_MM
        whole_root, end_share = root + FUNNEL_ROOT_END_MM, FUNNEL_ROOT_END_SHARE
    branched = bool(shape.branches)
    length = shape.length_mm
    curve = Curve(
        start=start,
        direction=direction,
        end_direction=unit(shape.end_direction),
        length_mm=length,
        t_low=-whole_root / length,
        t_high=1.0 + END_ROOM_MM / length,
        reference=unit(shape.long_axis),
        twist_deg=shape.twist_deg,
    )
    knots = np.array([-whole_root / length, -root / length, 0.0, 1.0])
    widths = np.array([end_share, 1.0, 1.0, shape.taper])[:, None] * np.ones(2)
    proper_from = None
    if shape.mouth != (1.0, 1.0):
        # Past its end a vein goes on as it is: a funnel that is cut still narrows there.
        proper_from = outside / length
        knots = np.r_[knots[:2], -inside / length, proper_from, max(1.0, proper_from + 0.05)]
        widths = np.concatenate([widths[:1], widths[1:2], widths[1:2], widths[1:2], widths[3:]])
        widths[:3] *= mouth
    return ImplicitTube(
        name=shape.name,
        curve=curve,
        knots=knots,
        semi_long=0.5 * shape.d_long_mm * widths[:, 0],
        semi_short=0.5 * shape.d_short_mm * widths[:, 1],
        proper_from=proper_from,
        fillet_mm=shape.fillet_mm,
        outer="rounded" if branched else "flat",
        cap_mm=TRUNK_CAP_SHARE * 0.5 * shape.d_short_mm * shape.taper if branched else None,
    )


def _branch(shape: BranchShape, vein: VeinShape, trunk: ImplicitTube) -> ImplicitTube:
    one = np.ones(1)
    along, across = (axis[0] for axis in trunk.curve.axes(one))
    start = trunk.curve.position(one)[0] + shape.offset_mm[0] * along + shape.offset_mm[1] * across
    length = shape.length_mm
    curve = Curve(
        start=start,
        direction=unit(shape.start_direction),
        end_direction=unit(shape.direction),
        length_mm=length,
        t_low=-BRANCH_ROOT_MM / length,
        t_high=1.0 + END_ROOM_MM / length,
        reference=along,
    )
    widths = np.array([1.0, shape.taper])
    return ImplicitTube(
        name=shape.name,
        curve=curve,
        knots=np.array([0.0, 1.0]),
        semi_long=0.5 * shape.d_long_mm * widths,
        semi_short=0.5 * shape.d_short_mm * widths,
        fillet_mm=vein.fillet_mm,
    )


def _funnel(shape: MitralShape, body: Body) -> ImplicitTube:
    normal = unit(shape.normal)
    plane = body.exit_point(body.centre + _array(shape.offset), normal) + shape.funnel_mm * normal
    widths = np.array([FUNNEL_ROOT_SHARE, 1.0 + shape.flare, 1.0])
    length = FUNNEL_ROOT_MM
    curve = Curve(
        start=plane - length * normal,
        direction=normal,
        end_direction=normal,
        length_mm=length,
        t_low=0.0,
        t_high=1.0 + END_ROOM_MM / length,
        reference=unit(shape.long_axis),
    )
    return ImplicitTube(
        name="MV",
        curve=curve,
        knots=np.array([0.0, 0.6, 1.0]),
        semi_long=0.5 * shape.d_long_mm * widths,
        semi_short=0.5 * shape.d_short_mm * widths,
        fillet_mm=shape.fillet_mm,
    )


def _appendage(shape: AppendageShape, body: Body) -> ImplicitTube:
    start = body.exit_point(body.centre, unit(shape.exit))
    direction = unit(shape.direction)
    widths = np.array([shape.neck_mm, shape.neck_mm, shape.middle_mm, shape.tip_mm])
    root = _root_mm(body, start, direction, unit(shape.long_axis), 0.5 * np.array(shape.neck_mm))
    curve = Curve(
        start=start,
        direction=direction,
        end_direction=unit(shape.end_direction),
        length_mm=shape.length_mm,
        t_low=-root / shape.length_mm,
        t_high=1.0 + END_ROOM_MM / shape.length_mm,
        reference=unit(shape.long_axis),
    )
    return ImplicitTube(
        name="LAA",
        curve=curve,
        knots=np.array([0.0, 0.15, 0.55, 1.0]),
        semi_long=0.5 * widths[:, 0],
        semi_short=0.5 * widths[:, 1],
        fillet_mm=shape.fillet_mm,
        outer="rounded",
    )


def _lobe(shape: LobeShape, appendage: ImplicitTube) -> Blob:
    t = np.array([shape.along])
    along, across = (axis[0] for axis in appendage.curve.axes(t))
    tangent = appendage.curve.tangent(t)[0]
    angle = np.radians(shape.angle_deg)
    outward = np.cos(angle) * along + np.sin(angle) * across
    centre = appendage.curve.position(t)[0] + shape.offset_mm * outward
    return Blob(
        centre=centre,
        axes=np.stack([tangent, outward, np.cross(tangent, outward)]),
        semi_axes=_array(shape.semi_axes_mm),
    )
