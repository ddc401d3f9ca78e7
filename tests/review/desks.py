"""A roll under review for tests: a desk over a copy of the model roll, and a server of it."""

import http.client
import json
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn

from pipeline.command.run import gather_rolls
from pipeline.review.app import app_of
from pipeline.review.change import Change
from pipeline.review.desk import Desk
from pipeline.review.guard import Guard
from pipeline.review.serve import Address, take_address


@contextmanager
def desk_over(scans: Path, out: Path, **settings: Any) -> Iterator[Desk]:
    """Yield a desk over a folder of scans."""
    out.mkdir(exist_ok=True)
    with ThreadPoolExecutor(2) as executor:
        desk = Desk(lambda: gather_rolls([scans], settings)[0], out, executor, lambda event: None)
        try:
            yield desk
        finally:
            desk.close()


def do(desk: Desk, what: str, *frames: str, **more: Any) -> None:
    """Have a change made."""
    desk.change(Change(what, frames, **more))


def frames_of(desk: Desk) -> dict[str, dict[str, Any]]:
    """Return the frames of the page's document by their keys."""
    return {frame["key"]: frame for frame in desk.document()["frames"]}


def ends(frame: Mapping[str, Any]) -> tuple[float, float]:
    """Return where a frame of the page's document begins and ends along its strip, in mm."""
    corners = frame["corners_mm"]
    return (corners[0][0] + corners[3][0]) / 2, (corners[1][0] + corners[2][0]) / 2


@contextmanager
def served(desk: Desk) -> Iterator[Address]:
    """Serve a desk, guarded as the command does it, from a thread."""
    address = take_address(0)
    guarded = Guard(app_of(desk), address.token, address.port)
    server = uvicorn.Server(
        uvicorn.Config(guarded, log_level="error", timeout_graceful_shutdown=1, ws="none")
    )
    thread = threading.Thread(target=server.run, args=([address.listener],))
    thread.start()
    try:
        yield address
    finally:
        desk.leave()
        server.should_exit = True
        thread.join()


def asked(
    address: Address,
    path: str,
    method: str = "GET",
    body: bytes | None = None,
    token: str | None = None,
    **headers: str,
) -> tuple[int, dict[str, str], bytes]:
    """Return status, headers and body of an answer; names of headers have _ for -."""
    connection = http.client.HTTPConnection("127.0.0.1", address.port, timeout=60)
    told = {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        connection.request(method, f"/{token or address.token}{path}", body, told)
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    finally:
        connection.close()


def posted(address: Address, path: str, told: Any, **headers: str) -> tuple[int, Any]:
    """Return status and document of an answer to a change that comes from the page."""
    own = {"Origin": f"http://127.0.0.1:{address.port}", "Content_Type": "application/json"}
    status, _, body = asked(
        address, path, "POST", json.dumps(told).encode(), **(own | headers)
    )  # fmt: skip
    return status, json.loads(body)
