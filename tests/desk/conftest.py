"""A desk on an empty folder, with workers that take no time, and its site."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import browser as chrome
import pytest
from desk.asking import Client
from desk.assessed_case import NAME, assess_into
from once import made_once

from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app
from veinfit.desk.store.cases import CaseFolder, make_case
from veinfit.desk.store.options import CaseOptions
from veinfit.review.local_site import LocalSite

FUNCTION = "quick_jobs:work"


@pytest.fixture
def quick(monkeypatch) -> str:
    paths = [str(Path(__file__).parent), *filter(None, [os.environ.get("PYTHONPATH")])]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))
    return FUNCTION


@pytest.fixture
def desk(tmp_path, quick) -> Iterator[Desk]:
    folder = tmp_path / "Larkmoor"
    folder.mkdir()
    one = Desk(folder, function=quick)
    one.begin()
    yield one
    one.end()


@pytest.fixture
def client(desk) -> Iterator[Client]:
    with LocalSite(desk_app(desk)) as site:
        site.start()
        yield Client(site)


@pytest.fixture
def ready(desk) -> Callable[..., CaseFolder]:
    """Make a case that can be run; its plan is what the quick worker does."""

    def make(name: str = "a", plan: str = "") -> CaseFolder:
        case = make_case(
            desk.folder, name, CaseOptions(input="inputs/x.ply", frame="lps", unit="mm")
        )
        (case.path / "inputs" / "x.ply").write_text("ply")
        if plan:
            (case.path / "inputs" / "plan").write_text(plan)
        return case

    return make


@pytest.fixture(scope="session")
def assessed_folder(tmp_path_factory) -> Path:
    return made_once(tmp_path_factory, "desk-assessed", assess_into)


@pytest.fixture
def assessed(desk, assessed_folder) -> CaseFolder:
    """A real case with its results, without pictures, in the desk's folder."""
    shutil.copytree(assessed_folder / NAME, desk.folder / NAME)
    return CaseFolder(desk.folder / NAME)


@pytest.fixture
def page() -> Iterator[chrome.Browser]:
    with chrome.browser(loopback=True) as one:
        one.size(1280, 900)
        yield one
        assert one.faults == []
