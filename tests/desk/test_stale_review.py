"""A review page that is still open when the case has been run again shows another atrium.

No outside source: the corrections file stays as it was.
"""

from __future__ import annotations

import os

import pytest
from review.driving import SETTLED, choose, enter, listed, shift, text

from veinfit.desk.store.cases import CORRECTIONS


@pytest.mark.slow
def test_it_saves_nothing_and_loses_nothing(page, client, assessed):
    address = f"{client.site.address}review/{assessed.name}/first/"
    page.open(address, SETTLED)
    shift(page, "RSPV", 1.0)
    # As a run of the desk leaves it: other results under the same name.
    archive = assessed.result / "case.npz"
    os.utime(archive, ns=(0, archive.stat().st_mtime_ns + 1_000_000_000))
    page.click("#save")
    page.wait("document.querySelector('#fault').textContent.includes('was run again after')")
    assert not (assessed.path / CORRECTIONS).exists()
    enter(page, "why", "seen again")
    page.click("#told")
    page.open(address, SETTLED)
    assert [line.split(":")[0] for line in listed(page)] == ["RSPV"]
    assert "not saved yet are restored" in text(page, "#saved")
    choose(page, "RSPV")
    page.wait("!document.querySelector('#save').disabled")
    page.click("#save")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    assert "seen again" in (assessed.path / CORRECTIONS).read_text()
