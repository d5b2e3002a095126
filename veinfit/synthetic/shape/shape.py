"""The parameters of an invented left atrium: frozen values, LPS mm and degrees.

The body's centre is the origin unless :attr:`AtriumShape.centre` moves it.
Directions are unit vectors in LPS; they are normalised where they are used.
"""

from __future__ import annotations

from dataclasses import dataclass

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class BumpShape:
    """A smooth bulge of the body's wall, or a dent where its height is negative.

    Attributes
    ----------
    direction : (3,)
        From the body's centre to the middle of the bump.
    height_mm : float
        Greatest displacement of the wall, outward positive.
    width_mm : float
        Standard deviation of the Gaussian profile.
    """

    direction: Vector
    height_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class WaveShape:
    """Smooth unevenness of all walls: a sum of plane waves in random directions.

    Attributes
    ----------
    rms_mm : float
        Root mean square of the wall's displacement.
    lengths_mm : (shortest, longest)
        Between these the waves' lengths are drawn, evenly by their logarithm.
    seed : int
        Of the waves' directions, lengths and phases.
    """

    rms_mm: float
    lengths_mm: tuple[float, float]
    seed: int


@dataclass(frozen=True, slots=True)
class BodyShape:
    """The atrial body: a superellipsoid that may be tilted and egg-shaped.

    Attributes
    ----------
    semi_axes_mm : (x, y, z)
        Half the extent left-right, anterior-posterior and head-foot before the tilt.
    exponent : float
        2 is an ellipsoid, larger is boxier.
    egg : float
        Share by which the cross-section grows from the middle to the top
        (negative: to the bottom).
    tilt_deg : (about x, about y, about z)
        Rotation about the patient's axes, applied in this order.
    bumps : tuple of BumpShape
        What makes the wall uneven: neighbours that press on it, bulges.
    """

    semi_axes_mm: Vector = (28.0, 20.0, 26.0)
    exponent: float = 2.5
    egg: float = 0.0
    tilt_deg: Vector = (0.0, 0.0, 0.0)
    bumps: tuple[BumpShape, ...] = ()


@dataclass(frozen=True, slots=True)
class MitralShape:
    """The mitral opening: a short funnel from the body, cut by a plane.

    Attributes
    ----------
    normal : (3,)
        Out of the atrium: anterior-inferior-left.
    offset : (3,)
        A point of the funnel's axis, mm from the body's centre.
    d_long_mm, d_short_mm : float
        Diameters of the funnel at the cut.
    funnel_mm : float
        From where the axis leaves the body to the cut.
    flare : float
        Share by which the funnel is wider at the body than at the cut.
    fillet_mm : float
    long_axis : (3,)
        Direction that the long diameter follows as nearly as it can.
    """

    normal: Vector = (0.35, -0.65, -0.67)
    offset: Vector = (0.0, 0.0, 0.0)
    d_long_mm: float = 36.0
    d_short_mm: float = 31.0
    funnel_mm: float = 3.0
    flare: float = 0.05
    fillet_mm: float = 6.0
    long_axis: Vector = (1.0, 0.5, 0.0)


@dataclass(frozen=True, slots=True)
class BranchShape:
    """A branch at the end of a vein's trunk.

    Attributes
    ----------
    name : str
        A vein's name for the branches of a common trunk, else the trunk's name
        with a letter.
    start_direction, direction : (3,)
        Directions where it starts and at the cut end.
    offset_mm : (along the trunk's long axis, along its short axis)
        Where in the trunk's section the branch starts.
    d_long_mm, d_short_mm : float
        Diameters where the branch starts.
    length_mm : float
        Along its centreline from the end of the trunk to the cut end.
    taper : float
        Diameters at the cut end over those at the start.
    """

    name: str
    start_direction: Vector
    direction: Vector
    offset_mm: tuple[float, float]
    d_long_mm: float
    d_short_mm: float
    length_mm: float
    taper: float = 0.9


@dataclass(frozen=True, slots=True)
class VeinShape:
    """One vein or common trunk: an oval, tapered, curved tube that leaves the body.

    Attributes
    ----------
    name : str
    exit : (3,)
        Direction from the body's centre to where the centreline leaves the body.
    direction : (3,)
        Direction of the centreline where it leaves the body (the take-off).
    end_direction : (3,)
        Direction of the centreline at the cut end.
    length_mm : float
        Length of the centreline from the body to the cut end; of a vein with
        branches to where these start.
    d_long_mm, d_short_mm : float
        Diameters where the centreline leaves the body, or past the funnel if there is one.
    taper : float
        Diameters at the cut end over those at the body.
    long_axis : (3,)
        Direction that the long diameter follows as nearly as it can.
    twist_deg : float
        Turn of the section about the centreline from the body to the cut end.
    fillet_mm : float
        Radius of the rounding between vein and body: 1 is sharp, 10 a funnel. It is
        a circular arc of this radius where vein and wall are square to each other,
        and an elliptical one elsewhere.
    funnel_mm : (inside, outside)
        The vein is a funnel from so far inside the body to so far outside, along the
        centreline; (0, 0) is none.
    mouth : (long, short)
        Diameters at the funnel's inner end over those past it.
    branches : tuple of BranchShape
    """

    name: str
    exit: Vector
    direction: Vector
    end_direction: Vector
    length_mm: float
    d_long_mm: float
    d_short_mm: float
    taper: float = 0.9
    long_axis: Vector = (0.0, 0.0, 1.0)
    twist_deg: float = 0.0
    fillet_mm: float = 4.0
    funnel_mm: tuple[float, float] = (0.0, 0.0)
    mouth: tuple[float, float] = (1.0, 1.0)
    branches: tuple[BranchShape, ...] = ()


@dataclass(frozen=True, slots=True)
class LobeShape:
    """A lobe of the appendage: an ellipsoid beside the appendage's curve.

    Attributes
    ----------
    along : float
        Place on the curve, 0 at the neck and 1 at the tip.
    angle_deg : float
        Direction around the curve, from its long diameter.
    offset_mm : float
        Distance of the lobe's centre from the curve.
    semi_axes_mm : (along the curve, outward, across)
    """

    along: float
    angle_deg: float
    offset_mm: float
    semi_axes_mm: Vector


@dataclass(frozen=True, slots=True)
class AppendageShape:
    """The left atrial appendage: a neck, a curved tube that widens and tapers, lobes.

    Diameters are given at the neck, at the widest place half way, and at the tip.
    """

    exit: Vector = (0.72, -0.62, 0.30)
    direction: Vector = (0.62, -0.70, 0.35)
    end_direction: Vector = (0.25, -0.75, -0.60)
    length_mm: float = 34.0
    neck_mm: tuple[float, float] = (15.0, 11.0)
    middle_mm: tuple[float, float] = (19.0, 13.0)
    tip_mm: tuple[float, float] = (8.0, 6.0)
    long_axis: Vector = (0.0, 0.0, 1.0)
    fillet_mm: float = 3.0
    lobes: tuple[LobeShape, ...] = ()


@dataclass(frozen=True, slots=True)
class NeighbourShape:
    """Where the neighbours run, relative to the atrium.

    Attributes
    ----------
    phrenic_gap_mm : float
        Least distance of the right phrenic nerve's line to the blood of the
        right superior vein.
    phrenic_along_mm : float
        Where along that vein the nerve passes in front of it, from the body.
    oesophagus_x_mm : float
        Sideways place of the oesophagus behind the posterior wall, left positive.
    oesophagus_radius_mm : float
    oesophagus_gap_mm : float
        Least distance between the oesophagus and the blood.
    septal_crossing : (3,)
        Direction from the body's centre to the crossing point on the septum.
    septum_radius_mm : float
    septum_thickness_mm : float
    """

    phrenic_gap_mm: float = 8.0
    phrenic_along_mm: float = 10.0
    oesophagus_x_mm: float = 8.0
    oesophagus_radius_mm: float = 6.5
    oesophagus_gap_mm: float = 3.0
    septal_crossing: Vector = (-0.80, -0.30, -0.35)
    septum_radius_mm: float = 10.0
    septum_thickness_mm: float = 2.5


@dataclass(frozen=True, slots=True)
class AtriumShape:
    """All parameters of one invented left atrium.

    Attributes
    ----------
    carina_mm : float
        Radius of the rounding between neighbouring veins, and in the fork
        between branches.
    waves : WaveShape or None
    centre : (3,)
        Where the body's centre lies in the patient frame, mm.
    """

    body: BodyShape
    veins: tuple[VeinShape, ...]
    appendage: AppendageShape | None = None
    mitral: MitralShape | None = None
    neighbours: NeighbourShape | None = None
    carina_mm: float = 1.5
    waves: WaveShape | None = None
    centre: Vector = (0.0, 0.0, 0.0)
    variant: str = ""
    seed: int | None = None
