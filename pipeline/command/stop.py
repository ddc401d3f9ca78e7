"""What ends the command early: Ctrl-C, a supervisor's wish, a terminal that closes.

The first such signal has the run end in order: frames under way are finished and noted. A library
that decodes a large scan can't be asked to stop, nor can Python's own handlers run while the main
thread is in one, so a thread of its own ends the process where order takes too long. That loses
no more than time: files under their final names are whole at any moment.
"""

import os
import select
import signal
import socket
import sys
import threading
import time
from contextlib import suppress
from types import FrameType
from typing import Any

from pipeline.problem import Exit
from pipeline.whole_file import take_unfinished_away

STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
# Long enough for most frames that are under way, and short enough for who waits.
_ORDERLY_SECONDS = 0.35
# POSIX, Shell and Utilities, 2.8.2: exit status of commands.
_SIGNALLED = 128
_SAID = "Interrupted; what is finished stays, and a rerun goes on from there.\n"


def stopped_code(signum: int) -> int:
    """Return the exit code of a process that a signal ended, as POSIX shells tell it."""
    return _SIGNALLED + signum


def _heard() -> list[int]:
    # What started the command may want it to go on, as nohup does.
    return [stop for stop in STOPS if signal.getsignal(stop) is not signal.SIG_IGN]


class Stops:
    """Listens for signals that end the command, in the main thread, while it is entered.

    The first raises KeyboardInterrupt there; a second ends the process at once, and so does time.
    """

    def __init__(self) -> None:
        self._code: int | None = None
        self._usual: int | None = None
        self._told = False
        self._before: dict[int, Any] = {}

    @property
    def code(self) -> int:
        """Return the exit code that belongs to the signal that came."""
        if self._usual is not None:
            return self._usual
        return Exit.INTERRUPTED if self._code is None else self._code

    def take_as_usual(self, code: int) -> None:
        """Take signals for the usual way to end what goes on now, with an exit code."""
        self._usual = code

    def tell(self) -> None:
        """Tell once what becomes of the work, unless nobody reads it."""
        if not self._told and self._usual is None:
            self._told = True
            # A terminal may have gone, and a pipe may be full.
            with suppress(OSError, ValueError):
                if sys.platform == "win32" or select.select([], [2], [], 0)[1]:
                    os.write(2, _SAID.encode())

    def __enter__(self) -> "Stops":
        """Begin to listen."""
        self._hearing, self._sending = socket.socketpair()
        self._sending.setblocking(False)
        threading.Thread(target=self._watch, name="evenroll-stop", daemon=True).start()
        self._before = {stop: signal.signal(stop, self._interrupt) for stop in _heard()}
        # Written to by the system's own handler, whatever the main thread is at.
        self._fd_before = signal.set_wakeup_fd(self._sending.fileno(), warn_on_full_buffer=False)
        return self

    def __exit__(self, *raised: object) -> None:
        """Listen no more; where a signal came, end the process."""
        if self._code is not None:
            # All is in order, and to take what is loaded to pieces would take a while.
            self._end(self._code)
        signal.set_wakeup_fd(self._fd_before)
        for stop, handler in self._before.items():
            signal.signal(stop, handler)
        self._sending.close()

    def _interrupt(self, signum: int, frame: FrameType | None) -> None:
        if self._code is not None:
            self._end(self._code)
        self._code = stopped_code(signum)
        raise KeyboardInterrupt

    def _watch(self) -> None:
        """Wait for a signal, and then as long as an orderly end may take."""
        # Open to the end, since the system complains where nobody hears of another signal.
        with self._hearing:
            told = self._hearing.recv(1)
            while told and told[0] not in STOPS:
                told = self._hearing.recv(1)
            if told:
                time.sleep(_ORDERLY_SECONDS)
                self._end(stopped_code(told[0]))

    def _end(self, code: int) -> None:
        """End the process with nothing half-written."""
        self.tell()
        take_unfinished_away()
        os._exit(code if self._usual is None else self._usual)
