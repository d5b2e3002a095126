"""The review of a case as its process does it: sessions stay open between questions."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.case import Progress
from veinfit.desk.jobs.progress import stages_in, tell_stage
from veinfit.desk.jobs.second_reader import vein_differences
from veinfit.desk.store.cases import CORRECTIONS, SECOND, CaseFolder, own_size_and_time
from veinfit.io.inputs.corrections import read_corrections
from veinfit.review.page import write_review
from veinfit.review.session import ReviewSession

TARGETS = {"first": CORRECTIONS, "second": SECOND}
"""The corrections file of each reader."""

_open: dict[tuple[str, str], tuple[tuple[int, int], ReviewSession]] = {}
"""The session of this process, by case and reader, with the mark of the results it is of."""


def answer(job: dict[str, Any]) -> Any:
    """Answer one question about a case under review.

    Parameters
    ----------
    job : dict
        ``case``, ``reader``, ``act``, and what goes with the act.
    """
    tell = _teller(job.get("stages", ""))
    session = _session(Path(job["case"]), job["reader"], tell)
    act, entries = job["act"], job.get("entries", ())
    if act == "page":
        tell("page")
        page, policy = write_review(session, back="../../../case/" + job["back"])
        return {"page": page, "policy": policy}
    if act == "opened":
        return session.opened()
    if act == "merged":
        return session.merged(entries, job["base"])
    if act == "save":
        return session.save(entries, job["base"], job["agreed"])
    if act == "preview":
        return session.preview(job["vein"], entries, job["seats"], job["added"], job["first"])
    if act == "place":
        point, names = session.place(np.array(job["origin"]), np.array(job["direction"]))
        return [point, names]
    if act == "image":
        return session.image_plane(job["plane"])
    if act == "compare":
        return _compared(Path(job["case"]), session)
    raise ValueError(act)


def _teller(path: str) -> Progress:
    """Return what writes the stages of opening a review where they are asked for."""
    if not path:
        return lambda stage: None
    stages = stages_in(Path(path))
    return lambda stage: tell_stage(Path(path), stages, stage)


def _session(folder: Path, reader: str, tell: Progress) -> ReviewSession:
    from veinfit.case import load_case
    from veinfit.case.image import read_shown_image

    case = CaseFolder(folder)
    mark = own_size_and_time(case.result / "case.npz")
    known = _open.get((str(folder), reader))
    if known is not None and known[0] == mark:
        return known[1]
    _open.clear()
    result = load_case(case.result)
    if reader == "second":
        # A second reader begins with what was found, not with what the first made of it.
        result = replace(result, by_hand=())
    session = ReviewSession(result, folder / TARGETS[reader], tell)
    if case.options.image:
        image, _ = read_shown_image(folder / case.options.image, result.anatomy.wall)
        session.show_image(image)
    _open[str(folder), reader] = (mark, session)
    return session


def _compared(folder: Path, session: ReviewSession) -> list[dict[str, Any]]:
    """Return what the two readers' files make of the case, a vein at a time."""
    both = []
    for name in TARGETS.values():
        path = folder / name
        both.append(session.corrected(read_corrections(path) if path.is_file() else ()))
    return [asdict(one) for one in vein_differences(both[0], both[1], session.seats)]
