"""A headless Chromium, driven over a pipe by its DevTools protocol, without a network.

No package is needed: the browser reads commands from file descriptor 3 and
writes answers to 4, each a JSON text that ends with a zero byte
(``--remote-debugging-pipe``).
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

PROGRAMS = ("chromium", "chromium-browser", "google-chrome-stable")
ALLOWANCE_S = 60.0


def chromium() -> str:
    """Return the browser's path; skip the test where there is none."""
    found = next(filter(None, map(shutil.which, PROGRAMS)), None)
    if found is None or shutil.which("bash") is None:
        pytest.skip("no Chromium on this machine: apt install chromium")
    return found


class Browser:
    """One page of a running browser."""

    def __init__(self, read: int, write: int) -> None:
        self._read, self._write = read, write
        self._left, self._count, self._session = b"", 0, None
        self.requests: list[str] = []
        """Addresses that the page asked for."""
        self.dialogs: list[str] = []
        """Kinds of the dialogs that came up, each of which was agreed to."""
        self.faults: list[str] = []
        """Exceptions, and errors and warnings of the console."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and wait for its answer."""
        asked = self._send(method, parameters)
        while True:
            answer = self._next()
            if answer.get("id") == asked:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return dict(answer["result"])
            self._note(answer)

    def _send(self, method: str, parameters: dict[str, Any]) -> int:
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._write, data) :]
        return self._count

    def open(self, page: Path | str, wait_for: str = "true") -> None:
        """Load a file (or an address) and wait until an expression of the page is true."""
        address = page.resolve().as_uri() if isinstance(page, Path) else page
        self.call("Page.navigate", url=address)
        self.wait(f"document.readyState === 'complete' && ({wait_for})")

    def wait(self, expression: str) -> None:
        """Wait until an expression of the page is true."""
        deadline = time.monotonic() + ALLOWANCE_S
        while not self._is_true(expression):
            if time.monotonic() > deadline:
                raise TimeoutError(f"{expression}; faults: {self.faults}")
            time.sleep(0.05)

    def _is_true(self, expression: str) -> bool:
        try:
            return bool(self.evaluate(expression))
        except RuntimeError as fault:
            # The page that was asked has just made way for the one that is waited for.
            if "navigated" in str(fault) or "context" in str(fault):
                return False
            raise

    def evaluate(self, expression: str) -> Any:
        """Return the value of an expression in the page; a promise's when it is kept."""
        answer = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            details = answer["exceptionDetails"]
            raise RuntimeError(details.get("exception", {}).get("description", details["text"]))
        return answer["result"].get("value")

    def size(self, width: int, height: int) -> None:
        """Give the page this many pixels."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=width < 600)  # fmt: skip

    def key(self, key: str, text: str = "", shift: bool = False) -> None:
        """Press and release a key on what has the focus."""
        common = {"key": key, "modifiers": 8 if shift else 0}
        code = {"Tab": 9, "Home": 36, " ": 32, "Enter": 13}.get(key)
        code = code or {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}.get(key)
        if code:
            common["windowsVirtualKeyCode"] = code
        down = "keyDown" if text else "rawKeyDown"
        self.call("Input.dispatchKeyEvent", type=down, text=text, **common)
        self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Press the left button at one place and let it go at another."""
        mouse = "Input.dispatchMouseEvent"
        held = {"button": "left", "clickCount": 1}
        self.call(mouse, type="mousePressed", x=start[0], y=start[1], buttons=1, **held)
        for t in (0.25, 0.5, 0.75, 1.0):
            x, y = (a + t * (b - a) for a, b in zip(start, end, strict=True))
            self.call(mouse, type="mouseMoved", x=x, y=y, buttons=1, **held)
        self.call(mouse, type="mouseReleased", x=end[0], y=end[1], buttons=0, **held)

    def click(self, selector: str) -> None:
        """Click the middle of the first element that a CSS selector names."""
        box = self.evaluate(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block: 'center'}); const b = e.getBoundingClientRect();"
            "return [b.x + b.width / 2, b.y + b.height / 2]; })()"
        )
        self.drag((box[0], box[1]), (box[0], box[1]))

    def picture(self, whole: bool = False) -> bytes:
        """Return what is seen, or the whole page, as PNG."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(answer["data"])

    def pdf(self, **options: Any) -> bytes:
        """Print the page."""
        return base64.b64decode(self.call("Page.printToPDF", **options)["data"])

    def _next(self) -> dict[str, Any]:
        deadline = time.monotonic() + ALLOWANCE_S
        while b"\0" not in self._left:
            ready, _, _ = select.select([self._read], [], [], deadline - time.monotonic())
            chunk = os.read(self._read, 1 << 20) if ready else b""
            if not chunk:
                raise TimeoutError("the browser gave no answer")
            self._left += chunk
        one, _, self._left = self._left.partition(b"\0")
        return dict(json.loads(one))

    def _note(self, event: dict[str, Any]) -> None:
        method, told = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(told["request"]["url"])
        elif method == "Page.javascriptDialogOpening":
            # "Leave the page?": yes, as a person in a hurry says.
            self.dialogs.append(told["type"])
            self._send("Page.handleJavaScriptDialog", {"accept": True})
        elif method == "Runtime.exceptionThrown":
            details = told["exceptionDetails"]
            self.faults.append(details.get("exception", {}).get("description", details["text"]))
        elif method == "Log.entryAdded" and told["entry"]["level"] in {"error", "warning"}:
            self.faults.append(told["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and told["type"] in {"error", "warning"}:
            self.faults.append(str([a.get("value") for a in told["args"]]))


@contextmanager
def browser(*options: str, webgl: bool = True, loopback: bool = False) -> Iterator[Browser]:
    """Start a browser that reaches no network (``loopback``: this machine alone); end it after."""
    program = chromium()
    graphics = (
        ["--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
        if webgl
        else ["--disable-gpu", "--disable-3d-apis"]
    )
    # No name is looked up and what is asked for goes to a port that nobody listens on.
    nowhere = [
        "--proxy-server=http://127.0.0.1:9",
        "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
    ]
    if not loopback:
        nowhere.append("--proxy-bypass-list=<-loopback>")
    with tempfile.TemporaryDirectory(prefix="veinfit-browser-", ignore_cleanup_errors=True) as home:
        command = [
            program, "--headless", "--no-sandbox", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update",
            "--hide-scrollbars", "--force-color-profile=srgb", f"--user-data-dir={home}",
            "--remote-debugging-pipe", *graphics, *nowhere, *options,
        ]  # fmt: skip
        to_read, to_write = os.pipe()
        from_read, from_write = os.pipe()
        process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{from_write}', "bash", *command],
            pass_fds=(to_read, from_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(from_write)
        one = None
        try:
            one = Browser(from_read, to_write)
            yield one
        finally:
            if one is not None:
                try:
                    one._session = None
                    one.call("Browser.close")
                except (OSError, TimeoutError):
                    pass
            os.close(to_write)
            os.close(from_read)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
