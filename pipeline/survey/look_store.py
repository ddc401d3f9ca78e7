"""Looks at scans, kept until their frames are surveyed."""

from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from pipeline.kinds import Triple
from pipeline.survey.look import StripLook
from pipeline.survey.single_frame import SingleLook

# Looks at some six scans of one strip; others are read again.
_MOST_LOOK_BYTES = 64 << 20


@dataclass(frozen=True)
class ScanLook:
    """All strips of one file as looked at, with what its survey says of it besides.

    `clipped` and `notes` are those of its pages; `grey` tells that a grey base was looked for.
    `single` is the look at a file that shows one picture; `maybe_single` tells that it may, and
    `lightest` is the log10 light of its lightest even place.
    """

    path: Path
    strips: tuple[StripLook, ...]
    clipped: bool
    notes: tuple[str, ...]
    grey: bool
    single: SingleLook | None = None
    maybe_single: bool = False
    lightest: Triple | None = None


class LookStore:
    """Looks at scans until they are taken; safe for threads.

    Looks hold pictures, which don't travel: on another machine a store is empty and stays so.
    """

    def __init__(self, most_bytes: int = _MOST_LOOK_BYTES) -> None:
        self._most_bytes = most_bytes
        self._looks: dict[Path, ScanLook] = {}
        self._lock = Lock()

    def __reduce__(self) -> tuple[type["LookStore"], tuple[int]]:
        """Return how another machine makes an empty one."""
        return LookStore, (0,)

    def keep(self, look: ScanLook) -> None:
        """Keep a look if there is room for it."""
        with self._lock:
            looks = [*self._looks.values(), look]
            if sum(strip.size_bytes for each in looks for strip in each.strips) <= self._most_bytes:
                self._looks[look.path] = look

    def take(self, path: Path) -> ScanLook | None:
        """Return the look at a scan and let go of it, None where there is none."""
        with self._lock:
            return self._looks.pop(path, None)
