"""The review of a case as its process does it: sessions stay open between questions."""

from __future__ import annotations

import base64
import hashlib
import pickle
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.case import CaseResult, Progress
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

PICKLE = 5
"""Protocol; the same anatomy is the same bytes."""

_new: dict[str, str] = {}
"""What this process has found and the desk does not hold yet: ``key`` and ``found``."""


def answer(job: dict[str, Any]) -> Any:
    """Answer one question about a case under review.

    Parameters
    ----------
    job : dict
        ``case``, ``reader``, ``act``, and what goes with the act.
    """
    tell = _teller(job.get("stages", ""))
    session = _session(Path(job["case"]), job["reader"], tell, job.get("found"))
    act, entries = job["act"], job.get("entries", ())
    if act == "page":
        tell("page")
        page, policy = write_review(session, "../../../case/" + job["back"], job.get("of", ""))
        return {"page": page, "policy": policy, "found": _to_remember()}
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
        return {"veins": _compared(Path(job["case"]), session), "found": _to_remember()}
    raise ValueError(act)


def _teller(path: str) -> Progress:
    """Return what writes the stages of opening a review where they are asked for."""
    if not path:
        return lambda stage: None
    stages = stages_in(Path(path))
    return lambda stage: tell_stage(Path(path), stages, stage)


def _to_remember() -> dict[str, str] | None:
    """Return what the desk is to hold for the next process, once; None where it has it."""
    remembered = dict(_new) or None
    _new.clear()
    return remembered


def _key(result: CaseResult) -> str:
    """Return what the finding of an anatomy depends on, as a hash."""
    depends = (result.source, result.settings, result.provenance.versions)
    return hashlib.sha256(pickle.dumps(depends, PICKLE)).hexdigest()


def _session(
    folder: Path, reader: str, tell: Progress, told: dict[str, str] | None = None
) -> ReviewSession:
    """Return the session of a case, opened where it is not.

    What ``told`` holds came from a process like this one, through the memory of the desk: it is
    never read from a file.
    """
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
    key = _key(result)
    known_found = told is not None and told["key"] == key
    found = pickle.loads(base64.b64decode(told["found"])) if told and known_found else None
    # Whoever is at the page has no other way to mend the file.
    session = ReviewSession(result, folder / TARGETS[reader], tell, found, mend=True)
    if found is None:
        packed = base64.b64encode(pickle.dumps(session.found, PICKLE)).decode("ascii")
        _new.update(key=key, found=packed)
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
