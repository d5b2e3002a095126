"""An invented atrium: what is built from its shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from veinfit.labels import LabelVolume
from veinfit.surface.mesh import Surface, enclosed_volume
from veinfit.synthetic.shape.shape import AtriumShape, Vector
from veinfit.synthetic.truth.survey import survey_opening, survey_veins
from veinfit.synthetic.truth.truth import AtriumTruth
from veinfit.synthetic.wall import surfaces
from veinfit.synthetic.wall.assembly import implicit
from veinfit.synthetic.wall.chamber import chamber_volume_ml
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import Ends
from veinfit.synthetic.wall.neighbours import Neighbours, find_neighbours
from veinfit.synthetic.wall.voxels import label_map_text, label_volume

VOLUME_GRIDS = (1.2, 2.0)
"""Spacings, mm, of the two grids from whose contours the volume is worked out."""


@dataclass(frozen=True, eq=False)
class SyntheticAtrium:
    """An invented left atrium, LPS mm.

    Attributes
    ----------
    shape : AtriumShape
        The parameters it was built from.
    """

    shape: AtriumShape

    @cached_property
    def implicit(self) -> Implicit:
        """The implicit function: negative in the blood, zero on the wall."""
        return implicit(self.shape)

    @cached_property
    def working(self) -> Implicit:
        """What surfaces and truth are worked out from: samples where the walls are uneven."""
        uneven = self.shape.waves is not None
        return surfaces.with_samples(self.implicit) if uneven else self.implicit

    def open_surface(self, edge_mm: float = 1.0, even: bool = True) -> Surface:
        """Return the wall with vein ends and mitral opening cut off.

        Parameters
        ----------
        edge_mm : float
            Mean edge length of the triangles, mm.
        even : bool
            False leaves triangles as they are contoured and cut.

        Returns
        -------
        Surface
        """
        return surfaces.cut_surface(self.working, edge_mm, None, even)[0]

    def closed_surface(
        self,
        edge_mm: float = 1.0,
        vein_ends: Ends = "flat",
        mitral_dome_mm: float = 0.0,
        even: bool = True,
    ) -> Surface:
        """Return the closed surface of the blood.

        Parameters
        ----------
        edge_mm : float
            Mean edge length of the triangles, mm.
        vein_ends : {'flat', 'rounded'}
        mitral_dome_mm : float
            Height of the lid over the mitral opening; 0 is flat.
        even : bool
            False leaves triangles as they are contoured and cut.

        Returns
        -------
        Surface
        """
        rounded: Ends | None = "rounded" if vein_ends == "rounded" else None
        surface, loops = surfaces.cut_surface(self.working, edge_mm, rounded, even)
        return surfaces.closed_by_lids(self.working, surface, loops, edge_mm, mitral_dome_mm)

    def label_volume(
        self,
        spacing_mm: Vector = (0.5, 0.5, 0.7),
        rotation_deg: Vector = (0.0, 0.0, 0.0),
        multi_label: bool = True,
        neighbours: Sequence[str] = (),
        margin_mm: float = 5.0,
    ) -> LabelVolume:
        """Return a label volume: a voxel is blood where its centre is.

        Parameters
        ----------
        spacing_mm : (3,)
            Voxel edges along the index axes.
        rotation_deg : (about x, about y, about z)
            Turn of the index axes, which point left, posterior and superior without it.
        multi_label : bool
            Each vein and the appendage carry a value of their own; else all blood is 1.
        neighbours : sequence of str
            Any of ``septum``, ``oesophagus`` and ``right_phrenic_nerve`` to be labelled too.
        margin_mm : float
            Least room around the atrium.

        Returns
        -------
        LabelVolume
        """
        return label_volume(
            self.shape,
            self.implicit,
            self.neighbours if neighbours else None,
            tuple(neighbours),
            spacing_mm,
            rotation_deg,
            multi_label,
            margin_mm,
        )

    def label_map_text(self, multi_label: bool = True, neighbours: Sequence[str] = ()) -> str:
        """Return the label map (TOML) that goes with :meth:`label_volume`.

        Parameters
        ----------
        multi_label : bool
        neighbours : sequence of str
            As given to it.

        Returns
        -------
        str
        """
        return label_map_text(self.shape, multi_label, tuple(neighbours))

    @cached_property
    def neighbours(self) -> Neighbours:
        """Phrenic nerve, oesophagus and septum.

        Raises
        ------
        ValueError
            The shape has none.
        """
        if self.shape.neighbours is None:
            raise ValueError("this shape has no neighbours")
        return find_neighbours(self.shape.neighbours, self.implicit)

    @cached_property
    def truth(self) -> AtriumTruth:
        """What is true of it, from the implicit function alone; takes some seconds."""
        field = self.working
        longer = field.longer(2.0)
        appendage, funnel = field.appendage, field.funnel
        return AtriumTruth(
            veins=survey_veins(self.shape, field),
            appendage=survey_opening(field, appendage, 0.0) if appendage else None,
            mitral=survey_opening(longer, funnel, 1.0) if funnel else None,
            body_centre=field.body.centre,
            volume_ml=self.volume_ml,
        )

    @cached_property
    def chamber_volume_ml(self) -> float:
        """Volume of the blood between the ostia, without veins and appendage, mL.

        An easy atrium's is that of its bare body and mitral funnel.
        """
        field = self.working
        if field.samples is None:
            return chamber_volume_ml(field)
        low, high = surfaces.bounds(self.implicit, 2.0)
        step = VOLUME_GRIDS[0]
        axes = [np.arange(a, b, step) for a, b in zip(low, high, strict=True)]
        points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        points = points[field.value(points) < 0.0]
        if field.funnel is not None:
            points = points[field.beyond_mitral(points) < 0.0]
        tubes, chamber, appendage = self.implicit.alone(points)
        nearest = np.array([tube.name for tube in field.tubes])[tubes.argmin(axis=1)]
        outside = appendage < np.minimum(chamber, tubes.min(axis=1))
        for vein in self.truth.veins:
            past = (points - vein.ostium.centre) @ vein.ostium.normal > 0.0
            outside |= past & np.isin(
                nearest, [vein.name, *vein.branches, *self._trunk_of(vein.name)]
            )
        return int((~outside).sum()) * step**3 / 1000.0

    def _trunk_of(self, name: str) -> tuple[str, ...]:
        """Tubes that a vein named ``name`` shares or goes on in."""
        return tuple(
            tube
            for vein in self.shape.veins
            for names in [(vein.name, *(branch.name for branch in vein.branches))]
            if name in names
            for tube in names
        )

    @cached_property
    def volume_ml(self) -> float:
        """Volume of the blood between the cut ends, mL."""
        # Chords cut a share off the volume that goes with the square of the spacing:
        # two spacings give the limit.
        fine, coarse = VOLUME_GRIDS
        if self.working.samples is None:
            parts = [surfaces.contoured(self.implicit, step) for step in (fine, coarse)]
        else:
            parts = [self.closed_surface(step, even=False) for step in (fine, coarse)]
        v = [enclosed_volume(part) for part in parts]
        return (v[0] + (v[0] - v[1]) / ((coarse / fine) ** 2 - 1.0)) / 1000.0


def build(shape: AtriumShape) -> SyntheticAtrium:
    """Build the atrium of ``shape``; nothing is worked out before it is asked for.

    Parameters
    ----------
    shape : AtriumShape

    Returns
    -------
    SyntheticAtrium
    """
    return SyntheticAtrium(shape)
