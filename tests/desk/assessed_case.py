"""One real case of the desk, assessed once for all tests that only look at it or go on from it."""

from __future__ import annotations

from pathlib import Path

import atria
import few_tries

from veinfit.desk.jobs.worker import work
from veinfit.desk.store.cases import make_case
from veinfit.desk.store.options import CaseOptions, HeldFile
from veinfit.io.files import hash_file

NAME = "Larkmoor 7"
CASE_ID = "Larkmoor <b>7</b>"


def assess_into(folder: Path) -> None:
    """Make the case in a folder of cases, as a run of the desk does."""
    case = make_case(folder, NAME)
    inputs = case.path / "inputs"
    atria.save_mesh(atria.open_surface(), inputs / "a.ply")
    (inputs / "few.toml").write_text(few_tries.NO_MARGIN.replace("samples = 0", "samples = 2"))
    names = ("inputs/a.ply", "inputs/few.toml")
    files = tuple(
        HeldFile(n, hash_file(case.path / n), (case.path / n).stat().st_size) for n in names
    )
    options = CaseOptions(
        input=names[0], settings=names[1], frame="lps", unit="mm", approach="coaxial",
        balloons=("28",), case_id=CASE_ID, pictures=False, files=files,
    )  # fmt: skip
    case.change(lambda now: options)
    work({"do": "assess", "case": str(case.path), "progress": str(folder / "progress.json")})
    (folder / "progress.json").unlink(missing_ok=True)
