"""No work is lost: reload, another writer, replacing the file, two veins of one name.

All in a headless browser against the real server. No outside source: what
a reader would lose is looked for, and a backup is compared byte by byte.
"""

from __future__ import annotations

import pytest
from review.driving import SETTLED, choose, enter, listed, save, shift, text

from veinfit.io.inputs.corrections import read_corrections

BY_ANOTHER = """# a remark that only a person writes
[[correction]]
vein = "LIPV"
drop = true
who = "reader 1"
why = "a bulge"
"""


@pytest.mark.slow
def test_a_reload_takes_up_the_file_and_what_was_not_saved(page, server, target):
    page.open(server.address, SETTLED)
    shift(page, "RSPV", 2)
    save(page, "#saved")
    page.open(server.address, SETTLED)
    assert [line.split(":")[0] for line in listed(page)] == ["RSPV"]

    shift(page, "RIPV", 1.5)
    page.click("#told")  # a browser asks only a person who has touched the page
    page.open(server.address, SETTLED)
    assert page.dialogs == ["beforeunload"]
    assert [line.split(":")[0] for line in listed(page)] == ["RSPV", "RIPV"]
    assert "not saved yet are restored" in text(page, "#saved")
    save(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    assert {c.vein: c.shift_mm for c in read_corrections(target)} == {"RSPV": 2.0, "RIPV": 1.5}


@pytest.mark.slow
def test_what_was_undone_and_a_name_alone_are_nothing_to_lose(page, server, target):
    page.open(server.address, SETTLED)
    shift(page, "RSPV", 2)
    page.click("#undo")
    choose(page, "RIPV")
    enter(page, "who", "reader 2")
    page.click("#told")
    page.open(server.address, SETTLED)
    assert page.dialogs == [] and listed(page) == []
    assert "restored" not in text(page, "#saved")


@pytest.mark.slow
def test_it_asks_before_it_replaces_and_keeps_what_was_there(page, server, target):
    target.write_text(BY_ANOTHER)
    page.open(server.address, SETTLED)
    assert listed(page) == ["LIPV: dropped (reader 1: a bulge)"]
    shift(page, "RSPV", 2)
    save(page, "#ask")
    assert "RSPV: new" in text(page, "#ask") and "as before: LIPV" in text(page, "#ask")
    page.click("#leave")
    page.wait("document.querySelector('#ask').hidden")
    assert target.read_text() == BY_ANOTHER
    save(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent !== ''")
    assert "corrections.backup-1.toml" in text(page, "#saved")
    assert target.with_name("corrections.backup-1.toml").read_text() == BY_ANOTHER
    assert {c.vein for c in read_corrections(target)} == {"LIPV", "RSPV"}

    # The second backup does not take the place of the first.
    between = target.read_text()
    shift(page, "RSPV", 3)
    save(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('backup-2')")
    assert target.with_name("corrections.backup-1.toml").read_text() == BY_ANOTHER
    assert target.with_name("corrections.backup-2.toml").read_text() == between


@pytest.mark.slow
def test_what_another_wrote_meanwhile_is_merged(page, server, target):
    page.open(server.address, SETTLED)
    shift(page, "RSPV", 2)
    target.write_text(BY_ANOTHER)
    page.click("#save")
    page.wait("document.querySelector('#saved').textContent.includes('merged')")
    page.wait(SETTLED)
    assert target.read_text() == BY_ANOTHER
    assert {line.split(":")[0] for line in listed(page)} == {"LIPV", "RSPV"}
    save(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    assert {c.vein: c.drop for c in read_corrections(target)} == {"LIPV": True, "RSPV": False}


@pytest.mark.slow
@pytest.mark.parametrize(("whose", "shifted"), [("the file", None), ("this page", 2.0)])
def test_a_clash_with_another_writer_is_chosen_by_the_reader(page, server, target, whose, shifted):
    page.open(server.address, SETTLED)
    shift(page, "LIPV", 2)
    target.write_text(BY_ANOTHER)
    page.click("#save")
    page.wait("!document.querySelector('#clashes').hidden")
    page.wait(SETTLED)
    assert page.evaluate("document.querySelector('#save').disabled")
    page.evaluate(f"document.querySelector('#clashes input[value=\"{whose}\"]').click()")
    page.wait(f"!document.querySelector('#save').disabled && {SETTLED}")
    if shifted is None:
        save(page, "#saved")  # the file says so already: nothing to ask, nothing to write
    else:
        save(page, "#ask")
        page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    (one,) = read_corrections(target)
    assert (one.drop, one.shift_mm) == (shifted is None, shifted or 0.0)
    assert target.with_name("corrections.backup-1.toml").exists() == (shifted is not None)


@pytest.mark.slow
def test_two_veins_of_one_name_cannot_be_saved(page, server, target):
    page.open(server.address, SETTLED)
    choose(page, "RSPV")
    enter(page, "who", "reader 2")
    enter(page, "why", "names exchanged")
    enter(page, "rename", "RIPV", "change")
    page.wait(SETTLED)
    assert page.evaluate("document.querySelector('#save').disabled")
    assert "RIPV" in text(page, "#hindrance")
    choose(page, "RIPV")
    enter(page, "why", "names exchanged")
    enter(page, "rename", "RSPV", "change")
    page.wait(f"!document.querySelector('#save').disabled && {SETTLED}")
    assert text(page, "#hindrance") == ""
    save(page, "#saved")
    assert {c.vein: c.rename for c in read_corrections(target)} == {"RSPV": "RIPV", "RIPV": "RSPV"}


@pytest.mark.slow
def test_a_save_that_failed_stays_told(page, server, target):
    """A preview that comes after it takes neither its words away nor the button from under it."""
    place = "document.querySelector('#save').offsetTop"
    page.open(server.address, SETTLED)
    choose(page, "RSPV")
    page.evaluate("document.querySelector('#drop').click()")
    # Who and why are asked for before anything can be saved.
    assert "who corrects RSPV, and why" in text(page, "#hindrance")
    assert page.evaluate("document.querySelector('#save').disabled")
    enter(page, "who", "reader 2")
    enter(page, "why", "no vein")
    before = page.evaluate(place)
    target.mkdir()
    page.click("#save")
    page.wait("document.querySelector('#fault').textContent.includes('cannot be read')")
    target.rmdir()
    gone = "document.querySelector('#told').textContent.includes('no longer a vein')"
    page.wait(f"{gone} && {SETTLED}")
    assert "cannot be read" in text(page, "#fault")
    assert page.evaluate(place) == before
    enter(page, "who", "reader 3")
    assert page.evaluate("document.querySelector('#fault').hidden")


@pytest.mark.slow
def test_a_plane_that_cannot_be_cannot_be_saved(page, server, target):
    target.write_text(BY_ANOTHER.replace("drop = true", "shift_mm = 29.0"))
    page.open(server.address, SETTLED)
    assert not page.evaluate("document.querySelector('#fault').hidden")
    assert page.evaluate("document.querySelector('#save').disabled")
    choose(page, "LIPV")
    page.click("#undo")
    page.wait(f"document.querySelector('#fault').hidden && {SETTLED}")
    save(page, "#ask")
    assert "LIPV: taken out" in text(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('is removed')")
    assert not target.exists()
    assert target.with_name("corrections.backup-1.toml").exists()


@pytest.mark.slow
def test_a_file_that_another_broke_is_kept_aside(page, server, target):
    page.open(server.address, SETTLED)
    shift(page, "RSPV", 2)
    target.write_text("[[correction")
    page.click("#save")
    page.wait("document.querySelector('#saved').textContent.includes('can no longer be read')")
    page.wait(SETTLED)
    save(page, "#ask")
    assert "cannot be read" in text(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    assert target.with_name("corrections.backup-1.toml").read_text() == "[[correction"
    assert [c.shift_mm for c in read_corrections(target)] == [2.0]
