"""Talk on stderr: how far the work is, what had to be assumed, what went wrong."""

import sys
import time

import click

from pipeline.roll_survey import Event
from pipeline.words import printable


class Talk:
    """Tells on stderr how far the work is: one changing line on a terminal, else only trouble."""

    def __init__(self, verbose: bool) -> None:
        self._verbose = verbose
        self._terminal = sys.stderr.isatty()
        self._open_line = False
        self._began: dict[str, float] = {}

    def say(self, text: str) -> None:
        """Write one line."""
        self.end()
        click.echo(printable(text), err=True)

    def end(self) -> None:
        """Take the changing line away, if there is one."""
        if self._open_line:
            click.echo("\r\x1b[K", err=True, nl=False)
            self._open_line = False

    def listen(self, event: Event) -> None:
        """Tell one event."""
        if event.kind == "failed":
            self.say(event.message)
        elif event.kind == "noted":
            self.say(f"{event.name}: {event.message}")
        elif self._verbose:
            told = "stands already" if event.kind == "kept" else event.kind
            self.say(f"{event.name}: {told} ({event.done} of {event.total})")
        elif self._terminal and event.kind != "kept":
            self._progress(event)

    def _progress(self, event: Event) -> None:
        now = time.monotonic()
        if event.done <= 1:
            # Of each roll anew.
            self._began[event.kind] = now
        began = self._began.setdefault(event.kind, now)
        left = ""
        if event.done > 1 and event.done < event.total:
            seconds = (now - began) / (event.done - 1) * (event.total - event.done)
            left = f", about {seconds:.0f} s left" if seconds >= 1 else ""
        doing = "scans looked at" if event.kind == "surveyed" else "frames written"
        click.echo(f"\r\x1b[K{event.done} of {event.total} {doing}{left}", err=True, nl=False)
        self._open_line = True
