"""Two manners of drawing an atrium: like a patient's, and kinder.

An easy atrium is a barrel with tubes: neighbours apart, walls that turn sharply. A real one is
flatter and wavy, its veins are funnels that leave the wall aslant, neighbours may touch, and what
is seen of them is short. What a style draws is what is not asked for as a measure.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from veinfit.synthetic.draw.draw_chamber import draw_appendage, draw_body, draw_mitral
from veinfit.synthetic.draw.draw_veins import draw_fillet, place_pair
from veinfit.synthetic.draw.random_draws import as_vector, bent, truncated_normal
from veinfit.synthetic.draw.truncated import TruncatedDistribution
from veinfit.synthetic.shape.shape import (
    AppendageShape,
    BodyShape,
    MitralShape,
    VeinShape,
    WaveShape,
)
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.soundness import EASY_LIMITS, REAL_LIMITS, Limits
from veinfit.synthetic.wall.surfaces import ROUGH_SAMPLES_MM, with_samples
from veinfit.vectors import FloatArray, unit

FLARE_SHARE = 0.55
"""By how much of the fillet's radius an ostium is wider than its trunk, to begin with:
2 (1 − √½) = 0.59 where a flat wall and a straight vein are square to each other."""

GREATEST_FILLET_SHARE = 0.35
"""The fillet's radius is at most this share of an easy ostium's short diameter."""

LEAST_DIAMETER_MM = 3.0
"""No trunk is thinner, and no branch: a vein whose branches would be is drawn without them, as
segmentations have it."""

CUT_MM_RANGE = (18.0, 30.0)
"""Easy veins are cut off about so far from the ostium (common practice, no source), or where they
would branch if a branch would hardly be seen."""

WAVE_MM_RANGE = (9.0, 30.0)
"""Lengths of the waves of a real atrium's walls."""

OSTIUM_SHARE = 0.35
"""A real ostium lies about so far from the proper vein toward the mouth, to begin with: as a
share of the difference of their diameters."""

EXPONENT = (1.7, 2.15)
"""Of a real body's superellipsoid: it tapers toward its edges, where the veins leave."""

MOUTH_OVALITY = 1.12
"""A mouth is so much more oval than the ostium, to begin with."""

PAIR_Z = (0.08, 0.12)
"""How much higher it leaves than an easy one, as a share of the body's height: mean, SD."""

PAIR_Y = {True: (0.52, 0.25), False: (0.52, 0.25)}
"""How far behind the body's middle a real pair of veins leaves, as a share of its depth: mean, SD;
left and right."""


@dataclass(frozen=True)
class EasyStyle:
    """How an easy atrium is drawn."""

    limits: Limits = EASY_LIMITS
    corrections: int = 2
    """Times that a shape is measured and corrected ..."""
    volume_rounds: int = 3
    """... and that its body is scaled."""
    body_share: float = 1.0
    """What the bare body has of the chamber's volume: antra have the rest."""
    least_branch_mm: float = 9.0
    """A branch is seen for at least this far; a trunk that would leave it less is cut before."""

    def surveyed(self, field: Implicit) -> Implicit:
        """Return the function that a shape is measured from to be corrected."""
        return field

    def body(self, rng: Generator) -> BodyShape | None:
        """Draw the body before it is scaled to its volume; None where it came out odd."""
        return draw_body(rng)

    def waves(self, rng: Generator) -> WaveShape | None:
        """Draw the unevenness of the walls."""
        del rng
        return None

    def appendage(self, rng: Generator, body: BodyShape) -> AppendageShape:
        """Draw the appendage."""
        return draw_appendage(rng, body)

    def mitral(self, rng: Generator) -> MitralShape:
        """Draw the mitral opening."""
        return draw_mitral(rng)

    def gap_mm(self, rng: Generator, left: bool) -> float:
        """Draw what lies between the tubes of two neighbours."""
        return truncated_normal(rng, 4.5 if left else 5.8, 1.4, 2.2, 9.0)

    def pair(
        self, rng: Generator, body: BodyShape, left: bool, sizes: tuple[float, float], gap: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Draw where two neighbours leave: upper, lower and the middle of the gap."""
        return place_pair(rng, body, left, sizes[0], sizes[1], gap)

    def vein(
        self,
        rng: Generator,
        frame: tuple[str, FloatArray, FloatArray, FloatArray],
        size: tuple[float, float],
    ) -> tuple[VeinShape, float]:
        """Draw a vein whose ostium will measure about ``size``, long by short.

        Parameters
        ----------
        frame : (name, exit, direction, long axis)

        Returns
        -------
        vein : VeinShape
            As if it were cut right at the ostium.
        cut_mm : float
            How far from the ostium it is cut.
        """
        name, exit_point, direction, long_axis = frame
        long, short = size
        fillet = min(draw_fillet(rng), GREATEST_FILLET_SHARE * short)
        cut = float(rng.uniform(*CUT_MM_RANGE))
        end = bent(rng, direction)
        twist = truncated_normal(rng, 0.0, 15.0, -40.0, 40.0)
        vein = VeinShape(
            name=name,
            exit=as_vector(unit(exit_point)),
            direction=as_vector(direction),
            end_direction=as_vector(end),
            length_mm=fillet,
            d_long_mm=max(long - FLARE_SHARE * fillet, LEAST_DIAMETER_MM),
            d_short_mm=max(short - FLARE_SHARE * fillet, LEAST_DIAMETER_MM),
            taper=truncated_normal(rng, 0.92, 0.05, 0.78, 1.05),
            long_axis=as_vector(long_axis),
            twist_deg=twist,
            fillet_mm=fillet,
        )
        return vein, cut


@dataclass(frozen=True)
class RealStyle(EasyStyle):
    """How an atrium like a patient's is drawn; ``distributions`` are of the table ``shape``."""

    distributions: Mapping[str, TruncatedDistribution] = dataclasses.field(default_factory=dict)
    limits: Limits = REAL_LIMITS
    corrections: int = 1
    volume_rounds: int = 1
    body_share: float = 0.74
    least_branch_mm: float = 5.0

    def _draw(self, rng: Generator, name: str) -> float:
        return self.distributions[name].quantile(float(rng.uniform()))

    def surveyed(self, field: Implicit) -> Implicit:
        """Return rough samples of the function."""
        return with_samples(field, ROUGH_SAMPLES_MM)

    def body(self, rng: Generator) -> BodyShape | None:
        """Draw a flat body, broader toward the roof."""
        body = draw_body(rng)
        if body is None:
            return None
        breadth, depth = self._draw(rng, "body_breadth"), self._draw(rng, "body_depth")
        height = 1.0 / (breadth * depth)
        size = float(np.prod(body.semi_axes_mm)) ** (1.0 / 3.0)
        return dataclasses.replace(
            body,
            semi_axes_mm=(breadth * size, depth * size, height * size),
            exponent=float(rng.uniform(*EXPONENT)),
            egg=float(rng.uniform(0.0, 0.22)),
        )

    def waves(self, rng: Generator) -> WaveShape | None:
        """Draw the unevenness of the walls."""
        rms = self._draw(rng, "wave_mm")
        return WaveShape(rms, WAVE_MM_RANGE, int(rng.integers(2**31)))

    def appendage(self, rng: Generator, body: BodyShape) -> AppendageShape:
        """Draw an appendage beside the left superior vein that points forward and up or down."""
        drawn = draw_appendage(rng, body)
        x, y, z = drawn.exit
        end = (rng.uniform(0.1, 0.6), -rng.uniform(0.6, 0.9), rng.uniform(-0.45, 0.4))
        return dataclasses.replace(
            drawn,
            exit=as_vector(unit(np.array([0.94 * x, 1.05 * y, z + rng.uniform(-0.38, 0.0)]))),
            end_direction=as_vector(unit(np.array(end))),
            length_mm=drawn.length_mm * float(rng.uniform(0.6, 1.0)),
            fillet_mm=float(rng.uniform(3.0, 9.0)),
        )

    def mitral(self, rng: Generator) -> MitralShape:
        """Draw a mitral opening that suits a flat body."""
        drawn = draw_mitral(rng)
        x, y, z = drawn.normal
        share = float(rng.uniform(0.78, 0.92))
        return dataclasses.replace(
            drawn,
            normal=as_vector(unit(np.array([x, 0.75 * y, 1.15 * z]))),
            d_long_mm=share * drawn.d_long_mm,
            d_short_mm=share * drawn.d_short_mm,
            funnel_mm=drawn.funnel_mm - 1.0,
        )

    def gap_mm(self, rng: Generator, left: bool) -> float:
        """Draw what lies between two neighbours' veins where they leave."""
        del left
        return self._draw(rng, "gap_mm")

    def pair(
        self, rng: Generator, body: BodyShape, left: bool, sizes: tuple[float, float], gap: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Draw where two neighbours leave: more or less behind the body's edge."""
        mean, sd = PAIR_Y[left]
        _, ry, rz = body.semi_axes_mm
        back = ry * (truncated_normal(rng, mean, sd, -0.2, 0.9) - 0.24)
        shift = np.array([0.0, back, rz * truncated_normal(rng, *PAIR_Z, -0.15, 0.35)])
        upper, lower, join = place_pair(rng, body, left, sizes[0], sizes[1], gap)
        return upper + shift, lower + shift, join + shift

    def vein(
        self,
        rng: Generator,
        frame: tuple[str, FloatArray, FloatArray, FloatArray],
        size: tuple[float, float],
    ) -> tuple[VeinShape, float]:
        """Draw a funnel that runs into a rounder vein (see :meth:`EasyStyle.vein`)."""
        name, exit_point, direction, long_axis = frame
        long, short = size
        fillet = self._draw(rng, "lip_mm")
        wide = self._draw(rng, "mouth_ratio")
        inside, outside = self._draw(rng, "funnel_inside_mm"), self._draw(rng, "funnel_outside_mm")
        rounder = min(self._draw(rng, "vein_ovality"), long / short)
        cut = self._draw(rng, "seen_mm")
        proper = math.sqrt(long * short) / (1.0 + OSTIUM_SHARE * (wide - 1.0))
        oval = math.sqrt(MOUTH_OVALITY * (long / short) / rounder)
        vein = VeinShape(
            name=name,
            exit=as_vector(unit(exit_point)),
            direction=as_vector(direction),
            end_direction=as_vector(bent(rng, direction)),
            length_mm=outside,
            d_long_mm=max(proper * math.sqrt(rounder), LEAST_DIAMETER_MM),
            d_short_mm=max(proper / math.sqrt(rounder), LEAST_DIAMETER_MM),
            taper=truncated_normal(rng, 0.92, 0.05, 0.78, 1.05),
            long_axis=as_vector(long_axis),
            twist_deg=truncated_normal(rng, 0.0, 15.0, -40.0, 40.0),
            fillet_mm=min(fillet, 1.2 * short),
            funnel_mm=(inside, outside),
            mouth=(wide * oval, wide / oval),
        )
        return vein, cut
