"""Anybody's wall and opening, on which a balloon can be seated without a whole anatomy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.model import Anatomy, Centreline, Contour, Ostium, Vein
from veinfit.surface import Surface
from veinfit.surface.contours import contour_centroid, measure_contour, section_around
from veinfit.surface.foreign import as_surface
from veinfit.surface.mesh import face_middles, face_vectors
from veinfit.surface.openings import boundary_loops, loop_plane
from veinfit.vectors import FloatArray, unit

STEP_MM = 1.0
"""Distance between the points of a centreline that nobody gave."""

NEAR_DIAMETERS = 1.0
"""Faces so near to the opening tell on which side of the wall the blood is."""

NO_ERROR_MM = 0.0
"""An opening that is given has no error of its own."""


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """A wall with one opening into a tube: what a seat needs to know of a vein.

    Whatever else ends the wall, past the opening's own tube, counts as atrium.

    Parameters
    ----------
    wall : Surface, mesh of trimesh or pyvista, or pair of arrays
        The wall, LPS mm: open where the tube ends and where the atrium goes on. Faces are
        turned, all together, so that normals point out of the blood.
    contour : (N, 3) array
        The opening: a closed curve on the wall, roughly in a plane, mm.
    axis : (3,) array
        Direction of the tube, from the atrium into it; any length.
    lumen : Surface or the like, optional
        Closed surface of the blood: how far a balloon can be backed off. The wall where not
        given.
    centreline : (K, 3) array, optional
        Of the tube, from the opening on, mm; straight along the axis where not given.
    name : str
        As it is written on the fits.

    Raises
    ------
    TypeError, ValueError
        Something is of another type or shape; the message says what was expected.

    See Also
    --------
    Opening.cut : where the opening is known by a point and a direction alone.

    Examples
    --------
    A sharp round hole of 18 mm in a plate, with a tube below it:

    >>> import trimesh
    >>> profile = [[9, -20], [9, 0], [40, 0]]
    >>> wall = trimesh.creation.revolve(profile, sections=48)
    >>> Opening.cut(wall, centre=[0, 0, -0.01], axis=[0, 0, -1])
    Opening(vein: 18.0 x 18.0 mm, wall of 192 faces)
    """

    wall: Surface
    contour: FloatArray
    axis: FloatArray
    lumen: Surface | None = None
    centreline: FloatArray | None = None
    name: str = "vein"

    def __post_init__(self) -> None:
        def put(name: str, value: Any) -> None:
            object.__setattr__(self, name, value)

        put("axis", unit(_points(self.axis, "axis", (3,))))
        put("contour", _points(self.contour, "contour", (None, 3)))
        if len(self.contour) < 3:
            raise ValueError(f"contour: expected 3 points or more; got {len(self.contour)}")
        if self.centreline is not None:
            put("centreline", _points(self.centreline, "centreline", (None, 3)))
        if not isinstance(self.name, str):
            raise TypeError(f"name: expected a str; got a {type(self.name).__name__}")
        put("wall", self._outward(as_surface(self.wall, "wall")))
        if self.lumen is not None:
            put("lumen", as_surface(self.lumen, "lumen"))

    def __repr__(self) -> str:
        size = measure_contour(self.contour, self.normal)
        return (
            f"Opening({self.name}: {size.d_max_mm:.1f} x {size.d_min_mm:.1f} mm, "
            f"wall of {len(self.wall.faces)} faces)"
        )

    @classmethod
    def cut(
        cls,
        wall: Any,
        centre: Any,
        axis: Any,
        *,
        normal: Any = None,
        lumen: Any = None,
        centreline: Any = None,
        name: str = "vein",
    ) -> Opening:
        """Return the opening that a plane cuts out of a wall.

        Parameters
        ----------
        wall, axis, lumen, centreline, name
            As for :class:`Opening`.
        centre : (3,) array
            A point of the plane inside the opening, mm.
        normal : (3,) array, optional
            Of the plane, into the tube; the axis where not given.

        Returns
        -------
        Opening

        Raises
        ------
        ValueError
            No closed cut of the wall surrounds ``centre`` in this plane.
        """
        surface = as_surface(wall, "wall")
        direction = unit(_points(axis if normal is None else normal, "normal", (3,)))
        point = _points(centre, "centre", (3,))
        found = section_around(surface, point, direction)
        if found is None:
            raise ValueError(
                "the plane through centre cuts no closed curve around it out of the wall; move "
                "centre into the opening, or pass the contour itself"
            )
        return cls(surface, found.points, axis, lumen, centreline, name)

    @property
    def normal(self) -> FloatArray:
        """Unit normal (3,) of the plane of the opening, into the tube."""
        normal = loop_plane(self.contour)[1]
        return normal if normal @ self.axis > 0.0 else -normal

    @property
    def centre(self) -> FloatArray:
        """Centroid (3,) of the opening, mm."""
        return contour_centroid(self.contour, self.normal)

    def anatomy(self) -> Anatomy:
        """Return an anatomy with this one vein, for the stages that take one.

        Raises
        ------
        ValueError
            The wall has no end of the tube, and the tube no length.
        """
        centre, normal = self.centre, self.normal
        loops = boundary_loops(self.wall)
        depths = [float(((self.wall.points[rim] - centre) @ self.axis).mean()) for rim in loops]
        own = [i for i, depth in enumerate(depths) if depth > 0.0]
        distal = max(own, key=depths.__getitem__, default=None)
        length = (
            depths[distal]
            if distal is not None
            else float(((self.wall.points - centre) @ self.axis).max())
        )
        if length <= 0.0:
            raise ValueError(
                "no wall lies past the opening along axis, which points from the atrium into the "
                "tube"
            )
        line = self.centreline
        if line is None:
            line = centre + np.arange(0.0, length + STEP_MM, STEP_MM)[:, None] * self.axis
        along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
        measures = measure_contour(self.contour, normal)
        ostium = Ostium(
            centre, normal, Contour(self.contour), measures, self.contour, 0.0, NO_ERROR_MM, 1.0,
            kind="set_by_hand",
        )  # fmt: skip
        vein = Vein(
            name=self.name,
            name_confidence=1.0,
            ostium=ostium,
            centreline=Centreline(line, along),
            sections=(),
            axis=self.axis,
            axis_length_mm=float(along[-1]),
            takeoff_wall_deg=None,
            takeoff_frontal_deg=0.0,
            takeoff_transverse_deg=0.0,
            trunk_length_mm=float(along[-1]),
            trunk_at_least=distal is not None,
            end_rims=() if distal is None else (loops[distal],),
        )
        atrial = [rim for i, rim in enumerate(loops) if i != distal]
        mitral = (
            MitralOpening(self.wall.points[atrial[0]].mean(axis=0), -self.axis, atrial[0], 1.0)
            if atrial
            else None
        )
        radius = 0.5 * measures.d_area_mm
        return Anatomy(
            lumen=self.lumen or self.wall,
            wall=self.wall,
            body_centre=centre - 2.0 * radius * self.axis,
            body_radius_mm=2.0 * radius,
            volume_ml=float("nan"),
            veins=(vein,),
            appendage=None,
            mitral=mitral,
            ridges=(),
            notes=(),
        )

    def _outward(self, wall: Surface) -> Surface:
        """Return the wall with normals out of the blood, as the tube's own faces tell."""
        offset = face_middles(wall) - self.centre
        aside = offset - (offset @ self.axis)[:, None] * self.axis
        reach = NEAR_DIAMETERS * measure_contour(self.contour, self.normal).d_max_mm
        near = np.linalg.norm(offset, axis=1) <= reach
        if not near.any():
            near = np.ones(len(offset), dtype=bool)
        outward = np.einsum("ij,ij->", face_vectors(wall)[near], aside[near])
        return wall if outward >= 0.0 else Surface(wall.points, wall.faces[:, ::-1])


def _points(value: Any, name: str, shape: tuple[int | None, ...]) -> FloatArray:
    """Return an array of finite numbers of a shape, in which None stands for any length."""
    told = "(" + ", ".join("N" if n is None else str(n) for n in shape) + ("," * (len(shape) == 1))
    try:
        array = np.array(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise TypeError(f"{name}: expected numbers of shape {told}); got {value!r}") from error
    fits = array.ndim == len(shape) and all(
        n in (None, m) for n, m in zip(shape, array.shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{name}: expected shape {told}); got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name}: all numbers must be finite")
    array.setflags(write=False)
    return array
