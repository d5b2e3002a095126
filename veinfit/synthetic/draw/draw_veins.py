"""Drawing single veins, pairs of them, and the forks of trunks."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.random import Generator

from veinfit.synthetic.draw.random_draws import (
    as_vector,
    bent,
    direction_from_angles,
    truncated_normal,
)
from veinfit.synthetic.shape.shape import BodyShape, BranchShape, VeinShape
from veinfit.vectors import FloatArray, unit


class _Diameters:
    """Trunk diameter of equal area and ovality of one vein: mean, SD, range."""

    def __init__(self, mean: float, sd: float, ovality: float, ovality_sd: float) -> None:
        self.mean, self.sd, self.ovality, self.ovality_sd = mean, sd, ovality, ovality_sd

    def draw(self, rng: Generator) -> tuple[float, float]:
        """Draw the long and the short diameter, mm."""
        d_area = truncated_normal(
            rng, self.mean, self.sd, self.mean - 2.5 * self.sd, self.mean + 3 * self.sd
        )
        ovality = truncated_normal(rng, self.ovality, self.ovality_sd, 1.02, 1.95)
        return d_area * math.sqrt(ovality), d_area / math.sqrt(ovality)


DIAMETERS: Mapping[str, _Diameters] = MappingProxyType(
    {
        "LSPV": _Diameters(15.3, 2.3, 1.36, 0.15),
        "LIPV": _Diameters(13.3, 2.2, 1.50, 0.18),
        "RSPV": _Diameters(16.0, 2.6, 1.27, 0.12),
        "RIPV": _Diameters(15.2, 2.3, 1.20, 0.11),
        "RMPV": _Diameters(7.4, 1.5, 1.15, 0.10),
        "extra-1": _Diameters(7.2, 1.2, 1.15, 0.10),
    }
)
"""Trunk diameters: Cronin 2007, Liu 2010 and a CT reference series (long by short)."""

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


def left_pair(rng: Generator, body: BodyShape) -> list[VeinShape]:
    """Draw LSPV and LIPV."""
    upper_d, lower_d = DIAMETERS["LSPV"].draw(rng), DIAMETERS["LIPV"].draw(rng)
    gap = truncated_normal(rng, 4.5, 1.3, 2.2, 8.0)
    upper, lower, _ = place_pair(rng, body, True, upper_d[0], lower_d[0], gap)
    return [_vein(rng, "LSPV", upper, upper_d), _vein(rng, "LIPV", lower, lower_d)]


def right_pair(rng: Generator, body: BodyShape, middle_veins: int = 0) -> list[VeinShape]:
    """Draw RSPV and RIPV, with so many veins between them."""
    upper_d, lower_d = DIAMETERS["RSPV"].draw(rng), DIAMETERS["RIPV"].draw(rng)
    middle_d = [DIAMETERS["RMPV"].draw(rng) for _ in range(middle_veins)]
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
