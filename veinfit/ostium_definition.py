"""What the definition of an ostium leaves to numbers: one set for the detector and for the truth.

Detector and truth share no code; they read the definition at the same scale, or they would speak of
two places.
"""

from __future__ import annotations

SMOOTHING_MM = 0.8
"""Standard deviation of the smoothing at which a profile is read: about an edge of a mesh."""

PLATEAU_MM = 3.0
"""The turn has ended where over this length of wall ..."""

PLATEAU_DEG = 1.0
"""... the angle grows by less than this: the noise of a smoothed voxel surface."""

BULGE_MM = 8.0
"""A turn that is undone within this length of wall ..."""

BULGE_SHARE = 0.25
"""... down to this share of it, before a greater turn, is a bulge and no ostium."""

LEAST_TURN_DEG = 10.0
"""A wall that turns less than this has no ostium in that direction."""

STRAY_SHARE = 0.25
"""A contour that lies outside the half-turn points by this share of their mean radius ..."""

STRAY_MM = 1.0
"""... and this much more has run into a neighbour or into the body."""
