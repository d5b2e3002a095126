"""What a process of its own does for the desk: assess, look into files, draw the sample.

Native code that crashes or hangs in here costs the case that it works on and never the page.
The jobs come from :class:`veinfit.cohort.batch.supervise.CaseProcess`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from veinfit.errors import InputError

ASSESS = "veinfit.desk.jobs.worker:work"
"""What is named to the process as its function."""

SAMPLE_SEED, SAMPLE_VARIANT, SAMPLE_EDGE_MM = 6, "four", 1.2


def work(job: dict[str, Any]) -> Any:
    """Do one job of the desk; its name stands under ``do``."""
    return JOBS[job["do"]](job)


def _assess(job: dict[str, Any]) -> dict[str, Any]:
    """Assess a case as its ``asked.toml`` says, into its ``result``."""
    from veinfit.case import assess, write_case
    from veinfit.desk.store.cases import EARLIER, RESULT
    from veinfit.desk.store.options import read_options
    from veinfit.io.files import hash_file
    from veinfit.io.results.output import write_file

    folder = Path(job["case"])
    options = read_options(folder)
    if options.missing:
        raise InputError(options.missing)
    for file in options.files:
        if hash_file(folder / file.path) != file.sha256:
            raise InputError(
                f"{file.path} is not the file that was given: its content has changed; give it anew"
            )

    def path(name: str) -> Path | None:
        return folder / name if name else None

    tell = _teller(Path(job["progress"]))
    result = assess(
        folder / options.input,
        labels=path(options.labels),
        landmarks=path(options.landmarks),
        corrections=path(options.corrections),
        settings=path(options.settings),
        frame=options.frame or "lps",  # type: ignore[arg-type]
        unit=options.unit or "mm",  # type: ignore[arg-type]
        trust_frame=options.trust_frame,
        balloons=options.balloons,
        approach=options.approach,
        case_id=options.case_id or None,
        phase=options.phase or None,
        image_date=options.image_date or None,
        image=path(options.image),
        progress=tell,
    )
    before = folder / RESULT / "case.json"
    if before.is_file():
        (folder / EARLIER).mkdir(exist_ok=True)
        write_file(folder / EARLIER / "case.json", before.read_bytes())
    written = write_case(
        result,
        folder / RESULT,
        pictures=options.pictures,
        paper=options.paper,  # type: ignore[arg-type]
        progress=tell,
    )
    return {"files": list(written.files), "unassessed": len(result.unassessed)}


def _teller(path: Path) -> Callable[[str], None]:
    """Return what writes each stage as it begins, with its time, for whoever asks."""
    from veinfit.desk.jobs.progress import stages_in, tell_stage

    stages = stages_in(path)
    return lambda stage: tell_stage(path, stages, stage)


def _sample(job: dict[str, Any]) -> dict[str, Any]:
    """Draw the invented sample atrium into a case's inputs."""
    from veinfit.synthetic import build, draw_shape
    from veinfit.synthetic.files import landmark_text, write_ply, write_text

    folder = Path(job["inputs"])
    atrium = build(draw_shape(SAMPLE_SEED, SAMPLE_VARIANT))
    write_ply(folder / "larkmoor-01.ply", atrium.open_surface(edge_mm=SAMPLE_EDGE_MM))
    invented = "Invented case of the invented Larkmoor imaging lab: no patient, no scan."
    write_text(folder / "landmarks.csv", landmark_text(atrium.neighbours, invented))
    return {"mesh": "larkmoor-01.ply", "landmarks": "landmarks.csv"}


def _inspect(job: dict[str, Any]) -> dict[str, Any]:
    """Look into one file of a case."""
    from veinfit.desk.jobs.inspecting import inspect

    return asdict(inspect(Path(job["file"])))


def _shapes(job: dict[str, Any]) -> dict[str, Any]:
    """Return the shapes of a case's parts for the 3D view."""
    from veinfit.desk.jobs.part_shapes import part_scene

    return part_scene([Path(file) for file in job["files"]], job["frame"], job["unit"])


def _export(job: dict[str, Any]) -> dict[str, Any]:
    """Put together what leaves."""
    from veinfit.desk.jobs.leaving import export_case

    return {"files": export_case(Path(job["case"]), Path(job["out"]), job["options"])}


def _study(job: dict[str, Any]) -> Any:
    """Compare cases, sum them up, or hold them against what was observed."""
    from veinfit.desk.jobs.study_work import work

    return work(job)


def _review(job: dict[str, Any]) -> Any:
    """Answer a question of the review page."""
    from veinfit.desk.jobs.review_work import answer

    return answer(job)


JOBS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "assess": _assess,
    "sample": _sample,
    "inspect": _inspect,
    "shapes": _shapes,
    "export": _export,
    "study": _study,
    "review": _review,
}
