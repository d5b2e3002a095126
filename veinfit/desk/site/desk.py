"""One desk on one folder: what its page asks is done here, with no word of the web."""

from __future__ import annotations

import base64
import contextlib
import io
import shutil
import threading
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from veinfit.desk.jobs.exports import Exports
from veinfit.desk.jobs.reviews import Reviews
from veinfit.desk.jobs.runs import RUN_LIMIT_S, Runs
from veinfit.desk.jobs.setting_up import Looks
from veinfit.desk.jobs.studies import Studies
from veinfit.desk.jobs.worker import ASSESS
from veinfit.desk.site.remedies import page_words, remedies, turned
from veinfit.desk.store.cases import (
    CORRECTIONS,
    NEW_PREFIX,
    SECOND,
    CaseFolder,
    case_named,
    make_case,
)
from veinfit.desk.store.options import CaseOptions, HeldFile, stated
from veinfit.desk.store.owner import DESK, Ownership
from veinfit.desk.store.states import CaseState, Summaries, listed, state_of
from veinfit.desk.store.uploads import referred
from veinfit.errors import InputError
from veinfit.io.files import MESH_SUFFIXES, VOLUME_SUFFIXES, check_file, hash_file
from veinfit.io.results.output import write_file

SAMPLE, SAMPLE_TITLE = "Larkmoor 01 sample", "Larkmoor 01 (invented sample)"
OVERVIEW = Path("pictures", "overview.png")
THUMB_PX = 240


def check_folder(folder: Path) -> None:
    """Raise InputError where a folder for the desk is not there, or is something else."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is not a folder; name the folder that holds the cases")
    if not folder.is_dir():
        raise InputError(f"folder {folder} does not exist; make it, or name another")


class Desk:
    """Cases of a folder, their runs, reviews and exports.

    Parameters
    ----------
    folder : Path
    workers : int
        Runs at a time.
    function : str
        What worker processes do with a job; tests put another in its place.
    limit_s : float
        Of a run.

    Raises
    ------
    InputError
        There is no such folder.
    """

    def __init__(
        self, folder: Path, workers: int = 1, function: str = ASSESS, limit_s: float = RUN_LIMIT_S
    ) -> None:
        check_folder(folder)
        self.folder = folder.resolve()
        self.owner = Ownership(self.folder)
        self.runs = Runs(
            self.folder, workers, function, **({"limit_s": limit_s} if limit_s else {})
        )
        self.looks = Looks(function)
        self.reviews = Reviews(self.need_own, function, lambda: self.who)
        self.exports = Exports(self.folder, function)
        self.studies = Studies(self.folder, function)
        self.who = ""
        """The name that was given last, so that it need not be typed again."""
        self._summaries = Summaries(self.folder)
        self._thumbs: dict[tuple[Any, ...], bytes] = {}
        self._lock = threading.Lock()
        self._begun = False

    def begin(self) -> None:
        """Take the folder where no other desk has it, and go on with what waits in it."""
        with self._lock:
            if not self._begun and self.owner.take():
                self._begun = True
                for left in self.folder.glob(f"{NEW_PREFIX}*"):
                    shutil.rmtree(left, ignore_errors=True)
                self.runs.start()

    def end(self) -> None:
        """End every process and let go of the folder."""
        self.runs.stop()
        self.reviews.close()
        self.looks.close()
        self.exports.close()
        self.studies.close()
        self.owner.release()

    # ---- who may ----
    def need_own(self) -> None:
        """Raise InputError where another desk holds the folder."""
        self.begin()
        if not self.owner.held:
            raise InputError(self.only_reading())

    def only_reading(self) -> str:
        """Say why this desk changes nothing; empty where it may."""
        self.begin()
        if self.owner.held:
            return ""
        if self.owner.hindrance:
            return f"{self.owner.hindrance}; this desk shows what is there and changes nothing"
        return (
            f"another desk is at work on this folder ({self.owner.other()}); this one shows what "
            "is there and changes nothing, until the other has ended"
        )

    # ---- what is shown ----
    def states(self) -> list[dict[str, Any]]:
        """Return the list of cases, with the progress of those that run."""
        with self._lock:
            found = listed(self.folder, self._summaries)
        return [self.told(state) for state in found]

    def told(self, state: CaseState) -> dict[str, Any]:
        """Return one line of the list as plain values."""
        told = asdict(state)
        if (unwritten := self.runs.told(state.name)) is not None:
            told["state"], told["reason"] = unwritten["state"], unwritten["reason"]
        told["remedies"] = [asdict(one) for one in remedies(told["reason"])]
        told["turned"] = turned(told["reason"])
        # The page is the case's own: where it lies on the disk is no help there.
        told["reason"] = page_words(told["reason"].replace(f"{self.folder / state.name}/", ""))
        progress = self.runs.progress(state.name) if told["state"] == "running" else None
        told["progress"] = None if progress is None else asdict(progress)
        told["picture"] = self._picture(CaseFolder(self.folder / state.name)).is_file()
        told["before"] = self.runs.place(state.name) if told["state"] == "waiting" else 0
        return told

    def state(self, case: CaseFolder) -> dict[str, Any]:
        """Return the line of one case."""
        with self._lock:
            return self.told(state_of(case, self._summaries))

    def case(self, name: str) -> CaseFolder | None:
        """Return the case of this name."""
        return case_named(self.folder, name)

    def thumb(self, case: CaseFolder) -> bytes | None:
        """Return a small picture of a case's atrium; None where there is none."""
        path = self._picture(case)
        try:
            status = path.stat()
        except OSError:
            return None
        key = (case.name, status.st_mtime_ns, status.st_size)
        if key not in self._thumbs:
            from PIL import Image

            try:
                with Image.open(path) as picture:
                    w, h = picture.size
                    # An overview shows the atrium from behind there.
                    from_behind = (0, int(0.1 * h), int(0.485 * w), int(0.87 * h))
                    part = picture.crop(from_behind if path.name == OVERVIEW.name else (0, 0, w, h))
                    part.thumbnail((THUMB_PX, THUMB_PX))
                    stream = io.BytesIO()
                    part.convert("RGB").save(stream, "PNG")
            except (OSError, ValueError):
                return None
            self._thumbs[key] = stream.getvalue()
            while len(self._thumbs) > 500:
                self._thumbs.pop(next(iter(self._thumbs)), None)
        return self._thumbs[key]

    def _picture(self, case: CaseFolder) -> Path:
        """Return where the picture of a case is: of its results, or of its parts."""
        overview = case.result / OVERVIEW
        return overview if overview.is_file() else self.folder / DESK / f"parts-{case.name}.png"

    def shapes(self, case: CaseFolder) -> dict[str, Any]:
        """Return the 3D scene of a case's parts; a small picture of them is kept for the list."""
        options = case.options
        files = [case.path / one.path for one in options.files]
        shown = [path for path in files if self.looks.of(path)["kind"] in ("mesh", "labels")]
        found = self.looks.shapes(shown, options)
        if self.owner.held and found.get("picture") and not case.has_result:
            with contextlib.suppress(InputError):
                target = self.folder / DESK / f"parts-{case.name}.png"
                write_file(target, base64.b64decode(found["picture"]))
        return {name: value for name, value in found.items() if name != "picture"}

    # ---- what is done ----
    def new_case(self, wanted: str, who: str = "") -> CaseFolder:
        """Make a case without files."""
        self.need_own()
        return make_case(self.folder, wanted, who=who)

    def sample(self, who: str = "") -> CaseFolder:
        """Make the sample case and put it into the queue."""
        self.need_own()
        case = make_case(self.folder, SAMPLE, CaseOptions(case_id=SAMPLE_TITLE), who)
        drawn = self.looks.sample(case.path / "inputs")
        paths = {key: f"inputs/{name}" for key, name in drawn.items()}
        files = tuple(
            HeldFile(p, hash_file(case.path / p), (case.path / p).stat().st_size)
            for p in paths.values()
        )
        options = replace(
            case.options,
            input=paths["mesh"],
            landmarks=paths["landmarks"],
            frame="lps",
            unit="mm",
            files=files,
        )
        case.ask(options, who, "invented sample drawn")
        self.runs.ask(case, who)
        return case

    def loose(self) -> list[str]:
        """Return the names of files in the folder that no case refers to."""
        known = set()
        for one in listed(self.folder, self._summaries):
            case = CaseFolder(self.folder / one.name)
            try:
                known |= {(case.path / f.path).resolve() for f in case.options.files}
            except InputError:
                continue
        return sorted(
            path.name
            for path in self.folder.iterdir()
            if path.is_file()
            and path.name.lower().endswith(MESH_SUFFIXES + VOLUME_SUFFIXES)
            and not path.name.startswith(".")
            and path.resolve() not in known
        )

    def take_loose(self, who: str = "") -> int:
        """Make a case of every such file, which stays where it is; return how many."""
        self.need_own()
        names = self.loose()
        for name in names:
            file = self.folder / name
            check_file(file, "input")
            stem = name.partition(".")[0]
            case = make_case(self.folder, stem, who=who)
            beside = [f"{stem}.labels.toml", f"{stem}.landmarks.csv", f"{stem}.corrections.toml"]
            given = [file, *(self.folder / b for b in beside if (self.folder / b).is_file())]
            files = tuple(referred(case.path, one) for one in given)
            case.ask(replace(case.options, files=files), who, f"{name} referred to")
        return len(names)

    def run(self, case: CaseFolder, who: str = "") -> None:
        """Put a case into the queue, with the corrections that are there."""
        self.need_own()

        def corrected(options: CaseOptions) -> CaseOptions:
            chosen = options.corrections or CORRECTIONS
            there = (case.path / chosen).is_file()
            return replace(options, corrections=chosen if there else "")

        case.change(corrected, who, "corrections of the run stated")
        self.runs.ask(case, who)

    def run_ready(self, who: str = "") -> int:
        """Put every new case that lacks nothing into the queue; return how many."""
        self.need_own()
        ready = [one.name for one in listed(self.folder, self._summaries) if _is_ready(one)]
        for name in ready:
            self.run(CaseFolder(self.folder / name), who)
        return len(ready)

    def state_for_meshes(self, frame: str, unit: str, who: str = "") -> int:
        """State frame and unit of every new mesh that lacks them; return of how many."""
        self.need_own()
        count = 0
        for one in listed(self.folder, self._summaries):
            case = CaseFolder(self.folder / one.name)
            if one.state != "new" or not case.options.is_mesh or not case.options.missing:
                continue
            case.change(lambda options: stated(options, {"frame": frame, "unit": unit}), who)
            count += 1
        return count

    def choose_reader(self, case: CaseFolder, reader: str, who: str = "") -> None:
        """State whose corrections the next run takes."""
        self.need_own()
        name = {"first": CORRECTIONS, "second": SECOND}.get(reader, "")
        if not name or not (case.path / name).is_file():
            raise InputError(f"the {reader} reader has saved no corrections")
        told = f"the run takes the corrections of the {reader} reader"
        case.change(lambda options: replace(options, corrections=name), who, told)


def _is_ready(one: CaseState) -> bool:
    return one.state == "new" and not one.reason


def values_of(options: CaseOptions) -> Mapping[str, Any]:
    """Return options as plain values, without the files."""
    values = asdict(options)
    values.pop("files")
    return values
