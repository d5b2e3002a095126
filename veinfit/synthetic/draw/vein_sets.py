"""The veins of every variant: which there are, and how they share trunks."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.random import Generator

from veinfit.synthetic.draw.draw_veins import DIAMETERS, Fork, draw_fillet, left_pair, right_pair
from veinfit.synthetic.draw.random_draws import (
    as_vector,
    bent,
    direction_from_angles,
    truncated_normal,
)
from veinfit.synthetic.shape.shape import BodyShape, VeinShape
from veinfit.vectors import unit


def _common(rng: Generator, body: BodyShape, left: bool, long: bool) -> VeinShape:
    """Draw a common trunk of both veins of one side, long or short."""
    rx, ry, rz = body.semi_axes_mm
    side = 1.0 if left else -1.0
    upper_name, lower_name = ("LSPV", "LIPV") if left else ("RSPV", "RIPV")
    upper_d, lower_d = DIAMETERS[upper_name].draw(rng), DIAMETERS[lower_name].draw(rng)
    # A long trunk is narrower than its branches side by side; a short one is
    # little more than their two mouths.
    both = upper_d[0] + lower_d[0]
    d_long = both * float(rng.uniform(0.80, 0.92) if long else rng.uniform(0.94, 1.02))
    d_short = max(upper_d[1], lower_d[1]) + truncated_normal(rng, 1.2, 0.5, 0.3, 2.5)
    direction = direction_from_angles(
        side,
        truncated_normal(rng, 8.0, 5.0, -4.0, 20.0),
        truncated_normal(rng, -6.0, 6.0, -20.0, 8.0),
    )
    lean = truncated_normal(rng, 0.35, 0.1, 0.1, 0.6)
    long_axis = unit(np.array([0.0, -lean, 1.0]))
    fork = Fork(direction, long_axis, d_long)
    branches = tuple(
        fork.branch(
            rng,
            name,
            sign,
            truncated_normal(rng, 31.0, 5.0, 22.0, 44.0),
            diameters,
            float(rng.uniform(22.0, 30.0)),
        )
        for name, diameters, sign in ((upper_name, upper_d, 1.0), (lower_name, lower_d, -1.0))
    )
    exit_point = [
        side * 0.9 * rx,
        ry * truncated_normal(rng, 0.22, 0.07, 0.05, 0.4),
        rz * truncated_normal(rng, 0.25, 0.07, 0.0, 0.4),
    ]
    return VeinShape(
        name="LCPV" if left else "RCPV",
        exit=as_vector(unit(np.array(exit_point))),
        direction=as_vector(direction),
        end_direction=as_vector(direction),
        length_mm=float(rng.uniform(3.0, 10.0) if long else rng.uniform(0.5, 2.0)),
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=truncated_normal(rng, 0.97, 0.02, 0.92, 1.0),
        long_axis=as_vector(long_axis),
        fillet_mm=float(np.clip(draw_fillet(rng), 1.5, 7.0)),
        branches=branches,
    )


def _inferior_common(rng: Generator, body: BodyShape) -> VeinShape:
    """Draw both inferior veins from one trunk on the posterior-inferior wall."""
    _, ry, rz = body.semi_axes_mm
    left_d, right_d = DIAMETERS["LIPV"].draw(rng), DIAMETERS["RIPV"].draw(rng)
    d_long = (left_d[0] + right_d[0]) * float(rng.uniform(0.78, 0.90))
    d_short = max(left_d[1], right_d[1]) + truncated_normal(rng, 1.2, 0.5, 0.3, 2.5)
    sideways = truncated_normal(rng, 0.0, 0.08, -0.2, 0.2)
    direction = unit(np.array([sideways, 1.0, rng.uniform(-0.3, -0.05)]))
    fork = Fork(direction, np.array([1.0, 0.0, 0.0]), d_long)
    branches = tuple(
        fork.branch(
            rng,
            name,
            sign,
            truncated_normal(rng, 58.0, 6.0, 45.0, 70.0),
            diameters,
            float(rng.uniform(28.0, 36.0)),
        )
        for name, diameters, sign in (("LIPV", left_d, 1.0), ("RIPV", right_d, -1.0))
    )
    low = rz * truncated_normal(rng, -0.38, 0.06, -0.5, -0.25)
    return VeinShape(
        name="ICPV",
        exit=as_vector(unit(np.array([0.0, 0.9 * ry, low]))),
        direction=as_vector(direction),
        end_direction=as_vector(direction),
        length_mm=float(rng.uniform(4.0, 9.0)),
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=truncated_normal(rng, 0.97, 0.02, 0.92, 1.0),
        long_axis=(1.0, 0.0, 0.0),
        fillet_mm=float(np.clip(draw_fillet(rng), 1.5, 6.0)),
        branches=branches,
    )


def _branched_early(rng: Generator, vein: VeinShape) -> VeinShape:
    """Split a vein into two branches right behind its ostium."""
    trunk_long = max(vein.d_long_mm, 15.0) * 1.1
    fork = Fork(unit(vein.direction), np.array(vein.long_axis), trunk_long)
    branches = tuple(
        fork.branch(
            rng,
            f"{vein.name}-{letter}",
            sign,
            truncated_normal(rng, 32.0, 5.0, 22.0, 44.0),
            (
                trunk_long * float(rng.uniform(0.44, 0.52)),
                vein.d_short_mm * float(rng.uniform(0.66, 0.85)),
            ),
            float(rng.uniform(20.0, 26.0)),
        )
        for letter, sign in (("a", 1.0), ("b", -1.0))
    )
    return dataclasses.replace(
        vein,
        end_direction=vein.direction,
        length_mm=float(rng.uniform(0.5, 2.0)),
        d_long_mm=trunk_long,
        taper=0.98,
        twist_deg=0.0,
        fillet_mm=min(vein.fillet_mm, 3.0),
        branches=branches,
    )


def _roof(rng: Generator) -> VeinShape:
    direction = unit(np.array([rng.uniform(-0.45, -0.05), rng.uniform(0.0, 0.35), 1.0]))
    d_long, d_short = DIAMETERS["extra-1"].draw(rng)
    return VeinShape(
        name="extra-1",
        exit=as_vector(unit(np.array([rng.uniform(-0.35, -0.1), rng.uniform(0.1, 0.3), 1.0]))),
        direction=as_vector(direction),
        end_direction=as_vector(bent(rng, direction, 8.0)),
        length_mm=float(rng.uniform(18.0, 28.0)),
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=truncated_normal(rng, 0.9, 0.05, 0.8, 1.0),
        long_axis=(1.0, 0.0, 0.0),
        fillet_mm=float(rng.uniform(1.0, 3.0)),
    )


def _four(rng: Generator, body: BodyShape) -> list[VeinShape]:
    return left_pair(rng, body) + right_pair(rng, body)


def _early(rng: Generator, body: BodyShape) -> list[VeinShape]:
    veins = _four(rng, body)
    # The right inferior vein has the shortest neck (Cronin 2007), so it is drawn most.
    chosen = int(rng.choice(4, p=[0.15, 0.15, 0.2, 0.5]))
    veins[chosen] = _branched_early(rng, veins[chosen])
    return veins


def _inferior(rng: Generator, body: BodyShape) -> list[VeinShape]:
    left, right = left_pair(rng, body)[0], right_pair(rng, body)[0]
    return [left, right, _inferior_common(rng, body)]


VeinSet = Callable[[Generator, BodyShape], list[VeinShape]]

VEIN_SETS: Mapping[str, VeinSet] = MappingProxyType(
    {
        "four": _four,
        "left_common_long": lambda rng, body: [
            _common(rng, body, left=True, long=True),
            *right_pair(rng, body),
        ],
        "left_common_short": lambda rng, body: [
            _common(rng, body, left=True, long=False),
            *right_pair(rng, body),
        ],
        "right_common": lambda rng, body: [
            *left_pair(rng, body),
            _common(rng, body, left=False, long=True),
        ],
        "right_middle": lambda rng, body: [*left_pair(rng, body), *right_pair(rng, body, 1)],
        "two_middle": lambda rng, body: [*left_pair(rng, body), *right_pair(rng, body, 2)],
        "roof": lambda rng, body: [*_four(rng, body), _roof(rng)],
        "early_branch": _early,
        "inferior_common": _inferior,
    }
)
"""How the veins of every variant are drawn."""

CARINA_MM_RANGES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "left_common_long": (12.5, 24.0),
        "left_common_short": (3.0, 8.5),
        "right_common": (12.5, 24.0),
        "early_branch": (2.0, 5.5),
        "inferior_common": (8.0, 24.0),
    }
)
"""Where on its centreline, from the body, a trunk may end at the carina of its branches."""
