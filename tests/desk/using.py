"""Using the desk's pages as a person does."""

from __future__ import annotations

import json
from pathlib import Path

import browser as chrome

SETTLED = "document.body?.dataset.settled"
SET_UP = "document.body?.dataset.ready === 'setup'"


def give(page: chrome.Browser, selector: str, *files: Path) -> None:
    root = page.call("DOM.getDocument")["root"]["nodeId"]
    node = page.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
    page.call("DOM.setFileInputFiles", nodeId=node, files=[str(file) for file in files])


def enter(page: chrome.Browser, selector: str, value: str, event: str = "input") -> None:
    page.evaluate(
        f"(() => {{ const f = document.querySelector({json.dumps(selector)});"
        f"f.value = {json.dumps(value)}; f.dispatchEvent(new Event('{event}')); }})()"
    )


def text(page: chrome.Browser, selector: str) -> str:
    return str(page.evaluate(f"document.querySelector({json.dumps(selector)}).innerText"))


def at_state(page: chrome.Browser, state: str) -> None:
    page.wait(f"document.querySelector('.badge')?.textContent === '{state}' && {SETTLED}")
