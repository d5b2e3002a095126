"""The anatomy of one case of a cohort, from its files."""

from __future__ import annotations

from collections.abc import Mapping

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.model import Anatomy
from veinfit.case import read_case, with_septum
from veinfit.cohort.batch.cases import BatchCase
from veinfit.seating.neighbours import Structure
from veinfit.settings import Settings


def anatomy_of(case: BatchCase, settings: Settings) -> Anatomy:
    """Return the anatomy of a case, with the place where the sheath crosses the septum.

    Parameters
    ----------
    case : BatchCase
    settings : Settings

    Returns
    -------
    Anatomy

    Raises
    ------
    InputError
        The files cannot be used.
    """
    return atrium_of(case, settings)[0]


def atrium_of(case: BatchCase, settings: Settings) -> tuple[Anatomy, Mapping[str, Structure]]:
    """Return the anatomy of a case as :func:`anatomy_of` does, and its neighbours.

    Parameters
    ----------
    case : BatchCase
    settings : Settings

    Returns
    -------
    anatomy : Anatomy
    structures : mapping of str to Structure

    Raises
    ------
    InputError
        The files cannot be used.
    """
    read = read_case(
        case.input,
        labels=case.labels,
        also=case.also,
        landmarks=case.landmarks,
        settings=settings,
        frame=case.frame,
        unit=case.unit,
        trust_frame=case.trust_frame,
    )
    anatomy = find_anatomy(read.lumen, settings, frame=case.frame)
    return with_septum(anatomy, read)[0], read.structures
