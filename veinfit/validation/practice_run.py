"""Tries of both sizes in many atria, on several processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing import get_context

from veinfit.anatomy.model import Anatomy
from veinfit.errors import InputError
from veinfit.settings import Settings
from veinfit.validation.practice import VeinOutcome, outcomes_of
from veinfit.validation.predictions import STEERED_ATTEMPTS

Atria = Sequence[tuple[str, Anatomy]]
"""Cases by name."""

Runner = Callable[[Atria, Settings], list[VeinOutcome]]

COARSE_TILT_DEG = 20.0
"""Step of the directions that are sought in the sheath's reach; the tries need no finer one."""


def with_chains(settings: Settings, chains: int) -> Settings:
    """Return settings of a study: so many chains of tries of each size in each vein.

    Practice tells of three tries: a chain has as many, whatever the settings say.

    Parameters
    ----------
    settings : Settings
    chains : int
        A power of two.

    Returns
    -------
    Settings
    """
    each = min(settings.margin.chains_per_patient, max(chains // 4, 1))
    margin = replace(
        settings.margin,
        samples=chains,
        chains_per_patient=each,
        steered_attempts=STEERED_ATTEMPTS,
        aim_tilt_step_deg=COARSE_TILT_DEG,
        keep_attempts=False,
    )
    return replace(settings, margin=margin)


@contextmanager
def runner(workers: int) -> Iterator[Runner]:
    """Yield what simulates the tries of some settings in some atria.

    Parameters
    ----------
    workers : int
        Processes; 1 works in this one.

    Yields
    ------
    callable
        Takes atria and settings, and returns a list of VeinOutcome.

    Raises
    ------
    InputError
        A process ended of itself, such as for want of memory.
    """
    if workers == 1:
        yield lambda atria, settings: [
            one for name, anatomy in atria for one in outcomes_of(name, anatomy, settings)
        ]
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:

        def run(atria: Atria, settings: Settings) -> list[VeinOutcome]:
            asked: list[Future[list[VeinOutcome]]] = [
                pool.submit(outcomes_of, name, anatomy, settings) for name, anatomy in atria
            ]
            try:
                return [one for answer in asked for one in answer.result()]
            except BrokenExecutor as error:
                raise InputError(f"a process ended of itself: {error}; try fewer --workers") from (
                    error
                )

        yield run


def halves(atria: Atria) -> tuple[Atria, Atria]:
    """Return every second case, and the others, which stay out of a fit.

    Parameters
    ----------
    atria : sequence of (str, Anatomy)

    Returns
    -------
    fitted, kept_out : sequence of (str, Anatomy)
    """
    return atria[::2], atria[1::2]
