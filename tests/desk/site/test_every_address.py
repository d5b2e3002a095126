"""Every address that the desk has, found in its application: none is without these checks."""

from __future__ import annotations

import re

import pytest
from desk.asking import Client
from starlette.routing import Route

from veinfit.desk.site.acts import ACTS
from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app

PLACES = {
    "case": "a",
    "reader": "first",
    "name": "x",
    "file": "x.csv",
    "act": "run",
    "name:path": "x.csv",
    "file:path": "x.csv",
}
"""What stands in each place of an address; one that is not here fails the tests."""

OUTSIDE = ("..%2f..%2fetc%2fpasswd", "%2e%2e", ".desk", "a%00", "%2fetc%2fpasswd", "..%5coutside",
           "<script>alert(1)</script>".replace("<", "%3c").replace(">", "%3e"))  # fmt: skip


def routes() -> list[tuple[str, str]]:
    """Return every address, with its method."""
    app = desk_app(Desk.__new__(Desk))
    found = []
    for route in app.routes:
        assert isinstance(route, Route) and route.methods
        found += [(method, route.path) for method in sorted(route.methods - {"HEAD"})]
    return found


def filled(path: str, **other: str) -> str:
    """Return an address of the application with something in each of its places."""
    return re.sub(r"{([\w:]+)}", lambda m: {**PLACES, **other}[m.group(1)], path).lstrip("/")


@pytest.fixture
def asked(client, ready) -> Client:
    ready()
    return client


def ask(client: Client, method: str, path: str, **headers: str | None) -> int:
    return client.ask(path, {} if method == "POST" else None, method, **headers)[0]


def test_none_is_there_without_the_token_nor_for_other_hosts_and_sites(asked, desk):
    before = sorted(p.name for p in desk.folder.rglob("*"))
    for method, path in routes():
        at = filled(path)
        assert ask(asked, method, f"/{'A' * 32}/{at}") == 404, at
        assert ask(asked, method, f"/{at}") == 404, at
        assert ask(asked, method, at, Host="evil.example") == 421, at
        for site in ("cross-site", "same-site"):
            assert ask(asked, method, at, Sec_Fetch_Site=site) == 403, at
        if method == "POST":
            for origin in ("http://evil.example", "null", None):
                assert ask(asked, method, at, Origin=origin) == 403, at
            for kind in ("text/plain", "multipart/form-data; boundary=x", None):
                assert ask(asked, method, at, Content_Type=kind) == 415, at
    assert sorted(p.name for p in desk.folder.rglob("*")) == before


def test_each_takes_its_own_method_alone(asked):
    origin = f"http://{asked.site.host}"
    for _, path in routes():
        known = {m for m, other in routes() if filled(other) == filled(path)}
        for other in {"GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"} - known:
            status = asked.ask(filled(path), method=other, Origin=origin)[0]
            assert 400 <= status < 500, (path, other)


def test_no_place_of_any_leads_out_of_the_folder(asked, desk):
    (desk.folder.parent / "outside").mkdir()
    (desk.folder.parent / "outside" / "asked.toml").write_text("")
    for method, path in routes():
        uploads = path == "/case/{case}/file/{name:path}"
        for place in re.findall(r"{([\w:]+)}", path):
            if uploads and place == "name:path":
                continue  # A file may be called anything: it is kept under a plain name.
            for name in OUTSIDE:
                status = ask(asked, method, filled(path, **{place: name}))
                assert status in (400, 404, 415), (path, place, name, status)


def test_every_act_refuses_a_case_that_is_not_there(asked):
    for act in ACTS:
        assert asked.ask(f"case/..%2foutside/{act}", {})[0] == 404
        assert asked.ask(f"case/nothing/{act}", {})[0] == 404
