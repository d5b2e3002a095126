"""One case of a synthetic cohort: its atrium, from the cohort's seed and its number alone."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from veinfit.synthetic import SyntheticAtrium, build
from veinfit.synthetic.draw.distributions import Distributions
from veinfit.synthetic.draw.fit_to_targets import shape_for_targets
from veinfit.synthetic.draw.styles import EasyStyle, RealStyle
from veinfit.synthetic.draw.targets import Targets, draw_targets
from veinfit.synthetic.files import (
    DECIMALS,
    landmark_text,
    write_nifti,
    write_ply,
    write_text,
)

INVENTED = "Invented case of the invented Larkmoor imaging lab: no patient, no scan."

BUILD_STREAM = 2
"""Numbers the stream of random numbers for all that is not a target."""

ATTEMPTS = 25
"""Atria tried for one set of targets; of sound sets, most need one to four."""

REDRAWS = 20
"""Sets of targets tried for one case, such as large veins side by side on a small atrium."""

LABELLED = ("septum", "oesophagus")
"""Neighbours that a label volume holds; the nerve is too thin for voxels and stays a landmark."""

Kind = Literal["real", "easy"]
"""Like a patient's atrium, or a kinder one with the same measures."""

Content = Literal["mesh", "labels", "both"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How the cases of a cohort are written.

    Attributes
    ----------
    seed : int
        Of the cohort.
    kind : {'real', 'easy'}
    content : {'mesh', 'labels', 'both'}
    edge_mm : float
        Mean edge length of meshes.
    closed : bool
        Meshes are closed by flat lids; else open at veins and mitral side.
    spacing_mm : (3,)
        Voxel edges of label volumes.
    """

    seed: int
    kind: Kind
    content: Content
    edge_mm: float
    closed: bool
    spacing_mm: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class DrawnCase:
    """An atrium of a cohort, with what it was to measure.

    Attributes
    ----------
    set_aside : int
        Sets of targets before these that no sound atrium was found for.
    attempts : int
        Atria tried for these targets.
    """

    targets: Targets
    atrium: SyntheticAtrium
    set_aside: int
    attempts: int


def case_name(seed: int, number: int) -> str:
    """Return the name of a case.

    Parameters
    ----------
    seed, number : int

    Returns
    -------
    str
    """
    return f"larkmoor-{seed}-{number:06d}"


def draw_case(
    distributions: Distributions, seed: int, number: int, kind: Kind = "real"
) -> DrawnCase:
    """Draw case ``number`` of the cohort with ``seed``."""
    style = RealStyle(distributions=distributions.shape) if kind == "real" else EasyStyle()
    for redraw in range(REDRAWS):
        targets = draw_targets(distributions, seed, number, redraw)
        for attempt in range(ATTEMPTS):
            rng = np.random.default_rng([seed, number, BUILD_STREAM, redraw, attempt])
            shape = shape_for_targets(rng, targets.volume_ml, targets.veins, targets.variant, style)
            if shape is not None:
                return DrawnCase(targets, build(shape), redraw, attempt + 1)
    raise RuntimeError(f"no sound atrium in {REDRAWS} sets of targets")


def write_case(
    distributions: Distributions, recipe: Recipe, number: int, folder: Path
) -> dict[str, Any]:
    """Draw a case and write its files; its truth comes last and tells that all are there.

    Parameters
    ----------
    distributions : Distributions
    recipe : Recipe
    number : int
        Which case of the cohort.
    folder : Path

    Returns
    -------
    dict
        What the truth file holds.
    """
    drawn = draw_case(distributions, recipe.seed, number, recipe.kind)
    atrium, name = drawn.atrium, case_name(recipe.seed, number)

    def put(suffix: str, write: Any, *content: Any) -> None:
        # A file that is there is whole: it gets its name when it is.
        # The suffix stays last, for writers that look at it.
        part = folder / f".{name}-{os.getpid()}{suffix}"
        try:
            write(part, *content)
            part.replace(folder / f"{name}{suffix}")
        finally:
            part.unlink(missing_ok=True)

    neighbours = atrium.neighbours
    if recipe.content != "labels":
        even = recipe.kind == "easy"
        surface = (
            atrium.closed_surface(recipe.edge_mm, even=even)
            if recipe.closed
            else atrium.open_surface(recipe.edge_mm, even=even)
        )
        put(".ply", write_ply, surface)
        put(".landmarks.csv", write_text, landmark_text(neighbours, INVENTED, neighbours.tubular))
    if recipe.content != "mesh":
        volume = atrium.label_volume(recipe.spacing_mm, neighbours=LABELLED)
        put(".nii.gz", write_nifti, volume)
        text = atrium.label_map_text(neighbours=LABELLED)
        put(".labels.toml", write_text, f"# {INVENTED}\n{text}")
        put(".nerve.csv", write_text, landmark_text(neighbours, INVENTED))
    truth = {
        "about": INVENTED,
        "case": name,
        "cohort_seed": recipe.seed,
        "number": number,
        "kind": recipe.kind,
        "frame": "LPS",
        "unit": "mm",
        "variants": list(drawn.targets.variants),
        "set_aside": drawn.set_aside,
        "attempts": drawn.attempts,
        "targets": {
            "volume_ml": round(drawn.targets.volume_ml, DECIMALS),
            "veins": {
                vein: {measure: round(value, DECIMALS) for measure, value in measures.items()}
                for vein, measures in drawn.targets.veins.items()
            },
        },
        "chamber_volume_ml": round(atrium.chamber_volume_ml, 1),
        "truth": atrium.truth.as_mapping(DECIMALS, curves=False),
    }
    put(".truth.json", write_text, json.dumps(truth, indent=1) + "\n")
    return truth
