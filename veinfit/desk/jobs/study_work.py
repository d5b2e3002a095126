"""Studies of cases of the desk as their process does them: what the commands do with folders."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from veinfit.desk.store.cases import EARLIER, CaseFolder
from veinfit.errors import InputError
from veinfit.io.results.output import staged_output

CHANGES, SUMMARY, AGREE, TABLE = "changes", "summary", "agree", "table"
"""Two results side by side; cases summed up; predictions against observations; a table to fill."""

OBSERVED = "observed.csv"


def study(kind: str, cases: Sequence[Path], out: Path, observed: str = "") -> dict[str, Any]:
    """Do a study of cases into a folder.

    Parameters
    ----------
    kind : {'changes', 'summary', 'agree', 'table'}
    cases : sequence of Path
        One case for ``changes``: its results before the last run and now.
    out : Path
        Made anew.
    observed : str
        The table of what was observed, for ``agree``.

    Returns
    -------
    dict
        ``page``: the file to be looked at.

    Raises
    ------
    InputError
        The cases do not go with the study, or the table cannot be used.
    """
    found = [CaseFolder(path) for path in cases]
    if kind == CHANGES:
        return {"page": _changes(found, out)}
    if kind == SUMMARY:
        return {"page": _summary(found, out)}
    with tempfile.TemporaryDirectory(prefix=".veinfit-study-", dir=out.parent) as place:
        return {"page": _agree(kind, found, out, observed, Path(place))}


def _changes(cases: Sequence[CaseFolder], out: Path) -> str:
    from veinfit.io.cells import csv_table
    from veinfit.io.results.document import read_document
    from veinfit.report.page.changes import CHANGE_COLUMNS, case_changes, changes_page

    if len(cases) == 1:
        places = [cases[0].path / EARLIER, cases[0].result]
        if not (places[0] / "case.json").is_file():
            raise InputError("the case was run once: there is nothing before it to compare with")
    elif len(cases) == 2:
        places = [case.result for case in cases]
    else:
        raise InputError("choose two cases to be compared")
    before, after = (read_document(place) for place in places)
    rows = [asdict(one) for one in case_changes(before, after)]
    with staged_output(out) as stage:
        (stage / "changes.csv").write_bytes(csv_table(CHANGE_COLUMNS, rows))
        (stage / "changes.html").write_text(changes_page(before, after), encoding="utf-8")
    return "changes.html"


def _summary(cases: Sequence[CaseFolder], out: Path) -> str:
    from veinfit.case import load_case
    from veinfit.cohort.batch.rows import case_rows
    from veinfit.cohort.batch.run_file import RUN_FILE
    from veinfit.cohort.batch.store import Store
    from veinfit.cohort.summary.data import read_cohort
    from veinfit.cohort.summary.page import PAGE, write_summary
    from veinfit.cohort.summary.summarise import summarise

    with tempfile.TemporaryDirectory(prefix=".veinfit-study-", dir=out.parent) as place:
        entries = []
        for case in cases:
            result = load_case(case.result)
            named = replace(result.provenance, case_id=case.name)
            entries.append((case.name, case_rows(replace(result, provenance=named))))
        Store(Path(place)).write_part(0, entries)
        (Path(place) / RUN_FILE).write_text(json.dumps({"format": "veinfit cohort"}), "utf-8")
        write_summary(summarise(read_cohort(Path(place))), out)
    return PAGE


def _agree(kind: str, cases: Sequence[CaseFolder], out: Path, observed: str, place: Path) -> str:
    from veinfit.io.inputs.observed import template
    from veinfit.io.results.document import read_document
    from veinfit.validation.agreement.agree import agreement
    from veinfit.validation.agreement.join import join
    from veinfit.validation.agreement.page import write_agreement
    from veinfit.validation.predictions import read_predictions

    for case in cases:
        # Cases go by their folders here: names on reports may be alike, or empty.
        told: dict[str, Any] = {**read_document(case.result)}
        told["case"] = {**told["case"], "id": case.name}
        (place / case.name).mkdir()
        (place / case.name / "case.json").write_text(json.dumps(told), "utf-8")
    fits = read_predictions(place)
    if kind == TABLE:
        keys = dict.fromkeys((f.case, f.vein, f.balloon, f.approach) for f in fits)
        with staged_output(out) as stage:
            (stage / OBSERVED).write_bytes(template(keys))
        return OBSERVED
    if not observed.strip():
        raise InputError("choose the table of what was observed; one to be filled in is made here")
    table = out.parent / f".{out.name}-{OBSERVED}"
    try:
        table.write_text(observed, "utf-8")
        rows = _told_plainly(table, observed)
        write_agreement(agreement(join(rows, fits)), out)
        shutil.copyfile(table, out / OBSERVED)
    finally:
        table.unlink(missing_ok=True)
    return "agreement.html"


def _told_plainly(table: Path, observed: str) -> Any:
    from veinfit.io.inputs.observed import read_observed

    try:
        return read_observed(table).rows
    except InputError as error:
        # The page has no path, and nobody there knows it.
        raise InputError(str(error).replace(str(table), "of what was observed")) from error


def work(job: Mapping[str, Any]) -> dict[str, Any]:
    """Do the study that a job names."""
    cases = [Path(path) for path in job["cases"]]
    return study(job["kind"], cases, Path(job["out"]), job.get("observed", ""))
