"""What a vein's sections tell of its ostium, and how far they count beside the wall's half turns.

Where the wall turns sharply all around the vein, the half turns place the ostium alone. The softer
they are, the more the place counts where the sections widen, gradually, so that a little change of
the surface never moves the ostium from one definition to another at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import BranchSections, tangents
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.branches.widening import Widening
from veinfit.anatomy.model import Contour, Ostium, OstiumKind
from veinfit.anatomy.ostium.certainty import Evidence
from veinfit.anatomy.ostium.plane import with_evidence
from veinfit.notes import Note
from veinfit.surface.contours import (
    contour_centroid,
    measure_contour,
    passes,
    section_around,
)
from veinfit.vectors import FloatArray, unit

SECTIONS_ERRORS = ((3.0, 2.0), (6.0, 1.0), (9.0, 0.5))
"""Standard deviation of the place that sections tell, mm: the second where they lie up to the first
mm farther in the vein than the half turns. Soft half turns err toward the atrium: past where the
vein has parted from it they are doubted the more. On synthetic atria of the real kind."""

SHARP_MM = 1.0
"""Half turns whose plane is known to this need no sections."""

BEFORE_MM = 0.5
"""Sections draw the ostium toward the atrium by no more than this."""

BLEND_STEPS = 6
"""So many places between the two are tried until one cuts the vein alone."""

WIDER = 1.15
"""A contour this many times wider than both is not the vein's alone."""

WORDS: dict[OstiumKind, str] = {
    "area_gradient": "where the vein widens half as fast as at its steepest",
    "separation": "where the vein separates from the atrium or from its neighbour",
    "label_border": "at the border of the vein's label",
}

Found = tuple[Ostium, tuple[Note, ...]]
"""An ostium and what is to be said of it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A plane across a vein, the diameter there, and which definition gives it.

    ``apart_mm`` is how far the places lie apart of which it is the middle.
    """

    centre: FloatArray
    normal: FloatArray
    diameter_mm: float
    kind: OstiumKind
    apart_mm: float = 0.0


def weighed(
    wall: Wall,
    by_turn: Found | None,
    walks: Sequence[Widening],
    border: tuple[FloatArray, FloatArray] | None,
    rivals: Sequence[FloatArray],
) -> Found | None:
    """Return the ostium that half turns, sections and a label's border tell together.

    Parameters
    ----------
    wall : Wall
        The wall near the vein.
    by_turn : (Ostium, tuple of Note) or None
        By the half turns; None where they tell none.
    walks : sequence of Widening
        About directions as likely as each other: the middle of what they tell counts.
    border : (centre, normal) or None
        Of the vein's own label: it serves where no section does.
    rivals : sequence of (N, 3) array
        Paths into other veins.
    """
    place = _place_of_walks(walks) or (_place_of_ends(walks) if by_turn is None else None)
    if place is None and border is not None:
        # Who labels a vein may let it begin anywhere in its funnel: sections tell more.
        place = _place_of_border(wall, border)
    if by_turn is None:
        return None if place is None else _alone(wall, place)
    ostium, notes = by_turn
    if place is None or ostium.evidence is None:
        return by_turn
    apart = float((place.centre - ostium.centre) @ place.normal)
    share = _share_of_sections(ostium.evidence, apart)
    evidence = replace(ostium.evidence, sections_mm=apart, by_sections=share)
    if share <= 0.0:
        return with_evidence(ostium, evidence), notes
    if apart < -BEFORE_MM:
        # Seen from the half turns the sections lie in the atrium: there they are hardly the vein's.
        back = (-BEFORE_MM - apart) * place.normal
        place = replace(place, centre=place.centre + back, diameter_mm=0.0)
    for more in np.linspace(0.0, 1.0, BLEND_STEPS):
        blended = _between(wall, ostium, place, share + more * (1.0 - share), rivals)
        if blended is not None:
            kind = place.kind if share > 0.5 else ostium.kind
            blended = replace(blended, kind=kind)
            return with_evidence(blended, evidence), (*notes, _note(kind))[
                : len(notes) + (share > 0.5)
            ]
    return with_evidence(ostium, evidence), notes


def is_sharp(ostium: Ostium) -> bool:
    """Whether half turns place an ostium so well that no sections are needed."""
    return ostium.evidence is not None and _looseness_mm2(ostium.evidence) <= 0.0


def _looseness_mm2(evidence: Evidence) -> float:
    loose = evidence.moved_mm**2 + evidence.spread_mm**2 + (0.5 * evidence.residual_mm) ** 2
    return max(loose - SHARP_MM**2, 0.0)


def _share_of_sections(evidence: Evidence, apart_mm: float) -> float:
    """Return how much the sections count beside half turns of this evidence, 0 to 1.

    ``apart_mm`` is how far in the atrium the half turns lie, seen from the sections.
    """
    loose = _looseness_mm2(evidence)
    error = np.interp(apart_mm, *np.transpose(SECTIONS_ERRORS))
    return float(loose / (loose + error**2))


def _place_of_walks(walks: Sequence[Widening]) -> _Place | None:
    """Return the section of the first walk that lies where the middle of all walks does.

    Its own last one where that lies farther in: a section of a walk cuts the vein alone. None where
    most walks tell no place.
    """
    told = [(place, walked) for walked in walks if (place := _place_of_sections(walked))]
    if 2 * len(told) <= len(walks):
        return None
    places = [place for place, _ in told]
    own, first = told[0]
    told_mm = [float((place.centre - own.centre) @ own.normal) for place in places]
    heights = (first.centres - own.centre) @ own.normal
    index = int(np.argmin(np.abs(heights - np.median(told_mm))))
    by_gradient = sum(place.kind == "area_gradient" for place in places)
    kind: OstiumKind = "area_gradient" if 2 * by_gradient > len(places) else "separation"
    return replace(_place_at(first, index, kind), apart_mm=max(told_mm) - min(told_mm))


def _place_of_ends(walks: Sequence[Widening]) -> _Place | None:
    """Return the end of the first walk, for a vein of which nothing else tells a place."""
    return _last_place(walks[0]) if walks else None


def _place_of_sections(walked: Widening) -> _Place | None:
    """Return where a walk widens or parts; None where it just goes on or is too wide in the end."""
    index = walked.gradient_index()
    if index is not None:
        return _place_at(walked, index, "area_gradient")
    return _last_place(walked) if walked.parted else None


def _last_place(walked: Widening) -> _Place:
    # The last section may already lean into what it parts from.
    return _place_at(walked, max(len(walked.centres) - 2, 0), "separation")


def _place_at(walked: Widening, index: int, kind: OstiumKind) -> _Place:
    d_mm = float(walked.diameters_mm[index])
    return _Place(walked.centres[index], walked.axes[index], d_mm, kind)


def _place_of_border(wall: Wall, border: tuple[FloatArray, FloatArray]) -> _Place | None:
    centre, normal = border
    contour = section_around(wall.surface, centre, normal)
    if contour is None or wall.is_cap[contour.faces].any():
        return None
    d = measure_contour(contour.points, normal).d_area_mm
    return _Place(contour_centroid(contour.points, normal), normal, d, "label_border")


def _between(
    wall: Wall, ostium: Ostium, place: _Place, share: float, rivals: Sequence[FloatArray]
) -> Ostium | None:
    """Return the ostium a share of the path from one place to the other; None if not alone."""
    centre = (1.0 - share) * ostium.centre + share * place.centre
    normal = unit((1.0 - share) * ostium.normal + share * place.normal)
    contour = section_around(wall.surface, centre, normal)
    if contour is None or wall.is_cap[contour.faces].any():
        return None
    measures = measure_contour(contour.points, normal)
    widest = max(ostium.measures.d_area_mm, place.diameter_mm)
    alone = measures.d_area_mm < WIDER * widest and not any(
        passes(path, contour.points, centre, normal) for path in rivals
    )
    if not alone:
        return None
    return replace(
        ostium,
        centre=contour_centroid(contour.points, normal),
        normal=normal,
        contour=Contour(contour.points),
        measures=measures,
    )


def _alone(wall: Wall, place: _Place) -> Found | None:
    """Return the ostium in a place that no half turns confirm."""
    contour = section_around(wall.surface, place.centre, place.normal)
    if contour is None:
        return None
    nothing = Evidence(3.0, 15.0, 2.0, 0.0, 0.0, by_sections=1.0, walks_apart_mm=place.apart_mm)
    ostium = Ostium(
        centre=contour_centroid(contour.points, place.normal),
        normal=place.normal,
        contour=Contour(contour.points),
        measures=measure_contour(contour.points, place.normal),
        half_turn_points=np.zeros((0, 3)),
        residual_mm=float("nan"),
        error_mm=0.0,
        confidence=0.0,
        kind=place.kind,
    )
    return with_evidence(ostium, nothing), (_note(place.kind),)


def _note(kind: OstiumKind) -> Note:
    words = WORDS.get(kind, "")
    text = f"the wall shows no clear turn into the atrium; the ostium was placed {words}"
    return Note("ostium", text, severity="caution")


def where_it_ends(tube: BranchSections) -> Found | None:
    """Return the ostium where a long vein's sections cease to be its own, if any surrounds it."""
    normal = tangents(tube.centres)[-1]
    d_mm = float(np.sqrt(4.0 / np.pi * tube.areas_mm2[-1]))
    return _alone(tube.wall, _Place(tube.centres[-1], -normal, d_mm, "separation"))


def tube_of_sections(walked: Widening, wall: Wall, path: FloatArray) -> BranchSections:
    """Return a vein's sections as a tube; ``path`` (N, 3) runs from its end to the body."""
    return BranchSections(
        centres=walked.centres[::2],
        areas_mm2=np.pi / 4.0 * walked.diameters_mm[::2] ** 2,
        length_mm=walked.length_mm,
        wall=wall,
        path=path,
    )
