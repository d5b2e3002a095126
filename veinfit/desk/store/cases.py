"""The folder is the store: one folder a case, plain files that the commands read and write too.

========================  =====================================================================
``asked.toml``            files and options, with the hash of each file as it was given
``inputs/``               the files themselves; what the desk writes there is called ``desk.*``
``corrections.toml``      what a first reader corrected; ``second_reader.toml`` the second's
``run.json``              a run that waits, runs, failed or was cancelled; none when all is well
``result/``               what ``assess`` writes
``earlier/case.json``      the record of the results before the last run
``reviewed.json``         who looked over which result
``signed.json``           who signed which files; the case is read-only while it is there
``signed/``               report and PDF with the signature on them
``journal.jsonl``         what was done, by whom and when
========================  =====================================================================

A folder that ``assess`` itself has written is a case too, with its results in place.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from veinfit.desk.store.journal import append
from veinfit.desk.store.options import (
    OPTIONS_FILE,
    CaseOptions,
    options_text,
    read_options,
    write_options,
)
from veinfit.errors import InputError
from veinfit.io.results.output import unwritable, write_file

INPUTS, RESULT, EARLIER = "inputs", "result", "earlier"
RUN, REVIEWED, SIGNED = "run.json", "reviewed.json", "signed.json"
CORRECTIONS, SECOND = "corrections.toml", "second_reader.toml"
OWN_LABELS, OWN_LANDMARKS = "desk.labels.toml", "desk.landmarks.csv"
"""In ``inputs``, written by the desk itself: no file that is taken in gets these names."""

LONGEST_NAME = 80
NEW_PREFIX = ".veinfit-case-"

_changing = threading.RLock()
"""Two windows may change one case at the same time."""

CLOSED = "the case is signed, and read-only until it is reopened with a reason; nothing was changed"


@dataclass(frozen=True, slots=True)
class CaseFolder:
    """One case of the folder.

    Attributes
    ----------
    path : Path
    """

    path: Path

    @property
    def name(self) -> str:
        """The folder's name, by which the case is known."""
        return self.path.name

    @property
    def has_options(self) -> bool:
        """Whether it was made by a desk, and not by the commands alone."""
        return (self.path / OPTIONS_FILE).is_file()

    @property
    def options(self) -> CaseOptions:
        """What is asked for; nothing where the commands alone have made the case."""
        return read_options(self.path) if self.has_options else CaseOptions()

    @property
    def result(self) -> Path:
        """Where its results are, or will be."""
        own = self.path / RESULT
        bare = (self.path / "case.json").is_file() and not (own / "case.json").is_file()
        return self.path if bare else own

    @property
    def has_result(self) -> bool:
        """Whether there are whole results."""
        return (self.result / "case.json").is_file()

    @property
    def is_signed(self) -> bool:
        """Whether it is read-only."""
        return (self.path / SIGNED).exists()

    def state_file(self, name: str) -> dict[str, Any]:
        """Return one of its small JSON files; nothing where it is not there or unreadable."""
        try:
            content = json.loads((self.path / name).read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return content if isinstance(content, dict) else {}

    def put_state(self, name: str, content: dict[str, Any]) -> None:
        """Write one of its small JSON files whole or not at all."""
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
        write_file(self.path / name, (text + "\n").encode())

    def need_open(self) -> None:
        """Raise InputError where the case is signed."""
        if self.is_signed:
            raise InputError(CLOSED)

    @contextmanager
    def held_open(self) -> Iterator[None]:
        """Keep others of this desk from changing, signing or reopening a case meanwhile.

        Whatever belongs to a case is replaced within: a signature that is given between the
        question whether there is one and the change would be of other files.

        Raises
        ------
        InputError
            The case is signed.
        """
        with self.held():
            self.need_open()
            yield

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep others of this desk away as :meth:`held_open` does, signed or not."""
        with _changing:
            yield

    def ask(self, options: CaseOptions, who: str = "", what: str = "options stated") -> None:
        """State what is asked, and say so in the journal."""
        with self.held_open():
            before = self.options
            if options != before:
                write_options(self.path, options)
                self.note(what, who)

    def change(
        self, how: Callable[[CaseOptions], CaseOptions], who: str = "", what: str = ""
    ) -> CaseOptions:
        """Change what is asked, with nobody of this desk in between; return what is asked now.

        Parameters
        ----------
        how : callable
            Turns what is asked into what will be.
        who, what : str
            For the journal.
        """
        with self.held_open():
            options = how(self.options)
            self.ask(options, who, what or "options stated")
            return options

    def note(self, what: str, who: str = "", **more: Any) -> None:
        """Append to the journal.

        Raises
        ------
        InputError
            It cannot be written.
        """
        try:
            append(self.path, what, who, **more)
        except OSError as error:
            raise unwritable(self.path, error) from error


def is_case(folder: Path) -> bool:
    """Tell whether a folder is a case."""
    return (folder / OPTIONS_FILE).is_file() or (folder / "case.json").is_file()


def cases_in(folder: Path) -> Iterator[CaseFolder]:
    """Yield the cases of a folder by name.

    Raises
    ------
    InputError
        The folder cannot be read.
    """
    try:
        names = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    except OSError as error:
        raise InputError(f"folder {folder} cannot be read: {error.strerror or error}") from error
    for path in names:
        if path.is_dir() and not path.is_symlink() and is_case(path):
            yield CaseFolder(path)


def case_named(folder: Path, name: str) -> CaseFolder | None:
    """Return the case of this name; None where there is none. No name leads out of the folder."""
    if not name or name.startswith(".") or "/" in name or "\\" in name or "\0" in name:
        return None
    path = folder / name
    try:
        found = path.is_dir() and not path.is_symlink() and is_case(path)
    except (OSError, ValueError):
        return None
    return CaseFolder(path) if found else None


def make_case(
    folder: Path, wanted: str, options: CaseOptions | None = None, who: str = ""
) -> CaseFolder:
    """Make a case, whole before it is seen; a name that is taken gets a number.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    base = plain_name(wanted)
    stage: Path | None = None
    try:
        stage = Path(tempfile.mkdtemp(prefix=NEW_PREFIX, dir=folder))
        stage.chmod(0o755)
        (stage / INPUTS).mkdir()
        (stage / OPTIONS_FILE).write_text(options_text(options or CaseOptions()), "utf-8")
        append(stage, "case made", who)
        for k in range(1, 10_000):
            path = folder / (base if k == 1 else f"{base}-{k}")
            if path.exists():
                continue
            try:
                stage.rename(path)
            except OSError:
                # Somebody else took the name meanwhile.
                if path.exists():
                    continue
                raise
            return CaseFolder(path)
    except OSError as error:
        raise unwritable(folder, error) from error
    finally:
        if stage is not None:
            shutil.rmtree(stage, ignore_errors=True)
    raise InputError(f"folder {folder} holds too many cases called {base}; give another name")


def plain_name(wanted: str) -> str:
    """Return a name for a folder that any system takes: letters, digits, blanks and ``_ . -``."""
    text = re.sub(r"[^\w .-]+", "-", wanted, flags=re.UNICODE).strip(" .-")[:LONGEST_NAME]
    return text.rstrip(" .-") or "case"


def own_size_and_time(path: Path) -> tuple[int, int]:
    """Return size and time of change of a file, by which another content is known; -1 if none."""
    try:
        status = path.stat()
    except OSError:
        return -1, -1
    return status.st_size, status.st_mtime_ns
