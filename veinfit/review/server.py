"""The review page's server: it writes one file and its backups."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from veinfit.errors import InputError
from veinfit.review.local_site import LocalSite, json_answer, json_body, refused
from veinfit.vectors import FloatArray

SHOWN_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
}
"""Files of the case that are shown, by their ending; all others are refused."""


class Reviewing(Protocol):
    """What a review page asks: a session here, or one in a process of its own."""

    def place(self, origin: FloatArray, direction: FloatArray) -> tuple[list[float], list[str]]:
        """See :meth:`veinfit.review.session.ReviewSession.place`."""

    def preview(
        self,
        vein: str,
        entries: Sequence[Mapping[str, Any]],
        seats: bool,
        added: bool = False,
        first: int | None = None,
    ) -> dict[str, Any]:
        """See :meth:`veinfit.review.session.ReviewSession.preview`."""

    def image_plane(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """See :meth:`veinfit.review.session.ReviewSession.image_plane`."""

    def opened(self) -> dict[str, Any]:
        """See :meth:`veinfit.review.session.ReviewSession.opened`."""

    def merged(self, entries: Sequence[Mapping[str, Any]], base: str) -> dict[str, Any]:
        """See :meth:`veinfit.review.session.ReviewSession.merged`."""

    def save(
        self, entries: Sequence[Mapping[str, Any]], base: str = "", agreed: bool = False
    ) -> dict[str, Any]:
        """See :meth:`veinfit.review.session.ReviewSession.save`."""


class ReviewServer(LocalSite):
    """Serves one review until :meth:`shutdown`.

    Parameters
    ----------
    session : Reviewing
    folder : Path
        The case; its files can be looked at.
    page : str
        The page itself.
    policy : str
        Its content security policy.
    """

    def __init__(self, session: Reviewing, folder: Path, page: str, policy: str) -> None:
        app = Starlette(routes=review_routes(session, folder, page, policy))
        app.router.redirect_slashes = False
        super().__init__(app)


def review_routes(session: Reviewing, folder: Path, page: str, policy: str) -> Sequence[BaseRoute]:
    """Return the page of a review, what it asks, and the files of its case."""

    async def show(request: Request) -> Response:
        return HTMLResponse(page, headers={"content-security-policy": policy})

    async def corrections(request: Request) -> Response:
        return json_answer(await asyncio.to_thread(_opened, session), policy)

    async def act(request: Request) -> Response:
        body = await json_body(request)
        return json_answer(
            await asyncio.to_thread(review_answer, session, request.path_params["act"], body),
            policy,
        )

    def file(request: Request) -> Response:
        return shown_file(folder, request.path_params["name"])

    return (
        Route("/", show),
        Route("/corrections", corrections),
        Route("/case/{name:path}", file),
        Route("/{act}", act, methods=["POST"]),
    )


def _opened(session: Reviewing) -> dict[str, Any]:
    try:
        return session.opened()
    except InputError as error:
        return {"fault": str(error)}


def shown_file(folder: Path, name: str) -> Response:
    """Return a file of a folder, of a kind that is shown.

    Parameters
    ----------
    folder : Path
    name : str
        Relative to the folder.

    Returns
    -------
    Response

    Raises
    ------
    HTTPException
        It lies outside, is missing, or is of another kind.
    """
    folder = folder.resolve()
    try:
        # Resolved, so that neither .. nor a link leads out of the folder.
        path = (folder / name).resolve(strict=True)
        kind = SHOWN_TYPES.get(path.suffix.lower())
        if not path.is_relative_to(folder) or not path.is_file() or kind is None:
            raise refused(404)
        return Response(path.read_bytes(), media_type=kind)
    except (OSError, ValueError) as error:
        raise refused(404) from error


def review_answer(session: Reviewing, act: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a review says to a question of its page.

    Parameters
    ----------
    session : Reviewing
    act : str
        What the page asks for.
    body : mapping of str to object
        With the page's ``entries``.

    Returns
    -------
    dict
        Plain values; ``fault`` says what is wrong with an entry.

    Raises
    ------
    HTTPException
        It is no question that the page asks.
    """
    entries = body.get("entries")
    if not isinstance(entries, list) or not all(map(_is_entry, entries)):
        raise refused(400)
    try:
        return _done(session, act, body, entries)
    except InputError as error:
        return {"fault": str(error)}


def _done(
    session: Reviewing, act: str, body: Mapping[str, Any], entries: list[dict[str, Any]]
) -> dict[str, Any]:
    if act == "preview":
        seats, added = (body.get(name) is True for name in ("seats", "added"))
        first = body.get("first")
        if first is not None and (type(first) is not int or first < 0):
            raise refused(400)
        return session.preview(str(body.get("vein")), entries, seats, added, first)
    if act == "place":
        origin, direction = (_vector(body.get(name)) for name in ("origin", "direction"))
        point, names = session.place(origin, direction)
        return {"point": point, "names": names}
    if act == "image":
        return session.image_plane(body)
    base = str(body.get("base", ""))
    if act == "merge":
        return session.merged(entries, base)
    if act == "save":
        return session.save(entries, base, body.get("agreed") is True)
    raise refused(404)


def _is_entry(value: object) -> bool:
    """Whether a page could have sent it, so that it can be merged with others and sent back."""
    if not isinstance(value, dict):
        return False
    try:
        # Python reads infinity, which no page writes and no answer may hold.
        json.dumps(value, allow_nan=False)
    except ValueError:
        return False
    return all(isinstance(value.get(text, ""), str) for text in ("vein", "who", "why"))


def _vector(value: object) -> FloatArray:
    """Return a point or direction (3,) that a page sent."""
    if not isinstance(value, list) or len(value) != 3:
        raise refused(400)
    if not all(type(c) in (int, float) and math.isfinite(c) for c in value):
        raise refused(400)
    if not any(value):
        raise refused(400)
    return np.array(value, dtype=float)
