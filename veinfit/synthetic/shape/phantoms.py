"""Simple phantoms with closed-form answers, as atrium shapes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.synthetic.shape.shape import AtriumShape, BodyShape, MitralShape, Vector, VeinShape


@dataclass(frozen=True, slots=True)
class TubePhantom:
    """A straight round tube that leaves a sphere along a radius.

    Attributes
    ----------
    direction : (3,)
        From the sphere's centre.
    radius_mm : float
    length_mm : float
        Its flat end lies this far outside the sphere's surface.
    fillet_mm : float
        Radius of the rounding between tube and sphere; 0 is a sharp edge.
    name : str
    """

    direction: Vector
    radius_mm: float
    length_mm: float
    fillet_mm: float = 0.0
    name: str = ""


def sphere_with_tubes(
    radius_mm: float,
    tubes: Sequence[TubePhantom],
    centre: Vector = (0.0, 0.0, 0.0),
    mitral: MitralShape | None = None,
) -> AtriumShape:
    """Return the shape of a sphere with straight round tubes, exact up to their fillets.

    Parameters
    ----------
    radius_mm : float
        Radius of the sphere.
    tubes : sequence of TubePhantom
        Tubes without a name are called ``T1``, ``T2``, ...
    centre : (3,)
    mitral : MitralShape or None
        An opening, if one is wanted.

    Notes
    -----
    With a and b the distances to sphere and tube, a fillet of radius r is the curve
    (r − a)² + (r − b)² = r². On a flat wall that is a quarter of a circle.
    """
    return AtriumShape(
        body=BodyShape(semi_axes_mm=(radius_mm, radius_mm, radius_mm), exponent=2.0),
        veins=tuple(_vein(tube, k) for k, tube in enumerate(tubes)),
        mitral=mitral,
        carina_mm=0.0,
        centre=centre,
    )


def _vein(tube: TubePhantom, index: int) -> VeinShape:
    long_axis = tuple(float(c) for c in np.eye(3)[int(np.argmin(np.abs(tube.direction)))])
    return VeinShape(
        name=tube.name or f"T{index + 1}",
        exit=tube.direction,
        direction=tube.direction,
        end_direction=tube.direction,
        length_mm=tube.length_mm,
        d_long_mm=2.0 * tube.radius_mm,
        d_short_mm=2.0 * tube.radius_mm,
        taper=1.0,
        long_axis=(long_axis[0], long_axis[1], long_axis[2]),
        fillet_mm=tube.fillet_mm,
    )
