"""Asking a desk's site as a browser's page does."""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from veinfit.review.local_site import LocalSite


class Client:
    """Sends requests as a browser's page does, changed as asked; None leaves a header out."""

    def __init__(self, site: LocalSite) -> None:
        self.site = site

    def ask(
        self, path: str, body: Any = None, method: str = "", raw: bool = False, **headers: Any
    ) -> tuple[int, bytes]:
        method = method or ("GET" if body is None else "POST")
        sent: dict[str, Any] = {"Host": self.site.host}
        if method == "POST":
            sent |= {"Origin": f"http://{self.site.host}", "Content-Type": "application/json"}
        data = body if raw or body is None else json.dumps(body).encode()
        if data is not None:
            sent["Content-Length"] = str(len(data))
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.site.server_port, timeout=60)
        target = path if path.startswith("/") else f"/{self.site.token}/{path}"
        connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
        for name, value in sent.items():
            if value is not None:
                connection.putheader(name, value)
        connection.endheaders(data)
        answer = connection.getresponse()
        self.headers = answer.headers
        status, told = answer.status, answer.read()
        connection.close()
        return status, told

    def told(self, path: str, body: Any = None) -> dict[str, Any]:
        """Return what is answered with 200, as plain values."""
        status, text = self.ask(path, body)
        assert status == 200, (path, status)
        return dict(json.loads(text))

    def send(self, case: str, name: str, content: bytes, query: str = "", **headers: Any) -> Any:
        """Send a file; return the answer, or its status where it is refused."""
        path = f"case/{quote(case)}/file/{quote(name, safe='')}{query}"
        kind = {"Content_Type": "application/octet-stream"}
        status, text = self.ask(path, content, raw=True, **{**kind, **headers})
        return json.loads(text) if status == 200 else status


def until(true: Callable[[], bool], limit_s: float = 60.0) -> None:
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)
