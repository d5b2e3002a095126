"""``python full_disk.py FOLDER``: a desk on a disk that becomes full, and then has room again.

The folder is a small file system of its own; ``test_full_disk.py`` mounts it.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path

from desk.asking import Client, until
from desk.quick_jobs import write_result

from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app
from veinfit.desk.store.cases import CaseFolder, make_case
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.options import CaseOptions
from veinfit.desk.store.signing import mark_reviewed
from veinfit.desk.store.states import Summaries, state_of
from veinfit.review.local_site import LocalSite

NEAR = 20_000
"""Bytes that are left when the disk counts as nearly full."""


def fill(folder: Path, left: int = 0) -> None:
    """Take the room of a disk but for some bytes."""
    free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize - left
    with (folder / "ballast").open("ab") as stream, contextlib.suppress(OSError):
        while free > 0:
            stream.write(b"\0" * min(free, 1 << 16))
            stream.flush()
            free -= 1 << 16
    if not left:
        with contextlib.suppress(OSError), (folder / "ballast").open("ab", buffering=0) as stream:
            while True:
                stream.write(b"\0" * 512)


def files(case: CaseFolder) -> dict[str, bytes]:
    return {
        p.relative_to(case.path).as_posix(): p.read_bytes()
        for p in sorted(case.path.rglob("*"))
        if p.is_file()
    }


def main(folder: Path) -> None:
    desk = Desk(folder, function="quick_jobs:work")
    desk.begin()
    options = CaseOptions(input="inputs/x.ply", frame="lps", unit="mm")
    run, done = make_case(folder, "run", options), make_case(folder, "done", options)
    for case in (run, done):
        (case.path / "inputs" / "x.ply").write_text("ply")
    write_result(done.path / "result")
    mark_reviewed(done, "reader 1")
    before = {case.name: files(case) for case in (run, done)}
    told: dict[str, object] = {}
    with LocalSite(desk_app(desk)) as site:
        site.start()
        client = Client(site)
        # A file that is larger than the room.
        fill(folder, NEAR)
        told["upload"] = client.send("run", "big.nii.gz", b"\0" * 10 * NEAR)
        fill(folder)
        told["options"] = client.told("case/run/options", {"options": {"phase": "x"}, "who": "a"})
        told["sign"] = client.told("case/done/sign", {"who": "reader 1"})
        told["reviewed"] = client.told("case/done/reviewed", {"who": "reader 1"})
        told["new"] = client.told("new", {"name": "another"})
        told["run"] = client.told("case/run/run", {"who": "reader 1"})
        told["page"] = client.ask("")[0], client.ask("case/done/")[0]
        until(lambda: not desk.runs.busy())
        told["whole"] = all(files(case) == before[case.name] for case in (run, done))
        told["torn"] = [read_journal(case.path).torn for case in (run, done)]

        # The disk becomes full while a run is writing: it fails, and says so.
        (folder / "ballast").unlink()
        (run.path / "inputs" / "plan").write_text("1.5")
        client.told("case/run/run", {"who": "reader 1"})
        until(lambda: (run.path / "starts").exists())
        fill(folder)
        until(lambda: not desk.runs.busy())
        told["ran"] = [client.told("case/run/state")[k] for k in ("state", "reason")]
        told["results"] = run.has_result

        # There is room again: all goes on.
        (folder / "ballast").unlink()
        (run.path / "inputs" / "plan").unlink()
        told["again"] = client.told("case/run/run", {"who": "reader 1"})
        until(lambda: not desk.runs.busy())
        told["signed"] = client.told("case/done/sign", {"who": "reader 1"})
        summaries = Summaries(folder)
        told["states"] = [state_of(case, summaries).state for case in (run, done)]
        reads = [read_journal(case.path) for case in (run, done)]
        told["journals"] = [[e["what"] for e in read.entries] for read in reads]
        told["altered"] = [list(read.altered) for read in reads]
    desk.end()
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
