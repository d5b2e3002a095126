"""What a page of another site, a wrong address or a wrong file must not be able to do."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from types import SimpleNamespace

import pytest
from desk.asking import until

from veinfit.desk.site.acts import ACTS
from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.signed_copies import COPIES
from veinfit.io.files import LARGEST_FILE_BYTES


def content(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_it_listens_on_this_machine_alone(client):
    assert client.site.server_address[0] == "127.0.0.1"
    assert client.ask("")[0] == 200


@pytest.mark.parametrize("host", ["evil.example", "localhost:1", "127.0.0.1", "127.0.0.1:1"])
def test_other_hosts_are_refused(client, ready, host):
    case = ready()
    before = content(case.path)
    assert client.ask("", Host=host)[0] == 421
    assert client.ask("case/a/run", {}, Host=host)[0] == 421
    assert content(case.path) == before


@pytest.mark.parametrize("token", ["", "x", "%2e%2e", "A" * 32, "%ff%fe", "%00"])
def test_without_the_token_there_is_nothing(client, ready, token):
    ready()
    for path in ("", "states", "case/a/", "case/a/run", "new"):
        assert client.ask(f"/{token}/{path}")[0] == 404
        assert client.ask(f"/{token}/{path}", {})[0] == 404


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": None}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Content_Type": "text/plain"}, 415),
        ({"Content_Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content_Type": "multipart/form-data; boundary=x"}, 415),
    ],
)
def test_posts_of_other_sites_do_nothing(client, desk, ready, headers, status):
    case = ready()
    before = content(case.path)
    for act in ACTS:
        assert client.ask(f"case/a/{act}", {"who": "x"}, **headers)[0] == status
    for path in ("new", "sample", "loose", "export", "study"):
        assert client.ask(path, {"name": "b"}, **headers)[0] == status
    told = client.send("a", "x.ply", b"other", **headers)
    assert told == status
    assert content(case.path) == before and len(list(desk.folder.glob("[!.]*"))) == 1


def test_a_form_of_another_site_cannot_send_a_file(client, ready):
    ready()
    for kind in ("multipart/form-data; boundary=x", "text/plain", "application/json", ""):
        assert client.send("a", "x.ply", b"x", Content_Type=kind) == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(client, ready, method):
    ready()
    origin = f"http://{client.site.host}"
    assert client.ask("case/a/run", method=method, Origin=origin)[0] == 405
    assert client.ask("case/a/run", method=method)[0] == 403


@pytest.mark.parametrize(
    "name",
    ["..", "%2e%2e", "..%2f..", "%2fetc", ".desk", "a%00", "a%2f..%2fa", "nothing", "x" * 4000,
     "..%5c..", "%2e%2e%2foutside"],
)  # fmt: skip
def test_no_case_outside_the_folder(client, desk, ready, name):
    ready()
    (desk.folder.parent / "outside").mkdir()
    (desk.folder.parent / "outside" / "asked.toml").write_text("")
    for path in ("", "state", "journal", "setup", "result/case.json", "signed/report.html"):
        assert client.ask(f"case/{name}/{path}")[0] == 404
    assert client.ask(f"case/{name}/run", {})[0] == 404
    assert client.ask(f"thumb/{name}")[0] == 404
    assert client.ask(f"review/{name}/first/")[0] == 404
    assert client.ask(f"study/{name}")[0] == 404
    assert client.ask(f"study/{name}/asked.toml")[0] == 404


@pytest.mark.parametrize(
    "name",
    ["../asked.toml", "..%2fasked.toml", "%2e%2e/journal.jsonl", "/etc/passwd", "%2fetc%2fpasswd",
     "", ".", "out.csv", "case.npz", "veins.csv%00", "x" * 5000],
)  # fmt: skip
def test_no_file_outside_the_results(client, ready, name):
    from desk.quick_jobs import write_result

    case = ready()
    write_result(case.path / "result")
    (case.path / "result" / "out.csv").symlink_to(case.path / "journal.jsonl")
    assert client.ask(f"case/a/result/{name}")[0] == 404
    assert client.ask("case/a/result/veins.csv")[0] == 200


@pytest.mark.parametrize(
    "name",
    ["../asked.toml", "..%2fasked.toml", "%2e%2e/journal.jsonl", "/etc/passwd", "%2fetc%2fpasswd",
     "", ".", "out.html", "case.npz", "report.html%00", "x" * 5000],
)  # fmt: skip
def test_no_file_outside_the_signed_copies(client, ready, name):
    case = ready()
    copies = case.path / COPIES
    copies.mkdir()
    (copies / "report.html").write_text("<p>signed</p>")
    (copies / "out.html").symlink_to(case.path / "journal.jsonl")
    assert client.ask(f"case/a/signed/{name}")[0] == 404
    assert client.ask("case/a/signed/report.html")[0] == 200


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "agree", "cases": ["../outside"], "observed": ""},
        {"kind": "../x", "cases": ["a"]},
        {"kind": "summary", "cases": "a"},
        {"kind": "summary", "cases": []},
        {"kind": "agree", "cases": ["a"], "observed": ["a"]},
        {"cases": ["a"]},
    ],
)
def test_odd_studies_are_told_and_begin_nothing(client, desk, ready, body):
    ready()
    before = content(desk.folder)
    told = client.told("study", body)
    assert told["fault"] and "study" not in told
    assert content(desk.folder) == before


def test_a_table_of_huge_size_begins_no_study(client, ready):
    ready()
    body = {"kind": "agree", "cases": ["a"], "observed": "x" * 4_100_000}
    assert client.ask("study", body)[0] == 413


@pytest.mark.parametrize(
    ("sent", "kept"),
    [("../../evil.ply", "evil.ply"), ("..\\evil.ply", "evil.ply"), ("/etc/y.ply", "y.ply"),
     (".hidden.ply", "hidden.ply"), ("<img src=x>.ply", "img src-x-.ply"),
     ("a" * 400 + ".ply", "a" * 116 + ".ply"), ("Herz Ä.ply", "Herz Ä.ply")],
)  # fmt: skip
def test_files_are_kept_under_plain_names_within_the_case(client, desk, ready, sent, kept):
    case = ready()
    told = client.send("a", sent, b"content")
    assert told["path"] == f"inputs/{kept}"
    assert (case.path / "inputs" / kept).read_bytes() == b"content"
    assert [p.name for p in desk.folder.parent.iterdir()] == [desk.folder.name]


def test_huge_and_untrue_sizes_are_refused(client, ready, monkeypatch):
    case = ready()
    before = content(case.path)
    told = client.send("a", "x.nii", b"", Content_Length=str(LARGEST_FILE_BYTES + 1))
    assert "MiB, more than" in told["fault"]
    assert client.send("a", "x.nii", b"12", Content_Length="two") in (400, 411)
    assert "empty" in client.send("a", "x.nii", b"")["fault"]
    monkeypatch.setattr("shutil.disk_usage", lambda path: SimpleNamespace(free=1000))
    assert "disk" in client.send("a", "x.nii", b"12")["fault"]
    assert content(case.path) == before
    assert client.ask("case/a/options", {"options": {"phase": "x" * 300_000}})[0] == 413


def test_a_disk_that_fills_up_on_the_way_is_told_and_leaves_nothing(client, ready, monkeypatch):
    case = ready()
    before = content(case.path)

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    assert "No space left" in client.send("a", "x.nii", b"12")["fault"]
    monkeypatch.undo()
    assert content(case.path) == before


def test_a_file_that_does_not_come_whole_leaves_nothing(client, ready):
    import socket

    case = ready()
    before = content(case.path)
    path = f"/{client.site.token}/case/a/file/x.nii"
    with socket.create_connection(client.site.server_address) as line:
        line.sendall(
            f"POST {path} HTTP/1.1\r\nHost: {client.site.host}\r\n"
            f"Origin: http://{client.site.host}\r\nContent-Type: application/octet-stream\r\n"
            "Content-Length: 1000\r\n\r\nhalf".encode()
        )
        until(lambda: any((case.path / "inputs").glob(".veinfit-*")))
    until(lambda: not any((case.path / "inputs").glob(".veinfit-*")))
    assert content(case.path) == before


def test_another_file_of_the_same_name_is_asked_about(client, ready):
    case = ready()
    assert client.send("a", "y.ply", b"one")["path"] == "inputs/y.ply"
    # The same content again is no clash.
    assert client.send("a", "y.ply", b"one")["path"] == "inputs/y.ply"
    assert client.send("a", "y.ply", b"two") == {"clash": "y.ply"}
    assert (case.path / "inputs" / "y.ply").read_bytes() == b"one"
    assert client.send("a", "y.ply", b"two", "?clash=both")["path"] == "inputs/y-2.ply"
    told = client.send("a", "y.ply", b"three", "?clash=replace")
    assert told["sha256"] == hashlib.sha256(b"three").hexdigest()
    held = {f.path: f.sha256 for f in case.options.files}
    assert held["inputs/y.ply"] == told["sha256"] and len(held) == 2
    assert client.send("a", "y.ply", b"four", "?clash=odd") == 400


def test_names_that_are_scripts_are_text(client, desk, ready):
    evil = "<script>alert(1)</script>"
    case = ready()
    told = client.told("case/a/options", {"options": {"case_id": evil, "phase": f"'\"{evil}"}})
    assert told["options"]["case_id"] == evil
    case.put_state("run.json", {"state": "failed", "reason": evil})
    case.note(evil, evil)
    for path in ("", "case/a/"):
        status, page = client.ask(path)
        assert status == 200 and evil.encode() not in page
        policy = client.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "unsafe-inline' 'self" not in policy
        # The one script of the page is named by its hash.
        scripts = re.findall(rb"<script>(.*?)</script>", page, re.S)
        assert len(scripts) == 1
        digest = hashlib.sha256(scripts[0]).digest()
        assert f"'sha256-{base64.b64encode(digest).decode()}'" in policy
    assert client.told("case/a/journal")["entries"][-1]["who"] == evil
    assert client.headers["Content-Type"].startswith("application/json")


def test_every_answer_is_fenced(client, ready):
    ready()
    for path in ("", "states", "help", "case/a/", "case/a/state", "nothing", "thumb/a"):
        client.ask(path)
        assert client.headers["X-Content-Type-Options"] == "nosniff"
        assert client.headers["X-Frame-Options"] == "DENY"
        assert client.headers["Cache-Control"] == "no-store"
        assert client.headers["Referrer-Policy"] == "no-referrer"
        assert "frame-ancestors 'none'" in client.headers["Content-Security-Policy"]
        assert "server" not in {name.lower() for name in client.headers}


@pytest.mark.parametrize(
    ("act", "body"),
    [
        ("options", {"options": {"input": "/etc/passwd"}}),
        ("options", {"options": {"settings": "../../x.toml"}}),
        ("options", {"options": "no"}),
        ("parts", {"parts": [["x", "1", "left_atrium"]]}),
        ("parts", {"parts": [["../../etc/passwd", 1, "left_atrium"]]}),
        ("landmarks", {"marks": {"a,b": [[1, 2, 3]]}}),
        ("landmarks", {"marks": {"a": [[1, 2, 1e999]]}}),
        ("landmarks", {"marks": {"a": [[1, 2]]}}),
        ("take-out", {"path": "../../x"}),
        ("take-out", {"path": "asked.toml"}),
        ("reader", {"reader": "../x"}),
        ("reviewed", {"who": "a\nb"}),
        ("reviewed", {"who": "x" * 400}),
    ],
)
def test_odd_wishes_are_told_and_change_nothing(client, ready, act, body):
    case = ready()
    before = content(case.path)
    told = client.told(f"case/a/{act}", body)
    assert told["fault"]
    assert content(case.path) == before
    assert client.ask(f"case/a/{act}", [1])[0] == 400
    assert client.ask(f"case/a/{act}", b"{", raw=True)[0] == 400


def test_a_second_desk_is_told_and_changes_nothing(client, desk, ready, quick):
    from desk.asking import Client

    from veinfit.review.local_site import LocalSite

    case = ready()
    other = Desk(desk.folder, function=quick)
    other.begin()
    with LocalSite(desk_app(other)) as site:
        site.start()
        second = Client(site)
        assert "another desk" in second.told("states")["reading"]
        assert [c["name"] for c in second.told("states")["cases"]] == ["a"]
        before = content(case.path)
        for act in ACTS:
            told = second.told(f"case/a/{act}", {"who": "x", "reason": "y"})
            assert told["fault"]
        assert "another desk" in second.send("a", "z.ply", b"z")["fault"]
        assert "another desk" in second.told("new", {"name": "b"})["fault"]
        assert content(case.path) == before
        # When the first has ended, the other goes on with the folder.
        desk.end()
        assert second.told("states")["reading"] == ""
        assert second.told("new", {"name": "b"})["name"] == "b"
        other.end()
    assert read_journal(case.path).torn == 0


def test_a_folder_that_is_gone_is_told_in_one_line(client, desk):
    desk.folder.rename(desk.folder.with_name("elsewhere"))
    status, told = client.ask("")
    assert status == 503 and told.count(b"\n") == 1 and b"cannot be read" in told
    assert "cannot be read" in client.told("states")["fault"]
    desk.folder.with_name("elsewhere").rename(desk.folder)
    assert client.ask("")[0] == 200
