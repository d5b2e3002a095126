"""Drawing the body, the mitral opening, the appendage and the neighbours."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from veinfit.synthetic.draw.random_draws import as_vector, truncated_normal
from veinfit.synthetic.shape.shape import (
    AppendageShape,
    BodyShape,
    BumpShape,
    LobeShape,
    MitralShape,
    NeighbourShape,
)
from veinfit.vectors import unit

BODY_VOLUME_ML = (48.0, 112.0)
"""Range of the bare body's volume; veins, appendage and funnel add some 15 to 25 mL."""


def draw_body(rng: Generator) -> BodyShape | None:
    """Draw the body; None where its volume is out of range."""
    size = truncated_normal(rng, 1.0, 0.07, 0.84, 1.2)
    x = size * truncated_normal(rng, 28.0, 1.8, 24.0, 33.0)
    y = size * truncated_normal(rng, 20.5, 1.8, 16.0, 26.0)
    z = size * truncated_normal(rng, 26.5, 1.8, 22.0, 32.0)
    exponent = float(rng.uniform(2.15, 2.8))
    ratio = math.gamma(1.0 + 1.0 / exponent) ** 3 / math.gamma(1.0 + 3.0 / exponent)
    volume = 8.0 * x * y * z * ratio / 1000.0
    if not BODY_VOLUME_ML[0] <= volume <= BODY_VOLUME_ML[1]:
        return None
    return BodyShape(
        semi_axes_mm=(x, y, z),
        exponent=exponent,
        egg=float(rng.uniform(-0.10, 0.10)),
        tilt_deg=(
            truncated_normal(rng, 0.0, 6.0, -14.0, 14.0),
            truncated_normal(rng, 0.0, 5.0, -12.0, 12.0),
            truncated_normal(rng, 0.0, 6.0, -14.0, 14.0),
        ),
        bumps=_bumps(rng),
    )


def _bumps(rng: Generator) -> tuple[BumpShape, ...]:
    """Dents by the aortic root, the right atrium and the spine, and a few uneven places."""
    places = [
        ((-0.15, -1.0, 0.35), rng.uniform(-4.0, -0.5), rng.uniform(8.0, 13.0)),
        ((-0.9, -0.5, -0.1), rng.uniform(-3.0, 0.0), rng.uniform(9.0, 14.0)),
        ((rng.uniform(-0.2, 0.5), 1.0, -0.2), rng.uniform(-3.0, 0.5), rng.uniform(8.0, 14.0)),
    ]
    for _ in range(int(rng.integers(3, 6))):
        towards = unit(rng.normal(size=3))
        places.append((as_vector(towards), rng.uniform(-1.5, 1.5), rng.uniform(6.0, 12.0)))
    return tuple(
        BumpShape(direction=direction, height_mm=float(height), width_mm=float(width))
        for direction, height, width in places
    )


def draw_appendage(rng: Generator, body: BodyShape) -> AppendageShape:
    """Draw an appendage on the anterior-lateral wall beside the left superior vein."""
    rx, ry, rz = body.semi_axes_mm
    q = np.array(
        [
            truncated_normal(rng, 0.72, 0.06, 0.55, 0.9) * rx,
            -truncated_normal(rng, 0.66, 0.06, 0.5, 0.85) * ry,
            truncated_normal(rng, 0.36, 0.08, 0.15, 0.55) * rz,
        ]
    )
    start = unit(
        np.array([rng.uniform(0.45, 0.75), -rng.uniform(0.55, 0.8), rng.uniform(0.1, 0.5)])
    )
    end = unit(np.array([rng.uniform(-0.1, 0.45), -rng.uniform(0.6, 0.9), rng.uniform(-0.7, 0.05)]))
    neck = truncated_normal(rng, 15.0, 2.0, 11.0, 20.0)
    neck_short = neck * float(rng.uniform(0.62, 0.85))
    widest = neck * float(rng.uniform(1.05, 1.35))
    widest_short = neck_short * float(rng.uniform(1.0, 1.25))
    length = truncated_normal(rng, 33.0, 5.0, 24.0, 46.0)
    lobes = []
    for _ in range(int(rng.integers(2, 5))):
        size = float(rng.uniform(5.5, 9.0))
        lobes.append(
            LobeShape(
                along=float(rng.uniform(0.35, 0.95)),
                angle_deg=float(rng.uniform(0.0, 360.0)),
                offset_mm=float(rng.uniform(4.0, 7.5)),
                semi_axes_mm=(
                    size,
                    size * float(rng.uniform(0.9, 1.3)),
                    size * float(rng.uniform(0.6, 0.9)),
                ),
            )
        )
    return AppendageShape(
        exit=as_vector(unit(q)),
        direction=as_vector(start),
        end_direction=as_vector(end),
        length_mm=length,
        neck_mm=(neck, neck_short),
        middle_mm=(widest, widest_short),
        tip_mm=(float(rng.uniform(6.0, 10.0)), float(rng.uniform(5.0, 7.5))),
        long_axis=as_vector(unit(np.array([0.3, 0.2, 1.0]) + 0.25 * rng.normal(size=3))),
        fillet_mm=float(rng.uniform(2.0, 4.0)),
        lobes=tuple(lobes),
    )


def draw_mitral(rng: Generator) -> MitralShape:
    """Draw a mitral opening that faces anterior-inferior-left."""
    normal = unit(
        np.array(
            [
                truncated_normal(rng, 0.36, 0.07, 0.2, 0.5),
                -truncated_normal(rng, 0.64, 0.07, 0.5, 0.8),
                -truncated_normal(rng, 0.68, 0.07, 0.5, 0.85),
            ]
        )
    )
    d_long = truncated_normal(rng, 36.0, 3.0, 29.0, 43.0)
    return MitralShape(
        normal=as_vector(normal),
        offset=(
            truncated_normal(rng, 1.0, 1.5, -3.0, 4.0),
            truncated_normal(rng, -1.0, 1.5, -4.0, 3.0),
            0.0,
        ),
        d_long_mm=d_long,
        d_short_mm=d_long * float(rng.uniform(0.78, 0.95)),
        funnel_mm=float(rng.uniform(-5.0, 1.0)),
        flare=float(rng.uniform(0.0, 0.10)),
        fillet_mm=float(rng.uniform(4.0, 9.0)),
        long_axis=as_vector(unit(np.array([1.0, 0.5, 0.0]) + 0.15 * rng.normal(size=3))),
    )


def draw_neighbours(rng: Generator) -> NeighbourShape:
    """Draw where nerve, oesophagus and septum lie.

    The nerve's distances span cadaver (Sanchez-Quintana 2005) and in-vivo series; the
    oesophagus lies to the left in most patients.
    """
    return NeighbourShape(
        phrenic_gap_mm=float(np.clip(math.exp(rng.normal(math.log(8.0), 0.5)), 2.0, 20.0)),
        phrenic_along_mm=float(rng.uniform(5.0, 16.0)),
        oesophagus_x_mm=truncated_normal(rng, 8.0, 7.0, -10.0, 20.0),
        oesophagus_radius_mm=float(rng.uniform(5.5, 8.0)),
        oesophagus_gap_mm=float(rng.uniform(2.5, 5.0)),
        septal_crossing=as_vector(
            unit(np.array([-0.8, rng.uniform(-0.5, -0.15), rng.uniform(-0.5, -0.2)]))
        ),
        septum_radius_mm=float(rng.uniform(8.0, 12.0)),
        septum_thickness_mm=float(rng.uniform(2.0, 3.5)),
    )
