"""Drawing the veins of every variant."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.random import Generator

from veinfit.cohort.synthesis.laws import (
    as_vector,
    bent,
    direction_from_angles,
    truncated_normal,
)
from veinfit.cohort.synthesis.shape import BodyShape, BranchShape, VeinShape
from veinfit.frames import FloatArray, unit


def _diameters(rng: Generator, d_area: float, ovality: float) -> tuple[float, float]:
    return d_area * math.sqrt(ovality), d_area / math.sqrt(ovality)


class _Calibre:
    """Trunk diameter of equal area and ovality of one vein: mean, SD, range."""

    def __init__(self, mean: float, sd: float, ovality: float, ovality_sd: float) -> None:
        self.mean, self.sd, self.ovality, self.ovality_sd = mean, sd, ovality, ovality_sd

    def draw(self, rng: Generator) -> tuple[float, float]:
        """Draw the long and the short diameter, mm."""
        d_area = truncated_normal(
            rng, self.mean, self.sd, self.mean - 2.5 * self.sd, self.mean + 3 * self.sd
        )
        ovality = truncated_normal(rng, self.ovality, self.ovality_sd, 1.02, 1.95)
        return _diameters(rng, d_area, ovality)


CALIBRES: Mapping[str, _Calibre] = MappingProxyType(
    {
        "LSPV": _Calibre(15.3, 2.3, 1.36, 0.15),
        "LIPV": _Calibre(13.3, 2.2, 1.50, 0.18),
        "RSPV": _Calibre(16.0, 2.6, 1.27, 0.12),
        "RIPV": _Calibre(15.2, 2.3, 1.20, 0.11),
        "RMPV": _Calibre(7.4, 1.5, 1.15, 0.10),
        "extra-1": _Calibre(7.2, 1.2, 1.15, 0.10),
    }
)
"""Trunk calibres: Cronin 2007 (diameters), Liu 2010 and a CT reference series (long by short)."""


TAKEOFFS: Mapping[str, tuple[float, float, float, float]] = MappingProxyType(
    {
        "LSPV": (28.0, 9.0, 16.0, 9.0),
        "LIPV": (-8.0, 8.0, -30.0, 10.0),
        "RSPV": (27.0, 9.0, 20.0, 9.0),
        "RIPV": (-20.0, 7.0, -34.0, 9.0),
    }
)
"""Frontal angle and SD, transverse angle and SD, degrees: superior veins forward and
up, inferior ones backward and down; published only for the RIPV's frontal angle."""


def draw_fillet(rng: Generator) -> float:
    """Draw the rounding between vein and body, mm."""
    return float(np.clip(math.exp(rng.normal(math.log(4.0), 0.5)), 1.0, 10.0))


def upright(rng: Generator, sd_deg: float) -> FloatArray:
    """Draw a direction head-foot, tilted a little forward or back: the long axis of most ostia."""
    angle = math.radians(truncated_normal(rng, 0.0, sd_deg, -45.0, 45.0))
    return np.array([0.0, math.sin(angle), math.cos(angle)])


def _vein(
    rng: Generator, name: str, exit_point: FloatArray, diameters: tuple[float, float]
) -> VeinShape:
    side = 1.0 if name.startswith("L") else -1.0
    frontal, frontal_sd, transverse, transverse_sd = TAKEOFFS[name]
    forward = math.copysign(1.0, transverse)
    direction = direction_from_angles(
        side,
        truncated_normal(rng, frontal, frontal_sd, frontal - 22.0, frontal + 22.0),
        forward * truncated_normal(rng, abs(transverse), transverse_sd, 4.0, 58.0),
    )
    return VeinShape(
        name=name,
        exit=as_vector(unit(exit_point)),
        direction=as_vector(direction),
        end_direction=as_vector(bent(rng, direction)),
        length_mm=float(rng.uniform(22.0, 36.0)),
        d_long_mm=diameters[0],
        d_short_mm=diameters[1],
        taper=truncated_normal(rng, 0.88, 0.07, 0.70, 1.05),
        long_axis=as_vector(upright(rng, 18.0)),
        twist_deg=truncated_normal(rng, 0.0, 15.0, -40.0, 40.0),
        fillet_mm=draw_fillet(rng),
    )


def place_pair(
    rng: Generator, body: BodyShape, left: bool, d_upper: float, d_lower: float, between: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw where the two veins of one side leave: upper, lower, and the middle of the gap.

    ``between`` is what lies between the two tubes, mm.
    """
    rx, ry, rz = body.semi_axes_mm
    side = 1.0 if left else -1.0
    middle = np.array(
        [
            side * 0.88 * rx,
            ry * truncated_normal(rng, 0.24, 0.07, 0.05, 0.4),
            rz * truncated_normal(rng, 0.22 if left else 0.14, 0.07, -0.02, 0.4),
        ]
    )
    lean = truncated_normal(rng, 0.40 if left else 0.55, 0.10, 0.15, 0.8)
    along = unit(np.array([0.0, -lean, 1.0]))
    gap = between + 0.5 * (d_upper + d_lower)
    share = d_upper / (d_upper + d_lower)
    upper = middle + along * gap * (0.5 + 0.2 * (0.5 - share))
    lower = upper - along * gap
    join = 0.5 * (upper - 0.5 * d_upper * along + lower + 0.5 * d_lower * along)
    return upper, lower, join


def _left_pair(rng: Generator, body: BodyShape) -> list[VeinShape]:
    upper_d, lower_d = CALIBRES["LSPV"].draw(rng), CALIBRES["LIPV"].draw(rng)
    gap = truncated_normal(rng, 4.5, 1.3, 2.2, 8.0)
    upper, lower, _ = place_pair(rng, body, True, upper_d[0], lower_d[0], gap)
    return [_vein(rng, "LSPV", upper, upper_d), _vein(rng, "LIPV", lower, lower_d)]


def _right_pair(rng: Generator, body: BodyShape, middle_veins: int = 0) -> list[VeinShape]:
    upper_d, lower_d = CALIBRES["RSPV"].draw(rng), CALIBRES["RIPV"].draw(rng)
    middle_d = [CALIBRES["RMPV"].draw(rng) for _ in range(middle_veins)]
    gap = truncated_normal(rng, 5.8, 1.6, 2.5, 10.0)
    if middle_veins:
        gap = max(d[0] for d in middle_d) + truncated_normal(rng, 6.5, 1.0, 5.0, 9.0)
    upper, lower, join = place_pair(rng, body, False, upper_d[0], lower_d[0], gap)
    rspv, ripv = _vein(rng, "RSPV", upper, upper_d), _vein(rng, "RIPV", lower, lower_d)
    if not middle_veins:
        return [rspv, ripv]
    middles = []
    spread = 0.0 if middle_veins == 1 else 0.5 * (middle_d[0][0] + middle_d[1][0]) + 4.0
    for k, diameters in enumerate(middle_d):
        shift = spread * (k - 0.5 * (middle_veins - 1))
        exit_point = join + np.array([0.0, -2.0 + shift, 0.3 * shift])
        direction = direction_from_angles(
            -1.0,
            truncated_normal(rng, 3.0, 4.0, -8.0, 14.0),
            truncated_normal(rng, 3.0 - 4.0 * shift, 6.0, -45.0, 40.0),
        )
        middles.append(
            VeinShape(
                name="RMPV" if k == 0 else f"RMPV-{k + 1}",
                exit=as_vector(unit(exit_point)),
                direction=as_vector(direction),
                end_direction=as_vector(bent(rng, direction, 6.0)),
                length_mm=float(rng.uniform(18.0, 26.0)),
                d_long_mm=diameters[0],
                d_short_mm=diameters[1],
                taper=truncated_normal(rng, 0.9, 0.05, 0.8, 1.0),
                fillet_mm=float(rng.uniform(1.0, 2.5)),
            )
        )
    return [rspv, *middles, ripv]


FORK_START_SHARE = 0.5
"""Share of a branch's turn away from its trunk that it has made where it starts."""


@dataclasses.dataclass(frozen=True, slots=True)
class Fork:
    """How two branches leave a trunk: up and down its long diameter."""

    direction: FloatArray
    long_axis: FloatArray
    d_long_mm: float

    def branch(
        self,
        rng: Generator,
        name: str,
        sign: float,
        turn_deg: float,
        diameters: tuple[float, float],
        length_mm: float,
    ) -> BranchShape:
        """Make the branch on one side (``sign`` +1 or -1) of the trunk's long diameter."""
        along = self.long_axis - (self.long_axis @ self.direction) * self.direction
        across = sign * unit(along)
        turns = np.radians([FORK_START_SHARE * turn_deg, turn_deg])
        start, end = (math.cos(a) * self.direction + math.sin(a) * across for a in turns)
        return BranchShape(
            name=name,
            start_direction=as_vector(start),
            direction=as_vector(end),
            offset_mm=(sign * (0.5 * (self.d_long_mm - diameters[0]) - 0.5), 0.0),
            d_long_mm=diameters[0],
            d_short_mm=diameters[1],
            length_mm=length_mm,
            taper=truncated_normal(rng, 0.9, 0.05, 0.78, 1.02),
        )


def _common(rng: Generator, body: BodyShape, left: bool, long: bool) -> VeinShape:
    """Draw a common trunk of both veins of one side, long or short."""
    rx, ry, rz = body.semi_axes_mm
    side = 1.0 if left else -1.0
    upper_name, lower_name = ("LSPV", "LIPV") if left else ("RSPV", "RIPV")
    upper_d, lower_d = CALIBRES[upper_name].draw(rng), CALIBRES[lower_name].draw(rng)
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
    left_d, right_d = CALIBRES["LIPV"].draw(rng), CALIBRES["RIPV"].draw(rng)
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
    d_long, d_short = CALIBRES["extra-1"].draw(rng)
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
    return _left_pair(rng, body) + _right_pair(rng, body)


def _early(rng: Generator, body: BodyShape) -> list[VeinShape]:
    veins = _four(rng, body)
    # The right inferior vein has the shortest neck (Cronin 2007), so it is drawn most.
    chosen = int(rng.choice(4, p=[0.15, 0.15, 0.2, 0.5]))
    veins[chosen] = _branched_early(rng, veins[chosen])
    return veins


def _inferior(rng: Generator, body: BodyShape) -> list[VeinShape]:
    left, right = _left_pair(rng, body)[0], _right_pair(rng, body)[0]
    return [left, right, _inferior_common(rng, body)]


VeinSet = Callable[[Generator, BodyShape], list[VeinShape]]

VEIN_SETS: Mapping[str, VeinSet] = MappingProxyType(
    {
        "four": _four,
        "left_common_long": lambda rng, body: [
            _common(rng, body, left=True, long=True),
            *_right_pair(rng, body),
        ],
        "left_common_short": lambda rng, body: [
            _common(rng, body, left=True, long=False),
            *_right_pair(rng, body),
        ],
        "right_common": lambda rng, body: [
            *_left_pair(rng, body),
            _common(rng, body, left=False, long=True),
        ],
        "right_middle": lambda rng, body: [*_left_pair(rng, body), *_right_pair(rng, body, 1)],
        "two_middle": lambda rng, body: [*_left_pair(rng, body), *_right_pair(rng, body, 2)],
        "roof": lambda rng, body: [*_four(rng, body), _roof(rng)],
        "early_branch": _early,
        "inferior_common": _inferior,
    }
)
"""How the veins of every variant are drawn."""

CARINA_MM: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "left_common_long": (12.5, 24.0),
        "left_common_short": (3.0, 8.5),
        "right_common": (12.5, 24.0),
        "early_branch": (2.0, 5.5),
        "inferior_common": (8.0, 24.0),
    }
)
"""Where on its centreline, from the body, a trunk may end at the carina of its branches."""
