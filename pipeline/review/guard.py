"""Who may ask: only the person's own browser, on this machine, from our own page."""

import hmac
import json
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[MutableMapping[str, Any], Receive, Send], Awaitable[None]]

MOST_BODY_BYTES = 256 << 10
_HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}


class _TooLarge(Exception):
    """A body of more bytes than any change has."""


class Guard:
    """Lets requests pass that carry the token, name this host, and come from our own page.

    The token stands first in the path, and is taken off it. Another host's name is refused, as a
    page elsewhere may have its own name lead here (DNS rebinding); another origin is refused, as
    any page may send forms anywhere. Bodies are bounded.
    """

    def __init__(self, app: App, token: str, port: int) -> None:
        self._app, self._token = app, token
        names = (f"127.0.0.1:{port}", f"localhost:{port}")
        self._hosts = frozenset(names)
        self._origins = frozenset(f"http://{name}" for name in names)

    async def __call__(self, scope: MutableMapping[str, Any], receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1")
                   for name, value in scope["headers"]}  # fmt: skip
        status, said = self._refusal(scope, headers)
        if status:
            if status != 413:
                await _read(receive)
            await _answer(send, status, said)
            return
        inner = dict(scope)
        inner["path"] = scope["path"][len(self._token) + 1 :] or "/"
        inner.pop("raw_path", None)
        try:
            await self._app(inner, _bounded(receive), _with_headers(send))
        except _TooLarge:
            await _answer(send, 413, "the request is too large")

    def _refusal(self, scope: MutableMapping[str, Any], headers: dict[str, str]) -> tuple[int, str]:
        if headers.get("host", "") not in self._hosts:
            return 421, "this is not the host that was asked for"
        origin, changes = headers.get("origin"), scope["method"] not in ("GET", "HEAD")
        if (origin is not None or changes) and origin not in self._origins:
            return 403, "only this page itself may ask"
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return 403, "only this page itself may ask"
        head, _, _ = scope["path"].lstrip("/").partition("/")
        if not hmac.compare_digest(head.encode(), self._token.encode()):
            return 403, "open the address that evenroll printed"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BODY_BYTES:
            return 413, "the request is too large"
        return 0, ""


def _bounded(receive: Receive) -> Receive:
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MOST_BODY_BYTES:
            raise _TooLarge
        return message

    return bounded


async def _read(receive: Receive) -> None:
    """Read a small body, as a connection that is closed before may lose the answer on its way."""
    bounded = _bounded(receive)
    try:
        while (await bounded()).get("more_body"):
            pass
    except _TooLarge:
        return


def _with_headers(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            ours = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
            message = {**message, "headers": [*message.get("headers", ()), *ours]}
        await send(message)

    return with_headers


async def _answer(send: Send, status: int, said: str) -> None:
    """Refuse a request in one sentence."""
    body = json.dumps({"problem": said}).encode()
    headers = {**_HEADERS, "content-type": "application/json", "connection": "close"}
    start = [(name.encode(), value.encode()) for name, value in headers.items()]
    await send({"type": "http.response.start", "status": status, "headers": start})
    await send({"type": "http.response.body", "body": body})
