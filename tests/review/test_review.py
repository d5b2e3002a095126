"""The review page, end to end in a headless browser, and what its server refuses."""

from __future__ import annotations

import hashlib
import http.client
import json
import os
from pathlib import Path

import browser as chrome
import pytest
from review.driving import SETTLED

from veinfit import case
from veinfit.errors import InputError
from veinfit.io.inputs.corrections import read_corrections
from veinfit.review.session import ReviewSession


def content(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def ask(server, method="GET", path="", body=None, **headers) -> tuple[int, bytes]:
    """Send one request with a browser's headers, changed as asked; None leaves one out."""
    sent = {"Host": server.host}
    if method == "POST":
        sent |= {"Origin": f"http://{server.host}", "Content-Type": "application/json"}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=20)
    connection.putrequest(method, path or f"/{server.token}/", skip_host=True)
    for name, value in sent.items():
        if value is not None:
            connection.putheader(name, value)
    data = None if body is None else json.dumps(body).encode()
    if data is not None:
        connection.putheader("Content-Length", str(len(data)))
    # Head and body in one piece: a server that refuses the head reads no further, and what still
    # comes then resets the connection before its answer is read (RFC 9112, 9.6).
    whole, send = bytearray(), connection.send
    connection.send = whole.extend
    connection.endheaders(data)
    send(bytes(whole))
    answer = connection.getresponse()
    status, told = answer.status, answer.read()
    connection.close()
    return status, told


SHIFT = {"vein": "RSPV", "shift_mm": 2.0, "who": "reader 2", "why": "seen"}


def test_it_listens_on_this_machine_alone(server):
    assert server.server_address[0] == "127.0.0.1"
    assert ask(server)[0] == 200


@pytest.mark.parametrize("host", ["evil.example", "localhost:1", "127.0.0.1", None])
def test_requests_under_another_host_are_refused(server, host):
    # A request without a Host is none at all (RFC 9112, 3.2).
    status = 400 if host is None else 421
    path = f"/{server.token}/save"
    assert ask(server, Host=host)[0] == status
    assert ask(server, "POST", path, {"entries": [SHIFT]}, Host=host)[0] == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": None}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Content_Type": "text/plain"}, 415),
    ],
)
def test_requests_of_other_pages_save_nothing(server, folder, headers, status):
    before = content(folder)
    path = f"/{server.token}/save"
    assert ask(server, "POST", path, {"entries": [SHIFT]}, **headers)[0] == status
    assert content(folder) == before


@pytest.mark.parametrize("token", ["", "x", "%2e%2e", "A" * 32])
def test_without_the_token_there_is_nothing(server, token):
    assert ask(server, path=f"/{token}/")[0] == 404
    assert ask(server, "POST", f"/{token}/save", {"entries": [SHIFT]})[0] == 404


@pytest.mark.parametrize(
    "name",
    [
        "../secret.csv", "..%2fsecret.csv", "%2e%2e/secret.csv", "out.csv", "/etc/passwd",
        "%2fetc%2fpasswd", "", ".", "nothing.csv", "case.npz", "veins.csv%00", "a" * 5000,
    ],
)  # fmt: skip
def test_paths_outside_the_case_are_refused(server, name):
    assert ask(server, path=f"/{server.token}/case/{name}")[0] == 404


def test_files_of_the_case_can_be_looked_at(server, folder):
    status, told = ask(server, path=f"/{server.token}/case/veins.csv")
    assert (status, told) == (200, (folder / "veins.csv").read_bytes())


def test_odd_requests_are_refused(server):
    path = f"/{server.token}/preview"
    assert ask(server, "POST", path, ["no"])[0] == 400
    assert ask(server, "POST", path, {"entries": "no"})[0] == 400
    for odd in (
        {"shift_mm": float("inf")}, {"shift_mm": float("nan")}, {"who": 5}, {"why": None},
        {"vein": ["RSPV"]},
    ):  # fmt: skip
        for act in ("preview", "merge", "save"):
            body = {"entries": [{**SHIFT, **odd}]}
            assert ask(server, "POST", f"/{server.token}/{act}", body)[0] == 400, (act, odd)
    assert ask(server, "POST", path)[0] == 411
    assert ask(server, "POST", path, {"entries": ["x" * 300_000]})[0] == 413
    assert ask(server, "PUT", path, Origin=f"http://{server.host}")[0] == 405


def test_what_cannot_be_followed_is_told_and_not_saved(server, folder):
    before = content(folder)
    for entry, said in (
        ({**SHIFT, "shift_mm": 29.0}, "RSPV"),
        ({**SHIFT, "who": ""}, "who is missing"),
        ({**SHIFT, "vein": "RMPV"}, "RMPV is no vein"),
    ):
        status, told = ask(server, "POST", f"/{server.token}/save", {"entries": [entry]})
        assert status == 200 and said in json.loads(told)["fault"]
    assert content(folder) == before


def test_a_review_without_its_surface_is_refused(folder):
    import dataclasses

    bare = dataclasses.replace(case.load_case(folder), source=None)
    with pytest.raises(InputError, match="does not hold its surface"):
        ReviewSession(bare, folder / "corrections.toml", lambda stage: None)


def test_corrections_that_cannot_be_followed_are_told_with_their_file(folder, tmp_path, session):
    target = tmp_path / "other.toml"
    entry = {"vein": "LSPV", "who": "reader 1", "why": "test", "rename": "LIPV"}
    lines = "\n".join(f"{name} = {json.dumps(value)}" for name, value in entry.items())
    target.write_text(f"[[correction]]\n{lines}\n")
    with pytest.raises(
        InputError, match=r"^corrections .*other\.toml: LIPV would be the name of two"
    ):
        ReviewSession(case.load_case(folder), target, lambda stage: None, session.found)


def test_on_a_narrow_screen_the_key_covers_no_letter_of_a_side(page, server):
    page.size(400, 900)
    page.open(server.address, SETTLED)
    key, *letters = page.evaluate(
        "[document.getElementById('key'), ...document.querySelectorAll('#stage .side')]"
        ".map((e) => e.getBoundingClientRect()).map((b) => [b.left, b.top, b.right, b.bottom])"
    )
    assert len(letters) == 4 and key[2] > key[0]
    apart = [b[2] < key[0] or b[0] > key[2] or b[3] < key[1] or b[1] > key[3] for b in letters]
    assert all(apart)


@pytest.mark.slow
def test_from_the_page_to_the_corrections_file(server, folder, session):
    before = content(folder)
    with chrome.browser(loopback=True) as page:
        page.size(1280, 900)
        page.open(server.address, "document.body.dataset.settled !== undefined")
        page.evaluate("document.querySelector('input[name=vein][value=RSPV]').click()")
        ready = "document.querySelector('#busy').textContent === ''"
        page.wait(f"document.querySelector('#told h2')?.textContent === 'RSPV' && {ready}")

        run = page.evaluate(
            "[...document.querySelectorAll('#told .of-run')].map(e => e.textContent)"
        )
        assert run[0].startswith("As the run predicted it") and run[1].startswith("28")
        first = page.evaluate(
            "[...document.querySelectorAll('#measures tbody tr')].map(r => r.cells[2].textContent)"
        )
        page.evaluate(
            "(() => { const s = document.getElementById('shift'); s.value = 2;"
            "s.dispatchEvent(new Event('input')); })()"
        )
        page.wait("document.querySelectorAll('#measures td.other').length > 3")
        page.wait(ready)
        now = page.evaluate(
            "[...document.querySelectorAll('#measures tbody tr')].map(r => r.cells[2].textContent)"
        )
        assert now != first
        page.evaluate(
            "(() => { for (const [id, value] of [['tilt', 4], ['toward', 3]]) {"
            "const s = document.getElementById(id); s.value = value;"
            "s.dispatchEvent(new Event('input')); } })()"
        )
        page.wait(ready)
        tilted = {"vein": "RSPV", "shift_mm": 2.0, "tilt_deg": 4.0, "tilt_toward_h": 3.0}
        told = session.preview("RSPV", [tilted], seats=False)
        wanted = json.dumps([row[2] for row in told["rows"]])
        page.wait(
            "JSON.stringify([...document.querySelectorAll('#measures tbody tr')]"
            f".map(r => r.cells[2].textContent)) === JSON.stringify({wanted})"
        )
        page.evaluate(
            "(() => { const s = document.getElementById('tilt'); s.value = 0;"
            "s.dispatchEvent(new Event('input')); })()"
        )
        page.evaluate(
            "(() => { const s = document.getElementById('rename'); s.value = 'RMPV';"
            "s.dispatchEvent(new Event('change')); })()"
        )
        page.wait(f"document.querySelector('#told h2').textContent === 'RMPV' && {ready}")
        page.evaluate(
            "(() => { const s = document.getElementById('rename'); s.value = 'RSPV';"
            "s.dispatchEvent(new Event('change')); })()"
        )
        page.wait(f"document.querySelector('#told h2').textContent === 'RSPV' && {ready}")
        now = page.evaluate(
            "[...document.querySelectorAll('#measures tbody tr')].map(r => r.cells[2].textContent)"
        )
        # What the page tells is what the library says of the same correction.
        told = session.preview("RSPV", [{"vein": "RSPV", "shift_mm": 2.0}], seats=True)
        assert now == [row[2] for row in told["rows"]]
        fit = told["vein"]["fits"][0]
        seat = page.evaluate("document.querySelector('#told p').textContent")
        assert seat == f"{fit['title']}: {fit['verdict']}"
        for field, text in (("who", 'reader "2"'), ("why", "seen <i>so</i>")):
            page.evaluate(
                f"(() => {{ const f = document.getElementById('{field}');"
                f"f.value = {json.dumps(text)}; f.dispatchEvent(new Event('input')); }})()"
            )
        page.evaluate("document.querySelector('input[name=vein][value=LIPV]').click()")
        page.evaluate("document.getElementById('drop').click()")
        page.wait("document.querySelector('#told').textContent.includes('no longer a vein')")
        page.evaluate(
            "(() => { const f = document.getElementById('why'); f.value = 'a bulge';"
            "f.dispatchEvent(new Event('input')); })()"
        )
        assert content(folder) == before
        if os.environ.get("VEINFIT_KEEP_PICTURES"):
            Path(os.environ["VEINFIT_KEEP_PICTURES"]).write_bytes(page.picture())
        page.click("#save")
        page.wait("document.querySelector('#saved').textContent !== ''")
        assert page.faults == []
        assert all(r.startswith((server.address, "data:")) for r in page.requests)
    after = content(folder)
    assert set(after) - set(before) == {"corrections.toml"}
    assert all(after[name] == before[name] for name in before)
    shift, drop = sorted(
        read_corrections(folder / "corrections.toml"), key=lambda one: one.vein, reverse=True
    )
    assert (shift.vein, shift.shift_mm) == ("RSPV", 2.0)
    assert (shift.who, shift.why) == ('reader "2"', "seen <i>so</i>")
    assert (drop.vein, drop.drop, drop.who, drop.why) == ("LIPV", True, 'reader "2"', "a bulge")
    # Another review goes on from the file.
    again = ReviewSession(case.load_case(folder), folder / "corrections.toml", lambda stage: None)
    assert {entry["vein"] for entry in again.opened()["entries"]} == {"RSPV", "LIPV"}
    (folder / "corrections.toml").unlink()
