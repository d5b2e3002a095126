"""One small invented case under review, and its server."""

from __future__ import annotations

import pickle
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import atria
import browser as chrome
import few_tries
import pytest
from once import made_once

from veinfit import case
from veinfit.anatomy import detect
from veinfit.review.page import write_review
from veinfit.review.server import ReviewServer
from veinfit.review.session import ReviewSession
from veinfit.settings import Settings

NO_MARGIN = Settings.from_mapping(tomllib.loads(few_tries.NO_MARGIN))


def assess_into(base: Path) -> None:
    mesh = atria.save_mesh(atria.open_surface(), base / "a.ply")
    result = case.assess(
        mesh, settings=NO_MARGIN, balloons=(28,), approach="coaxial", case_id="Larkmoor <b>7</b>"
    )
    case.write_case(result, base / "case", pictures=False, report=False)
    (base / "secret.csv").write_text("not of the case")
    saved = case.load_case(base / "case")
    found = detect(saved.source, saved.settings, "lps", lambda stage: None)
    (base / "found.pickle").write_bytes(pickle.dumps(found))


@pytest.fixture(scope="session")
def folder(tmp_path_factory) -> Path:
    base = made_once(tmp_path_factory, "review", assess_into)
    (base / "case" / "out.csv").symlink_to(base / "secret.csv")
    return base / "case"


@pytest.fixture(scope="session")
def begin(folder) -> Callable[[], ReviewSession]:
    """Begin a review with what it would find, found once for all tests."""
    found = pickle.loads((folder.parent / "found.pickle").read_bytes())

    def begin() -> ReviewSession:
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("veinfit.review.found_again.detect", lambda *_: found)
            saved = case.load_case(folder)
            return ReviewSession(saved, folder / "corrections.toml", lambda stage: None)

    return begin


@pytest.fixture(scope="module")
def session(begin) -> ReviewSession:
    return begin()


@pytest.fixture(scope="module")
def server(session, folder):
    with ReviewServer(session, folder, *write_review(session)) as served:
        served.start()
        yield served
        served.shutdown()


@pytest.fixture
def target(folder) -> Iterator[Path]:
    yield folder / "corrections.toml"
    for path in folder.glob("corrections*.toml"):
        path.unlink()


@pytest.fixture
def page(server, target) -> Iterator[chrome.Browser]:
    with chrome.browser(loopback=True) as one:
        one.size(1280, 900)
        yield one
        assert one.faults == []
