"""What a review knows: the case as it was found, and what would become of it if corrected."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.anatomy import measure
from veinfit.anatomy.corrections.apply import Correction, correct
from veinfit.anatomy.detection import Detection
from veinfit.anatomy.model import Anatomy, Vein
from veinfit.case import CaseResult, Progress
from veinfit.errors import InputError
from veinfit.io.inputs.corrections import corrections_from_mapping, read_corrections
from veinfit.io.results.corrections_text import corrections_text, entry_values
from veinfit.labels.image import ImageVolume
from veinfit.report.model import Report
from veinfit.report.viewer.viewer_scene import vein_scene
from veinfit.report.wording import column_title, headline
from veinfit.result.input_mark import InputMark, is_corrections_doubt, mark_of, otherwise
from veinfit.review.clicked_place import blood_under, names_at
from veinfit.review.corrections_file import ABSENT, CorrectionsFile, FileState
from veinfit.review.found_again import found_again
from veinfit.review.image_view import ImageView
from veinfit.review.merging import combined, differences, merge, same
from veinfit.review.told_vein import told_vein
from veinfit.review.vein_seats import VeinSeats
from veinfit.seating.model import Fit
from veinfit.vectors import FloatArray

DRAFT = {"who": "not stated", "why": "not stated"}
"""Stands for who and why while a correction is only tried; what is saved must state them."""

NO_VEIN = "it is no longer a vein"


class ReviewSession:
    """One case under review. Nothing but the corrections file and its backups is ever written.

    Parameters
    ----------
    result : CaseResult
        As :func:`veinfit.case.load_case` returns it.
    target : Path
        The corrections file; where it exists, the review starts from it.
    progress : callable
        Told the stages of finding the anatomy again.
    found : Detection, optional
        From the very surface and settings of ``result``: then it is not found again.
    mend : bool
        Begin also where ``target`` cannot be read or followed: the page says why, and what is
        wrong can be taken out there.

    Raises
    ------
    InputError
        The case does not hold what it was found from, or ``target`` is no
        corrections file, or one that cannot be followed.
    """

    def __init__(
        self,
        result: CaseResult,
        target: Path,
        progress: Progress,
        found: Detection | None = None,
        mend: bool = False,
    ) -> None:
        if result.source is None:
            raise InputError("the case does not hold its surface; assess it again")
        self.target = target
        self._result = result
        self._found = found or found_again(result, progress)
        progress("measures")
        self._automatic = replace(measure(self._found), septum=result.anatomy.septum)
        self._before = {vein.name: vein for vein in self._automatic.veins}
        self._lock = threading.Lock()
        self._turns, self._newest = itertools.count(1), 0
        self._seats = VeinSeats(result)
        self.image_view: ImageView | None = None
        self._last: tuple[str, Anatomy] | None = None
        self._added: dict[object, Detection] = {}
        if target.exists() and not mend:
            self._check_file(target)
        elif not target.exists():
            correct(self._found, self._automatic, result.by_hand, ridges=False)
        self._file = CorrectionsFile(target, result.by_hand, self.mark, _doubt_of_run(result))

    def _check_file(self, target: Path) -> None:
        there = read_corrections(target)
        try:
            correct(self._found, self._automatic, there, ridges=False)
        except InputError as error:
            # The anatomy knows of no files.
            told = str(error).removeprefix("corrections: ")
            foreign = otherwise(there.made_on, self.mark)
            told += f"; {foreign}" if foreign else ""
            raise InputError(f"corrections {target}: {told}") from error

    @property
    def found(self) -> Detection:
        """What was found, for a later review of the same surface."""
        return self._found

    @property
    def report(self) -> Report:
        """What the page draws: the automatic anatomy, with the fits of the case that go with it."""
        corrected = {one.vein for one in self._result.anatomy.corrections}
        fits = tuple(fit for fit in self._result.fits if fit.vein in self._before and not corrected)
        return Report(replace(self._result, anatomy=self._automatic, fits=fits))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the automatic result that can be corrected."""
        return (*self._found.vein_names, *(("LAA",) if "LAA" in self._found.roles else ()))

    @property
    def mark(self) -> InputMark:
        """The input under review."""
        return mark_of(self._result.provenance)

    def of_run(self) -> dict[str, Any]:
        """Return what the run predicted of each vein, under the name by which the page knows it.

        Of a vein that was corrected by somebody else than this review begins with, nothing.
        """
        entries = combined(entry_values(one) for one in self._result.by_hand)
        names = {name: name for name in self.names}
        for entry in entries:
            vein = str(entry["vein"])
            names["+" + vein if "add_at_mm" in entry else vein] = str(entry.get("rename", vein))
        for one in self._result.anatomy.corrections:
            if not any(entry["vein"] == one.vein for entry in entries):
                names.pop(one.vein, None)
        words = self._result.settings.report
        return {
            "names": list(self.names),
            "entries": list(entries),
            "told": {
                key: [
                    {"title": column_title(fit, with_approach=len(self._seats.approaches) > 1),
                     "verdict": headline(fit, words)}
                    for fit in self._result.fits
                    if fit.vein == name
                ]
                for key, name in names.items()
            },
        }  # fmt: skip

    def show_image(self, image: ImageVolume) -> None:
        """Show the veins on an image too.

        Parameters
        ----------
        image : ImageVolume
        """
        self.image_view = ImageView(image, self._automatic.wall)

    def image_plane(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Return a plane of the image; see :meth:`veinfit.review.image_view.ImageView.plane`.

        Parameters
        ----------
        wanted : mapping of str to object

        Returns
        -------
        dict

        Raises
        ------
        InputError
            There is no image, or the question is no plane.
        """
        if self.image_view is None:
            raise InputError("the review has no image; start it with --image")
        return self.image_view.plane(wanted)

    def place(self, origin: FloatArray, direction: FloatArray) -> tuple[list[float], list[str]]:
        """Return a point in the blood under a place of the surface that was clicked.

        Parameters
        ----------
        origin, direction : (3,) array
            Where the viewer looks from, LPS mm, and where to.

        Returns
        -------
        point : list of float
            Half way from the nearest wall to the wall behind it, LPS mm.
        names : list of str
            Names of single veins, the one that usually lies there first.

        Raises
        ------
        InputError
            Nothing is there.
        """
        point = blood_under(self._found.lumen.wall.surface, origin, direction)
        names = names_at(point, self._found.branches.body_centre)
        return [round(float(c), 2) for c in point], names

    def preview(
        self,
        vein: str,
        entries: Sequence[Mapping[str, Any]],
        seats: bool,
        added: bool = False,
        first: int | None = None,
    ) -> dict[str, Any]:
        """Return what a vein would become, and with ``seats`` how the balloons would seat.

        ``superseded`` is returned where a later question came before this one was
        worked on: a drag asks many, and only the last one counts.

        Parameters
        ----------
        vein : str
            The name under which it was found, or with ``added`` is added.
        entries : sequence of mapping
        seats, added : bool
        first : int, optional
            Answer as soon as the balloon of this fit is seated; ``whole`` is then false.
            The question without it goes on from there.

        Returns
        -------
        dict
            Plain values for the page.

        Raises
        ------
        InputError
            An entry is wrong or cannot be followed.
        """
        turn = next(self._turns)
        self._newest = max(turn, self._newest)
        with self._lock:
            if turn < self._newest:
                return {"superseded": True}
            tried = _parsed([{**DRAFT, **_stated(entry)} for entry in entries])
            anatomy = self.corrected(tried)
            own = [c for c in tried if c.vein == vein and (c.add_at is not None) == added]
            name = next((c.rename for c in own if c.rename), vein)
            is_dropped = any(c.drop for c in own)
            now = next((v for v in anatomy.veins if v.name == name and not is_dropped), None)
            if seats and turn < self._newest:
                return {"superseded": True}
            fits: tuple[Fit, ...] = ()
            if seats and now is not None:
                fits = self._seats.seated(anatomy, now, first)
            report = Report(replace(self._result, anatomy=anatomy, fits=fits))
            return {
                "name": name,
                "lost": "" if now is not None else anatomy.unmeasured.get(name, NO_VEIN),
                **told_vein(None if added else self._before.get(vein), now, anatomy),
                "vein": None if now is None else vein_scene(anatomy, now, fits, report),
                "seated": seats,
                "whole": self._seats.are_whole(fits),
            }

    def opened(self) -> dict[str, Any]:
        """Return what the corrections file says now, for a page that begins."""
        with self._lock:
            return self._file.read().told()

    def merged(self, entries: Sequence[Mapping[str, Any]], base: str) -> dict[str, Any]:
        """Bring a page's entries together with the file, where it is no longer version ``base``.

        Parameters
        ----------
        entries : sequence of mapping
        base : str
            The version from which the page started.

        Returns
        -------
        dict
            Plain values for the page.
        """
        with self._lock:
            return self._merged(entries, base, self._file.read())

    def save(
        self, entries: Sequence[Mapping[str, Any]], base: str = ABSENT, agreed: bool = False
    ) -> dict[str, Any]:
        """Write the corrections file, unless that would lose what nobody has seen.

        Parameters
        ----------
        entries : sequence of mapping
        base : str
            The version of the file that the entries began from.
        agreed : bool
            Whether the file may be replaced.

        Returns
        -------
        dict
            ``changed``: the file is another one by now; it holds the merge, nothing
            was written. ``ask``: what replacing the file would change, nothing was
            written. Otherwise what the file says now, and ``kept``, the name of
            its backup.

        Raises
        ------
        InputError
            An entry is wrong, cannot be followed or does not say who and why; or
            the file cannot be written. It is then as it was.
        """
        with self._lock:
            there = self._file.read()
            if there.version != base:
                return {"changed": self._merged(entries, base, there)}
            corrections = _parsed(entries)
            self.corrected(corrections)
            # That takes a while, and another program may have written meanwhile.
            there = self._file.read()
            if there.version != base:
                return {"changed": self._merged(entries, base, there)}
            stays = same(there.entries, combined(entries)) and not there.doubt
            if there.version != ABSENT and stays:
                return {**there.told(), "file": self.target.name, "kept": ""}
            lines = differences(there.entries, combined(entries))
            if there.doubt:
                lines = (*lines, "the input that was corrected: this one")
            if there.version != ABSENT and not agreed:
                return {"ask": lines, "fault_there": there.fault, "keep": self._file.backup_name()}
            case = self._result.provenance.case_id
            heading = f"Corrections of {case}" if case else "Corrections"
            kept = self._file.write(corrections, heading)
            return {**self._file.read().told(), "file": self.target.name, "kept": kept}

    def _merged(
        self, entries: Sequence[Mapping[str, Any]], base: str, there: FileState
    ) -> dict[str, Any]:
        both = merge(self._file.entries_of(base), combined(entries), there.entries)
        clashes = [{"vein": c.vein, "mine": c.mine, "theirs": c.theirs} for c in both.clashes]
        return {**there.told(), "entries": both.entries, "clashes": clashes}

    def seats(self, anatomy: Anatomy, vein: Vein) -> tuple[Fit, ...]:
        """Return the nominal seats of the case's balloons in a vein of an anatomy of this case.

        Parameters
        ----------
        anatomy : Anatomy
        vein : Vein

        Returns
        -------
        tuple of Fit
        """
        with self._lock:
            return self._seats.seated(anatomy, vein, None)

    def corrected(self, corrections: Sequence[Correction]) -> Anatomy:
        """Return the anatomy with corrections; the last ones tried are remembered.

        Parameters
        ----------
        corrections : sequence of Correction

        Returns
        -------
        Anatomy
        """
        key = corrections_text(corrections)
        if self._last is None or self._last[0] != key:
            anatomy = correct(
                self._found, self._automatic, corrections, ridges=False, added=self._added
            )
            # Where the sheath crosses stays as it was in the case.
            self._last = (key, replace(anatomy, septum=self._automatic.septum))
        return self._last[1]


def _doubt_of_run(result: CaseResult) -> str:
    """Return the run's warning that its corrections were made on another input."""
    return next((n.text for n in result.anatomy.notes if is_corrections_doubt(n)), "")


def _parsed(entries: Sequence[Mapping[str, Any]]) -> Sequence[Correction]:
    return corrections_from_mapping({"correction": [dict(e) for e in entries]}) if entries else ()


def _stated(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return an entry without a who and why that are still empty."""
    return {k: v for k, v in entry.items() if k not in DRAFT or v}
