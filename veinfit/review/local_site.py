"""Serves a page to this machine alone, under one token.

A page of another site can make a browser send requests here. So a request
counts only when it names the token, which no other page knows, when its Host
is this server's own (a foreign name that was made to point here has another),
and, where something is asked to be done, when its Origin is this server's too.
"""

from __future__ import annotations

import hmac
import json
import secrets
import socket
import threading
from typing import Any

import uvicorn
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24
PATIENCE_S = 30
"""A connection that says nothing for so long is closed."""

LARGEST_DROPPED = 4_000_000
"""Bytes of a request that is too large that are still taken, so that the refusal arrives."""

LARGEST_REQUEST = 200_000
"""Bytes of a request in JSON: a hundred corrections take a tenth of it."""

FILE_POLICY = "sandbox allow-scripts allow-popups; frame-ancestors 'none'"
"""Policy of files that are shown: an origin of their own, so that no script in one can save."""

ASKING = {"GET", "HEAD"}
"""Methods that change nothing."""

FIXED_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
)


class Guard:
    """Lets through what the page itself asks, below the token, and refuses all else.

    Parameters
    ----------
    app : ASGI application
        Sees the path below the token.
    token, host : str
        Host and port as a browser names them.
    """

    def __init__(self, app: ASGIApp, token: str, host: str) -> None:
        self._app, self._token, self._host = app, token, host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request of ASGI; others, as web sockets, are none of this page's."""
        if scope["type"] != "http":
            return

        async def tell(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", ()))
                names = {name.lower() for name, _ in given}
                fixed = (*FIXED_HEADERS, (b"content-security-policy", FILE_POLICY.encode()))
                message["headers"] = [*given, *(h for h in fixed if h[0] not in names)]
            await send(message)

        path, refusal = self._judged(scope)
        if refusal:
            answer = PlainTextResponse(HTTPException(refusal).detail, refusal)
            answer.headers["connection"] = "close"
            await answer(scope, receive, tell)
            return
        below = {**scope, "path": path, "raw_path": path.encode(), "root_path": ""}
        await self._app(below, receive, tell)

    def _judged(self, scope: Scope) -> tuple[str, int]:
        """Return what is asked for below the token, and a status where it is refused."""
        headers = Headers(scope=scope)
        if headers.getlist("host") != [self._host]:
            return "", 421
        if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}:
            return "", 403
        _, _, rest = str(scope["path"]).partition("/")
        token, slash, path = rest.partition("/")
        if not slash or not hmac.compare_digest(token.encode(), self._token.encode()):
            return "", 404
        acts = scope["method"] not in ASKING
        if acts and headers.getlist("origin") != [f"http://{self._host}"]:
            return "", 403
        return f"/{path}", 0


class LocalSite:
    """An application on a port of this machine, served by a thread until :meth:`shutdown`.

    Parameters
    ----------
    app : ASGI application

    Raises
    ------
    OSError
        No port can be had.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.bind((LOOPBACK, 0))
        # At once, so that whoever is told the address before the thread runs only waits.
        self._socket.listen(64)
        self.server_address: tuple[str, int] = self._socket.getsockname()
        self.token = secrets.token_urlsafe(TOKEN_BYTES)
        self._server = uvicorn.Server(
            uvicorn.Config(
                Guard(app, self.token, self.host),
                # Nothing is logged: addresses hold the token.
                log_config=None,
                access_log=False,
                server_header=False,
                lifespan="off",
                ws="none",
                http="h11",
                loop="asyncio",
                interface="asgi3",
                proxy_headers=False,
                timeout_keep_alive=PATIENCE_S,
                timeout_graceful_shutdown=1,
            )
        )
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, daemon=True
        )

    @property
    def server_port(self) -> int:
        """The port, chosen by the system."""
        return self.server_address[1]

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
        self._thread.start()

    def shutdown(self) -> None:
        """End the serving; what is being answered is given a second."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(5.0)

    def __enter__(self) -> LocalSite:
        return self

    def __exit__(self, *cause: object) -> None:
        self.shutdown()
        self._socket.close()


def refused(status: int) -> HTTPException:
    """Return the exception that answers a request with this status and its plain words.

    Parameters
    ----------
    status : int
        Of HTTP.

    Returns
    -------
    HTTPException
    """
    return HTTPException(status)


async def json_body(request: Request, most: int = LARGEST_REQUEST) -> dict[str, Any]:
    """Return the JSON object that a request holds.

    Parameters
    ----------
    request : Request
    most : int
        Bytes at most.

    Returns
    -------
    dict

    Raises
    ------
    HTTPException
        It holds none, or is too large.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        raise refused(415)
    length = request.headers.get("content-length", "")
    if not length.isascii() or not length.isdigit():
        raise refused(411)
    if int(length) > most:
        if int(length) <= LARGEST_DROPPED:
            # An answer that comes before all is sent may be lost with the connection.
            async for _ in request.stream():
                pass
        raise refused(413)
    try:
        body = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise refused(400) from error
    if not isinstance(body, dict):
        raise refused(400)
    return body


def json_answer(value: Any, policy: str = FILE_POLICY) -> Response:
    """Return plain values as strict JSON.

    Parameters
    ----------
    value : object
        Plain values, without NaN.
    policy : str
        Content security policy of the answer.

    Returns
    -------
    Response
    """
    return Response(
        json.dumps(value, allow_nan=False),
        media_type="application/json",
        headers={"content-security-policy": policy},
    )
