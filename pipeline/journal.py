"""Journal of an output folder: what was written for which input and settings."""

import contextlib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.write import write_text

JOURNAL_NAME = ".evenroll.json"
_MARK = {"evenroll": "journal"}


def key_of(*parts: Any) -> str:
    """Return a key that changes when any of the parts does; parts are compared by their repr."""
    return hashlib.sha256(repr(parts).encode("utf-8")).hexdigest()


def _state(path: Path) -> list[int] | None:
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return [found.st_size, found.st_mtime_ns]


class Journal:
    """What stands in an output folder; not safe for several threads, the parent keeps it."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_NAME
        self._folder = folder
        self._entries: dict[str, dict[str, Any]] = {}
        self._damaged = False
        try:
            document = json.loads(self._path.read_text(encoding="utf-8"))
            entries = document["entries"]
            self._entries = {name: dict(entry) for name, entry in entries.items()}
        except OSError:
            return
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            self._damaged = True

    def is_done(self, name: str, key: str) -> bool:
        """Tell whether a frame's files stand as they were written under this key."""
        entry = self._entries.get(name)
        if not entry or entry.get("key") != key or not isinstance(entry.get("files"), Mapping):
            return False
        return all(
            state is not None and _state(self._folder / file) == state
            for file, state in entry["files"].items()
        )

    def note(self, name: str, key: str, files: tuple[str, ...]) -> None:
        """Note a frame's files as written under a key, and save."""
        states = {file: _state(self._folder / file) for file in files}
        self._entries[name] = {"key": key, "files": states}
        self.save()

    def forget(self, name: str) -> bool:
        """Take away a frame's files where they stand as written; tell whether any did."""
        entry = self._entries.pop(name, None)
        files = entry.get("files") if entry else None
        if not isinstance(files, Mapping):
            return False
        gone = False
        for file, state in files.items():
            # A journal is a file that anybody can write: nothing outside its folder is touched.
            inside = Path(file).name == file
            if inside and state is not None and _state(self._folder / file) == state:
                with contextlib.suppress(OSError):
                    (self._folder / file).unlink()
                    gone = True
        self.save()
        return gone

    def save(self) -> None:
        """Write the journal, atomically."""
        # Our mark stands first, so that a file cut short is still known as ours.
        entries = {name: self._entries[name] for name in sorted(self._entries)}
        document = _MARK | {"entries": entries}
        if self._damaged:
            with contextlib.suppress(OSError):
                self._path.unlink()
            self._damaged = False
        write_text(self._path, json.dumps(document, indent=0) + "\n")
