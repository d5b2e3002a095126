"""A case before its run: what its files are, which part is what, its landmarks."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.desk.jobs.landmarks import marks_of
from veinfit.desk.jobs.worker import ASSESS
from veinfit.desk.store.cases import (
    CORRECTIONS,
    INPUTS,
    OWN_LABELS,
    CaseFolder,
    own_size_and_time,
    plain_name,
)
from veinfit.desk.store.options import CaseOptions, with_own
from veinfit.desk.store.parts import MAPS, Assigned, assigned_in, map_text, proposed
from veinfit.errors import InputError
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.results.output import write_file

LOOK_LIMIT_S = 300.0
"""Reading a file that takes longer counts as hung; one of 512 × 512 × 600 takes some ten."""

ROLES = {"label map": "labels", "landmarks": "landmarks", "settings": "settings", "image": "image"}
"""Options that a file of each kind sets by itself."""


class Looks:
    """Looks into files in a process of its own, and remembers what it saw."""

    def __init__(self, function: str = ASSESS) -> None:
        self._process = CaseProcess(function, LOOK_LIMIT_S)
        self._lock = threading.Lock()
        self._known: dict[tuple[Any, ...], Any] = {}

    def of(self, path: Path) -> dict[str, Any]:
        """Return what a file is, as plain values."""
        found: dict[str, Any] = self._looked_up(
            ("inspect", str(path), own_size_and_time(path)),
            {"do": "inspect", "file": str(path)},
            {"name": path.name, "kind": "unusable", "parts": [], "told": [], "units": []},
        )
        return found

    def shapes(self, files: Sequence[Path], options: CaseOptions) -> dict[str, Any]:
        """Return the 3D scene of a case's parts."""
        marks = tuple((str(path), own_size_and_time(path)) for path in files)
        frame, unit = options.frame or "lps", options.unit or "mm"
        job = {"do": "shapes", "files": [str(f) for f in files], "frame": frame, "unit": unit}
        found: dict[str, Any] = self._looked_up(("shapes", marks, frame, unit), job, {"parts": []})
        return found

    def sample(self, inputs: Path) -> dict[str, Any]:
        """Draw the sample into a folder.

        Raises
        ------
        InputError
            It could not be drawn.
        """
        with self._lock:
            told = self._run({"do": "sample", "inputs": str(inputs)})
        if "failed" in told:
            raise InputError(f"the sample could not be drawn: {told['failed']}")
        rows: dict[str, Any] = told["rows"]
        return rows

    def close(self) -> None:
        """End the process."""
        self._process.close()

    def _looked_up(self, key: tuple[Any, ...], job: dict[str, Any], empty: dict[str, Any]) -> Any:
        with self._lock:
            if key not in self._known:
                told = self._run(job)
                fault = told.get("failed", "")
                self._known[key] = told["rows"] if not fault else {**empty, "fault": fault}
                # A scene has a megabyte or two.
                while len(self._known) > 60:
                    self._known.pop(next(iter(self._known)))
            return self._known[key]

    def _run(self, job: dict[str, Any]) -> dict[str, Any]:
        try:
            return self._process.run(job)
        except ProcessHung:
            return {"failed": f"it was not read within {LOOK_LIMIT_S / 60:.0f} min"}
        except ProcessDied as death:
            return {"failed": f"reading it ended the process ({death}); the file may be damaged"}


def set_up(case: CaseFolder, looks: Looks, folder: Path) -> dict[str, Any]:
    """Return what the files of a case are, and what is proposed for their parts.

    What is plain from a file is taken over into the case: a label map, landmarks, an image,
    and the input where there is one mesh, or parts whose meaning is stated.
    """
    options = case.options
    files = [{**looks.of(case.path / one.path), "path": one.path} for one in options.files]
    files = _with_series(files)
    if not case.is_signed:
        options = _taken_over(case, files)
    labels = [f for f in files if f["kind"] == "labels" and not f.get("fault")]
    source, parts = "", list[Assigned]()
    if options.labels:
        parts = assigned_in(case.path / options.labels, labels)
        source = "stated" if parts else ""
    if not parts and labels:
        source, parts = proposed(folder, labels)
    shown = [case.path / f["path"] for f in files if f["kind"] in ("labels", "mesh")]
    return {
        "files": files,
        "source": source,
        "assigned": [[p.file, p.value, p.name] for p in parts],
        "marks": marks_of(case, options),
        "missing": options.missing,
        "contradictions": contradictions(files),
        "shown": [str(path) for path in shown],
    }


def _with_series(files: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return looks with the slices of a DICOM series as one: the image, which is their folder."""
    slices = [f for f in files if f["kind"] == "slice"]
    if not slices:
        return files
    told = [*slices[0]["told"], ["Slices", str(len(slices))]]
    size = sum(int(f["bytes"]) for f in slices)
    whole = {**slices[0], "name": "DICOM series", "kind": "image", "path": INPUTS, "told": told}
    return [*(f for f in files if f["kind"] != "slice"), {**whole, "bytes": size}]


def contradictions(files: Sequence[dict[str, Any]]) -> list[str]:
    """Say what in the files of a case does not go together."""
    meshes = [f["name"] for f in files if f["kind"] == "mesh"]
    labels = [f["name"] for f in files if f["kind"] == "labels"]
    told = []
    if meshes and labels:
        told.append(
            f"{meshes[0]} is a mesh and {labels[0]} a label file: a case has one or the other; "
            "remove one, or make another case of it"
        )
    if len(meshes) > 1:
        told.append(
            f"{' and '.join(meshes[:3])} are meshes: a case has one; remove the others, or make "
            "cases of them"
        )
    if any(f["kind"] == "label map" for f in files) and not labels:
        told.append("there is a label map, but no label file that it could name the parts of")
    return told


def _taken_over(case: CaseFolder, files: Sequence[dict[str, Any]]) -> CaseOptions:
    sound = [file for file in files if not file.get("fault")]

    def with_files(options: CaseOptions) -> CaseOptions:
        for file in sound:
            option = ROLES.get(file["kind"])
            if option and not getattr(options, option):
                options = replace(options, **{option: file["path"]})
        sources = [f for f in sound if f["kind"] in ("mesh", "labels")]
        if len(sources) == 1 and not options.input:
            only = sources[0]
            if only["kind"] == "mesh" or _means_atrium(case, options.labels):
                options = replace(options, input=only["path"])
        return options

    with case.held_open():
        for file in sound:
            if file["kind"] == "corrections" and not (case.path / CORRECTIONS).exists():
                shutil.copyfile(case.path / file["path"], case.path / CORRECTIONS)
        return case.change(with_files, what="taken over from the files")


def _means_atrium(case: CaseFolder, labels: str) -> bool:
    if not labels:
        return False
    try:
        read_label_map(case.path / labels)
    except InputError:
        return False
    return True


def assign_parts(
    case: CaseFolder, parts: Sequence[Assigned], who: str, folder: Path, keep_as: str = ""
) -> None:
    """State what each part of a case is, and keep the map for later cases where asked.

    Raises
    ------
    InputError
        The parts do not make an atrium, a map of this name is kept already, or the case is signed.
    """
    case.need_open()
    text, source = map_text(parts)
    options = case.options
    by_name = {Path(one.path).name: one.path for one in options.files}
    source = by_name.get(Path(source).name, "")
    if not source:
        raise InputError("the part that is the left atrium is in no file of the case")
    if keep_as:
        kept = folder / MAPS / f"{plain_name(keep_as)}.toml"
        if "file =" in text:
            raise InputError("a map of several files goes with these files and is not kept")
        if kept.exists() and kept.read_text("utf-8") != text:
            raise InputError(f"a map {kept.stem} is kept already; give another name")
        kept.parent.mkdir(exist_ok=True)
        write_file(kept, text.encode())
    labels = f"{INPUTS}/{OWN_LABELS}"
    named = {f"{p.file} {p.value}": p.name for p in parts if p.name}
    with case.held_open():
        write_file(case.path / labels, text.encode())
        case.change(lambda now: with_own(case.path, now, labels, input=source, labels=labels), who)
        case.note("parts stated", who, parts=named)
