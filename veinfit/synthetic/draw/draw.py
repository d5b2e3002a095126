"""Drawing diverse, plausible atria from a seed.

The spreads follow published series only loosely: where a series gives ostial
diameters, those of the trunks are set lower by about what the flare adds.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from veinfit.synthetic.draw.draw_chamber import (
    draw_appendage,
    draw_body,
    draw_mitral,
    draw_neighbours,
)
from veinfit.synthetic.draw.random_draws import as_vector
from veinfit.synthetic.draw.vein_sets import CARINA_MM_RANGES, VEIN_SETS
from veinfit.synthetic.shape.shape import AtriumShape
from veinfit.synthetic.truth.carina import carina_mm
from veinfit.synthetic.wall.assembly import implicit
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.soundness import is_sound

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

SCANNER_OFFSET_MM = 60.0
"""The body's centre lies up to this far off the scanner's origin along each axis."""

ATTEMPTS = 400
"""Draws of one seed before giving up; about every other one is sound."""


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

    Raises
    ------
    ValueError
        There is no such variant.
    RuntimeError
        Every draw of the seed was unsound.
    """
    if variant is not None and variant not in VARIANT_SHARES:
        raise ValueError(f"unknown variant {variant!r}; there are {', '.join(VARIANTS)}")
    if variant is None:
        first = np.random.default_rng([seed])
        shares = np.array(list(VARIANT_SHARES.values()))
        variant = str(first.choice(list(VARIANTS), p=shares / shares.sum()))
    for attempt in range(ATTEMPTS):
        shape = _drawn(seed, variant, attempt)
        if shape is None:
            continue
        field = implicit(shape)
        if _fits_variant(shape, field) and is_sound(shape, field):
            return shape
    raise RuntimeError(f"no sound {variant} atrium in {ATTEMPTS} draws of seed {seed}")


def _drawn(seed: int, variant: str, attempt: int) -> AtriumShape | None:
    # A stream for each part: a change to how one part is drawn leaves the others alone.
    source = np.random.default_rng([seed, VARIANTS.index(variant), attempt])
    for_body, for_veins, for_appendage, for_mitral, for_neighbours, for_rest = source.spawn(6)
    body = draw_body(for_body)
    if body is None:
        return None
    offset = for_rest.uniform(-SCANNER_OFFSET_MM, SCANNER_OFFSET_MM, size=3)
    return AtriumShape(
        body=body,
        veins=tuple(VEIN_SETS[variant](for_veins, body)),
        appendage=draw_appendage(for_appendage, body),
        mitral=draw_mitral(for_mitral),
        neighbours=draw_neighbours(for_neighbours),
        carina_mm=float(for_rest.uniform(1.0, 2.5)),
        centre=as_vector(offset),
        variant=variant,
        seed=seed,
    )


def _fits_variant(shape: AtriumShape, field: Implicit) -> bool:
    """Tell whether the trunk is as long as the variant's name says."""
    if shape.variant not in CARINA_MM_RANGES:
        return True
    low, high = CARINA_MM_RANGES[shape.variant]
    trunks = [vein for vein in shape.veins if vein.branches]
    return all(low <= carina_mm(field, vein) <= high for vein in trunks)
