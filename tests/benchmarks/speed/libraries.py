"""What a user would reach for instead, stage by stage, and by how much its answer differs."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from benchmarks.speed.clock import timed
from benchmarks.speed.jobs import NOMINAL
from scipy import optimize, sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree
from skimage.morphology import skeletonize

from veinfit import case
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.model import Anatomy
from veinfit.io.inputs.volumes import read_volume
from veinfit.labels import LabelVolume
from veinfit.result.case_result import CaseResult
from veinfit.seating.approach.line import ApproachLine, line_through_ostium
from veinfit.seating.approach.start import find_start
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.minimise import Exit, minimise
from veinfit.seating.prepare import balloon_batch, balloon_contact, prepare
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.cuts import plane_contours
from veinfit.surface.geodesics import path_length, shortest_path
from veinfit.surface.mesh import edges


@dataclass(frozen=True, slots=True)
class Beside:
    """One stage by this program and by a library.

    ``own_s``, ``other_s``: seconds of one piece of work; ``differs``: in words, with units.
    """

    stage: str
    other: str
    own_s: float
    other_s: float
    differs: str


def beside(mesh: Path, volume: Path) -> list[dict[str, Any]]:
    """Every stage beside its library, from a mesh and the label volume of the same atrium."""
    result = case.assess(mesh, settings=Settings.from_mapping(NOMINAL))
    rows = [
        sections(result.anatomy),
        centrelines(result.anatomy, read_volume(volume)),
        geodesic(result.anatomy),
        *seats(result),
    ]
    return [asdict(row) for row in rows]


def sections(anatomy: Anatomy) -> Beside:
    """Plane cuts at every section of every vein, by trimesh."""
    wall = anatomy.wall
    mesh = trimesh.Trimesh(wall.points, wall.faces, process=False)
    planes = [(s.centre, s.tangent) for vein in anatomy.veins for s in vein.sections]

    def others(centre: np.ndarray, normal: np.ndarray) -> float:
        path = mesh.section(plane_normal=normal, plane_origin=centre)
        return 0.0 if path is None else float(path.length)

    own, own_s = timed(lambda: [plane_contours(wall, *plane) for plane in planes], again=True)
    other, other_s = timed(lambda: [others(*plane) for plane in planes], again=True)
    mine = [sum(_length(curve.points, curve.closed) for curve in curves) for curves in own]
    apart = np.abs(np.subtract(mine, other)).max()
    return Beside(
        f"{len(planes)} plane sections",
        "trimesh `section`",
        own_s,
        other_s,
        f"by {apart:.1g} mm at most in the length of all curves of a cut",
    )


def centrelines(anatomy: Anatomy, volume: LabelVolume) -> Beside:
    """The middle of the lumen, by skimage's skeleton of the voxels."""
    low = np.argwhere(volume.values > 0).min(axis=0) - 1
    high = np.argwhere(volume.values > 0).max(axis=0) + 2
    mask = volume.values[tuple(slice(a, b) for a, b in zip(low, high, strict=True))] > 0
    spheres, own_s = timed(lambda: inscribed_spheres(anatomy.lumen))
    skeleton, other_s = timed(lambda: skeletonize(mask))
    places = (np.argwhere(skeleton) + low) @ volume.affine[:3, :3].T + volume.affine[:3, 3]
    away = [cKDTree(places).query(vein.centreline.points)[0] for vein in anatomy.veins]
    told = np.concatenate(away)
    del spheres
    return Beside(
        "spheres inscribed in the lumen, from which centrelines are drawn",
        "skimage `skeletonize` of the voxels",
        own_s,
        other_s,
        f"from the centrelines {np.median(told):.1f} mm in the median, {told.max():.1f} mm at most",
    )


def geodesic(anatomy: Anatomy) -> Beside:
    """The shortest path over the wall between the ostia of two veins, along edges by scipy."""
    wall = anatomy.wall
    first, second = (_wall_beside(wall, vein) for vein in anatomy.veins[:2])
    pairs, _, _ = edges(wall)
    face = [int(np.flatnonzero((wall.faces == v).any(axis=1))[0]) for v in (first, second)]

    def own() -> float:
        path = shortest_path(
            wall,
            wall.points[[first]],
            np.array([face[0]]),
            wall.points[[second]],
            np.array([face[1]]),
        )
        return math.nan if path is None else path_length(path)

    def other() -> float:
        length = np.linalg.norm(wall.points[pairs[:, 0]] - wall.points[pairs[:, 1]], axis=1)
        graph = sparse.csr_matrix((length, pairs.T), shape=(len(wall.points),) * 2)
        return float(csgraph.dijkstra(graph, directed=False, indices=first)[second])

    (mine, own_s), (theirs, other_s) = timed(own, again=True), timed(other, again=True)
    return Beside(
        "a geodesic over the whole wall",
        "scipy `dijkstra` along the edges",
        own_s,
        other_s,
        f"longer by {100 * (theirs / mine - 1):.1f} % ({mine:.1f} mm)",
    )


def seats(result: CaseResult) -> list[Beside]:
    """The rest of every balloon under its push, by scipy's trust-region minimisers."""
    pairs = [ready for ready in map(lambda fit: _ready(result, fit), result.fits) if ready]
    own, own_s = timed(lambda: [minimise(b, s[None], e).place[0] for b, s, e in pairs])
    told = []
    for method in ("trust-exact", "trust-constr"):
        other, other_s = timed(lambda m=method: [_by_scipy(b, s, m) for b, s, _ in pairs])
        apart = np.array([np.linalg.norm(a[:3] - b.x[:3]) for a, b in zip(own, other, strict=True)])
        told.append(
            Beside(
                f"{len(pairs)} seats under a given push",
                f"scipy `minimize`, `{method}`",
                own_s,
                other_s,
                f"{(apart < 0.01).sum()} of {len(pairs)} rest within 0.01 mm of it, the farthest "
                f"{apart.max():.2g} mm away",
            )
        )
    return told


def _by_scipy(batch: BalloonBatch, start: np.ndarray, method: str) -> optimize.OptimizeResult:
    one = np.array([0])
    low, high = batch.wall.modes.low_mm, batch.wall.modes.high_mm
    bounds = optimize.Bounds(np.r_[np.full(3, -np.inf), low], np.r_[np.full(3, np.inf), high])
    return optimize.minimize(
        lambda x: float(batch.evaluate(one, x[None])[0][0]),
        start,
        jac=lambda x: batch.evaluate(one, x[None])[1][0],
        hess=lambda x: batch.evaluate(one, x[None])[2][0],
        method=method,
        **({"bounds": bounds} if method == "trust-constr" else {}),
        options={"gtol": 1e-6 * float(batch.push_n[0]), "maxiter": 500},
    )


def _ready(result: CaseResult, fit) -> tuple[BalloonBatch, np.ndarray, Exit] | None:
    """A balloon at its start, under the push of its seat."""
    if fit.outcome != "seated" or fit.push_n is None or fit.push_direction is None:
        return None
    settings = result.settings.seating
    vein = next(v for v in result.anatomy.veins if v.name == fit.vein)
    balloon = next(b for b in result.balloons if b.name == fit.balloon)
    line = replace(line_through_ostium("coaxial", vein, vein.axis), direction=fit.push_direction)
    return _placed(result.anatomy, vein, balloon, line, fit.push_n, settings)


def _placed(anatomy, vein, balloon, line: ApproachLine, push_n: float, settings):
    prepared = prepare(anatomy, vein, balloon.shape.reach_mm, settings)
    contact = balloon_contact(prepared, balloon, settings)
    batch = balloon_batch(prepared, contact, [line], settings, exact=True)
    start = find_start(batch, line, prepared.distance_mm(line))
    place = np.zeros(batch.unknowns)
    place[:3] = start.centre
    return replace(batch, push_n=np.array([push_n])), place, prepared.exit(settings)


def _wall_beside(wall: Surface, vein) -> int:
    """The vertex of the wall nearest to the first point of a vein's ostial contour."""
    return int(cKDTree(wall.points).query(vein.ostium.contour.points[0])[1])


def _length(points: np.ndarray, closed: bool) -> float:
    if closed:
        points = np.concatenate([points, points[:1]])
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
