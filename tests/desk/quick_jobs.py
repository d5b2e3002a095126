"""A worker's jobs that take no time: what a run does is written in the case's settings file."""

from __future__ import annotations

import json
import os
import signal
import time
from pathlib import Path
from typing import Any

VEINS = "vein,d_max_mm,d_min_mm,confidence,name_confidence\n"
FITS = (
    "vein,balloon,outcome,reason,sealed,seal_probability,seal_probability_low,"
    "seal_probability_high\n"
)
EXPECTED = "choice,tries,expected_sealed,all_sealed_probability,weakest_vein,veins\n"


def write_result(out: Path, confidence: float = 0.9, made: str = "2026-01-01T00:00:00Z") -> None:
    """Write the least of what ``assess`` writes, as it does: at once."""
    from veinfit.io.results.output import staged_output

    tables = {
        "veins.csv": f"{VEINS}LSPV,18.0,15.0,{confidence},1.0\n",
        "fits.csv": f"{FITS}LSPV,28 mm,seated,,true,0.8,0.6,0.9\n",
        "expected.csv": f"{EXPECTED}28 mm,1,0.8,0.8,LSPV,1\n",
    }
    record = {
        "schema": "veinfit case", "schema_version": "1.0", "created": made,
        "run": {"versions": {"veinfit": "0"}}, "files": sorted({*tables, "case.json"}),
    }  # fmt: skip
    with staged_output(out, last="case.json") as stage:
        for name, text in tables.items():
            (stage / name).write_text(text)
        (stage / "case.json").write_text(json.dumps(record, indent=1))


def work(job: dict[str, Any]) -> Any:
    if job["do"] != "assess":
        from veinfit.desk.jobs.worker import work as real

        return real(job)
    folder = Path(job["case"])
    Path(job["progress"]).write_text(json.dumps([["reading the input", time.time()]]))
    plan = folder / "inputs" / "plan"
    told = plan.read_text().split() if plan.exists() else []
    with (folder / "starts").open("a") as stream:
        stream.write("1")
    for word in told:
        if word == "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        elif word == "refuse":
            from veinfit.anatomy.naming.frame_check import HALF_TURN, OtherFrame, StatedFrame
            from veinfit.errors import InputError

            raise InputError(OtherFrame(HALF_TURN, 99.0).refusal(StatedFrame("lps")))
        elif word == "corrections":
            from veinfit.io.inputs.corrections import read_corrections

            if (folder / "corrections.toml").exists():
                read_corrections(folder / "corrections.toml")
        elif word == "break":
            raise RuntimeError("something <b>odd</b>")
        else:
            time.sleep(float(word))
    write_result(folder / "result")
    return {"files": [], "unassessed": 0}
