"""What the anatomy stages hand on: lumen, veins, ostia, sections, measures.

Immutable values, LPS mm throughout. A value that could not be had is None and
a note says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from veinfit.anatomy.mitral_and_septum import MitralOpening, SeptalCrossing
from veinfit.anatomy.ostium.certainty import Evidence
from veinfit.anatomy.verdict import InputVerdict
from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.surface.contours import ContourMeasures
from veinfit.vectors import FloatArray, IntArray
from veinfit.vein_names import APPENDAGE, MITRAL


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """A closed curve: (N, 3) points in order, the last joined to the first, mm."""

    points: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A cut across a vein at arc length ``s_mm``, perpendicular to the centreline."""

    s_mm: float
    centre: FloatArray
    tangent: FloatArray
    contour: Contour
    measures: ContourMeasures


@dataclass(frozen=True, slots=True, eq=False)
class Centreline:
    """The curve through the section centroids of one vein.

    Attributes
    ----------
    points : (N, 3) array
        From the atrial side of the ostium outward, mm.
    s_mm : (N,) array
        Arc length, 0 at the ostium, positive distal, ascending.
    """

    points: FloatArray
    s_mm: FloatArray


OstiumKind = Literal[
    "half_turn", "half_turn_in_part", "area_gradient", "separation", "label_border", "set_by_hand"
]
"""How an ostium was placed: where the wall has made half of its turn, in most sectors or in part
of them; where the sections widen half as fast as they ever do; where the vein parts from the
atrium and its neighbours; at the border of its label; by a person."""


@dataclass(frozen=True, slots=True, eq=False)
class Ostium:
    """Where the vein's wall has made half of its turn into the atrium's.

    Attributes
    ----------
    centre : (3,) array
        Centroid of the contour in the ostial plane.
    normal : (3,) array
        Unit normal of the plane, into the vein.
    contour : Contour
    measures : ContourMeasures
    half_turn_points : (K, 3) array
        The point of each sector to which the plane was fitted.
    residual_mm : float
        Robust spread of the points about the plane.
    error_mm : float
        95 % bound of the ostium's position error.
    confidence : float
        0 to 1; of an ostium that a person set 1, and the bound is a reader's.
    kind : str
        By which of the definitions it was placed; ``error_mm`` and ``confidence`` are always
        against the half turn all around.
    evidence : Evidence or None
        None where nobody weighed any.
    """

    centre: FloatArray
    normal: FloatArray
    contour: Contour
    measures: ContourMeasures
    half_turn_points: FloatArray
    residual_mm: float
    error_mm: float
    confidence: float
    kind: OstiumKind = "half_turn"
    evidence: Evidence | None = None

    @property
    def by_hand(self) -> bool:
        """Whether a person set it."""
        return self.kind == "set_by_hand"


@dataclass(frozen=True, slots=True, eq=False)
class Vein:
    """One pulmonary vein, or one common trunk, measured.

    Attributes
    ----------
    name : str
        As ``LSPV``.
    name_confidence : float
        Probability that the name is right.
    ostium : Ostium
    centreline : Centreline
    sections : tuple of Section
        From the ostium to the vein's end.
    axis : (3,) array
        Unit vector out of the atrium.
    axis_length_mm : float
        Of the part of the vein to which the axis is fitted.
    takeoff_wall_deg : float or None
        Axis against the outward normal of the wall around the ostium; None where no wall is there.
    takeoff_frontal_deg, takeoff_transverse_deg : float
        Axis in the frontal plane, positive superior; in the transverse one, positive anterior.
    trunk_length_mm : float
        From the ostium to the first branching, or to the cut end.
    trunk_at_least : bool
        The cut end came first: the trunk is at least this long.
    end_rims : tuple of (N,) array
        Vertices of ``Anatomy.wall`` at the cut ends that lie distal in this vein, an array an end.
    branches : tuple of str
        Of a common trunk the veins that it holds.
    notes : tuple of Note
    axis_error_deg : float or None
        95 % bound of the axis's direction.
    found_as : str
        Name under which it was found where a reader gave it another, else empty.

    Examples
    --------
    >>> result.anatomy.vein("LSPV")
    Vein(LSPV: 16.8 x 14.0 mm)
    """

    name: str
    name_confidence: float
    ostium: Ostium
    centreline: Centreline
    sections: tuple[Section, ...]
    axis: FloatArray
    axis_length_mm: float
    takeoff_wall_deg: float | None
    takeoff_frontal_deg: float
    takeoff_transverse_deg: float
    trunk_length_mm: float
    trunk_at_least: bool
    end_rims: tuple[IntArray, ...]
    branches: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    axis_error_deg: float | None = None
    found_as: str = ""

    def __repr__(self) -> str:
        size = self.ostium.measures
        return f"Vein({self.name}: {size.d_max_mm:.1f} x {size.d_min_mm:.1f} mm)"

    @property
    def confidence(self) -> float:
        """The lower of the name's and the ostium's confidence, 0 to 1."""
        return min(self.name_confidence, self.ostium.confidence)


@dataclass(frozen=True, slots=True, eq=False)
class Appendage:
    """The left atrial appendage: its ostial contour and its farthest wall point.

    ``tip_vertex`` indexes ``Anatomy.wall``.
    """

    centre: FloatArray
    normal: FloatArray
    contour: Contour
    tip_vertex: int
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class LabelOstium:
    """A vein's ostium as its label has it: where the label begins.

    Attributes
    ----------
    vein : str
        The label.
    centre, normal : (3,) array
        Of the plane that fits the border best; the normal points into the vein.
    measures : ContourMeasures or None
        Of the wall's contour in that plane; None where it is not the vein's alone.
    distance_mm : float or None
        To the centre of the measured ostium of this vein, or of the trunk that it belongs to.
    """

    vein: str
    centre: FloatArray
    normal: FloatArray
    measures: ContourMeasures | None
    distance_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Ridge:
    """Shortest path over the wall between two neighbouring ostia."""

    start: str
    end: str
    width_mm: float
    path: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class AppliedCorrection:
    """One thing that somebody corrected, with the values before and after.

    Attributes
    ----------
    vein : str
        Its name in the automatic result; of an added vein its new name.
    what : str
        What was done, for the reader of the report.
    who, why : str
    automatic : Vein or None
        As the program found it; None where it had no measured vein there.
    corrected : Vein or None
        As it stands now; None for a vein that was dropped.
    """

    vein: str
    what: str
    who: str
    why: str
    automatic: Vein | None
    corrected: Vein | None


@dataclass(frozen=True, slots=True, eq=False)
class Anatomy:
    """All that the anatomy stages found.

    Attributes
    ----------
    lumen : Surface
        Closed surface of the blood, openings capped.
    wall : Surface
        The wall alone: the surface without caps, cut open at vein ends and at
        the mitral side. Normals point out of the blood.
    body_centre : (3,) array
        Centre of the largest inscribed sphere of the atrial body.
    body_radius_mm : float
        Of that sphere.
    volume_ml : float
        Of the lumen, with the veins as far as they reach.
    veins : tuple of Vein
        In the clinical order: LSPV, LIPV, LCPV, RSPV, RMPV, RIPV, RCPV, ICPV, extra.
    appendage : Appendage or None
    mitral : MitralOpening or None
        None where they were not found.
    ridges : tuple of Ridge
        Between neighbouring ostia, and from the left superior vein to the appendage.
    notes : tuple of Note
        What the stages decided, in their order.
    unmeasured : mapping of str to str
        Veins that were found but could not be measured, each with the reason.
    corrections : tuple of AppliedCorrection
        In the order in which they were given.
    septum : SeptalCrossing or None
        None until a transseptal approach needs it.
    label_ostia : tuple of LabelOstium
        Of each labelled vein, in the clinical order.
    verdict : InputVerdict or None
        What the input is worth; its words are the first of ``notes``.
    given_wall : Surface or None
        The wall and what was cut off it at vein ends and at the mitral side: open only
        where the input was open. Its first vertices and faces are those of ``wall``. None
        where nothing was cut off.
    found_places : mapping of str to (3,) array
        With corrections: centres of ostia, appendage and mitral side as found
        automatically. What is estimated from the whole atrium goes by them, so
        that a correction of one vein moves no other; empty without corrections.

    Examples
    --------
    >>> result.anatomy
    Anatomy(LSPV, LIPV, RSPV, RIPV; 106 ml)
    """

    lumen: Surface
    wall: Surface
    body_centre: FloatArray
    body_radius_mm: float
    volume_ml: float
    veins: tuple[Vein, ...]
    appendage: Appendage | None
    mitral: MitralOpening | None
    ridges: tuple[Ridge, ...]
    notes: tuple[Note, ...]
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    corrections: tuple[AppliedCorrection, ...] = ()
    septum: SeptalCrossing | None = None
    label_ostia: tuple[LabelOstium, ...] = ()
    verdict: InputVerdict | None = None
    given_wall: Surface | None = None
    found_places: Mapping[str, FloatArray] = field(default_factory=dict)

    def __repr__(self) -> str:
        found = ", ".join(vein.name for vein in self.veins) or "no veins"
        return f"Anatomy({found}; {self.volume_ml:.0f} ml)"

    def vein(self, name: str) -> Vein:
        """Return a vein by its name.

        Parameters
        ----------
        name : str
            In any case.

        Returns
        -------
        Vein

        Raises
        ------
        ValueError
            There is none; the message says which there are.
        """
        for one in self.veins:
            if one.name.lower() == name.lower():
                return one
        known = ", ".join(one.name for one in self.veins) or "none"
        raise ValueError(f"there is no vein {name!r}; there are {known}")

    def places(self) -> Mapping[str, FloatArray]:
        """Return centres (3,) of ostia, appendage and mitral side, by name."""
        named = {vein.name: vein.ostium.centre for vein in self.veins}
        for name, one in ((APPENDAGE, self.appendage), (MITRAL, self.mitral)):
            if one is not None:
                named[name] = one.centre
        return named
