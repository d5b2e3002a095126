"""Ostia in the middle of those on walls that differ by less than any image tells.

Half turns hang on a few places of the wall, and on where a walk along the vein begins. Where the
wall turns softly, another mesh of the same heart moves them by millimetres. So a vein whose ostium
is not sure is walked again on walls perturbed smoothly, along paths perturbed too, and its ostium
is moved to the middle of all, on its own wall. Chosen on the four hearts of which
``tests/benchmarks/same_heart.py`` tells the figures in tests/README.md, two warped shapes of each,
and 222 veins of drawn atria. More walls than four hardly steady it; walls alone or paths alone do
less; the sure ostia of drawn atria lie farther off in such a middle and so stay.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from veinfit.anatomy.branches.inscribed import InscribedSpheres, path_costs
from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.anatomy.branches.model import Branches
from veinfit.anatomy.branches.paths import perturbed_paths
from veinfit.anatomy.candidates import Candidate, parted, single_candidate
from veinfit.anatomy.fewer_faces import with_faces
from veinfit.anatomy.model import Contour, Ostium
from veinfit.settings import AnatomySettings
from veinfit.surface import Surface
from veinfit.surface.contours import contour_centroid, measure_contour, passes, section_around
from veinfit.surface.own_frame import own_frame
from veinfit.vectors import FloatArray, unit

SURE_MM, LOOSE_MM = 4.0, 6.0
"""An ostium of a bound up to the first stays; between the two it is moved by a growing share."""

WALLS = 4
"""So many walls beside the one that is given."""

FACES = 12_000
"""They have about so many faces at most: edges of about 1.5 mm."""

WALL_MM = 0.2
WALL_SCALE_MM = 3.0
"""Points of a wall are moved by this (SD an axis), alike within about so much."""

PATH_SHARE = 0.4
PATH_SCALE_MM = 5.0
"""What a step of a path costs is multiplied by e to a number of this SD, alike within so much."""

WAVES = 24
"""A random field is the sum of so many plane waves."""

NEAR_MM = 1.0
"""Of places nearer to the middle than this the mean counts, of farther ones the median."""

MIDDLE_ROUNDS = 50

BACK_SHARES = (0.0, 0.25, 0.5, 0.75)
"""Where the plane in the middle cuts more than the vein it is drawn back by these shares."""

WIDER_SHARE = 1.2
"""A contour of more than so many times the area of the widest of all holds more than the vein."""


def in_the_middle(
    lumen: Lumen,
    spheres: InscribedSpheres,
    branches: Branches,
    candidates: Sequence[Candidate],
    veins: Mapping[str, int],
    settings: AnatomySettings,
    only: Collection[str] | None = None,
) -> tuple[Candidate, ...]:
    """Move the ostia of single veins to the middle of those on perturbed walls.

    Parameters
    ----------
    lumen : Lumen
        In which the candidates were walked.
    spheres : InscribedSpheres
        Of that lumen.
    branches : Branches
    candidates : sequence of Candidate
    veins : mapping of str to int
        Which of them are veins, by name.
    settings : AnatomySettings
    only : collection of str, optional
        Names of the veins whose ostia may be moved; by default all.

    Returns
    -------
    tuple of Candidate
        Those moved hold what was found on the perturbed walls.
    """
    singles = [
        k
        for name, k in veins.items()
        if (only is None or name in only)
        and (ostium := candidates[k].ostium) is not None
        and len(candidates[k].members) == 1
        and middle_share(ostium) > 0.0
    ]
    if not singles:
        return tuple(candidates)
    found: dict[int, list[Candidate]] = {k: [] for k in singles}
    for other, with_paths in _perturbed(lumen, spheres, branches, candidates, singles):
        again = list(candidates)
        for k in singles:
            member, border = candidates[k].members[0], candidates[k].border
            again[k] = single_candidate(
                other, with_paths, member, settings, border, about_leaning=False
            )
        on_wall, _ = parted(other, with_paths, again, veins, settings, about_leaning=False)
        for k in singles:
            tube, own = on_wall[k].tube, candidates[k].tube
            if on_wall[k].ostium is not None and tube is not None and own is not None:
                # The perturbed walls take much memory: what is measured is measured on its own.
                found[k].append(replace(on_wall[k], tube=replace(tube, wall=own.wall)))
    result = list(candidates)
    for k in singles:
        rivals = [
            branches.branches[m].path
            for other in veins.values()
            if other != k
            for m in candidates[other].members
        ]
        result[k] = _moved(candidates[k], found[k], rivals)
    return tuple(result)


def middle_share(ostium: Ostium) -> float:
    """Return how much what perturbed walls tell counts for an ostium, 0 to 1: by its bound."""
    return float(np.clip((ostium.error_mm - SURE_MM) / (LOOSE_MM - SURE_MM), 0.0, 1.0))


def middle_of(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the place (3,) in the middle of (N, 3) points, and how much each counts, (N,).

    Their geometric median, with distances softened by ``NEAR_MM``: one that lies far from the
    others pulls no more than one that lies near.
    """
    middle = points.mean(axis=0)
    weights = np.full(len(points), 1.0 / len(points))
    for _ in range(MIDDLE_ROUNDS):
        away = ((points - middle) ** 2).sum(axis=1)
        weights = 1.0 / np.sqrt(away + NEAR_MM**2)
        weights /= weights.sum()
        middle = weights @ points
    return middle, weights


def _perturbed(
    lumen: Lumen,
    spheres: InscribedSpheres,
    branches: Branches,
    candidates: Sequence[Candidate],
    singles: Sequence[int],
) -> Iterator[tuple[Lumen, Branches]]:
    """Yield perturbed walls, and the branches with perturbed paths into the single veins.

    The same heart, turned, is perturbed alike.
    """
    coarse = with_faces(lumen, FACES)
    surface = coarse.wall.surface
    centre, axes = own_frame(lumen.wall.surface)
    on_wall, inside = ((p - centre) @ axes.T for p in (surface.points, spheres.points))
    members = {candidates[k].members[0] for k in singles}
    costs = path_costs(spheres)
    for number in range(WALLS):
        rng = np.random.default_rng(number + 1)
        moved = WALL_MM * _fields(on_wall, WALL_SCALE_MM, rng, 3)
        wall = Wall(Surface(surface.points + moved @ axes, surface.faces), coarse.wall.is_cap)
        dearer = np.exp(PATH_SHARE * _fields(inside, PATH_SCALE_MM, rng, 1)[:, 0])
        paths = perturbed_paths(branches.paths, spheres, costs, dearer)
        others = tuple(
            replace(b, path=paths.to_cell(paths.nearest_cell(b.path[-1]))) if m in members else b
            for m, b in enumerate(branches.branches)
        )
        yield replace(coarse, wall=wall), replace(branches, branches=others, paths=paths)


def _fields(
    points: FloatArray, scale_mm: float, rng: np.random.Generator, count: int
) -> FloatArray:
    """Return smooth random fields of SD 1 at (N, 3) points, (N, count)."""
    waves = rng.normal(0.0, 1.0 / scale_mm, (WAVES, 3))
    begin = rng.uniform(0.0, 2.0 * np.pi, WAVES)
    heights = rng.normal(0.0, np.sqrt(2.0 / WAVES), (WAVES, count))
    # Half of the digits are plenty for what is random, in half of the time.
    phases = (points @ waves.T + begin).astype(np.float32)
    return np.asarray(np.cos(phases) @ heights)


def _moved(
    candidate: Candidate, others: Sequence[Candidate], rivals: Sequence[FloatArray]
) -> Candidate:
    """Return a candidate whose ostium lies in the middle of its own and those of ``others``.

    What lies farther off than its bound is another place, as where branches come in.
    """
    own, tube = candidate.ostium, candidate.tube
    assert own is not None and tube is not None
    near = [
        c
        for c in others
        if c.ostium is not None and np.linalg.norm(c.ostium.centre - own.centre) <= own.error_mm
    ]
    ostia = [own, *(c.ostium for c in near if c.ostium is not None)]
    middle, weights = middle_of(np.array([each.centre for each in ostia]))
    share = middle_share(own)
    centre = own.centre + share * (middle - own.centre)
    normal = unit(weights @ np.array([each.normal for each in ostia]))
    normal = unit((1.0 - share) * own.normal + share * normal)
    taken = _paths_through(own, rivals)
    most_mm2 = WIDER_SHARE * max(each.measures.area_mm2 for each in ostia)
    for back in BACK_SHARES:
        at = centre + back * (own.centre - centre)
        square = unit((1.0 - back) * normal + back * own.normal)
        contour = section_around(tube.wall.surface, at, square)
        if contour is None or bool(tube.wall.is_cap[contour.faces].any()):
            continue
        ostium = replace(
            own,
            centre=contour_centroid(contour.points, square),
            normal=square,
            contour=Contour(contour.points),
            measures=measure_contour(contour.points, square),
        )
        if ostium.measures.area_mm2 <= most_mm2 and _paths_through(ostium, rivals) <= taken:
            return replace(candidate, ostium=ostium, perturbed=tuple(near))
    return candidate


def _paths_through(ostium: Ostium, paths: Sequence[FloatArray]) -> set[int]:
    """Which of some paths, (N, 3) each, pass through an ostium."""
    plane = ostium.contour.points, ostium.centre, ostium.normal
    return {k for k, path in enumerate(paths) if passes(path, *plane)}
