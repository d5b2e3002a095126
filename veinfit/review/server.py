"""The review page's server: this machine alone, one token; it writes one file and its backups.

A page of another site can make a browser send requests here. So a request
counts only when it names the token, which no other page knows, when its Host
is this server's own (a foreign name that was made to point here has another),
and, where something is asked to be done, when its Origin is this server's too.
"""

from __future__ import annotations

import hmac
import json
import math
import secrets
import threading
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import FloatArray
from veinfit.review.session import ReviewSession

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24
LARGEST_REQUEST = 200_000
"""Bytes of a request: a hundred corrections take a tenth of it."""

PATIENCE_S = 30.0
"""A connection that says nothing for so long is closed."""

SHOWN_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
}
"""Files of the case that are shown, by their ending; all others are refused."""


FILE_POLICY = "sandbox allow-scripts allow-popups; frame-ancestors 'none'"
"""Policy of the case's files: an origin of their own, so that no script in one can save."""


class ReviewServer(ThreadingHTTPServer):
    """Serves one review until :meth:`shutdown`.

    Parameters
    ----------
    session : ReviewSession
    folder : Path
        The case; its files can be looked at.
    page : str
        The page itself.
    policy : str
        Its content security policy.
    """

    daemon_threads = True

    def __init__(self, session: ReviewSession, folder: Path, page: str, policy: str) -> None:
        super().__init__((LOOPBACK, 0), _Handler)
        self.session, self.folder = session, folder.resolve()
        self.page, self.policy = page.encode("utf-8"), policy
        self.token = secrets.token_urlsafe(TOKEN_BYTES)

    @property
    def host(self) -> str:
        """Host and port, as a browser names them."""
        return f"{LOOPBACK}:{self.server_port}"

    @property
    def address(self) -> str:
        """The page's address, with the token."""
        return f"http://{self.host}/{self.token}/"

    def start(self) -> None:
        """Serve in a thread of its own."""
        threading.Thread(target=self.serve_forever, daemon=True).start()


def _vector(value: object) -> FloatArray:
    """Return a point or direction (3,) that a page sent."""
    if not isinstance(value, list) or len(value) != 3:
        raise _Refusal(HTTPStatus.BAD_REQUEST)
    if not all(type(c) in (int, float) and math.isfinite(c) for c in value):
        raise _Refusal(HTTPStatus.BAD_REQUEST)
    if not any(value):
        raise _Refusal(HTTPStatus.BAD_REQUEST)
    return np.array(value, dtype=float)


class _Refusal(Exception):
    def __init__(self, status: HTTPStatus) -> None:
        super().__init__(status.phrase)
        self.status = status


class _Handler(BaseHTTPRequestHandler):
    server: ReviewServer
    timeout = PATIENCE_S
    protocol_version = "HTTP/1.1"

    def version_string(self) -> str:
        """Tell no versions."""
        return "veinfit"

    def log_message(self, format: str, *args: Any) -> None:
        """Write nothing: addresses hold the token."""

    def do_GET(self) -> None:
        self._answer(self._get)

    def do_POST(self) -> None:
        self._answer(self._post)

    def _answer(self, act: Any) -> None:
        try:
            self._answered(act)
        except ConnectionError:
            # The page went away before its answer came: it is loaded anew, or closed.
            self.close_connection = True

    def _answered(self, act: Any) -> None:
        try:
            path = self._path()
            kind, body = act(path)
            policy = self.server.policy if not path.startswith("case/") else FILE_POLICY
            self._send(HTTPStatus.OK, kind, body, policy)
        except _Refusal as refusal:
            self.close_connection = True
            self._send(refusal.status, "text/plain; charset=utf-8", refusal.status.phrase.encode())

    def _path(self) -> str:
        """Return what is asked for below the token; refuse whoever may not ask."""
        if self.headers.get_all("Host") != [self.server.host]:
            raise _Refusal(HTTPStatus.MISDIRECTED_REQUEST)
        if self.headers.get("Sec-Fetch-Site", "none") not in {"none", "same-origin"}:
            raise _Refusal(HTTPStatus.FORBIDDEN)
        _, _, rest = urlsplit(self.path).path.partition("/")
        token, slash, path = rest.partition("/")
        if not slash or not hmac.compare_digest(token.encode(), self.server.token.encode()):
            raise _Refusal(HTTPStatus.NOT_FOUND)
        return path

    def _get(self, path: str) -> tuple[str, bytes]:
        if not path:
            return "text/html; charset=utf-8", self.server.page
        if path == "corrections":
            return "application/json", json.dumps(self._opened(), allow_nan=False).encode()
        part, _, name = path.partition("/")
        if part != "case":
            raise _Refusal(HTTPStatus.NOT_FOUND)
        return self._case_file(unquote(name))

    def _opened(self) -> dict[str, Any]:
        try:
            return self.server.session.opened()
        except InputError as error:
            return {"fault": str(error)}

    def _case_file(self, name: str) -> tuple[str, bytes]:
        folder = self.server.folder
        try:
            # Resolved, so that neither .. nor a link leads out of the folder.
            path = (folder / name).resolve(strict=True)
        except (OSError, ValueError) as error:
            raise _Refusal(HTTPStatus.NOT_FOUND) from error
        kind = SHOWN_TYPES.get(path.suffix.lower())
        if not path.is_relative_to(folder) or not path.is_file() or kind is None:
            raise _Refusal(HTTPStatus.NOT_FOUND)
        try:
            return kind, path.read_bytes()
        except OSError as error:
            raise _Refusal(HTTPStatus.NOT_FOUND) from error

    def _post(self, path: str) -> tuple[str, bytes]:
        if self.headers.get_all("Origin") != [f"http://{self.server.host}"]:
            raise _Refusal(HTTPStatus.FORBIDDEN)
        if self.headers.get_content_type() != "application/json":
            raise _Refusal(HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
        asked = self._body()
        entries = asked.get("entries")
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            raise _Refusal(HTTPStatus.BAD_REQUEST)
        try:
            answer = self._do(path, asked, entries)
        except InputError as error:
            answer = {"fault": str(error)}
        return "application/json", json.dumps(answer, allow_nan=False).encode()

    def _do(self, path: str, asked: dict[str, Any], entries: list[Any]) -> dict[str, Any]:
        session = self.server.session
        if path == "preview":
            seats, added = (asked.get(name) is True for name in ("seats", "added"))
            first = asked.get("first")
            if first is not None and (type(first) is not int or first < 0):
                raise _Refusal(HTTPStatus.BAD_REQUEST)
            return session.preview(str(asked.get("vein")), entries, seats, added, first)
        if path == "place":
            origin, direction = (_vector(asked.get(name)) for name in ("origin", "direction"))
            point, names = session.place(origin, direction)
            return {"point": point, "names": names}
        base = str(asked.get("base", ""))
        if path == "merge":
            return session.merged(entries, base)
        if path == "save":
            return session.save(entries, base, asked.get("agreed") is True)
        raise _Refusal(HTTPStatus.NOT_FOUND)

    def _body(self) -> dict[str, Any]:
        length = self.headers.get("Content-Length", "")
        if not length.isascii() or not length.isdigit():
            raise _Refusal(HTTPStatus.LENGTH_REQUIRED)
        if int(length) > LARGEST_REQUEST:
            raise _Refusal(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        try:
            asked = json.loads(self.rfile.read(int(length)))
        except ValueError as error:
            raise _Refusal(HTTPStatus.BAD_REQUEST) from error
        if not isinstance(asked, dict):
            raise _Refusal(HTTPStatus.BAD_REQUEST)
        return asked

    def _send(self, status: HTTPStatus, kind: str, body: bytes, policy: str = FILE_POLICY) -> None:
        self.send_response(status)
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Cache-Control", "no-store"),
            ("Content-Security-Policy", policy),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Referrer-Policy", "no-referrer"),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)
