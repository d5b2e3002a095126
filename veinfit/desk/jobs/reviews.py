"""Reviews that are open: each in a process of its own, asked through a pipe."""

from __future__ import annotations

import contextlib
import itertools
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from urllib.parse import quote

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.desk.jobs.progress import (
    BEGINNING,
    PACE,
    Pace,
    progress_of,
    stages_in,
    tell_stage,
)
from veinfit.desk.jobs.worker import ASSESS
from veinfit.desk.store.cases import CaseFolder, own_size_and_time
from veinfit.desk.store.owner import DESK
from veinfit.errors import InputError
from veinfit.vectors import FloatArray

OPEN_AT_MOST = 2
"""Reviews whose process is kept: each holds the anatomy of its case, some 500 MB."""

REMEMBERED = 4
"""Cases whose anatomy, as it was found, is held for their next review: each some 40 MB."""

ANSWER_LIMIT_S = 300.0
"""An answer that takes longer counts as hung."""


class CaseReview:
    """One case under review by one reader; what its page asks is answered by its process.

    Parameters
    ----------
    case : CaseFolder
    reader : {'first', 'second'}
    function : str
    may_write : callable
        Raises InputError where nothing may be changed.
    who : callable
        Returns the name that was given last.
    remembered : OrderedDict
        What was found in each case, for every review of it.
    """

    def __init__(
        self,
        case: CaseFolder,
        reader: str,
        function: str,
        may_write: Callable[[], object],
        who: Callable[[], str],
        remembered: OrderedDict[str, dict[str, str]] | None = None,
    ) -> None:
        self._remembered = OrderedDict() if remembered is None else remembered
        self.case, self.reader, self._may_write, self._who = case, reader, may_write, who
        self.mark = own_size_and_time(case.result / "case.npz")
        """Of the results that it is of: other ones need another review."""
        self._process = CaseProcess(function, ANSWER_LIMIT_S)
        self._lock = threading.Lock()
        self._turns, self._newest = itertools.count(1), 0
        self._opening: threading.Thread | None = None
        self._stages = case.path.parent / DESK / f"opening-{reader}-{case.name}.json"
        self.page: tuple[str, str] | None = None
        self.fault = ""

    @property
    def of(self) -> str:
        """Which results its page shows."""
        return "-".join(map(str, self.mark))

    def need_same(self, of: str) -> None:
        """Raise InputError where a page shows other results than this review is of.

        What was seen on an earlier atrium would be saved as corrections of this one.

        Parameters
        ----------
        of : str
            As the page has it; one that has nothing is not asked.
        """
        if of and of != self.of:
            raise InputError(
                "the case was run again after this page was opened: reload it; what is not saved "
                "yet is kept"
            )

    def open(self) -> None:
        """Begin to open it; :attr:`page` or :attr:`fault` says when that is done."""
        if self._opening is None:
            self._opening = threading.Thread(target=self._open, daemon=True)
            self._opening.start()

    def _open(self) -> None:
        tell_stage(self._stages, [], BEGINNING)
        back = f"{quote(self.case.name)}/"
        job = {"back": back, "stages": str(self._stages), "of": self.of}
        try:
            with self._lock:
                told = self._ask_with_found("page", **job)
            self.page = told["page"], told["policy"]
        except InputError as error:
            self.fault = str(error)
        finally:
            with contextlib.suppress(OSError):
                self._stages.unlink(missing_ok=True)

    def opening(self) -> dict[str, Any]:
        """Begin to open it, and tell how far that is."""
        self.open()
        if self.page is not None or self.fault:
            return {"ready": True}
        usual = Pace(self._stages.with_name(PACE)).opening
        progress = progress_of(stages_in(self._stages), time.time(), usual)
        if progress is None:
            return {"ready": False}
        return {"ready": False, "share": progress.share, "left_s": progress.left_s}

    def close(self) -> None:
        """End its process."""
        self._process.close()

    # ---- what the page asks ----
    def opened(self) -> dict[str, Any]:
        """Return what the corrections file says now, who was named last, and why all is closed."""
        with self._lock:
            told = dict(self._ask("opened"))
        return {**told, "closed": self._closed(), "who": self._who()}

    def _closed(self) -> str:
        """Say why nothing may be changed; empty where it may."""
        try:
            self.case.need_open()
            self._may_write()
        except InputError as error:
            told = str(error).removesuffix("; nothing was changed")
            return f"{told[:1].upper()}{told[1:]}."
        return ""

    def merged(self, entries: Sequence[Mapping[str, Any]], base: str) -> dict[str, Any]:
        """Bring a page's entries together with the file."""
        with self._lock:
            return dict(self._ask("merged", entries=list(entries), base=base))

    def save(
        self, entries: Sequence[Mapping[str, Any]], base: str = "", agreed: bool = False
    ) -> dict[str, Any]:
        """Write the corrections file, and say in the journal who did."""
        with self._lock:
            self._may_write()
            self.case.need_open()
            # A process that has to open the case first takes its time: others need not wait.
            self._ask("opened")
            # A signature that is given now would be of another file than the one written.
            with self.case.held_open():
                return self._saved(list(entries), base, agreed)

    def _saved(self, entries: list[Mapping[str, Any]], base: str, agreed: bool) -> dict[str, Any]:
        told = dict(self._ask("save", entries=entries, base=base, agreed=agreed))
        if "kept" in told and "ask" not in told and "changed" not in told:
            who = ", ".join(sorted({str(e.get("who", "")) for e in entries}))
            veins = sorted({str(e.get("vein", "")) for e in entries})
            what = f"corrections of the {self.reader} reader saved"
            self.case.note(what, who, veins=veins)
        return told

    def preview(
        self,
        vein: str,
        entries: Sequence[Mapping[str, Any]],
        seats: bool,
        added: bool = False,
        first: int | None = None,
    ) -> dict[str, Any]:
        """Return what a vein would become; a question that a later one overtook is let go."""
        turn = next(self._turns)
        self._newest = max(turn, self._newest)
        with self._lock:
            if turn < self._newest:
                return {"superseded": True}
            return dict(
                self._ask(
                    "preview",
                    vein=vein,
                    entries=list(entries),
                    seats=seats,
                    added=added,
                    first=first,
                )
            )

    def place(self, origin: FloatArray, direction: FloatArray) -> tuple[list[float], list[str]]:
        """Return a point in the blood under a place that was clicked."""
        with self._lock:
            told = self._ask("place", origin=origin.tolist(), direction=direction.tolist())
            return told[0], told[1]

    def image_plane(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Return a plane of the image behind the labels."""
        plane = {name: wanted.get(name) for name in ("kind", "centre", "normal", "axis")}
        with self._lock:
            return dict(self._ask("image", plane=plane))

    def compared(self) -> list[dict[str, Any]]:
        """Return how the two readers' corrections differ."""
        with self._lock:
            return list(self._ask_with_found("compare")["veins"])

    def _ask_with_found(self, act: str, **more: Any) -> dict[str, Any]:
        """Ask what needs the anatomy, which is found once: after that the desk remembers it."""
        name = self.case.name
        told = dict(self._ask(act, found=self._remembered.get(name), **more))
        found = told["found"] or self._remembered.pop(name, None)
        if found:
            self._remembered[name] = found
        while len(self._remembered) > REMEMBERED:
            self._remembered.popitem(last=False)
        return told

    def _ask(self, act: str, **more: Any) -> Any:
        job = {"do": "review", "case": str(self.case.path), "reader": self.reader, "act": act}
        try:
            answer = self._process.run({**job, **more})
        except ProcessHung as error:
            raise InputError(
                f"the review did not answer within {ANSWER_LIMIT_S / 60:.0f} min and was ended; "
                "reload the page"
            ) from error
        except ProcessDied as death:
            raise InputError(
                f"the review's process ended ({death}); nothing saved is lost: reload the page"
            ) from death
        if "failed" in answer:
            raise InputError(str(answer["failed"]))
        return answer["rows"]


class Reviews:
    """The reviews that are open; the one that was asked least recently makes room.

    Parameters
    ----------
    may_write, who : callable
        As each review takes them.
    function : str
    """

    def __init__(
        self,
        may_write: Callable[[], object],
        function: str = ASSESS,
        who: Callable[[], str] = str,
    ) -> None:
        self._may_write, self._function, self._who = may_write, function, who
        self._open: OrderedDict[tuple[str, str], CaseReview] = OrderedDict()
        self._remembered: OrderedDict[str, dict[str, str]] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, case: CaseFolder, reader: str) -> CaseReview:
        """Return the review of a case by a reader, begun where it was not."""
        key = (case.name, reader)
        with self._lock:
            found = self._open.pop(key, None)
            mark = own_size_and_time(case.result / "case.npz")
            stale = found if found is not None and found.mark != mark else None
            if found is None or stale is not None:
                found = CaseReview(
                    case, reader, self._function, self._may_write, self._who, self._remembered
                )
            self._open[key] = found
            gone = [self._open.popitem(last=False)[1] for _ in self._beyond()]
        for one in (*gone, *([stale] if stale is not None else [])):
            one.close()
        return found

    def _beyond(self) -> range:
        return range(len(self._open) - OPEN_AT_MOST)

    def forget(self, name: str) -> None:
        """Close the reviews of a case, whose results are new ones."""
        with self._lock:
            keys = [key for key in self._open if key[0] == name]
            gone = [self._open.pop(key) for key in keys]
        for one in gone:
            one.close()

    def close(self) -> None:
        """Close them all."""
        with self._lock:
            gone = list(self._open.values())
            self._open.clear()
        for one in gone:
            one.close()
