"""A corrections file of another input under review: told, and settled by saving.

No outside source: a hash that is none, and what the file says after the page has saved.
"""

from __future__ import annotations

import pytest
from review.driving import SETTLED, listed, save, text

from veinfit import case
from veinfit.anatomy.corrections.apply import Correction
from veinfit.errors import InputError
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.results.corrections_text import corrections_text
from veinfit.result.input_mark import InputMark, corrections_doubt, mark_of
from veinfit.review.corrections_file import CorrectionsFile
from veinfit.review.session import ReviewSession

OTHER = InputMark("0" * 64, "lps", "mm")
DROPPED = Correction("LIPV", "reader 1", "a bulge", drop=True)


def foreign(target, correction=DROPPED) -> None:
    target.write_text(corrections_text((correction,), "", OTHER))


def test_a_save_of_the_same_corrections_states_this_input(session, folder, target):
    own = mark_of(case.load_case(folder).provenance)
    foreign(target)
    there = session.opened()
    assert "were made on another input, SHA-256 000000000000" in there["doubt"]
    asked = session.save(there["entries"], there["version"])
    assert asked["ask"] == ("as before: LIPV", "the input that was corrected: this one")
    saved = session.save(there["entries"], there["version"], agreed=True)
    assert saved["doubt"] == "" and saved["kept"] == "corrections.backup-1.toml"
    assert read_corrections(target).made_on == own
    # Then there is nothing left to say or to write.
    assert session.save(saved["entries"], saved["version"])["kept"] == ""


def test_a_file_that_states_no_input_is_left_as_a_person_wrote_it(session, target):
    target.write_text(corrections_text((DROPPED,)))
    there = session.opened()
    assert there["doubt"] == ""
    session.save(there["entries"], there["version"], agreed=True)
    assert read_corrections(target).made_on is None


def test_what_the_run_took_from_another_input_is_told_until_a_file_is_there(tmp_path):
    own = InputMark("1" * 64, "lps", "mm")
    note = corrections_doubt(OTHER, own)
    file = CorrectionsFile(tmp_path / "corrections.toml", (DROPPED,), own, note.text)
    assert file.read().doubt == note.text
    file.write((DROPPED,), "Corrections")
    assert file.read().doubt == ""


def test_a_file_that_cannot_be_followed_says_of_which_input_it_is(folder, tmp_path, session):
    path = tmp_path / "other.toml"
    foreign(path, Correction("RMPV", "reader 1", "seen", drop=True))
    with pytest.raises(InputError, match=r"other\.toml: RMPV is no vein .*made on another input"):
        ReviewSession(case.load_case(folder), path, lambda stage: None, session.found)


@pytest.mark.slow
def test_the_page_warns_until_it_has_saved(page, server, target):
    foreign(target)
    page.open(server.address, SETTLED)
    assert [line.split(":")[0] for line in listed(page)] == ["LIPV"]
    assert text(page, "#doubt").startswith("Warning: the corrections by hand were made on another")
    save(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    assert page.evaluate("document.querySelector('#doubt').hidden")
