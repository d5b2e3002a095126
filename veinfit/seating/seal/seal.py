"""Whether a seated balloon parts vein from atrium, and where it does not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.frames import clock_hours, side_words
from veinfit.notes import Note
from veinfit.seating.balloon import Balloon
from veinfit.seating.kinds import Approach
from veinfit.seating.mechanics.shape import Shape, gaps_mm
from veinfit.seating.model import Leak
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal.gap import GapField
from veinfit.seating.seal.missing_wall import in_play, separation
from veinfit.seating.seal.orifice import CutGraph, Line, least_open_line
from veinfit.seating.seal.parting import Folded
from veinfit.seating.seal.paths import (
    WIDE_MM,
    WidestPath,
    connected_to,
    of_nodes,
    widest_path,
    widest_widths,
)
from veinfit.seating.seal.straighten import straightened_area
from veinfit.surface.mesh import any_corner
from veinfit.vectors import BoolArray, FloatArray, IntArray, distinct, unit

LEAST_LEAK_MM2 = 1e-3
"""Parts of the line around a vein that are open over less than this are no leak of their own."""


@dataclass(frozen=True, slots=True, eq=False)
class Seal:
    """What the gap field says about the path from vein to atrium.

    Attributes
    ----------
    occluded, sealed : bool
        A closed line of contact, of cold contact, parts them.
    leak_width_mm : float
        The gap that the widest path keeps; 0 where it is pressed shut.
    narrowest : int
        The node of the patch where it is narrowest; -1 where there is no path.
    open_to_atrium : (V,) bool array
        Vertices without cold contact that lie open to the atrium.
    """

    occluded: bool
    sealed: bool
    leak_width_mm: float
    narrowest: int
    open_to_atrium: BoolArray


def find_seal(patch: WallPatch, field: GapField, tolerance_mm: float) -> Seal:
    """Follow the widest path from a vein's ends to the atrium past a balloon.

    Parameters
    ----------
    patch : WallPatch
    field : GapField
    tolerance_mm : float
        A gap up to this counts as contact.
    """
    count = patch.node_count
    # What is far from the balloon is open whatever is asked: it is folded away first.
    near = of_nodes(field.gap_mm, count) <= max(WIDE_MM, tolerance_mm)
    fold = Folded.of(patch.links, near)
    links = np.stack([fold.low, fold.high], axis=1)
    vein, atrium = (distinct(fold.node[ends]) for ends in (patch.vein_nodes, patch.atrium_nodes))
    gap, warm = (np.full(fold.nodes, np.inf) for _ in range(2))
    gap[fold.pieces :] = field.gap_mm[fold.own]
    warm[fold.pieces :] = field.warm_open_mm[fold.own]
    widths, narrowest = widest_widths(links, gap[None], vein, atrium, (tolerance_mm,))
    own = np.concatenate([np.full(fold.pieces, -1), fold.own, [-1]])
    width, narrow = float(widths[0]), int(own[narrowest[0]])
    if width == np.inf:
        widths, narrowest = widest_widths(
            patch.links,
            of_nodes(field.gap_mm, count)[None],
            patch.vein_nodes,
            patch.atrium_nodes,
            (WIDE_MM,),
        )
        width, narrow = float(widths[0]), int(narrowest[0])
    from_atrium = connected_to(links, warm > 0.0, atrium)
    return Seal(
        occluded=width <= tolerance_mm,
        sealed=not from_atrium[vein].any(),
        leak_width_mm=max(width, 0.0),
        narrowest=narrow,
        open_to_atrium=from_atrium[fold.node[: len(field.gap_mm)]],
    )


def lies_elsewhere(
    patch: WallPatch, field: GapField, shape: Shape, centre: FloatArray, shaft: FloatArray
) -> bool:
    """Tell whether a balloon touches wall far from the ostium, such as one opposite."""
    touched = any_corner(patch.surface.faces, field.contact)
    if (touched & ~patch.near).any():
        return True
    return bool((gaps_mm(shape, patch.rest.points - centre, shaft)[0] < 0.0).any())


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether what a seat closes can be told, whatever the missing wall is.

    Attributes
    ----------
    occluded, sealed : bool
        Whether missing wall cannot change that it occludes, or seals, or does not.
    missing : tuple of str
        The missing wall that the balloon can touch.
    """

    occluded: bool
    sealed: bool
    missing: tuple[str, ...]


def verdict(patch: WallPatch, field: GapField) -> Verdict:
    """Form the verdict with missing wall wholly open and wholly closed; see ``separation``."""
    past, open_mm = field.past_missing_mm, field.open_mm
    played = in_play(patch.missing, open_mm, past)
    if not any(played):
        return Verdict(True, True, ())
    occluded = separation(patch, field.contact, open_mm, past)
    sealed = separation(patch, field.warm_open_mm <= 0.0, open_mm, past)
    names = [wall.name for wall, near in zip(patch.missing, played, strict=True) if near]
    return Verdict(occluded.known, sealed.known, tuple(dict.fromkeys(names)))


def why_not_assessed(seal: Seal, said: Verdict) -> str:
    """Return why the wall at hand does not allow a verdict; empty where it does."""
    if seal.narrowest < 0:
        return "the wall does not join the vein with the atrium"
    if not (said.occluded and said.sealed):
        return f"missing wall decides whether the vein is sealed: {joined(said.missing)}"
    if not np.isfinite(seal.leak_width_mm):
        return "no wall near the balloon separates the vein from the atrium"
    return ""


def missing_notes(patch: WallPatch, said: Verdict, who: str) -> tuple[Note, ...]:
    """Tell which missing wall the balloon can touch without a change of the verdict."""
    if not said.missing:
        return ()
    text = (
        f"{who}: wall is missing where the balloon can touch it ({joined(said.missing)}); "
        "whether it is taken as open or as closed, the seal stays the same"
    )
    return (Note("seating", text, patch.vein),)


def joined(names: tuple[str, ...]) -> str:
    """Join names to one phrase: a, b and c."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def find_leaks(
    patch: WallPatch,
    graph: CutGraph,
    field: GapField,
    tolerance_mm: float,
    balloon: Balloon,
    approach: Approach,
) -> tuple[Leak, ...]:
    """Return every separate leak of a balloon that does not occlude, widest first.

    The line of least open area around the vein is open in one or more stretches
    between contact; each is a leak. Its width is that of the widest path through
    it alone. Where no line within the patch parts the two, all round is one leak
    without an area.
    """
    line = least_open_line(graph, field.gap_mm, tolerance_mm)
    if line is None:
        path = widest_path(
            patch.links,
            of_nodes(field.gap_mm, patch.node_count),
            patch.vein_nodes,
            patch.atrium_nodes,
        )
        on_patch = 0 <= path.narrowest < len(patch.surface.points)
        return (_leak(patch, path, 360.0, None, 1, balloon, approach),) if on_patch else ()
    found = []
    stretches = _stretches(line, field)
    on_line = [np.unique(line.edges[stretch]) for stretch in stretches]
    clearance = of_nodes(field.gap_mm, patch.node_count)
    for stretch, own in zip(stretches, on_line, strict=True):
        others = np.setdiff1d(np.unique(line.edges[line.open_area_mm2 > 0.0]), own)
        blocked = clearance.copy()
        blocked[others[field.open_mm[others] > 0.0]] = -np.inf
        path = widest_path(patch.links, blocked, patch.vein_nodes, patch.atrium_nodes)
        if path.narrowest < 0 or path.narrowest >= len(patch.surface.points):
            continue
        arc = _arc_deg(patch, field, line.edges[stretch])
        area = straightened_area(patch, line.edges[stretch], field.gap_mm, tolerance_mm)
        along_edges = float(line.open_area_mm2[stretch].sum())
        found.append((path, arc, along_edges if area is None else min(area, along_edges)))
    found.sort(key=lambda item: -item[0].width)
    return tuple(
        _leak(patch, path, arc, area, number, balloon, approach)
        for number, (path, arc, area) in enumerate(found, start=1)
    )


def leak_place(patch: WallPatch, node: int) -> tuple[FloatArray, float, str]:
    """Position (3,), clock hour and words of a vertex as seen from the ostial centre."""
    position = patch.surface.points[node]
    offset = position - patch.centre
    across = offset - (offset @ patch.axis) * patch.axis
    return position, float(clock_hours(across, patch.axis)), side_words(unit(across))


def _leak(
    patch: WallPatch,
    path: WidestPath,
    arc_deg: float,
    area_mm2: float | None,
    number: int,
    balloon: Balloon,
    approach: Approach,
) -> Leak:
    position, hour, words = leak_place(patch, path.narrowest)
    x, y, z = (float(value) for value in position)
    return Leak(
        vein=patch.vein,
        balloon=balloon.name,
        approach=approach,
        leak=number,
        width_mm=path.width,
        arc_deg=arc_deg,
        area_mm2=area_mm2,
        clock_h=hour,
        side=words,
        x_mm=x,
        y_mm=y,
        z_mm=z,
    )


def _stretches(line: Line, field: GapField) -> list[IntArray]:
    """Group the open edges of a line into stretches that meet in open vertices."""
    is_open = np.flatnonzero(line.open_area_mm2 > 0.0)
    if not len(is_open):
        return []
    ends = line.edges[is_open]
    vertices, index = np.unique(ends, return_inverse=True)
    index = index.reshape(-1, 2)
    open_vertex = field.open_mm[vertices] > 0.0
    # Each edge is a node too, joined with its open ends.
    n = len(vertices)
    rows, columns = np.nonzero(open_vertex[index])
    graph = sparse.csr_matrix(
        (np.ones(len(rows)), (n + rows, index[rows, columns])), shape=(n + len(ends),) * 2
    )
    _, label = csgraph.connected_components(graph, directed=False)
    groups = [is_open[label[n:] == value] for value in np.unique(label[n:])]
    return [group for group in groups if line.open_area_mm2[group].sum() >= LEAST_LEAK_MM2]


def _arc_deg(patch: WallPatch, field: GapField, ends: IntArray) -> float:
    """Angle about the axis that the open part of some edges (K, 2) covers, degrees."""
    gap = field.open_mm[ends]
    points = patch.surface.points[ends]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = gap[:, 0] / (gap[:, 0] - gap[:, 1])
    begin = np.where(gap[:, 0] > 0.0, 0.0, crossing)[:, None]
    end = np.where(gap[:, 1] > 0.0, 1.0, crossing)[:, None]
    along = points[:, 1] - points[:, 0]
    first = clock_hours(points[:, 0] + begin * along - patch.centre, patch.axis) * 30.0
    second = clock_hours(points[:, 0] + end * along - patch.centre, patch.axis) * 30.0
    turn = np.mod(second - first + 180.0, 360.0) - 180.0
    low = np.mod(np.minimum(first, first + turn), 360.0)
    return _covered(low, low + np.abs(turn))


def _covered(low: FloatArray, high: FloatArray) -> float:
    """Length of the union of intervals of angles, on a circle of 360 degrees."""
    wraps = high > 360.0
    starts = np.r_[low, np.zeros(int(wraps.sum()))]
    stops = np.r_[np.minimum(high, 360.0), high[wraps] - 360.0]
    order = np.argsort(starts)
    total, reached = 0.0, 0.0
    for start, stop in zip(starts[order], stops[order], strict=True):
        total += max(stop - max(start, reached), 0.0)
        reached = max(reached, float(stop))
    return float(total)
