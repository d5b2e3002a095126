"""Whether a drawn shape makes an atrium: what runs into what, and where."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label

from veinfit.surface.mesh import edges
from veinfit.synthetic.shape.shape import AtriumShape
from veinfit.synthetic.wall import meshing, surfaces
from veinfit.synthetic.wall.assembly import body_normal
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import FAR_MM, ImplicitTube
from veinfit.vectors import FloatArray, angle_deg, perpendicular_basis


@dataclass(frozen=True)
class Limits:
    """How near to each other the parts of a sound atrium may come.

    Attributes
    ----------
    gap_mm : float
        Blood of two veins keeps at least this far apart.
    gap_over_mm : float
        Over this length before their cut ends; before, they may touch.
    from_body_mm : float
        A vein or appendage that has left the body keeps this far from it.
    clear_mm : float
        From this length on a vein must have left the body, or from its cut end less 2 mm.
    takeoff_deg : float
        Greatest angle between a vein and the body's normal.
    excess_mm : float
        At its cut end and past it the blood reaches no farther than this beyond a vein's own wall.
    """

    gap_mm: float
    gap_over_mm: float
    from_body_mm: float
    clear_mm: float
    takeoff_deg: float
    excess_mm: float


EASY_LIMITS = Limits(1.2, 1e3, 1.5, 12.0, 50.0, 1e3)
"""Veins that part at the body: twice a thin wall between them."""

REAL_LIMITS = Limits(0.8, 2.0, 1.2, 1e3, 75.0, 1.3)
"""Veins that may touch, run along the body and part late, as patients' do."""

CUT_ROOM_MM = surfaces.EXTENSION_EDGES * 1.0
"""A vein ends so far before other blood: until it is cut, at 1 mm edges, it is longer."""

MOUTH_END_MM = 4.0
"""So far from its inner end ..."""

MOUTH_BULGE_MM = 2.5
"""... a funnel's wall reaches no farther out of the body than this."""

END_CLEAR_MM = 2.0
"""Over this length before its cut end a vein must have left the body."""

LEAST_MITRAL_GAP_MM = 4.0
"""Veins keep this far from the mitral funnel."""

MITRAL_GRID_MM = 1.0
"""Spacing of the points at which the mitral plane is looked at."""

BEYOND_MITRAL = (0.0, 2.0, 4.0)
"""Planes, mm beyond it, at which it is looked at: surfaces are cut off a little longer funnels."""

BESIDE_FUNNEL = (0.3, 1.5)
"""Where the mitral plane is crossed, there is no other blood so near, mm, to the funnel's."""

ROUGH_EDGE_MM = 2.2
"""Edge length of the rough surface on which topology is checked."""


def flaws(shape: AtriumShape, field: Implicit, limits: Limits = EASY_LIMITS) -> list[str]:
    """Say what is wrong with a shape; an empty list is a sound one."""
    found = _tube_flaws(field)
    if not found:
        found = [*_gap_flaws(shape, field, limits), *_mitral_flaws(field)]
    if not found:
        found = _topology_flaws(field)
    return found


def is_sound(shape: AtriumShape, field: Implicit, limits: Limits = EASY_LIMITS) -> bool:
    """Whether a shape has no flaws, looked at up to the first one."""
    return not (
        _tube_flaws(field)
        or any(_gap_flaws(shape, field, limits))
        or _mitral_flaws(field)
        or _topology_flaws(field)
    )


def wall_points(tube: ImplicitTube, s_mm: FloatArray, angles: int = 24) -> FloatArray:
    """Points (S, angles, 3) of a tube's own wall at arc lengths (S,)."""
    t = tube.curve.parameter(s_mm)
    centre = tube.curve.position(t)
    along, across = tube.curve.axes(t)
    a, b = tube.semi_axes(t)
    phi = np.linspace(0.0, 2.0 * np.pi, angles, endpoint=False)
    offset_a = (a[:, None] * np.cos(phi))[..., None] * along[:, None]
    offset_b = (b[:, None] * np.sin(phi))[..., None] * across[:, None]
    return np.asarray(centre[:, None] + offset_a + offset_b)


def roots(shape: AtriumShape, field: Implicit) -> list[ImplicitTube]:
    """Return the tubes that leave the body: one a vein, without branches."""
    names = {vein.name for vein in shape.veins}
    return [tube for tube in field.tubes if tube.name in names]


def _tube_flaws(field: Implicit) -> list[str]:
    found = []
    tubes = list(field.tubes) + ([field.appendage] if field.appendage else [])
    for tube in tubes:
        if not tube.curve.frame_is_sound():
            found.append(f"{tube.name}: the long axis runs along the vein")
    return found


def _gap_flaws(shape: AtriumShape, field: Implicit, limits: Limits) -> Iterator[str]:
    family = {
        name: vein.name
        for vein in shape.veins
        for name in (vein.name, *(branch.name for branch in vein.branches))
    }
    for tube in roots(shape, field):
        start = tube.curve.start
        takeoff = float(angle_deg(tube.curve.direction, body_normal(field.body, start)))
        if takeoff > limits.takeoff_deg:
            yield f"{tube.name}: leaves the body at {takeoff:.0f} degrees"
        inner = tube.curve.t_low * tube.curve.length_mm
        rim = wall_points(tube, np.array([inner]))[0]
        bulge = wall_points(tube, np.array([inner + MOUTH_END_MM]))[0]
        pokes = field.body.distance(rim).max() > -0.5
        if pokes or (tube.proper_from and field.body.distance(bulge).max() > MOUTH_BULGE_MM):
            yield f"{tube.name}: its root pokes out of the body"
    if field.funnel is not None:
        rim = wall_points(field.funnel, np.zeros(1))[0]
        if field.body.distance(rim).max() > -0.5:
            yield "MV: the funnel's root pokes out of the body"
    everything = list(field.tubes) + ([field.appendage] if field.appendage else [])
    for tube in everything:
        own = family.get(tube.name, tube.name)
        s = np.arange(0.0, tube.curve.total_mm + 1.0, 1.0)
        points = wall_points(tube, s)
        flat = points.reshape(-1, 3)
        chamber = field.chamber(flat).reshape(len(s), -1)
        outside = chamber > 0.5
        parted = outside & (s > tube.curve.total_mm - limits.gap_over_mm)[:, None]
        if (chamber < limits.from_body_mm)[s >= _clear_mm(tube, field, limits)].any():
            yield f"{tube.name}: runs along the body"
        for k, other in enumerate(field.tubes):
            if family[other.name] == own:
                continue
            gap = field.tubes[k].distance(points[parted])
            if gap.min(initial=np.inf) < limits.gap_mm:
                yield f"{tube.name}: runs into {other.name}"
        if field.appendage is not None and tube is not field.appendage:
            gap = field.appendage_distance(points[parted])
            if gap.min(initial=np.inf) < limits.gap_mm:
                yield f"{tube.name}: runs into the appendage"
        if field.funnel is not None and tube is not field.appendage:
            gap = field.funnel.distance(points[outside])
            past = field.beyond_mitral(flat)
            if gap.min(initial=np.inf) < LEAST_MITRAL_GAP_MM or past.max() > 0:
                yield f"{tube.name}: runs into the mitral funnel"
        if tube is not field.appendage:
            others = [o for o in field.tubes if family[o.name] != own]
            yield from _end_flaws(field, tube, others, limits)
    for vein in shape.veins:
        yield from _branch_flaws(field, [branch.name for branch in vein.branches])


def _end_flaws(
    field: Implicit, tube: ImplicitTube, others: list[ImplicitTube], limits: Limits
) -> list[str]:
    """Tell whether a longer vein would run into other blood: it could not be cut clean."""
    end = tube.curve.total_mm
    beyond = wall_points(tube, np.arange(end, end + CUT_ROOM_MM + 1.0)).reshape(-1, 3)
    gaps = [field.appendage_distance(beyond), *(other.distance(beyond) for other in others)]
    if min(gap.min() for gap in gaps) < limits.gap_mm:
        return [f"{tube.name}: ends close before other blood"]
    if tube.outer == "flat" and limits.excess_mm < FAR_MM:
        longer = dataclasses.replace(field, extension_mm=CUT_ROOM_MM + 2.0)
        if longer.value(beyond).min() < -limits.excess_mm:
            return [f"{tube.name}: ends where it still widens into the wall"]
    return []


def _mitral_flaws(field: Implicit) -> list[str]:
    """Tell whether the mitral plane cuts anything but the funnel, which could not be cut clean."""
    if field.funnel is None:
        return []
    tube = field.funnel.curve
    one = np.ones(1)
    centre, normal = tube.position(one)[0], tube.tangent(one)[0]
    reach = 2.0 * float(field.body.semi_axes.max())
    steps = np.arange(-reach, reach + MITRAL_GRID_MM, MITRAL_GRID_MM)
    e1, e2 = perpendicular_basis(normal)
    plane = centre + (steps[:, None, None] * e1 + steps[None, :, None] * e2).reshape(-1, 3)
    longer = dataclasses.replace(field, extension_mm=max(BEYOND_MITRAL) + 1.0)
    for past in BEYOND_MITRAL:
        points = plane + past * normal
        chamber = longer.chamber(points, BESIDE_FUNNEL[1])
        if label((chamber < 0.0).reshape(len(steps), len(steps)))[1] != 1:
            return ["MV: its plane cuts the chamber in several places"]
        least, most = BESIDE_FUNNEL
        beside = points[(chamber > least) & (chamber < most)]
        if longer.value(beside).min(initial=np.inf) < least:
            return ["a vein or the appendage runs into the mitral funnel"]
    return []


def _clear_mm(tube: ImplicitTube, field: Implicit, limits: Limits) -> float:
    if tube is field.appendage:
        return 0.45 * tube.curve.total_mm
    if tube.outer == "rounded":
        return limits.clear_mm  # a trunk, which its branches go on from
    return min(limits.clear_mm, tube.curve.total_mm - END_CLEAR_MM)


def _branch_flaws(field: Implicit, names: list[str]) -> list[str]:
    branches = [tube for tube in field.tubes if tube.name in names]
    found = []
    for tube in branches:
        end = wall_points(tube, np.array([tube.curve.total_mm]))[0]
        for other in branches:
            if other is not tube and other.distance(end).min() < 2.0:
                found.append(f"{tube.name}: does not part from {other.name}")
    return found


def _topology_flaws(field: Implicit) -> list[str]:
    surface = surfaces.contoured(field, meshing.GRID_SHARE * ROUGH_EDGE_MM)
    pairs, _, counts = edges(surface)
    euler = len(np.unique(surface.faces)) - len(pairs) + len(surface.faces)
    # One closed piece without handles: two veins that touch would make a handle.
    if euler != 2 or (counts != 2).any():
        return [f"the surface is not a sphere with bumps (Euler number {euler})"]
    return []
