"""What leaves without identity names neither the case nor the people who read it."""

from __future__ import annotations

from dataclasses import replace

import handmade

from veinfit.anatomy.corrections.apply import Correction
from veinfit.anatomy.model import AppliedCorrection
from veinfit.case import CaseResult
from veinfit.desk.jobs.without_identity import names_in, without_identity
from veinfit.io.results.tables import case_tables
from veinfit.notes import Note
from veinfit.result.provenance import Provenance
from veinfit.settings import Settings

PEOPLE = ("Ada Larkmoor", "Ben")


def result_of(people: tuple[str, ...], case_id: str | None = None) -> CaseResult:
    """A case that people corrected, one after another, as its notes say too."""
    anatomy = handmade.anatomy()
    vein = anatomy.veins[0]
    notes = tuple(Note("corrections", f"ostium moved ({who}: seen)", vein.name) for who in people)
    noted = replace(vein, notes=(*vein.notes, *notes))
    applied = tuple(
        AppliedCorrection(vein.name, "ostium moved", who, "seen", vein, noted) for who in people
    )
    anatomy = replace(
        anatomy,
        veins=(noted, *anatomy.veins[1:]),
        notes=(*anatomy.notes, *notes),
        corrections=applied,
    )
    told = Provenance(
        case_id=case_id, cardiac_phase=None, image_date=None, frame="lps", unit="mm",
        approach="coaxial", balloons=(), inputs=(), versions={"veinfit": "0"},
        created="2026-01-01T00:00:00Z",
    )  # fmt: skip
    by_hand = tuple(Correction(vein.name, who, "seen", shift_mm=1.0) for who in people)
    fits = (handmade.fit(),)
    return CaseResult(anatomy, fits, {}, notes, Settings(), told, by_hand=by_hand)


def test_people_become_letters_wherever_they_stand():
    before = result_of(PEOPLE, "Larkmoor 7")
    assert "Ada" in repr(before.anatomy.corrections) and b"Ada" in case_tables(before)["veins.csv"]
    after = without_identity(before)
    assert after.provenance.case_id is None
    assert [one.who for one in after.anatomy.corrections] == ["reader A", "reader B"]
    assert [one.who for one in after.by_hand] == ["reader A", "reader B"]
    written = b"".join(case_tables(after).values())
    assert b"reader A: seen" in written
    told = repr((after.anatomy.notes, after.notes, after.anatomy.veins, after.anatomy.corrections))
    for name in ("Ada", "Ben", "Larkmoor"):
        assert name.encode() not in written and name not in told
    # Nothing else changes, and what was given stays.
    assert before.by_hand[0].who == PEOPLE[0]
    assert after.by_hand[0].shift_mm == 1.0 and after.by_hand[0].why == "seen"


def test_only_what_names_somebody_is_written_anew():
    assert names_in(result_of(PEOPLE)) and names_in(result_of((), "Larkmoor 7"))
    assert not names_in(result_of(()))


def test_more_readers_than_letters_stay_apart():
    people = tuple(f"person {k}" for k in range(30))
    after = without_identity(result_of(people))
    assert len({one.who for one in after.by_hand}) == 30
    assert after.by_hand[26].who == "reader AA"
