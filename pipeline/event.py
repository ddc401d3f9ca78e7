"""What happens during a run, told to whoever listens."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Event:
    """One thing that happened: 'surveyed', 'written', 'kept', 'failed' or 'noted'."""

    kind: str
    name: str
    done: int
    total: int
    message: str = ""


Listener = Callable[[Event], None]
