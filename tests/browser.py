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
from contextlib import contextmanager, suppress
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


class Chromium:
    """A running browser process, and the two pipes to it."""

    def __init__(self, options: tuple[str, ...]) -> None:
        self._home = tempfile.TemporaryDirectory(
            prefix="veinfit-browser-", ignore_cleanup_errors=True
        )
        command = [
            chromium(), "--headless", "--no-sandbox", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update",
            "--hide-scrollbars", "--force-color-profile=srgb",
            f"--user-data-dir={self._home.name}", "--remote-debugging-pipe", *options,
        ]  # fmt: skip
        to_read, self._write = os.pipe()
        self._read, from_write = os.pipe()
        self._process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{from_write}', "bash", *command],
            pass_fds=(to_read, from_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(from_write)
        self._left, self._count = b"", 0

    def send(self, method: str, parameters: dict[str, Any], session: str | None) -> int:
        """Send one command; return its number."""
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._write, data) :]
        return self._count

    def next(self) -> dict[str, Any]:
        """Wait for one answer or event."""
        deadline = time.monotonic() + ALLOWANCE_S
        while b"\0" not in self._left:
            ready, _, _ = select.select([self._read], [], [], deadline - time.monotonic())
            chunk = os.read(self._read, 1 << 20) if ready else b""
            if not chunk:
                raise TimeoutError("the browser gave no answer")
            self._left += chunk
        one, _, self._left = self._left.partition(b"\0")
        return dict(json.loads(one))

    def end(self) -> None:
        """End the process, in peace where it answers."""
        with suppress(OSError):
            self.send("Browser.close", {}, None)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._write)
        os.close(self._read)
        self._home.cleanup()


class Browser:
    """One page in a profile of its own."""

    def __init__(self, running: Chromium) -> None:
        self._running, self._session = running, None
        self.requests: list[str] = []
        """Addresses that the page asked for."""
        self.dialogs: list[str] = []
        """Kinds of the dialogs that came up, each of which was agreed to."""
        self.faults: list[str] = []
        """Exceptions, and errors and warnings of the console."""
        self._profile = self.call("Target.createBrowserContext")["browserContextId"]
        target = self.call(
            "Target.createTarget", url="about:blank", browserContextId=self._profile
        )["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and wait for its answer."""
        asked = self._running.send(method, parameters, self._session)
        while True:
            answer = self._running.next()
            if answer.get("id") == asked:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return dict(answer["result"])
            if answer.get("sessionId") == self._session:
                self._note(answer)

    def close(self) -> None:
        """Leave nothing of this page to the next one."""
        self._session = None
        self.call("Target.disposeBrowserContext", browserContextId=self._profile)

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
        code = {"Tab": 9, "Escape": 27, "Home": 36, " ": 32, "Enter": 13}.get(key)
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
        """Click the middle of the first element that a CSS selector names, once it stays there.

        Where the page is still being laid out the click would go beside it.
        """
        before, deadline = None, time.monotonic() + ALLOWANCE_S
        while (box := self._middle(selector)) != before or not box[2]:
            if time.monotonic() > deadline:
                raise TimeoutError(f"{selector} does not come to rest, or is covered")
            before = box
            time.sleep(0.02)
        self.drag((box[0], box[1]), (box[0], box[1]))

    def _middle(self, selector: str) -> list[Any]:
        """Middle of an element, scrolled into view, and whether it is what is seen there."""
        found: list[Any] = self.evaluate(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block: 'center'}); const b = e.getBoundingClientRect();"
            "const [x, y] = [b.x + b.width / 2, b.y + b.height / 2];"
            "const there = document.elementFromPoint(x, y);"
            "return [x, y, Boolean(there && (e.contains(there) || there.contains(e)))]; })()"
        )
        return found

    def picture(self, whole: bool = False) -> bytes:
        """Return what is seen, or the whole page, as PNG."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(answer["data"])

    def pdf(self, **options: Any) -> bytes:
        """Print the page."""
        return base64.b64decode(self.call("Page.printToPDF", **options)["data"])

    def _note(self, event: dict[str, Any]) -> None:
        method, told = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(told["request"]["url"])
        elif method == "Page.javascriptDialogOpening":
            # "Leave the page?": yes, as a person in a hurry says.
            self.dialogs.append(told["type"])
            self._running.send("Page.handleJavaScriptDialog", {"accept": True}, self._session)
        elif method == "Runtime.exceptionThrown":
            details = told["exceptionDetails"]
            self.faults.append(details.get("exception", {}).get("description", details["text"]))
        elif method == "Log.entryAdded" and told["entry"]["level"] in {"error", "warning"}:
            self.faults.append(told["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and told["type"] in {"error", "warning"}:
            self.faults.append(str([a.get("value") for a in told["args"]]))


_running: dict[tuple[str, ...], Chromium] = {}


def end_browsers() -> None:
    """End all browsers that this process has started."""
    while _running:
        _running.popitem()[1].end()


@contextmanager
def browser(webgl: bool = True, loopback: bool = False) -> Iterator[Browser]:
    """Open a page that reaches no network (``loopback``: this machine alone); close it after.

    A process starts one browser of a kind: to start one takes longer than most of its tests.
    """
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
    kind = (*graphics, *nowhere)
    running = _running.get(kind) or _running.setdefault(kind, Chromium(kind))
    try:
        one = Browser(running)
        try:
            yield one
        finally:
            one.close()
    except (OSError, TimeoutError):
        # It may answer no more: the next page gets another one.
        _running.pop(kind, running).end()
        raise
