"""The local server of the page: on this machine's loopback only, at an address nobody can guess."""

import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from pipeline.problem import OutputProblem, SettingsProblem

LOOPBACK = "127.0.0.1"
_LAST_SECONDS = 2


@dataclass(frozen=True)
class Address:
    """Where the page is: an open socket, and the address to open."""

    listener: socket.socket
    port: int
    token: str

    @property
    def url(self) -> str:
        """Return what a browser opens."""
        return f"http://{LOOPBACK}:{self.port}/{self.token}/"


def take_address(port: int) -> Address:
    """Return the address at a port of the loopback, or at a free one where that is taken.

    Raises OutputProblem if there is none.
    """
    for wanted in (port, 0):
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        with suppress(OSError):
            listener.bind((LOOPBACK, wanted))
            listener.listen()
            return Address(listener, listener.getsockname()[1], secrets.token_urlsafe(24))
        listener.close()
    raise OutputProblem(None, "no port of this machine is free", "give one by --port")


def serve(
    app_of: Callable[[], Any],
    address: Address,
    ready: Callable[[], None],
    ending: Callable[[], None],
) -> None:
    """Serve an application at an address until the process is told to end.

    `ready` is called once it answers, `ending` before it waits for those who still listen.
    """
    import uvicorn

    from pipeline.review.guard import Guard

    guarded = Guard(app_of(), address.token, address.port)

    class Server(uvicorn.Server):
        async def startup(self, sockets: Any = None) -> None:
            await super().startup(sockets)
            ready()

        async def shutdown(self, sockets: Any = None) -> None:
            ending()
            await super().shutdown(sockets)

    config = uvicorn.Config(
        guarded, log_level="critical", access_log=False, server_header=False, lifespan="on",
        timeout_graceful_shutdown=_LAST_SECONDS, ws="none",
    )  # fmt: skip
    Server(config).run(sockets=[address.listener])


def check_installed() -> None:
    """Raise SettingsProblem where what the page needs is not installed."""
    try:
        import starlette
        import tomlkit
        import uvicorn
        import watchfiles

        del starlette, tomlkit, uvicorn, watchfiles
    except ImportError as error:
        raise SettingsProblem(
            None, "this installation can't show the page", "run pip install 'evenroll[review]'"
        ) from error
