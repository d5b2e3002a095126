"""What a page may ask to be done with a case: each checked, then done."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from veinfit.desk.jobs.landmarks import set_landmarks
from veinfit.desk.jobs.setting_up import assign_parts
from veinfit.desk.site.desk import Desk, values_of
from veinfit.desk.store.cases import CaseFolder
from veinfit.desk.store.options import stated
from veinfit.desk.store.parts import Assigned, known_name
from veinfit.desk.store.signing import mark_reviewed, reopen, sign
from veinfit.desk.store.uploads import put_aside, take_out
from veinfit.errors import InputError

LONGEST_TEXT = 300
MOST_MARKS = 500

Act = Callable[[Desk, CaseFolder, dict[str, Any]], "dict[str, Any] | None"]


def text_of(body: Mapping[str, Any], name: str) -> str:
    """Return a text of one line that a page sent; empty where it sent none.

    Raises
    ------
    InputError
        It is too long, or holds signs that cannot be printed.
    """
    value = body.get(name, "")
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise InputError(f"{name} must be a text of at most {LONGEST_TEXT} signs")
    if not all(c.isprintable() for c in value):
        raise InputError(f"{name} must be a text of one line")
    return value.strip()


def _who(desk: Desk, body: Mapping[str, Any]) -> str:
    desk.need_own()
    who = text_of(body, "who")
    if who:
        desk.who = who
    return who or desk.who


def new(desk: Desk, body: Mapping[str, Any]) -> dict[str, Any]:
    """Make a case."""
    who = _who(desk, body)
    return {"name": desk.new_case(text_of(body, "name") or "case", who).name}


def export(desk: Desk, body: Mapping[str, Any]) -> dict[str, Any]:
    """Begin an export of some cases."""
    desk.need_own()
    kinds = body.get("kinds")
    if not isinstance(kinds, list):
        raise InputError("choose at least one case and one kind of file")
    cases = _cases(desk, body)
    name = desk.exports.ask(cases, [str(k) for k in kinds], body.get("identity") is True)
    return {"export": name}


def study(desk: Desk, body: Mapping[str, Any]) -> dict[str, Any]:
    """Begin a study of some cases."""
    desk.need_own()
    observed = body.get("observed", "")
    if not isinstance(observed, str):
        raise InputError("the table of what was observed must be a text")
    return {"study": desk.studies.ask(str(body.get("kind")), _cases(desk, body), observed)}


def _cases(desk: Desk, body: Mapping[str, Any]) -> list[CaseFolder]:
    names = body.get("cases")
    if not isinstance(names, list):
        raise InputError("choose at least one case")
    found = [desk.case(str(name)) for name in dict.fromkeys(map(str, names))]
    cases = [case for case in found if case is not None]
    if len(cases) < len(found):
        raise InputError("one of the cases no longer exists; load the page again")
    return cases


def _options(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> dict[str, Any]:
    who = _who(desk, body)
    changes = body.get("options")
    if not isinstance(changes, dict):
        raise InputError("no options were sent")
    case.change(lambda now: stated(now, changes), who)
    also = 0
    if body.get("all_meshes") is True:
        also = desk.state_for_meshes(case.options.frame, case.options.unit, who)
    return {"options": values_of(case.options), "also": also}


def _parts(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    who = _who(desk, body)
    rows = body.get("parts")
    if not isinstance(rows, list):
        raise InputError("no parts were sent")
    parts = []
    for row in rows:
        if not isinstance(row, list) or len(row) != 3 or type(row[1]) is not int:
            raise InputError("a part is a file, a value and a name")
        parts.append(Assigned(str(row[0]), row[1], known_name(str(row[2]))))
    assign_parts(case, parts, who, desk.folder, text_of(body, "keep_as"))


def _landmarks(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    who = _who(desk, body)
    marks = body.get("marks")
    if not isinstance(marks, dict):
        raise InputError("no landmarks were sent")
    checked: dict[str, list[list[float]]] = {}
    for name, points in marks.items():
        if not isinstance(points, list) or len(points) > MOST_MARKS:
            raise InputError(f"{name}: a landmark has at most {MOST_MARKS} points")
        if not all(_is_point(point) for point in points):
            raise InputError(f"{name}: a point is three numbers, mm")
        if points:
            checked[str(name)] = points
    seen = body.get("seen", [])
    if not isinstance(seen, list) or not all(isinstance(name, str) for name in seen):
        raise InputError("the landmarks that were seen must be a list of names")
    set_landmarks(case, checked, who, seen)


def _is_point(point: object) -> bool:
    return (
        isinstance(point, list)
        and len(point) == 3
        and all(type(c) in (int, float) and math.isfinite(c) for c in point)
    )


def _take_out(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    take_out(case, text_of(body, "path"), _who(desk, body))


def _run(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    desk.reviews.forget(case.name)
    desk.run(case, _who(desk, body))


def _put_aside(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> dict[str, Any]:
    return {"kept": put_aside(case, _who(desk, body))}


def _cancel(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    desk.runs.cancel(case, _who(desk, body))


def _reviewed(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    mark_reviewed(case, _who(desk, body), text_of(body, "seen"))


def _sign(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    sign(case, _who(desk, body), text_of(body, "seen"))


def _reopen(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    reopen(case, _who(desk, body), text_of(body, "reason"))


def _reader(desk: Desk, case: CaseFolder, body: dict[str, Any]) -> None:
    desk.choose_reader(case, text_of(body, "reader"), _who(desk, body))


ACTS: dict[str, Act] = {
    "options": _options,
    "parts": _parts,
    "landmarks": _landmarks,
    "take-out": _take_out,
    "put-aside": _put_aside,
    "run": _run,
    "cancel": _cancel,
    "reviewed": _reviewed,
    "sign": _sign,
    "reopen": _reopen,
    "reader": _reader,
}
"""By the last part of the address."""
