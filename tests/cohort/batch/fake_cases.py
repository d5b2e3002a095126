"""Cases that are quick, and bad in the way that their name says; every call leaves a line."""

from __future__ import annotations

import ctypes
import os
import signal
import time
from pathlib import Path

from veinfit.errors import InputError

FUNCTION = "fake_cases:work"


def work(job):
    name, path = job["case"], Path(job["input"])
    with (path.parent / "calls.log").open("a") as log:
        log.write(f"{name} {os.getpid()}\n")
    kind = name.partition("-")[0]
    if kind == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if kind == "once":
        tried = path.with_suffix(".tried")
        if not tried.exists():
            tried.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    if kind == "exit":
        os._exit(7)
    if kind == "hang":
        time.sleep(1000)
    if kind == "native":
        # Holds the interpreter's lock, as compiled code that never returns does.
        ctypes.PyDLL(None).sleep(1000)
    if kind == "bad":
        raise InputError("mesh is empty;\nexport it again")
    if kind == "fault":
        raise ValueError("no such thing")
    if kind == "loud":
        os.write(1, b"a library greets\n")
    time.sleep(float(path.read_text() or 0))
    # In doubt as a whole, which leaves it done.
    doubt = "the frame may be wrong" if kind == "doubted" else ""
    case = {"case": name, "status": "done", "reason": "", "veins": 1}
    fit = {"case": name, "vein": "LSPV", "balloon": "28 mm", "approach": "coaxial"}
    return {
        "cases": [{**case, "cautions": doubt, "warnings": doubt}],
        "veins": [{"case": name, "vein": "LSPV", "d_max_mm": len(name) + 0.1}],
        "fits": [{**fit, "deep": False, "distances_mm": {"oesophagus": 3.25}}],
        "leaks": [{**fit, "leak": 1, "width_mm": 1.5}],
    }


def calls(inputs):
    """Names of the cases that were worked on, as often as they were."""
    log = inputs / "calls.log"
    return [line.split()[0] for line in log.read_text().splitlines()] if log.exists() else []


def content(out):
    """All that a run wrote but what it cost, by name."""
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in out.rglob("*")
        if p.is_file() and p.name != "costs.csv"
    }
