"""The text of roll.toml, changed entry by entry; comments and order of the user's own stay."""

from collections.abc import Callable, Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item, Table

from pipeline.check import Wrong
from pipeline.problem import SettingsProblem
from pipeline.settings import ROLL_FILE, frame_name

_NAMES = ("number", "merge_with", "after", "before")


class Notes:
    """A roll.toml while it is changed; `text` is what it says.

    Frames are named by their keys: the number as found, or '+' and the place of the entry that
    adds one, counted from 1.

    Raises SettingsProblem if the text is no TOML, or its frames are written in one line, which
    can't be changed here.
    """

    def __init__(self, text: str) -> None:
        try:
            self._document = tomlkit.parse(text)
        except TOMLKitError as error:
            raise SettingsProblem(
                None, f"{ROLL_FILE} can't be read as TOML ({error})", "correct that line"
            ) from error
        if not isinstance(self._document.get("frames", tomlkit.aot()), AoT):
            raise SettingsProblem(
                None,
                f"{ROLL_FILE} has its frames in one line",
                "write each under a heading [[frames]]",
            )

    @property
    def text(self) -> str:
        """Return what the file is to hold."""
        text = self._document.as_string()
        return text if not text or text.endswith("\n") else f"{text}\n"

    def entry(self, key: str) -> dict[str, Any]:
        """Return what is told of a frame, plain; nothing where there is no entry."""
        found = self._find(key)
        return {} if found is None else found.unwrap()

    def set(self, key: str, told: Mapping[str, Any]) -> None:
        """Put values into a frame's entry, made if need be; None takes a key out.

        An entry that tells nothing more of a frame that was found goes.
        """
        entry = self._find(key)
        if entry is None:
            if all(value is None for value in told.values()):
                return
            entry = self._appended({"number": key})
        for name, value in told.items():
            if value is None:
                entry.pop(name, None)
            elif name in entry:
                entry[name] = value
            else:
                _add_to(entry, name, value)
        if not key.startswith("+") and set(entry) <= {"number"}:
            self.take_out(key)

    def add(self, told: Mapping[str, Any]) -> str:
        """Put in an entry for a frame that was not found; return its key."""
        self._appended({"add": True, **told})
        return f"+{len(self._frames())}"

    def take_out(self, key: str) -> None:
        """Take a frame's entry out, if there is one; comments after it stay."""
        entry, frames = self._find(key), self._frames()
        if entry is None:
            return
        place = next(at for at, each in enumerate(frames) if each is entry)
        after = _taken_off(entry)
        del frames[place]
        if not len(frames):
            del self._document["frames"]
        beside = frames[max(0, place - 1)] if len(frames) else self._document
        for item in after:
            # Only what somebody wrote: blank lines go with their entry.
            if item.as_string().strip():
                beside.add(item)

    def set_roll(self, told: Mapping[str, Any]) -> None:
        """Put settings of the whole roll in; None takes one out."""
        for name, value in told.items():
            if value is None:
                self._document.pop(name, None)
            else:
                self._document[name] = value

    def rename(self, names: Mapping[str, str]) -> None:
        """Write other numbers for frames as found, all at once, where their strips were counted.

        `names` has the new number of each that changed by the old one.
        """

        def renamed(told: Any) -> Any:
            if isinstance(told, list):
                return [renamed(each) for each in told]
            name = _name(told)
            return names.get(name, told) if name is not None else told

        for entry in self._frames():
            for key in _NAMES:
                if key in entry:
                    told = entry[key].unwrap() if isinstance(entry[key], Item) else entry[key]
                    if renamed(told) != told:
                        entry[key] = renamed(told)

    def _frames(self) -> Any:
        return self._document.get("frames", ())

    def _find(self, key: str) -> Table | None:
        frames = self._frames()
        if key.startswith("+"):
            place = int(key[1:]) - 1
            return frames[place] if place < len(frames) else None
        matches: Callable[[Any], bool] = lambda each: _name(each.get("number")) == key  # noqa: E731
        return next((each for each in frames if matches(each)), None)

    def _appended(self, told: Mapping[str, Any]) -> Table:
        """Return a new entry at the end, a blank line before it."""
        entry = tomlkit.table()
        for name, value in told.items():
            entry.append(name, value)
        if "frames" not in self._document:
            if self._document.as_string().strip():
                self._document.add(tomlkit.nl())
            self._document["frames"] = tomlkit.aot()
        else:
            last = self._frames()[-1]
            if not last.as_string().endswith("\n\n"):
                last.add(tomlkit.nl())
        self._frames().append(entry)
        made: Table = self._frames()[-1]
        return made


def _name(told: Any) -> str | None:
    """Return a frame's number as it is written anywhere, None for what is none."""
    try:
        return None if told is None else frame_name(told)
    except Wrong:
        return None


def _taken_off(entry: Table) -> list[Item]:
    """Return blank lines and comments at the end of an entry, taken off it."""
    body, after = entry.value.body, []
    while body and body[-1][0] is None:
        after.append(body.pop()[1])
    return after[::-1]


def _add_to(entry: Table, name: str, value: Any) -> None:
    """Put a value after an entry's last one, before blank lines and comments that end it."""
    after = _taken_off(entry)
    entry.append(name, value)
    entry.value.body.extend((None, item) for item in after)
