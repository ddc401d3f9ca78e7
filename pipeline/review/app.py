"""What the page asks of the roll, answered: documents, pictures, changes, and news of them."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from pipeline.check import made
from pipeline.problem import Problem
from pipeline.review.change import Change
from pipeline.review.desk import Desk
from pipeline.review.pictures import (
    MOST_SIDE,
    Tones,
    as_bitmap,
    as_jpeg,
    small_frame,
    strip_picture,
)
from pipeline.review.place import Placed, as_found, place_on_strip_mm
from pipeline.review.point import PATCH_PX, bars_mm, patch_at
from pipeline.words import printable

_FILES = {
    "index.html": "text/html; charset=utf-8",
    "review.css": "text/css; charset=utf-8",
    "review.js": "text/javascript; charset=utf-8",
    "roll.js": "text/javascript; charset=utf-8",
    "strip.js": "text/javascript; charset=utf-8",
    "tone.js": "text/javascript; charset=utf-8",
    "ask.js": "text/javascript; charset=utf-8",
}
_BEAT_SECONDS = 15.0


def app_of(desk: Desk) -> Starlette:
    """Return the ASGI application of a roll under review, without any guard."""
    answers = _Answers(desk)
    routes = [
        Route("/", answers.page),
        Route("/page/{name}", answers.file),
        Route("/roll", answers.roll),
        Route("/news", answers.news),
        Route("/small/{key}", answers.small),
        Route("/picture/{key}", answers.picture),
        Route("/place/{key}", answers.place),
        Route("/strip/{place:int}", answers.strip),
        Route("/bars/{place:int}", answers.bars),
        Route("/point/{place:int}", answers.point),
        Route("/change", answers.change, methods=["POST"]),
        Route("/{deed:str}", answers.deed, methods=["POST"]),
    ]

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(desk.close)

    problems: Mapping[Any, Any] = {Problem: _told, HTTPException: _not_found}
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=problems)
    app.router.redirect_slashes = False
    return app


async def _told(_: Request, error: Exception) -> Response:
    """Tell what went wrong in one sentence."""
    said = str(error)
    if isinstance(error, Problem):
        where = "" if error.path is None else f"{error.path.name}: "
        said = f"{where}{error.what}; {error.remedy}."
    return JSONResponse({"problem": printable(said)}, 422)


async def _not_found(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    said = error.detail if isinstance(error, HTTPException) else "it went wrong"
    return JSONResponse({"problem": said}, status)


class _Answers:
    """Answers to the page about one roll."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    async def page(self, _: Request) -> Response:
        """Answer with the page itself."""
        return _file("index.html")

    async def file(self, request: Request) -> Response:
        """Answer with one of the page's own files; there are no others."""
        return _file(request.path_params["name"])

    async def roll(self, _: Request) -> Response:
        """Answer with the roll as it is now."""
        return JSONResponse(await run_in_threadpool(self._desk.document))

    async def news(self, request: Request) -> Response:
        """Tell, as long as the page listens, that there is something new to ask for."""
        loop, fresh = asyncio.get_running_loop(), asyncio.Event()

        def told() -> None:
            # At the end of the server a thread may still have something to tell.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(fresh.set)

        leave = self._desk.listen(told)
        beats = _beats(self._desk, fresh, leave)
        return StreamingResponse(beats, media_type="text/event-stream")

    async def small(self, request: Request) -> Response:
        """Answer with a frame's small picture."""
        placed, negative = self._placed(request), "negative" in request.query_params
        surveyed = self._desk.state.surveyed
        picture = await run_in_threadpool(small_frame, surveyed, placed, negative)
        return Response(await run_in_threadpool(as_jpeg, picture), media_type="image/jpeg")

    async def picture(self, request: Request) -> Response:
        """Answer with a frame as it will be written, or as it would be with what is tried."""
        placed = self._placed(request)
        side = _number(request, "side", 1600)
        if not 16 <= side <= MOST_SIDE:
            raise HTTPException(400, f"pictures are 16 to {MOST_SIDE} pixels long")
        tones = Tones(_table(request, "roll"), _table(request, "frame"))
        pictures, surveyed = self._desk.pictures, self._desk.state.surveyed

        def made() -> bytes:
            return as_bitmap(pictures.frame(surveyed, placed, int(side), tones))

        return Response(await run_in_threadpool(made), media_type="image/bmp")

    async def place(self, request: Request) -> Response:
        """Answer with the densities about a place in a picture, shares of its width and height."""
        placed = self._placed(request)
        at = (_number(request, "x", 0.5), _number(request, "y", 0.5))

        def made() -> dict[str, Any]:
            surveyed = self._desk.state.surveyed
            strip = surveyed.strips[placed.strip]
            place_mm = place_on_strip_mm(strip, placed.frame, at)
            densities = self._desk.pictures.strip(strip)
            patch = patch_at(densities, place_mm, placed.strip, surveyed)
            return {"pixels": PATCH_PX, "as_found": as_found(placed.frame, at), **vars(patch)}

        return JSONResponse(await run_in_threadpool(made))

    async def strip(self, request: Request) -> Response:
        """Answer with a strip, as scanned or positive."""
        negative, place = "negative" in request.query_params, self._strip_place(request)

        def made() -> bytes:
            surveyed = self._desk.state.surveyed
            densities = self._desk.pictures.strip(surveyed.strips[place])
            return as_jpeg(strip_picture(densities, surveyed, surveyed.strips[place], negative))

        return Response(await run_in_threadpool(made), media_type="image/jpeg")

    async def bars(self, request: Request) -> Response:
        """Answer with the bars of base on a strip, in mm along it."""
        place = self._strip_place(request)

        def made() -> list[tuple[float, float]]:
            strip = self._desk.state.surveyed.strips[place]
            return bars_mm(self._desk.pictures.strip(strip), strip)

        return JSONResponse(await run_in_threadpool(made))

    async def point(self, request: Request) -> Response:
        """Answer with what a place on a strip tells."""
        place = self._strip_place(request)
        at = (_number(request, "x", 0.0), _number(request, "y", 0.0))

        def made() -> dict[str, Any]:
            surveyed = self._desk.state.surveyed
            densities = self._desk.pictures.strip(surveyed.strips[place])
            return {"pixels": PATCH_PX, **vars(patch_at(densities, at, place, surveyed))}

        return JSONResponse(await run_in_threadpool(made))

    async def change(self, request: Request) -> Response:
        """Put a change into the notes; what stands then is told by the roll's document."""
        told = await _body(request)
        change = made(Change, told)
        await run_in_threadpool(self._desk.change, change)
        return await self.roll(request)

    async def deed(self, request: Request) -> Response:
        """Undo, redo, write or stop writing."""
        deeds: Mapping[str, Callable[[], None]] = {
            "undo": self._desk.undo,
            "redo": self._desk.redo,
            "write": self._desk.write,
            "stop": self._desk.stop,
        }
        deed = deeds.get(request.path_params["deed"])
        if deed is None:
            raise HTTPException(404, "there is nothing of that name")
        await _body(request)
        await run_in_threadpool(deed)
        return await self.roll(request)

    def _placed(self, request: Request) -> Placed:
        placed = self._desk.frame(request.path_params["key"])
        if placed is None:
            raise HTTPException(404, "there is no such frame any more")
        return placed

    def _strip_place(self, request: Request) -> int:
        place = int(request.path_params["place"])
        if place >= len(self._desk.state.surveyed.strips):
            raise HTTPException(404, "there is no such strip any more")
        return place


async def _beats(
    desk: Desk, fresh: asyncio.Event, leave: Callable[[], None]
) -> AsyncIterator[bytes]:
    """Yield a line whenever there is news, and now and then one that tells that we are there."""
    try:
        yield b"retry: 1000\n\n"
        while not desk.left:
            try:
                await asyncio.wait_for(fresh.wait(), _BEAT_SECONDS)
            except TimeoutError:
                yield b": there\n\n"
                continue
            fresh.clear()
            yield b"data: new\n\n"
    finally:
        leave()


def _file(name: str) -> Response:
    if name not in _FILES:
        raise HTTPException(404, "there is nothing of that name")
    text = resources.files("pipeline.review").joinpath("page", name).read_bytes()
    return Response(text, headers={"content-type": _FILES[name]})


def _number(request: Request, name: str, otherwise: float) -> float:
    try:
        value = float(request.query_params.get(name, otherwise))
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e6:
        raise HTTPException(400, f"{name} is no number")
    return value


def _table(request: Request, name: str) -> Mapping[str, Any] | None:
    """Return a table of values out of the address, None where there is none."""
    text = request.query_params.get(name)
    return None if text is None else _parsed(text)


async def _body(request: Request) -> Mapping[str, Any]:
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise HTTPException(415, "send JSON")
    return _parsed((await request.body()).decode("utf-8", "replace"))


def _parsed(text: str) -> Mapping[str, Any]:
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise HTTPException(400, "that is no table of values")
    return told
