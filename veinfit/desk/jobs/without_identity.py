"""Results without whose they are: neither the patient's case nor the people who corrected it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from veinfit.anatomy.model import Anatomy, AppliedCorrection, Vein
from veinfit.case import CaseResult
from veinfit.notes import Note


def names_in(result: CaseResult) -> bool:
    """Whether results say whose they are, or who corrected them."""
    told = result.provenance
    return bool(told.case_id or told.cardiac_phase or told.image_date or _readers(result))


def without_identity(result: CaseResult) -> CaseResult:
    """Return results without the case's name, its phase and date, and with readers by letters."""
    plain = replace(result.provenance, case_id=None, cardiac_phase=None, image_date=None)
    letters = _readers(result)
    return replace(
        result,
        provenance=plain,
        anatomy=_anatomy(result.anatomy, letters),
        by_hand=tuple(replace(one, who=letters.get(one.who, "")) for one in result.by_hand),
        notes=_notes(result.notes, letters),
    )


def _readers(result: CaseResult) -> dict[str, str]:
    """Return what each person who corrected is called instead."""
    people = [one.who for one in result.anatomy.corrections]
    people += [one.who for one in result.by_hand]
    return {who: f"reader {_letters(k)}" for k, who in enumerate(dict.fromkeys(people))}


def _letters(k: int) -> str:
    """Return A, B, ..., Z, AA, ..."""
    return (_letters(k // 26 - 1) if k >= 26 else "") + chr(ord("A") + k % 26)


def _anatomy(anatomy: Anatomy, letters: Mapping[str, str]) -> Anatomy:
    return replace(
        anatomy,
        veins=tuple(_vein(one, letters) for one in anatomy.veins),
        notes=_notes(anatomy.notes, letters),
        corrections=tuple(_correction(one, letters) for one in anatomy.corrections),
    )


def _vein(vein: Vein, letters: Mapping[str, str]) -> Vein:
    return replace(vein, notes=_notes(vein.notes, letters))


def _correction(one: AppliedCorrection, letters: Mapping[str, str]) -> AppliedCorrection:
    corrected = None if one.corrected is None else _vein(one.corrected, letters)
    return replace(one, who=letters[one.who], corrected=corrected)


def _notes(notes: tuple[Note, ...], letters: Mapping[str, str]) -> tuple[Note, ...]:
    """Return notes with letters where a correction's tells who made it and why."""
    changed = []
    for note in notes:
        text = note.text
        for who, letter in letters.items():
            text = text.replace(f"({who}: ", f"({letter}: ")
        changed.append(replace(note, text=text))
    return tuple(changed)
