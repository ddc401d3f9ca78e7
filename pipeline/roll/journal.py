"""Journal of an output folder: what was written for which input and settings."""

import hashlib
import itertools
import json
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from pipeline.problem import OutputProblem
from pipeline.small_file import content_hash, read_small
from pipeline.whole_file import write_text
from pipeline.words import printable

if TYPE_CHECKING:
    pass

JOURNAL_NAME = ".evenroll.json"
_MARK = {"evenroll": "journal"}
# A hundred times what a thousand rolls in one folder would need.
_MOST_BYTES = 256 << 20
# Up to so many entries, more than a roll has, every note is saved; of longer journals, saving
# takes at most one part in so many of the time.
_SAVED_AT_ONCE, _SAVING_SHARE = 200, 20
# A file changed so lately may change again within one tick of the disk's clock.
_SETTLED_NS = 2_000_000_000


def key_of(*parts: Any) -> str:
    """Return a key that changes when any of the parts does; parts are compared by their repr."""
    return hashlib.sha256(repr(parts).encode("utf-8")).hexdigest()


def _identity(path: Path) -> list[int] | None:
    """Return what tells a changed input without reading it."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]


def _state(path: Path) -> list[int] | None:
    """Return what tells a changed output: size and time."""
    found = _identity(path)
    return found and found[:2]


def _noted_hash(entry: Mapping[str, Any], file: str) -> str | None:
    """Return the hash of a file's bytes in an entry; anybody can write one."""
    hashes = entry.get("hashes")
    noted = hashes.get(file) if isinstance(hashes, Mapping) else None
    return noted if isinstance(noted, str) else None


class Journal:
    """What stands in an output folder, and the content of the scans it was made of.

    Not safe for several threads: the parent keeps it, under the folder's lock. Notes are saved
    as they come while that costs little, and whatever is left by `save`.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_NAME
        self._folder = folder
        self._entries: dict[str, dict[str, Any]] = {}
        self._scans: dict[str, dict[str, Any]] = {}
        self._whole: dict[str, Any] = {}
        self._kind = ""
        self._roll: dict[str, Any] = {}
        self._damaged = False
        self._unsaved = self._noted = False
        self._saving_seconds = 0.0
        self._saved_at = -1e9
        try:
            document = json.loads(read_small(self._path, _MOST_BYTES).decode("utf-8"))
            self._entries = {name: dict(each) for name, each in document["entries"].items()}
            self._scans = {name: dict(each) for name, each in document.get("scans", {}).items()}
            self._whole = dict(document.get("whole", {}))
            self._kind = printable(str(document.get("kind", "")))
            self._roll = dict(document.get("roll", {}))
        except OSError:
            return
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            self._damaged = True

    def claim(self, kind: str, replace_other: bool = False) -> None:
        """Note what kind of result is written from now on.

        Raises OutputProblem if a result of another kind stands there, and is not to be replaced.
        """
        if self._kind not in ("", kind) and self._entries and not replace_other:
            raise OutputProblem(
                self._folder,
                f"holds {self._kind}, and {kind} would take their place",
                "choose another output folder with -o, or say --replace",
            )
        self._kind = kind

    @property
    def roll(self) -> Mapping[str, Any]:
        """Return what was noted of the roll: its scans and the settings of the command's words."""
        return self._roll

    def note_roll(self, told: Mapping[str, Any]) -> None:
        """Note what a run is told of the roll, by which it can be looked at again.

        No reason to save by itself: a rerun that changes nothing rewrites nothing.
        """
        self._roll = dict(told)

    def is_done(self, name: str, key: str) -> bool:
        """Tell whether a frame's files stand as they were written under this key."""
        return self.stands(name, key) and not self.changed(name)

    def stands(self, name: str, key: str) -> bool:
        """Tell whether a frame's files, changed or not, are there and written under this key."""
        entry = self._entries.get(name)
        if not entry or entry.get("key") != key or not isinstance(entry.get("files"), Mapping):
            return False
        return all(
            state is not None and _state(self._folder / file) is not None
            for file, state in entry["files"].items()
        )

    def has(self, name: str) -> bool:
        """Tell whether files under a name are there, under whatever key."""
        return self.stands(name, str((self._entries.get(name) or {}).get("key")))

    def changed(self, name: str) -> tuple[str, ...]:
        """Return a frame's files that are there, but not as they were written: the user's own.

        A copy with the same bytes counts as written, whatever its time.
        """
        entry = self._entries.get(name) or {}
        files = entry.get("files")
        if not isinstance(files, Mapping):
            return ()
        there = {file: state for file, state in files.items() if Path(file).name == file}
        return tuple(
            file
            for file, state in there.items()
            if _state(self._folder / file) not in (None, state) and not self._holds(entry, file)
        )

    def _holds(self, entry: Mapping[str, Any], file: str) -> bool:
        """Tell whether a file has the bytes that were noted."""
        noted, path = _noted_hash(entry, file), self._folder / file
        with suppress(OSError):
            return noted is not None and path.is_file() and content_hash(path) == noted
        return False

    def note(
        self,
        name: str,
        key: str,
        files: tuple[str, ...],
        hashes: Mapping[str, str] = MappingProxyType({}),
        left: tuple[str, ...] = (),
        instead: bool = False,
    ) -> None:
        """Note a frame's files as written under a key, and save.

        `hashes` are of their bytes, as far as known. Files `left` as the user changed them stay
        noted as they were once written. Noted `instead` of others, which stand as written under the
        name, it takes these away.
        """
        before = self._entries.get(name) or {}
        if instead and isinstance(before.get("files"), Mapping):
            others = {f: s for f, s in before["files"].items() if f not in (*files, *left)}
            self._take_away(others, before)
        states = {file: _state(self._folder / file) for file in files}
        known = {file: value for file, value in hashes.items() if file in files}
        for file in left:
            states[file], was = before["files"][file], _noted_hash(before, file)
            known |= {} if was is None else {file: was}
        self._entries[name] = {"key": key, "files": states, "hashes": known}
        self._noted = True
        self._save_if_cheap()

    def whole(self, key: str) -> dict[str, Any] | None:
        """Return what was noted of a whole run under its key, if all of its files stand."""
        keys = self._whole.get("keys")
        if self._whole.get("key") != key or not isinstance(keys, Mapping) or not keys:
            return None
        return self._whole if all(self.stands(name, each) for name, each in keys.items()) else None

    def note_whole(self, key: str, keys: Mapping[str, str], told: Mapping[str, Any]) -> None:
        """Note a whole run: the keys of all that it left, and what is to be told of it.

        Not where nothing was written: a rerun that changes nothing rewrites nothing.
        """
        noted = {**told, "key": key, "keys": dict(keys)}
        if noted != self._whole and self._noted:
            self._whole = noted
            self._unsaved = True

    def known_hash(self, scan: Path) -> str | None:
        """Return the hash of a scan's content as noted, if size, times and inode still hold."""
        noted = self._scans.get(str(scan.absolute()), {})
        found, value = _identity(scan), noted.get("sha256")
        if found is None or noted.get("state") != found or not isinstance(value, str):
            return None
        return value

    def note_hash(self, scan: Path, value: str) -> None:
        """Note the hash of a scan's content, unless the scan changed within the last seconds."""
        found = _identity(scan)
        if found is not None and time.time_ns() - max(found[1:3]) > _SETTLED_NS:
            # No reason to save by itself: a rerun that changes nothing rewrites nothing.
            self._scans[str(scan.absolute())] = {"state": found, "sha256": value}

    def forget(self, name: str) -> bool:
        """Take away a frame's files where they stand as written; tell whether any did.

        Those that the user changed stay, and stay known as such.
        """
        entry = self._entries.pop(name, None) or {}
        files = entry.get("files")
        if not isinstance(files, Mapping):
            return False
        gone = self._take_away(files, entry)
        theirs = {file: s for file, s in files.items() if _state(self._folder / file) is not None}
        if theirs:
            self._entries[name] = entry | {"key": "", "files": theirs}
        self._save_if_cheap()
        return gone

    def _take_away(self, files: Mapping[str, Any], entry: Mapping[str, Any]) -> bool:
        """Take away files of an entry that stand as written; tell whether any did."""
        gone = False
        for file, state in files.items():
            # A journal is a file that anybody can write: nothing outside its folder is touched.
            if Path(file).name != file or state is None:
                continue
            if _state(self._folder / file) == state or self._holds(entry, file):
                with suppress(OSError):
                    (self._folder / file).unlink()
                    gone = True
        return gone

    def _save_if_cheap(self) -> None:
        self._unsaved = True
        since = time.monotonic() - self._saved_at
        small = len(self._entries) <= _SAVED_AT_ONCE
        if small or since >= _SAVING_SHARE * self._saving_seconds:
            self.save()

    def save(self) -> None:
        """Write the journal, atomically, if anything is not saved yet."""
        if not self._unsaved:
            return
        began = time.monotonic()
        # Our mark stands first, so that a file cut short is still known as ours.
        entries, scans = dict(sorted(self._entries.items())), dict(sorted(self._scans.items()))
        document = _MARK | {
            "kind": self._kind, "roll": self._roll, "entries": entries, "scans": scans,
            "whole": self._whole,
        }  # fmt: skip
        if self._damaged:
            with suppress(OSError):
                self._path.unlink()
            self._damaged = False
        # That of a long roll takes megabytes, in parts and as a whole.
        parts = json.JSONEncoder(indent=0).iterencode(document)
        write_text(self._path, itertools.chain(parts, "\n"))
        self._unsaved = False
        self._saved_at = time.monotonic()
        self._saving_seconds = self._saved_at - began
