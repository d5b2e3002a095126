"""Whether the anatomy fits the stated frame better than its axes turned, mirrored or exchanged.

Two things tell: how well the veins, the appendage and the mitral side fit the template of a left
atrium, and that the atrium is flat from front to back.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches.inscribed import InscribedSpheres
from veinfit.frames import Frame
from veinfit.notes import Note
from veinfit.vectors import FloatArray, unit

REFUSED_MARGIN = 6.0
"""The frame is refused when another fits better by this (log odds); below it a warning stands
first. Of 102 warped real atria that nothing was fitted to none came nearer in its right frame than
4.0, and of 24 drawn ones none than -2.4; six real atria, read in all 47 other frames, were refused
in 43 to 46, and a warning told of the others."""

UNSETTLED_MARGIN = -2.0
"""... and is not settled from here on."""

DOUBTED_NAME_CONFIDENCE = 0.5
"""No name is surer than this where another frame fits better, or a mirrored one about as well."""

MIRRORED_COST, EXCHANGED_COST = 1.0, 2.0
"""Frames are not stated wrongly in every way alike: LPS and RAS are mistaken for each other, and a
scene may stand on its head. An axis that is mirrored alone is rarer, a scene that lies on its side,
its axes exchanged, rarer still (log odds; both add up; common practice, no source)."""

REFINED_WITHIN = 25.0
"""Turning the template to the candidates lowers a misfit by up to 22 (eight atria in all 48
frames): a frame whose misfit without that is higher by more than this is not looked at again."""

CORE_SHARE = 0.7
"""The body's core are the cells whose sphere has this share of the largest radius."""

FLAT_SPREAD_DEG = 25.0
"""Standard deviation of the angle between the front-back axis and that along which the core is
thinnest: 7 to 19 degrees in four samples and six real atria of open sources."""

FLAT_SHARE = 0.9
"""A core this round, thinnest spread over the next, has no flat side; at half of it a clear one."""

MOST_FLAT_MISFIT = 3.0
"""The flat side counts for no more than this: a dilated atrium may be round."""

Axes = tuple[int, int, int]
"""Which axis of the input, 1 to 3 with its sign, each of x, y and z would be."""

STATED: Axes = (1, 2, 3)
HALF_TURN: Axes = (-1, -2, 3)
"""Left is right and front is back, as between LPS and RAS."""

MIRRORED_LEFT_RIGHT: Axes = (-1, 2, 3)

ALL_AXES: tuple[Axes, ...] = tuple(
    (s * a, t * b, u * c)
    for a, b, c in itertools.permutations((1, 2, 3))
    for s, t, u in itertools.product((1, -1), repeat=3)
)
"""All 48 frames with the same three axes, the stated one first."""

WORDS: Mapping[Axes, str] = {
    HALF_TURN: "rotated by 180 degrees about the head-foot axis",
    (1, -2, -3): "rotated by 180 degrees about the left-right axis",
    (-1, 2, -3): "rotated by 180 degrees about the front-back axis",
    MIRRORED_LEFT_RIGHT: "mirrored left to right",
    (1, -2, 3): "mirrored front to back",
    (1, 2, -3): "mirrored head to foot",
    (-1, -2, -3): "mirrored in all three axes",
}

SIDES = (("left", "right"), ("back", "front"), ("head", "foot"))
"""Where the positive and the negative end of each axis point."""


@dataclass(frozen=True, slots=True, eq=False)
class FlatSide:
    """Along which direction (3,) a body is thinnest, and how clear that is, 0 to 1."""

    thinnest: FloatArray
    clear: float

    def misfit(self, axes: Axes) -> float:
        """Return what the flat side says against a frame (log odds)."""
        across = seen_in(axes, self.thinnest[None])[0, 1]
        off = np.degrees(np.arccos(np.clip(abs(across), 0.0, 1.0))) / FLAT_SPREAD_DEG
        return self.clear * float(min(0.5 * off**2, MOST_FLAT_MISFIT))


def flat_side(spheres: InscribedSpheres) -> FlatSide:
    """Return along which direction the body's core is thinnest."""
    core = spheres.points[spheres.radius_mm >= CORE_SHARE * spheres.radius_mm.max()]
    away = core - core.mean(axis=0)
    squares, axes = np.linalg.eigh(away.T @ away)
    ratio = float(np.sqrt(squares[0] / max(squares[1], 1e-12)))
    clear = float(np.clip(2.0 * (FLAT_SHARE - ratio) / FLAT_SHARE, 0.0, 1.0))
    return FlatSide(unit(axes[:, 0]), clear)


def rarity(axes: Axes) -> float:
    """Return how seldom a file is in such a frame instead of the stated one (log odds)."""
    exchanged = tuple(abs(axis) for axis in axes) != (1, 2, 3)
    mirrored = np.linalg.det(seen_in(axes, np.eye(3))) < 0.0
    return EXCHANGED_COST * exchanged + MIRRORED_COST * bool(mirrored)


@dataclass(frozen=True, slots=True, eq=False)
class StatedFrame:
    """What is said of an input's frame, and what its body says of it.

    Attributes
    ----------
    frame : {'lps', 'ras'}
        Of a mesh.
    from_volume : bool
        The frame comes from the header of a volume.
    trusted : bool
        The reader vouches for it: it is doubted, and not refused.
    flat : FlatSide or None
    """

    frame: Frame = "lps"
    from_volume: bool = False
    trusted: bool = False
    flat: FlatSide | None = None

    def against(self, axes: Axes) -> float:
        """Return what speaks against reading the input with other axes, whatever its veins say.

        The body's flat side, and how seldom a file is written so.
        """
        return rarity(axes) + (0.0 if self.flat is None else self.flat.misfit(axes))


@dataclass(frozen=True, slots=True)
class OtherFrame:
    """The other frame that fits the anatomy best.

    Attributes
    ----------
    axes : Axes
    better_by : float
        Log odds for it against the stated frame; negative is fine.
    """

    axes: Axes
    better_by: float

    @property
    def is_refused(self) -> bool:
        """Whether it contradicts the stated one; a heart may lie mirrored left to right."""
        return self.better_by > REFUSED_MARGIN and self.axes != MIRRORED_LEFT_RIGHT

    @property
    def is_doubted(self) -> bool:
        """Whether it fits better, or about as well."""
        return self.better_by > UNSETTLED_MARGIN

    @property
    def most_confidence(self) -> float:
        """No name is surer than this, as either side may be the left one where it is mirrored."""
        if not self.is_doubted:
            return 1.0
        if self.axes == MIRRORED_LEFT_RIGHT:
            return DOUBTED_NAME_CONFIDENCE
        return max(DOUBTED_NAME_CONFIDENCE, float(1.0 / (1.0 + np.exp(self.better_by))))

    def found(self, frame: Frame) -> str:
        """Say what would have to be done to the input for a left atrium to come of it."""
        if self.axes in WORDS:
            return WORDS[self.axes]
        flips = (1, 1, 1) if frame == "lps" else (-1, -1, 1)
        ends = []
        for file_axis in range(3):
            (side,) = (k for k in range(3) if abs(self.axes[k]) == file_axis + 1)
            sign = int(np.sign(self.axes[side])) * flips[file_axis]
            ends.append(SIDES[side][0 if sign > 0 else 1])
        return f"its x, y and z axes point to the patient's {ends[0]}, {ends[1]} and {ends[2]}"

    def refusal(self, stated: StatedFrame) -> str:
        """Say in one line that the stated frame is wrong, and what to do."""
        frame = "of the volume's header" if stated.from_volume else stated.frame
        return (
            f"the anatomy contradicts the frame {frame}: the veins, the appendage, the mitral side "
            "and the flat side of the body fit a left atrium only when "
            f"{self.found(stated.frame)}; {self._remedy(stated)}, or pass --trust-frame if the "
            "frame is right"
        )

    def _remedy(self, stated: StatedFrame) -> str:
        if stated.from_volume:
            return "correct the orientation in its header"
        if self.axes != HALF_TURN:
            return "check how the file was written, for an axis has the wrong sign or place"
        right = "ras" if stated.frame == "lps" else "lps"
        return f"pass --frame {right} if the file is in {right.upper()}"

    def note(self, stated: StatedFrame) -> Note | None:
        """Return the warning that a doubted frame calls for."""
        if not self.is_doubted:
            return None
        # One sentence without a colon: what prints it puts one before it.
        found = self.found(stated.frame)
        if self.better_by > 0.0:
            better = f"the anatomy fits a left atrium better when {found}"
            if self.is_refused:
                told = (
                    f"the frame stays as it is because --trust-frame was given, although {better}"
                )
            elif self.axes == MIRRORED_LEFT_RIGHT:
                told = f"the frame may be wrong, or the heart lies unusually, for {better}"
            else:
                told = f"the frame may be wrong, for {better}; if it is, {self._remedy(stated)}"
            text = f"{told}; every name, and left and right, are doubtful"
        else:
            text = (
                "the anatomy does not show which frame is right, for it would fit a left atrium "
                f"about as well when {found}; check that left and right, front and back, head and "
                "foot are right"
            )
        return Note("names", text, severity="warning")


def best_other_frame(misfit_in: Callable[[Axes, bool], float], stated: StatedFrame) -> OtherFrame:
    """Return the other frame with the least misfit.

    Parameters
    ----------
    misfit_in : callable
        Returns the misfit of the candidates in a frame; with False as its second argument
        quickly, without turning the template to them, which gives no less.
    stated : StatedFrame
    """
    own = misfit_in(STATED, True) + stated.against(STATED)
    quick = {axes: misfit_in(axes, False) + stated.against(axes) for axes in ALL_AXES[1:]}
    best: OtherFrame | None = None
    for axes in sorted(quick, key=lambda a: quick[a]):
        if best is not None and own - quick[axes] + REFINED_WITHIN < max(
            best.better_by, UNSETTLED_MARGIN
        ):
            break
        better_by = own - misfit_in(axes, True) - stated.against(axes)
        if best is None or better_by > best.better_by:
            best = OtherFrame(axes, better_by)
    assert best is not None
    return best


def seen_in(axes: Axes, vectors: FloatArray) -> FloatArray:
    """Return vectors (N, 3) as they are in another frame."""
    return np.stack([np.sign(axis) * vectors[:, abs(axis) - 1] for axis in axes], axis=1)
