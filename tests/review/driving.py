"""Driving the review page as a person does."""

from __future__ import annotations

import json
from typing import Any

import browser as chrome

from veinfit.review.session import ReviewSession

SETTLED = (
    "document.body.dataset.settled !== undefined && "
    "document.querySelector('#busy').textContent === ''"
)
"""Nothing is being worked on."""


def enter(page: chrome.Browser, field: str, value: object, event: str = "input") -> None:
    page.evaluate(
        f"(() => {{ const f = document.getElementById('{field}'); f.value = {json.dumps(value)};"
        f"f.dispatchEvent(new Event('{event}')); }})()"
    )


def choose(page: chrome.Browser, vein: str) -> None:
    page.evaluate(f"document.querySelector('input[name=vein][value=\"{vein}\"]').click()")
    page.wait(f"document.querySelector('#told h2') && {SETTLED}")


def text(page: chrome.Browser, selector: str) -> str:
    return str(page.evaluate(f"document.querySelector({json.dumps(selector)}).innerText"))


def number(page: chrome.Browser, selector: str) -> float:
    """Return what stands in a box for a number."""
    return float(page.evaluate(f"document.querySelector({json.dumps(selector)}).value"))


def listed(page: chrome.Browser) -> list[str]:
    return list(page.evaluate("[...document.querySelectorAll('#list li')].map(e => e.textContent)"))


def shift(page: chrome.Browser, vein: str, mm: float, why: str = "too near the atrium") -> None:
    choose(page, vein)
    enter(page, "who", "reader 2")
    enter(page, "why", why)
    enter(page, "shift", mm)
    page.wait(f"document.querySelectorAll('#measures td.other').length > 3 && {SETTLED}")


def save(page: chrome.Browser, until: str) -> None:
    page.wait("!document.querySelector('#save').disabled")
    page.click("#save")
    shown = f"document.querySelector('{until}')"
    page.wait(f"{shown}.textContent !== '' && !{shown}.hidden")


def answered(session: ReviewSession, vein: str, entry: dict[str, Any], seats: bool) -> Any:
    """Return what the session says of an entry, also while the page still asks of its own."""
    told = session.preview(vein, [entry], seats=seats)
    return answered(session, vein, entry, seats) if "superseded" in told else told
