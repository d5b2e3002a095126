"""Looked over, signed, reopened: who, when, and which files with which hashes."""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

from veinfit.desk.store.cases import (
    CORRECTIONS,
    INPUTS,
    REVIEWED,
    RUN,
    SECOND,
    SIGNED,
    CaseFolder,
)
from veinfit.desk.store.journal import now
from veinfit.desk.store.options import OPTIONS_FILE
from veinfit.desk.store.signed_copies import put_away, write_copies
from veinfit.desk.store.states import newer_than_result
from veinfit.errors import InputError
from veinfit.io.files import hash_file
from veinfit.io.results.document import files_of_earlier_run, read_document
from veinfit.io.results.output import unwritable
from veinfit.io.results.provenance import program_versions


def mark_reviewed(case: CaseFolder, who: str, seen: str = "") -> None:
    """State that somebody has looked the present results over.

    Parameters
    ----------
    case : CaseFolder
    who : str
    seen : str
        SHA-256 of the ``case.json`` that was looked at; not asked for where empty.

    Raises
    ------
    InputError
        There are none, others were seen, they are older than what they are made of, or nobody is
        named.
    """
    with case.held_open():
        _need_ready(case, who)
        digest = _seen_digest(case, seen)
        case.put_state(REVIEWED, {"who": who, "time": now(), "result": digest})
        case.note("looked over", who, result=digest)


def sign(case: CaseFolder, who: str, seen: str = "") -> None:
    """Sign a case: name, time, versions and the hash of every file; it is read-only from then on.

    The signature stands on copies of report and PDF, which are hashed too.

    Parameters
    ----------
    case : CaseFolder
    who : str
    seen : str
        SHA-256 of the ``case.json`` that was looked at; not asked for where empty.

    Raises
    ------
    InputError
        The present results were not looked over, others were seen, a run waits, or nobody is
        named.
    """
    with case.held_open():
        _need_ready(case, who)
        digest = _seen_digest(case, seen)
        over = case.state_file(REVIEWED)
        if over.get("result") != digest:
            raise InputError("the present results were not marked as looked over; do that first")
        document = read_document(case.result)
        # A record of an earlier version may lack what this one has.
        told = document.get("run", {}).get("versions", {})
        versions = {**told, "desk": program_versions()["veinfit"]}
        signed: dict[str, Any] = {
            "who": who,
            "time": now(),
            "reviewed": {name: over[name] for name in ("who", "time")},
            "result": digest,
            "versions": versions,
        }
        names = (*_names(case), *write_copies(case, signed))
        signed["files"] = {name: hash_file(case.path / name) for name in names}
        case.put_state(SIGNED, signed)
        case.note("signed", who, result=digest)


def reopen(case: CaseFolder, who: str, reason: str) -> None:
    """Take a signature back, with a reason; it is kept beside under a number.

    Raises
    ------
    InputError
        The case is not signed, or who or why is missing.
    """
    with case.held():
        if not case.is_signed:
            raise InputError("the case is not signed")
        if not who.strip() or not reason.strip():
            raise InputError("say who reopens the case, and why")
        case.note("reopened", who, reason=reason)
        kept = next(path for k in count(1) if not (path := case.path / f"signed-{k}.json").exists())
        try:
            (case.path / SIGNED).rename(kept)
            put_away(case, kept)
        except OSError as error:
            raise unwritable(case.path, error) from error


def changed_since_signing(case: CaseFolder) -> tuple[str, ...]:
    """Return the names of files that are no longer as they were signed."""
    signed: dict[str, Any] = case.state_file(SIGNED).get("files", {})
    changed = []
    for name, digest in signed.items():
        try:
            same = hash_file(case.path / name) == digest
        except InputError:
            same = False
        if not same:
            changed.append(name)
    return tuple(changed)


def _seen_digest(case: CaseFolder, seen: str) -> str:
    """Return the hash of the present results; refuse where a page shows earlier ones."""
    digest = hash_file(case.result / "case.json")
    if seen and seen != digest:
        raise InputError(
            "the case was run again after this page was loaded: load it again and look at the new "
            "results; nothing was changed"
        )
    return digest


def _need_ready(case: CaseFolder, who: str) -> None:
    case.need_open()
    if not who.strip():
        raise InputError("give your name")
    if not case.has_result:
        raise InputError("the case has no results yet")
    if case.state_file(RUN).get("state") in ("waiting", "running"):
        raise InputError("the case is in the queue; wait for its run or cancel it")
    if reason := newer_than_result(case):
        raise InputError(reason)


def _names(case: CaseFolder) -> list[str]:
    """Return the names of what is signed, relative to the case."""
    result = [case.result / name for name in files_of_earlier_run(case.result)]
    given = [case.path / name for name in (OPTIONS_FILE, CORRECTIONS, SECOND)]
    inputs = sorted((case.path / INPUTS).glob("**/*"))
    found = dict.fromkeys(p for p in (*result, *given, *inputs) if _is_own(case.path, p))
    return [path.relative_to(case.path).as_posix() for path in found]


def _is_own(folder: Path, path: Path) -> bool:
    return path.is_file() and path.resolve().is_relative_to(folder.resolve())
