"""Drawing diverse, plausible atria from a seed.

The spreads follow published series only loosely: where a series gives ostial
diameters, those of the trunks are set lower by about what the flare adds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from veinfit.cohort.synthesis.assembly import implicit
from veinfit.cohort.synthesis.shape import (
    AppendageShape,
    AtriumShape,
    BodyShape,
    BranchShape,
    BumpShape,
    LobeShape,
    MitralShape,
    NeighbourShape,
    Vector,
    VeinShape,
)
from veinfit.cohort.synthesis.soundness import flaws
from veinfit.frames import FloatArray, unit

VARIANT_SHARES: Mapping[str, float] = MappingProxyType(
    {
        "four": 0.66,
        "left_common_long": 0.06,
        "left_common_short": 0.06,
        "right_common": 0.01,
        "right_middle": 0.11,
        "two_middle": 0.02,
        "roof": 0.03,
        "early_branch": 0.04,
        "inferior_common": 0.01,
    }
)
"""Variants and how often each is drawn when none is asked for.

Loosely after Cronin et al., Acad Radiol 2007;14:178-188, and Thorning et al.,
Clin Imaging 2011; two middle veins and the inferior common trunk are kept rarer.
"""

VARIANTS: tuple[str, ...] = tuple(VARIANT_SHARES)

ATTEMPTS = 400
"""Draws of one seed before giving up; about one in three to ten is sound."""

BODY_VOLUME_ML = (48.0, 112.0)
"""Range of the bare body's volume; veins, appendage and funnel add some 15 to 25 mL."""

Random = np.random.Generator


def draw_shape(seed: int, variant: str | None = None) -> AtriumShape:
    """Draw a plausible atrium.

    Parameters
    ----------
    seed : int
        The same seed and variant give the same shape.
    variant : str or None
        One of :data:`VARIANTS`; None draws it too.

    Returns
    -------
    AtriumShape
        A shape whose veins, appendage and mitral funnel do not run into each other.
    """
    if variant is not None and variant not in VARIANT_SHARES:
        raise ValueError(f"unknown variant {variant!r}; there are {', '.join(VARIANTS)}")
    if variant is None:
        first = np.random.default_rng([seed])
        shares = np.array(list(VARIANT_SHARES.values()))
        variant = str(first.choice(list(VARIANTS), p=shares / shares.sum()))
    number = VARIANTS.index(variant)
    for attempt in range(ATTEMPTS):
        rng = np.random.default_rng([seed, number, attempt])
        shape = _drawn(rng, variant, seed)
        if shape is not None and not flaws(shape, implicit(shape)):
            return shape
    raise RuntimeError(f"no sound {variant} atrium in {ATTEMPTS} draws of seed {seed}")


def _normal(rng: Random, mean: float, sd: float, low: float, high: float) -> float:
    """Draw from a normal law cut off at ``low`` and ``high``, by drawing again."""
    for _ in range(100):
        value = float(rng.normal(mean, sd))
        if low <= value <= high:
            return value
    return float(np.clip(mean, low, high))


def _tuple(vector: FloatArray) -> Vector:
    x, y, z = (float(c) for c in vector)
    return (x, y, z)


def _direction(side: float, frontal_deg: float, transverse_deg: float) -> FloatArray:
    """Direction from its angles in the frontal and the transverse plane."""
    tan_f, tan_t = math.tan(math.radians(frontal_deg)), math.tan(math.radians(transverse_deg))
    return unit(np.array([side, -tan_t, tan_f]))


def _bent(rng: Random, direction: FloatArray, mean_deg: float = 14.0) -> FloatArray:
    """A direction some degrees off ``direction``, to any side."""
    angle = math.radians(_normal(rng, mean_deg, 8.0, 0.0, 35.0))
    sideways = rng.normal(size=3)
    sideways = unit(sideways - (sideways @ direction) * direction)
    return np.asarray(math.cos(angle) * direction + math.sin(angle) * sideways)


def _diameters(rng: Random, d_area: float, ovality: float) -> tuple[float, float]:
    return d_area * math.sqrt(ovality), d_area / math.sqrt(ovality)


class _Calibre:
    """Trunk diameter of equal area and ovality of one vein: mean, SD, range."""

    def __init__(self, mean: float, sd: float, ovality: float, ovality_sd: float) -> None:
        self.mean, self.sd, self.ovality, self.ovality_sd = mean, sd, ovality, ovality_sd

    def draw(self, rng: Random) -> tuple[float, float]:
        """Draw the long and the short diameter, mm."""
        d_area = _normal(
            rng, self.mean, self.sd, self.mean - 2.5 * self.sd, self.mean + 3 * self.sd
        )
        ovality = _normal(rng, self.ovality, self.ovality_sd, 1.02, 1.95)
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


def _fillet(rng: Random) -> float:
    return float(np.clip(math.exp(rng.normal(math.log(4.0), 0.5)), 1.0, 10.0))


def _vein(
    rng: Random, name: str, exit_point: FloatArray, diameters: tuple[float, float]
) -> VeinShape:
    side = 1.0 if name.startswith("L") else -1.0
    frontal, frontal_sd, transverse, transverse_sd = TAKEOFFS[name]
    forward = math.copysign(1.0, transverse)
    direction = _direction(
        side,
        _normal(rng, frontal, frontal_sd, frontal - 22.0, frontal + 22.0),
        forward * _normal(rng, abs(transverse), transverse_sd, 4.0, 58.0),
    )
    return VeinShape(
        name=name,
        exit=_tuple(unit(exit_point)),
        direction=_tuple(direction),
        end_direction=_tuple(_bent(rng, direction)),
        length_mm=float(rng.uniform(22.0, 36.0)),
        d_long_mm=diameters[0],
        d_short_mm=diameters[1],
        taper=_normal(rng, 0.88, 0.07, 0.70, 1.05),
        long_axis=_tuple(_upright(rng, 18.0)),
        twist_deg=_normal(rng, 0.0, 15.0, -40.0, 40.0),
        fillet_mm=_fillet(rng),
    )


def _upright(rng: Random, sd_deg: float) -> FloatArray:
    """Head-foot, tilted a little forward or back: the long axis of most ostia."""
    angle = math.radians(_normal(rng, 0.0, sd_deg, -45.0, 45.0))
    return np.array([0.0, math.sin(angle), math.cos(angle)])


def _body(rng: Random) -> BodyShape | None:
    size = _normal(rng, 1.0, 0.07, 0.84, 1.2)
    x = size * _normal(rng, 28.0, 1.8, 24.0, 33.0)
    y = size * _normal(rng, 20.5, 1.8, 16.0, 26.0)
    z = size * _normal(rng, 26.5, 1.8, 22.0, 32.0)
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
            _normal(rng, 0.0, 6.0, -14.0, 14.0),
            _normal(rng, 0.0, 5.0, -12.0, 12.0),
            _normal(rng, 0.0, 6.0, -14.0, 14.0),
        ),
        bumps=_bumps(rng),
    )


def _bumps(rng: Random) -> tuple[BumpShape, ...]:
    """Dents by the aortic root, the right atrium and the spine, and a few uneven places."""
    places = [
        ((-0.15, -1.0, 0.35), rng.uniform(-4.0, -0.5), rng.uniform(8.0, 13.0)),
        ((-0.9, -0.5, -0.1), rng.uniform(-3.0, 0.0), rng.uniform(9.0, 14.0)),
        ((rng.uniform(-0.2, 0.5), 1.0, -0.2), rng.uniform(-3.0, 0.5), rng.uniform(8.0, 14.0)),
    ]
    for _ in range(int(rng.integers(3, 6))):
        towards = unit(rng.normal(size=3))
        places.append((_tuple(towards), rng.uniform(-1.5, 1.5), rng.uniform(6.0, 12.0)))
    return tuple(
        BumpShape(direction=direction, height_mm=float(height), width_mm=float(width))
        for direction, height, width in places
    )


def _pair(
    rng: Random, body: BodyShape, left: bool, d_upper: float, d_lower: float, between: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where the two veins of one side leave: upper, lower, and the middle of the gap.

    ``between`` is what lies between the two tubes, mm.
    """
    rx, ry, rz = body.semi_axes_mm
    side = 1.0 if left else -1.0
    middle = np.array(
        [
            side * 0.88 * rx,
            ry * _normal(rng, 0.24, 0.07, 0.05, 0.4),
            rz * _normal(rng, 0.22 if left else 0.14, 0.07, -0.02, 0.4),
        ]
    )
    lean = _normal(rng, 0.40 if left else 0.55, 0.10, 0.15, 0.8)
    along = unit(np.array([0.0, -lean, 1.0]))
    gap = between + 0.5 * (d_upper + d_lower)
    share = d_upper / (d_upper + d_lower)
    upper = middle + along * gap * (0.5 + 0.2 * (0.5 - share))
    lower = upper - along * gap
    join = 0.5 * (upper - 0.5 * d_upper * along + lower + 0.5 * d_lower * along)
    return upper, lower, join


def _left_pair(rng: Random, body: BodyShape) -> list[VeinShape]:
    upper_d, lower_d = CALIBRES["LSPV"].draw(rng), CALIBRES["LIPV"].draw(rng)
    gap = _normal(rng, 4.5, 1.3, 2.2, 8.0)
    upper, lower, _ = _pair(rng, body, True, upper_d[0], lower_d[0], gap)
    return [_vein(rng, "LSPV", upper, upper_d), _vein(rng, "LIPV", lower, lower_d)]


def _right_pair(rng: Random, body: BodyShape, middle_veins: int = 0) -> list[VeinShape]:
    upper_d, lower_d = CALIBRES["RSPV"].draw(rng), CALIBRES["RIPV"].draw(rng)
    middle_d = [CALIBRES["RMPV"].draw(rng) for _ in range(middle_veins)]
    gap = _normal(rng, 5.8, 1.6, 2.5, 10.0)
    if middle_veins:
        gap = max(d[0] for d in middle_d) + _normal(rng, 6.5, 1.0, 5.0, 9.0)
    upper, lower, join = _pair(rng, body, False, upper_d[0], lower_d[0], gap)
    rspv, ripv = _vein(rng, "RSPV", upper, upper_d), _vein(rng, "RIPV", lower, lower_d)
    if not middle_veins:
        return [rspv, ripv]
    middles = []
    spread = 0.0 if middle_veins == 1 else 0.5 * (middle_d[0][0] + middle_d[1][0]) + 4.0
    for k, diameters in enumerate(middle_d):
        shift = spread * (k - 0.5 * (middle_veins - 1))
        exit_point = join + np.array([0.0, -2.0 + shift, 0.3 * shift])
        direction = _direction(
            -1.0,
            _normal(rng, 3.0, 4.0, -8.0, 14.0),
            _normal(rng, 3.0 - 4.0 * shift, 6.0, -45.0, 40.0),
        )
        middles.append(
            VeinShape(
                name="RMPV" if k == 0 else f"RMPV-{k + 1}",
                exit=_tuple(unit(exit_point)),
                direction=_tuple(direction),
                end_direction=_tuple(_bent(rng, direction, 6.0)),
                length_mm=float(rng.uniform(18.0, 26.0)),
                d_long_mm=diameters[0],
                d_short_mm=diameters[1],
                taper=_normal(rng, 0.9, 0.05, 0.8, 1.0),
                fillet_mm=float(rng.uniform(1.0, 2.5)),
            )
        )
    return [rspv, *middles, ripv]


def _common(rng: Random, body: BodyShape, left: bool, trunk_mm: float) -> VeinShape:
    """A common trunk of both veins of one side."""
    rx, ry, rz = body.semi_axes_mm
    side = 1.0 if left else -1.0
    upper_name, lower_name = ("LSPV", "LIPV") if left else ("RSPV", "RIPV")
    upper_d, lower_d = CALIBRES[upper_name].draw(rng), CALIBRES[lower_name].draw(rng)
    d_long = 0.5 * (upper_d[0] + lower_d[0]) + _normal(rng, 12.0, 1.5, 9.0, 15.0)
    d_short = max(upper_d[1], lower_d[1]) + _normal(rng, 1.4, 0.6, 0.4, 3.0)
    direction = _direction(
        side, _normal(rng, 8.0, 5.0, -4.0, 20.0), _normal(rng, -6.0, 6.0, -20.0, 8.0)
    )
    lean = _normal(rng, 0.35, 0.1, 0.1, 0.6)
    long_axis = unit(np.array([0.0, -lean, 1.0]))
    up, out = _normal(rng, 32.0, 5.0, 22.0, 44.0), _normal(rng, 30.0, 5.0, 20.0, 42.0)
    branches = []
    for name, diameters, sign, turn in (
        (upper_name, upper_d, 1.0, up),
        (lower_name, lower_d, -1.0, out),
    ):
        across = unit(sign * (long_axis - (long_axis @ direction) * direction))
        end = math.cos(math.radians(turn)) * direction + math.sin(math.radians(turn)) * across
        offset = 0.5 * (d_long - diameters[0]) - 0.6
        branches.append(
            BranchShape(
                name=name,
                direction=_tuple(end),
                offset_mm=(sign * offset, 0.0),
                d_long_mm=diameters[0],
                d_short_mm=diameters[1],
                length_mm=float(rng.uniform(22.0, 30.0)),
                taper=_normal(rng, 0.9, 0.05, 0.78, 1.02),
            )
        )
    return VeinShape(
        name="LCPV" if left else "RCPV",
        exit=_tuple(
            unit(
                np.array(
                    [
                        side * 0.9 * rx,
                        ry * _normal(rng, 0.22, 0.07, 0.05, 0.4),
                        rz * _normal(rng, 0.20, 0.07, 0.0, 0.4),
                    ]
                )
            )
        ),
        direction=_tuple(direction),
        end_direction=_tuple(_bent(rng, direction, 4.0)),
        length_mm=trunk_mm,
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=_normal(rng, 0.96, 0.03, 0.9, 1.0),
        long_axis=_tuple(long_axis),
        fillet_mm=float(np.clip(_fillet(rng), 1.5, 7.0)),
        branches=tuple(branches),
    )


def _inferior_common(rng: Random, body: BodyShape) -> VeinShape:
    """Both inferior veins from one trunk on the posterior-inferior wall."""
    _, ry, rz = body.semi_axes_mm
    left_d, right_d = CALIBRES["LIPV"].draw(rng), CALIBRES["RIPV"].draw(rng)
    d_long = 0.5 * (left_d[0] + right_d[0]) + _normal(rng, 10.0, 1.5, 7.0, 13.0)
    d_short = max(left_d[1], right_d[1]) + _normal(rng, 1.4, 0.6, 0.4, 3.0)
    direction = unit(np.array([_normal(rng, 0.0, 0.08, -0.2, 0.2), 1.0, rng.uniform(-0.3, -0.05)]))
    across = unit(np.array([1.0, 0.0, 0.0]) - direction[0] * direction)
    branches = []
    for name, diameters, sign in (("LIPV", left_d, 1.0), ("RIPV", right_d, -1.0)):
        turn = math.radians(_normal(rng, 60.0, 5.0, 48.0, 70.0))
        end = math.cos(turn) * direction + math.sin(turn) * sign * across
        branches.append(
            BranchShape(
                name=name,
                direction=_tuple(unit(end)),
                offset_mm=(sign * (0.5 * (d_long - diameters[0]) - 0.6), 0.0),
                d_long_mm=diameters[0],
                d_short_mm=diameters[1],
                length_mm=float(rng.uniform(30.0, 38.0)),
                taper=_normal(rng, 0.9, 0.05, 0.78, 1.02),
            )
        )
    return VeinShape(
        name="ICPV",
        exit=_tuple(unit(np.array([0.0, 0.9 * ry, rz * _normal(rng, -0.38, 0.06, -0.5, -0.25)]))),
        direction=_tuple(direction),
        end_direction=_tuple(direction),
        length_mm=float(rng.uniform(9.0, 13.0)),
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=_normal(rng, 0.96, 0.03, 0.9, 1.0),
        long_axis=(1.0, 0.0, 0.0),
        fillet_mm=float(np.clip(_fillet(rng), 1.5, 6.0)),
        branches=tuple(branches),
    )


def _branched_early(rng: Random, vein: VeinShape) -> VeinShape:
    """The same vein, split into two branches right behind its ostium."""
    direction = unit(vein.direction)
    long_axis = np.array(vein.long_axis)
    across = unit(long_axis - (long_axis @ direction) * direction)
    trunk_long = max(vein.d_long_mm, 15.0) * 1.08
    branches = []
    for letter, sign in (("a", 1.0), ("b", -1.0)):
        d_long = trunk_long * float(rng.uniform(0.50, 0.60))
        turn = math.radians(_normal(rng, 30.0, 5.0, 20.0, 42.0))
        end = math.cos(turn) * direction + math.sin(turn) * sign * across
        branches.append(
            BranchShape(
                name=f"{vein.name}-{letter}",
                direction=_tuple(end),
                offset_mm=(sign * (0.5 * (trunk_long - d_long) - 0.4), 0.0),
                d_long_mm=d_long,
                d_short_mm=vein.d_short_mm * float(rng.uniform(0.66, 0.82)),
                length_mm=float(rng.uniform(20.0, 26.0)),
                taper=0.92,
            )
        )
    return VeinShape(
        name=vein.name,
        exit=vein.exit,
        direction=vein.direction,
        end_direction=vein.direction,
        length_mm=float(rng.uniform(1.5, 3.0)),
        d_long_mm=trunk_long,
        d_short_mm=vein.d_short_mm,
        taper=0.98,
        long_axis=vein.long_axis,
        fillet_mm=min(vein.fillet_mm, 3.5),
        branches=tuple(branches),
    )


def _roof(rng: Random) -> VeinShape:
    direction = unit(np.array([rng.uniform(-0.45, -0.05), rng.uniform(0.0, 0.35), 1.0]))
    d_long, d_short = CALIBRES["extra-1"].draw(rng)
    return VeinShape(
        name="extra-1",
        exit=_tuple(unit(np.array([rng.uniform(-0.35, -0.1), rng.uniform(0.1, 0.3), 1.0]))),
        direction=_tuple(direction),
        end_direction=_tuple(_bent(rng, direction, 8.0)),
        length_mm=float(rng.uniform(18.0, 28.0)),
        d_long_mm=d_long,
        d_short_mm=d_short,
        taper=_normal(rng, 0.9, 0.05, 0.8, 1.0),
        long_axis=(1.0, 0.0, 0.0),
        fillet_mm=float(rng.uniform(1.0, 3.0)),
    )


def _four(rng: Random, body: BodyShape) -> list[VeinShape]:
    return _left_pair(rng, body) + _right_pair(rng, body)


def _early(rng: Random, body: BodyShape) -> list[VeinShape]:
    veins = _four(rng, body)
    # The right inferior vein has the shortest neck (Cronin 2007), so it is drawn most.
    chosen = int(rng.choice(4, p=[0.15, 0.15, 0.2, 0.5]))
    veins[chosen] = _branched_early(rng, veins[chosen])
    return veins


def _inferior(rng: Random, body: BodyShape) -> list[VeinShape]:
    left, right = _left_pair(rng, body)[0], _right_pair(rng, body)[0]
    return [left, right, _inferior_common(rng, body)]


VeinSet = Callable[[Random, BodyShape], list[VeinShape]]

VEIN_SETS: Mapping[str, VeinSet] = MappingProxyType(
    {
        "four": _four,
        "left_common_long": lambda rng, body: [
            _common(rng, body, True, float(rng.uniform(13.0, 19.0))),
            *_right_pair(rng, body),
        ],
        "left_common_short": lambda rng, body: [
            _common(rng, body, True, float(rng.uniform(2.5, 4.5))),
            *_right_pair(rng, body),
        ],
        "right_common": lambda rng, body: [
            *_left_pair(rng, body),
            _common(rng, body, False, float(rng.uniform(12.0, 17.0))),
        ],
        "right_middle": lambda rng, body: [*_left_pair(rng, body), *_right_pair(rng, body, 1)],
        "two_middle": lambda rng, body: [*_left_pair(rng, body), *_right_pair(rng, body, 2)],
        "roof": lambda rng, body: [*_four(rng, body), _roof(rng)],
        "early_branch": _early,
        "inferior_common": _inferior,
    }
)
"""How the veins of every variant are drawn."""


def _appendage(rng: Random, body: BodyShape) -> AppendageShape:
    rx, ry, rz = body.semi_axes_mm
    q = np.array(
        [
            _normal(rng, 0.72, 0.06, 0.55, 0.9) * rx,
            -_normal(rng, 0.66, 0.06, 0.5, 0.85) * ry,
            _normal(rng, 0.36, 0.08, 0.15, 0.55) * rz,
        ]
    )
    start = unit(
        np.array([rng.uniform(0.45, 0.75), -rng.uniform(0.55, 0.8), rng.uniform(0.1, 0.5)])
    )
    end = unit(np.array([rng.uniform(-0.1, 0.45), -rng.uniform(0.6, 0.9), rng.uniform(-0.7, 0.05)]))
    neck = _normal(rng, 15.0, 2.0, 11.0, 20.0)
    neck_short = neck * float(rng.uniform(0.62, 0.85))
    widest = neck * float(rng.uniform(1.05, 1.35))
    widest_short = neck_short * float(rng.uniform(1.0, 1.25))
    length = _normal(rng, 33.0, 5.0, 24.0, 46.0)
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
        exit=_tuple(unit(q)),
        direction=_tuple(start),
        end_direction=_tuple(end),
        length_mm=length,
        neck_mm=(neck, neck_short),
        middle_mm=(widest, widest_short),
        tip_mm=(float(rng.uniform(6.0, 10.0)), float(rng.uniform(5.0, 7.5))),
        long_axis=_tuple(unit(np.array([0.3, 0.2, 1.0]) + 0.25 * rng.normal(size=3))),
        fillet_mm=float(rng.uniform(2.0, 4.0)),
        lobes=tuple(lobes),
    )


def _mitral(rng: Random) -> MitralShape:
    normal = unit(
        np.array(
            [
                _normal(rng, 0.36, 0.07, 0.2, 0.5),
                -_normal(rng, 0.64, 0.07, 0.5, 0.8),
                -_normal(rng, 0.68, 0.07, 0.5, 0.85),
            ]
        )
    )
    d_long = _normal(rng, 36.0, 3.0, 29.0, 43.0)
    return MitralShape(
        normal=_tuple(normal),
        offset=(_normal(rng, 1.0, 1.5, -3.0, 4.0), _normal(rng, -1.0, 1.5, -4.0, 3.0), 0.0),
        d_long_mm=d_long,
        d_short_mm=d_long * float(rng.uniform(0.78, 0.95)),
        funnel_mm=float(rng.uniform(-5.0, 1.0)),
        flare=float(rng.uniform(0.0, 0.10)),
        fillet_mm=float(rng.uniform(4.0, 9.0)),
        long_axis=_tuple(unit(np.array([1.0, 0.5, 0.0]) + 0.15 * rng.normal(size=3))),
    )


def _neighbours(rng: Random) -> NeighbourShape:
    return NeighbourShape(
        phrenic_gap_mm=float(np.clip(math.exp(rng.normal(math.log(8.0), 0.5)), 2.0, 20.0)),
        phrenic_along_mm=float(rng.uniform(5.0, 16.0)),
        phrenic_angle_deg=float(rng.uniform(15.0, 75.0)),
        oesophagus_x_mm=_normal(rng, 8.0, 7.0, -10.0, 20.0),
        oesophagus_radius_mm=float(rng.uniform(5.5, 8.0)),
        oesophagus_gap_mm=float(rng.uniform(2.5, 5.0)),
        septal_crossing=_tuple(
            unit(np.array([-0.8, rng.uniform(-0.5, -0.15), rng.uniform(-0.5, -0.2)]))
        ),
        septum_radius_mm=float(rng.uniform(8.0, 12.0)),
        septum_thickness_mm=float(rng.uniform(2.0, 3.5)),
    )


def _drawn(rng: Random, variant: str, seed: int) -> AtriumShape | None:
    body = _body(rng)
    if body is None:
        return None
    return AtriumShape(
        body=body,
        veins=tuple(VEIN_SETS[variant](rng, body)),
        appendage=_appendage(rng, body),
        mitral=_mitral(rng),
        neighbours=_neighbours(rng),
        carina_mm=float(rng.uniform(1.0, 2.5)),
        variant=variant,
        seed=seed,
    )
