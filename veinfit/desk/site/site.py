"""The desk's addresses: what is asked, checked and answered."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from veinfit.desk.jobs.setting_up import set_up
from veinfit.desk.site import acts, pages
from veinfit.desk.site.desk import Desk
from veinfit.desk.site.remedies import page_words
from veinfit.desk.store.cases import CaseFolder
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.signed_copies import COPIES
from veinfit.desk.store.uploads import NameTaken, plain_file_name, take_in
from veinfit.errors import InputError
from veinfit.review.local_site import json_answer, json_body, refused
from veinfit.review.server import review_answer, shown_file

DATA_POLICY = "default-src 'none'; sandbox; frame-ancestors 'none'"
CHUNK = 1 << 20
LARGEST_TABLE = 4_000_000
"""Bytes of a request with a table of what was observed: some fifty thousand tries."""
READERS = {"first", "second"}


def desk_app(desk: Desk) -> Starlette:
    """Return the application of a desk; the guard of the site stands before it."""
    site = _Site(desk)
    app = Starlette(
        routes=[
            Route("/", site.front),
            Route("/help", site.help),
            Route("/states", site.states),
            Route("/thumb/{case}", site.thumb),
            Route("/new", site.new, methods=["POST"]),
            Route("/sample", site.sample, methods=["POST"]),
            Route("/loose", site.loose, methods=["POST"]),
            Route("/run-ready", site.run_ready, methods=["POST"]),
            Route("/export", site.export, methods=["POST"]),
            Route("/export/{name}", site.export_state),
            Route("/export/{name}/zip", site.export_zip),
            Route("/study", site.study, methods=["POST"]),
            Route("/study/{name}", site.study_state),
            Route("/study/{name}/{file:path}", site.study_file),
            Route("/case/{case}/", site.case),
            Route("/case/{case}/setup", site.setup),
            Route("/case/{case}/shapes", site.shapes),
            Route("/case/{case}/state", site.state),
            Route("/case/{case}/journal", site.journal),
            Route("/case/{case}/compare", site.compare),
            Route("/case/{case}/result/{name:path}", site.result),
            Route("/case/{case}/signed/{name:path}", site.signed),
            Route("/case/{case}/file/{name:path}", site.upload, methods=["POST"]),
            Route("/case/{case}/{act}", site.act, methods=["POST"]),
            Route("/review/{case}/{reader}/", site.review),
            Route("/review/{case}/{reader}/opening", site.review_opening),
            Route("/review/{case}/{reader}/corrections", site.review_corrections),
            Route("/review/{case}/{reader}/case/{name:path}", site.result),
            Route("/review/{case}/{reader}/{act}", site.review_act, methods=["POST"]),
        ],
        exception_handlers={InputError: _hindered},
    )
    app.router.redirect_slashes = False
    return app


def _hindered(request: Request, error: Exception) -> Response:
    """Say in one line why a page cannot be shown: the folder is gone, or cannot be read."""
    return PlainTextResponse(f"{error}\n", 503)


class _Site:
    """Handlers of one desk. What takes time runs in threads."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def _case(self, request: Request) -> CaseFolder:
        found = self.desk.case(request.path_params["case"])
        if found is None:
            raise refused(404)
        return found

    # ---- pages ----
    def front(self, request: Request) -> Response:
        return _page(*pages.front_page(self.desk))

    def help(self, request: Request) -> Response:
        return _page(*pages.help_page(self.desk))

    def case(self, request: Request) -> Response:
        return _page(*pages.case_page(self.desk, self._case(request)))

    # ---- what pages ask ----
    def states(self, request: Request) -> Response:
        desk = self.desk
        return _json(lambda: {"cases": desk.states(), "reading": desk.only_reading()})

    def state(self, request: Request) -> Response:
        case = self._case(request)
        return _json(lambda: self.desk.state(case))

    def setup(self, request: Request) -> Response:
        case = self._case(request)

        def told() -> dict[str, Any]:
            if self.desk.only_reading():
                raise InputError(self.desk.only_reading())
            return set_up(case, self.desk.looks, self.desk.folder)

        return _json(told)

    def shapes(self, request: Request) -> Response:
        case = self._case(request)
        return _json(lambda: self.desk.shapes(case))

    def journal(self, request: Request) -> Response:
        read = read_journal(self._case(request).path)
        return _json(
            lambda: {
                "entries": list(read.entries),
                "altered": list(read.altered),
                "torn": read.torn,
            }
        )

    def thumb(self, request: Request) -> Response:
        picture = self.desk.thumb(self._case(request))
        if picture is None:
            raise refused(404)
        return Response(picture, media_type="image/png")

    def result(self, request: Request) -> Response:
        return shown_file(self._case(request).result, request.path_params["name"])

    def signed(self, request: Request) -> Response:
        return shown_file(self._case(request).path / COPIES, request.path_params["name"])

    def compare(self, request: Request) -> Response:
        case = self._case(request)
        return _json(lambda: {"veins": self.desk.reviews.of(case, "first").compared()})

    # ---- what is done ----
    async def new(self, request: Request) -> Response:
        body = await json_body(request)
        return await _done(lambda: acts.new(self.desk, body))

    async def sample(self, request: Request) -> Response:
        await json_body(request)
        return await _done(lambda: {"name": self.desk.sample(self.desk.who).name})

    async def loose(self, request: Request) -> Response:
        await json_body(request)
        return await _done(lambda: {"made": self.desk.take_loose(self.desk.who)})

    async def run_ready(self, request: Request) -> Response:
        await json_body(request)
        return await _done(lambda: {"queued": self.desk.run_ready(self.desk.who)})

    async def act(self, request: Request) -> Response:
        case, do = self._case(request), acts.ACTS.get(request.path_params["act"])
        if do is None:
            raise refused(404)
        body = await json_body(request)
        return await _done(lambda: do(self.desk, case, body) or {})

    async def upload(self, request: Request) -> Response:
        """Take a file's bytes as they come; nothing of it is held in memory."""
        case = self._case(request)
        if request.headers.get("content-type", "") != "application/octet-stream":
            raise refused(415)
        length = request.headers.get("content-length", "")
        if not length.isascii() or not length.isdigit():
            raise refused(411)
        clash = request.query_params.get("clash", "")
        if clash not in ("", "replace", "both"):
            raise refused(400)
        name = request.path_params["name"]
        try:
            await run_in_threadpool(self.desk.need_own)
            case.need_open()
            held = await take_in(case, name, int(length), _chunks(request), clash)
            return json_answer({"path": held.path, "sha256": held.sha256}, DATA_POLICY)
        except NameTaken:
            return json_answer({"clash": plain_file_name(name)}, DATA_POLICY)
        except InputError as error:
            answer = json_answer({"fault": str(error)}, DATA_POLICY)
            # The rest of the file is not waited for.
            answer.headers["connection"] = "close"
            return answer
        except ClientDisconnect:
            return Response(status_code=400)

    # ---- exports ----
    async def export(self, request: Request) -> Response:
        body = await json_body(request)
        return await _done(lambda: acts.export(self.desk, body))

    def export_state(self, request: Request) -> Response:
        state = self.desk.exports.state(request.path_params["name"])
        if state is None:
            raise refused(404)
        return _json(lambda: state)

    def export_zip(self, request: Request) -> Response:
        name = request.path_params["name"]
        stream = self.desk.exports.packed(name)
        if stream is None:
            raise refused(404)

        def parts() -> Iterator[bytes]:
            with stream:
                while chunk := stream.read(CHUNK):
                    yield chunk

        told = {"content-disposition": f'attachment; filename="veinfit-{name}.zip"'}
        return StreamingResponse(parts(), media_type="application/zip", headers=told)

    # ---- studies of several cases ----
    async def study(self, request: Request) -> Response:
        body = await json_body(request, LARGEST_TABLE)
        return await _done(lambda: acts.study(self.desk, body))

    def study_state(self, request: Request) -> Response:
        state = self.desk.studies.state(request.path_params["name"])
        if state is None:
            raise refused(404)
        return _json(lambda: state)

    def study_file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if self.desk.studies.state(name) is None:
            raise refused(404)
        return shown_file(self.desk.studies.folder_of(name), request.path_params["file"])

    # ---- review ----
    def _review(self, request: Request) -> Any:
        reader = request.path_params["reader"]
        if reader not in READERS:
            raise refused(404)
        return self.desk.reviews.of(self._case(request), reader)

    def review(self, request: Request) -> Response:
        one = self._review(request)
        one.open()
        if one.page is not None:
            page, policy = one.page
            return HTMLResponse(page, headers={"content-security-policy": policy})
        if one.fault:
            self.desk.reviews.forget(one.case.name)
        return _page(*pages.opening_page(self.desk, one.case, one.fault))

    def review_opening(self, request: Request) -> Response:
        return _json(self._review(request).opening)

    def review_corrections(self, request: Request) -> Response:
        one = self._review(request)

        def told() -> dict[str, Any]:
            one.need_same(request.query_params.get("of", ""))
            return dict(one.opened())

        return _json(told)

    async def review_act(self, request: Request) -> Response:
        one = await run_in_threadpool(self._review, request)
        body = await json_body(request)
        act = request.path_params["act"]
        try:
            one.need_same(request.query_params.get("of", ""))
        except InputError as error:
            return json_answer({"fault": str(error)}, DATA_POLICY)
        answer = await asyncio.to_thread(review_answer, one, act, body)
        names = {str(entry.get("who", "")) for entry in body["entries"]}
        if act == "save" and "fault" not in answer and len(names) == 1:
            # Whoever corrected need not type the name again.
            self.desk.who = names.pop()
        return json_answer(answer, DATA_POLICY)


def _page(page: str, policy: str) -> Response:
    return HTMLResponse(page, headers={"content-security-policy": policy})


def _json(told: Callable[[], dict[str, Any]]) -> Response:
    """Answer with plain values, or with what hinders."""
    try:
        return json_answer(told(), DATA_POLICY)
    except InputError as error:
        return json_answer({"fault": page_words(str(error))}, DATA_POLICY)


async def _done(do: Callable[[], dict[str, Any]]) -> Response:
    return await run_in_threadpool(_json, do)


async def _chunks(request: Request) -> AsyncIterator[bytes]:
    async for chunk in request.stream():
        if chunk:
            yield chunk


def site_of(folder: Path, workers: int = 1) -> tuple[Desk, Starlette]:
    """Return the desk of a folder and its application.

    Parameters
    ----------
    folder : Path
        Is made where it is not there.
    workers : int
        Processes that assess cases side by side.

    Returns
    -------
    desk : Desk
    application : Starlette
    """
    desk = Desk(folder, workers)
    return desk, desk_app(desk)
