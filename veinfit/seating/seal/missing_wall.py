"""Wall that the input does not have, and whether it could change a verdict.

The wall ends at the cut ends of veins, at an open mitral side and at holes. Nobody knows how
it goes on there. A verdict is therefore formed twice, once with all missing wall that the
balloon can touch wide open and once with it closed by contact, and stands where both agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import side_words
from veinfit.seating.seal.paths import connected_to
from veinfit.surface import Surface
from veinfit.surface.openings import boundary_loops, loop_diameter
from veinfit.surface.part_edges import keep_edges
from veinfit.vectors import BoolArray, FloatArray, IntArray, unit

Kind = Literal["vein", "atrium", "hole"]

CAP_SHARES = np.array([0.0, 0.25, 0.5, 0.75])
"""A flat cap over a rim is looked at at these shares of the path from its middle out."""

RIM_POINTS = 48
"""... toward at most about so many points of the rim."""


ATRIUM_AHEAD_MM = 2.0
"""The wall of the atrium is wide open past its rims: it comes nearer to a balloon beside them by
no more than this, however far the balloon reaches past the opening."""


@dataclass(frozen=True, slots=True, eq=False)
class WallEnd:
    """One rim at which the wall ends.

    Attributes
    ----------
    name : str
        For notes: ``the end of LSPV``, ``the mitral side``, ``a hole of 4 mm on the left
        side``.
    kind : {'vein', 'atrium', 'hole'}
        Whether the rim is an end of the vein that is seated, counts as atrium, or neither.
    rim : (N,) array
        Its vertices on the wall, in order.
    """

    name: str
    kind: Kind
    rim: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class MissingWall:
    """Missing wall that borders on a patch.

    Attributes
    ----------
    name : str
    kind : {'vein', 'atrium', 'hole'}
    rim : (N,) array
        Vertices of the patch along the rim.
    nodes : (M,) array
        All nodes along the rim, those of the rest of the wall included.
    cap : (K, 3) array
        Points of a flat cap over the rim: a balloon that reaches past it can touch what
        is missing.
    """

    name: str
    kind: Kind
    rim: IntArray
    nodes: IntArray
    cap: FloatArray


class WallGraph(Protocol):
    """Nodes of a wall, linked, with the ends that a seal has to part."""

    @property
    def links(self) -> IntArray:
        """Pairs of neighbouring nodes (E, 2)."""
        ...

    @property
    def node_count(self) -> int:
        """How many nodes there are."""
        ...

    @property
    def vein_nodes(self) -> IntArray:
        """Nodes at the vein's ends."""
        ...

    @property
    def atrium_nodes(self) -> IntArray:
        """Nodes of all that counts as atrium."""
        ...

    @property
    def missing(self) -> tuple[MissingWall, ...]:
        """Missing wall along these nodes."""
        ...


@dataclass(frozen=True, slots=True)
class Separation:
    """Whether contact parts vein from atrium, by what the missing wall may be.

    Attributes
    ----------
    if_open, if_closed : bool
        With all missing wall in play wide open, and closed by contact.
    """

    if_open: bool
    if_closed: bool

    @property
    def known(self) -> bool:
        """Whether missing wall cannot change the verdict."""
        return self.if_open == self.if_closed


def in_play(
    missing: Sequence[MissingWall], open_mm: FloatArray, past_mm: FloatArray
) -> tuple[bool, ...]:
    """Tell which missing wall a balloon can touch.

    Its rim is in contact, or would be if the wall went on from it toward the balloon at 45
    degrees for as far as the balloon reaches past the rim; at a rim of the atrium for no more
    than ``ATRIUM_AHEAD_MM``.

    Parameters
    ----------
    missing : sequence of MissingWall
    open_mm : (V,) array
        Gap beyond the tolerance at the vertices.
    past_mm : (M,) array
        How far the balloon reaches past the flat cap of each.
    """
    return tuple(
        bool(_may_close(wall, open_mm, past).any())
        for wall, past in zip(missing, past_mm, strict=True)
    )


def separation(
    graph: WallGraph, closed: BoolArray, open_mm: FloatArray, past_mm: FloatArray
) -> Separation:
    """Tell whether contact parts vein from atrium whatever the missing wall is.

    Wide open, a path may cross it from any point of its rim to any other. Closed, no path
    leaves or enters by a rim where the missing wall could touch the balloon: the contact
    may go on there and part the two. The first can only have more paths than the second.

    Parameters
    ----------
    graph : WallGraph
    closed : (V,) bool array
        The first V nodes that are in contact; all others are open.
    open_mm, past_mm : array
        As of :func:`in_play`, by which parts of a rim could be in contact if wall went on.
    """
    play = in_play(graph.missing, open_mm, past_mm)
    if not any(play):
        parted = _parted(graph.links, _open(graph, closed), graph.vein_nodes, graph.atrium_nodes)
        return Separation(parted, parted)
    if_open = _parted_if_open(graph, closed, play)
    return Separation(if_open, if_open or _parted_if_closed(graph, closed, open_mm, past_mm, play))


def _open(graph: WallGraph, closed: BoolArray) -> BoolArray:
    result = np.ones(graph.node_count, dtype=bool)
    result[: len(closed)] = ~closed
    return result


def _parted_if_open(graph: WallGraph, closed: BoolArray, play: Sequence[bool]) -> bool:
    """Tell whether contact parts vein from atrium with the missing wall in play wide open."""
    links, vein, atrium = [graph.links], [graph.vein_nodes], [graph.atrium_nodes]
    hub = graph.node_count
    for wall, touched in zip(graph.missing, play, strict=True):
        if touched:
            links.append(np.stack([np.full(len(wall.nodes), hub), wall.nodes], axis=1))
            if wall.kind != "hole":
                (vein if wall.kind == "vein" else atrium).append(np.array([hub]))
            hub += 1
    hubs = np.ones(hub - graph.node_count, dtype=bool)
    return _parted(
        np.concatenate(links),
        np.concatenate([_open(graph, closed), hubs]),
        np.concatenate(vein),
        np.concatenate(atrium),
    )


def _parted_if_closed(
    graph: WallGraph,
    closed: BoolArray,
    open_mm: FloatArray,
    past_mm: FloatArray,
    play: Sequence[bool],
) -> bool:
    """Tell whether contact parts vein from atrium with the missing wall in play closed by it."""
    may_close = {"vein": [np.empty(0, dtype=np.int64)], "atrium": [np.empty(0, dtype=np.int64)]}
    for wall, past, touched in zip(graph.missing, past_mm, play, strict=True):
        if touched and wall.kind != "hole":
            may_close[wall.kind].append(wall.rim[_may_close(wall, open_mm, past)])
    return _parted(
        graph.links,
        _open(graph, closed),
        np.setdiff1d(graph.vein_nodes, np.concatenate(may_close["vein"])),
        np.setdiff1d(graph.atrium_nodes, np.concatenate(may_close["atrium"])),
    )


def settled(
    graph: WallGraph, open_mm: FloatArray, past_mm: FloatArray, cold: BoolArray
) -> BoolArray:
    """Tell of which balloons missing wall cannot change what they occlude and seal.

    Parameters
    ----------
    graph : WallGraph
    open_mm : (K, V) array
        Gap of each balloon beyond the tolerance at the vertices.
    past_mm : (K, M) array
        How far each balloon reaches past the flat cap of each rim.
    cold : (K, V) array
        Which vertices are within its freezing zone.

    Returns
    -------
    (K,) array
    """
    known: BoolArray = np.ones(len(open_mm), dtype=bool)
    for number, (gap, past) in enumerate(zip(open_mm, past_mm, strict=True)):
        play = in_play(graph.missing, gap, past)
        if not any(play):
            continue
        contact = gap <= 0.0
        closed = contact & cold[number]
        # Cold contact is part of all contact: what all of it leaves open at best is open, and
        # what the cold part closes at worst is closed.
        if not _parted_if_closed(graph, contact, gap, past, play):
            continue
        if _parted_if_open(graph, closed, play):
            continue
        occludes = _parted_if_open(graph, contact, play)
        known[number] = occludes and not _parted_if_closed(graph, closed, gap, past, play)
    return known


def _may_close(wall: MissingWall, open_mm: FloatArray, past_mm: float) -> BoolArray:
    """Points of a rim where wall that went on could touch the balloon."""
    ahead = min(past_mm, ATRIUM_AHEAD_MM) if wall.kind == "atrium" else past_mm
    return np.asarray(open_mm[wall.rim] <= ahead)


def _parted(links: IntArray, is_open: BoolArray, vein: IntArray, atrium: IntArray) -> bool:
    return not connected_to(links, is_open, atrium)[vein].any()


def wall_before(anatomy: Anatomy, vein: Vein) -> tuple[Surface, IntArray]:
    """Return the wall that a vein's balloons meet, and where the atrium ends on it.

    What the program cut off a closed input is wall again, the lids of the mitral side and
    of other veins; but the vein's own end is left open, for the vein goes on past the image.

    Returns
    -------
    wall : Surface
        Its first vertices are those of ``anatomy.wall``.
    atrium_ends : (N,) array
        The rims of the mitral side and of the other veins; of one that is closed by a lid,
        the lid's vertex farthest from the ostium.
    """
    wall = anatomy.wall
    rims = [rim for other in anatomy.veins if other is not vein for rim in other.end_rims]
    if anatomy.mitral is not None:
        rims.append(anatomy.mitral.rim)
    given = anatomy.given_wall
    if given is None or len(given.faces) == len(wall.faces):
        return wall, _joined(rims)
    lids = given.faces[len(wall.faces) :]
    label = _pieces(lids, len(given.points))
    own = np.unique(label[_joined(list(vein.end_rims))])
    away = np.linalg.norm(given.points - vein.ostium.centre, axis=1)
    ends = []
    for rim in rims:
        piece = label[rim].max(initial=-1)
        if piece < 0 or piece in own:
            ends.append(rim)
            continue
        members = np.flatnonzero(label == piece)
        ends.append(members[[int(np.argmax(away[members]))]])
    kept = ~np.isin(label[lids[:, 0]], own)
    lids = lids[kept]
    used = np.unique(lids)
    added = used[used >= len(wall.points)]
    number = np.arange(len(given.points))
    number[added] = len(wall.points) + np.arange(len(added))
    surface = Surface(
        np.concatenate([wall.points, given.points[added]]),
        np.concatenate([wall.faces, number[lids]]),
    )
    every = np.concatenate([np.ones(len(wall.faces), dtype=bool), kept])
    keep_edges(surface, given, every, number)
    return surface, number[_joined(ends)]


def wall_ends(anatomy: Anatomy, vein: Vein, wall: Surface) -> tuple[WallEnd, ...]:
    """Name the rims of a wall whose first vertices are those of ``anatomy.wall``."""
    known: list[tuple[str, Kind, IntArray]] = []
    for other in anatomy.veins:
        kind: Kind = "vein" if other is vein else "atrium"
        known += [(f"the end of {other.name}", kind, rim) for rim in other.end_rims]
    if anatomy.mitral is not None:
        known.append(("the mitral side", "atrium", anatomy.mitral.rim))
    found = []
    for loop in boundary_loops(wall):
        for name, kind, rim in known:
            if np.isin(rim, loop).any():
                found.append(WallEnd(name, kind, loop))
                break
        else:
            offset = wall.points[loop].mean(axis=0) - vein.ostium.centre
            across = offset - (offset @ vein.axis) * vein.axis
            side = side_words(unit(across))
            name = f"a hole of {loop_diameter(wall, loop):.0f} mm on the {side} side"
            found.append(WallEnd(name, "hole", loop))
    return tuple(found)


def cap_points(rim: FloatArray) -> FloatArray:
    """Points (K, 3) of a flat cap over a rim (N, 3)."""
    middle = rim.mean(axis=0)
    some = rim[:: max(len(rim) // RIM_POINTS, 1)]
    return (middle + CAP_SHARES[:, None, None] * (some - middle)).reshape(-1, 3)


def _pieces(faces: IntArray, count: int) -> IntArray:
    """Return the number (V,) of the piece of faces that each vertex belongs to, -1 for none."""
    pairs = faces[:, [0, 1, 1, 2]].reshape(-1, 2)
    graph = sparse.csr_matrix((np.ones(len(pairs)), tuple(pairs.T)), shape=(count, count))
    _, label = csgraph.connected_components(graph, directed=False)
    used = np.zeros(count, dtype=bool)
    used[faces] = True
    return np.where(used, label, -1)


def _joined(groups: Sequence[IntArray]) -> IntArray:
    return np.unique(np.concatenate([np.empty(0, dtype=np.int64), *groups]))
