"""The anatomy of one case of a cohort, from its files."""

from __future__ import annotations

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.model import Anatomy
from veinfit.case import read_case, with_septum
from veinfit.cohort.batch.cases import BatchCase
from veinfit.settings import Settings


def anatomy_of(case: BatchCase, settings: Settings) -> Anatomy:
    """Return the anatomy of a case, with the place where the sheath crosses the septum.

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
    return with_septum(anatomy, read)[0]
