"""What the page may ask for, and what each of that makes of the notes on the roll."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from pipeline.check import Closed, Wrong, noun, one_of, read, telling, within
from pipeline.profile import frame_formats
from pipeline.review.notes import Notes
from pipeline.review.place import Placed, ends_mm, placed_frames
from pipeline.roll import SurveyedRoll
from pipeline.settings import COLOURS, MOVES
from pipeline.turn import Turn
from pipeline.words import counted, printable

# What the roll has by the same name as frames, and more.
_OF_ROLL = ("exposure", "balance", "contrast", "black", "white", "gamma", "even_exposure")
_DECIMALS = {"turn_deg": 2}
_Mm = Annotated[float, within(-2000.0, 2000.0)]


def _keys(value: Any) -> tuple[str, ...]:
    if not isinstance(value, (list, tuple)) or not all(isinstance(each, str) for each in value):
        raise Wrong("'frames' is no list of frames", "name them by their keys")
    return tuple(dict.fromkeys(value))


@dataclass(frozen=True)
class Change(Closed):
    """One thing asked of the page, as it comes in.

    `frames` are keys: numbers as found, or '+' and the place of the entry that added one. Of an
    edge in `edges` millimetres are added to what was told of it before; `tones` hold new values,
    None for none. What of the other fields counts depends on `do`.
    """

    do: Annotated[str, one_of(
        ("move", "drop", "restore", "reset", "join", "split", "add", "kind", "number", "turn",
         "mirror", "tone", "carry")
    )]  # fmt: skip
    frames: Annotated[tuple[str, ...], read(_keys)] = ()
    edges: Annotated[Mapping[str, float], noun("a table of millimetres")] = field(
        default_factory=dict
    )
    tones: Annotated[Mapping[str, Any], noun("a table of values")] = field(default_factory=dict)
    strip: Annotated[int, within(0)] = 0
    at_mm: _Mm = 0.0
    until_mm: _Mm = 0.0
    to: Annotated[str, noun("a text")] = ""
    onward: Annotated[bool, noun("true or false")] = False


@dataclass(frozen=True)
class Changed:
    """What the notes hold after a change, and the change in words."""

    text: str
    what: str


def changed_notes(text: str, change: Change, surveyed: SurveyedRoll) -> Changed:
    """Return the notes with what was asked for put in; whether frames can obey is not looked at.

    Raises SettingsProblem if it makes no sense for this roll; the sentence says why.
    """
    notes, asked = Notes(text), _Asked(change, surveyed)
    with telling(None):
        what = _WAYS[change.do](notes, asked)
    return Changed(notes.text, what)


@dataclass(frozen=True)
class _Asked:
    """A change with the roll that it is for."""

    change: Change
    surveyed: SurveyedRoll

    def placed(self) -> tuple[Placed, ...]:
        """Return the frames named, in film order."""
        every = {each.key: each for each in placed_frames(self.surveyed)}
        missing = [key for key in self.change.frames if key not in every]
        if missing or not self.change.frames:
            named = ", ".join(map(printable, missing)) or "that is named"
            raise Wrong(f"there is no frame {named} any more", "look at the roll as it is now")
        return tuple(each for key, each in every.items() if key in self.change.frames)

    def one(self) -> Placed:
        """Return the one frame that is named."""
        placed = self.placed()
        if len(placed) != 1:
            raise Wrong("more than one frame is named", "name one")
        return placed[0]

    def numbers(self) -> str:
        """Return the frames named as people call them."""
        return _called(self.placed())


def _called(placed: Iterable[Placed]) -> str:
    numbers = [each.frame.number.number for each in placed]
    if len(numbers) > 3:
        return counted(len(numbers), "frame")
    return f"frame{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}"


def _added(notes: Notes, key: str, edges: Mapping[str, float]) -> None:
    """Add millimetres and degrees to those that are told of a frame's edges."""
    before = notes.entry(key)
    told: dict[str, float | None] = {}
    for name, value in edges.items():
        if name not in MOVES or isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Wrong(f"{printable(name)!r} is no edge to move", f"name one of {MOVES}")
        total = round(float(before.get(name, 0.0)) + value, _DECIMALS.get(name, 3))
        told[name] = total or None
    notes.set(key, told)


def _move(notes: Notes, asked: _Asked) -> str:
    for each in asked.placed():
        _added(notes, each.key, asked.change.edges)
    return f"edges of {asked.numbers()}"


def _drop(notes: Notes, asked: _Asked) -> str:
    # Added ones last first, as their keys are places in the list.
    for each in sorted(asked.placed(), key=lambda each: _entry_of(each.key), reverse=True):
        notes.take_out(each.key)
        if not each.key.startswith("+"):
            notes.set(each.key, {"drop": True})
    return f"{asked.numbers()} left out"


def _entry_of(key: str) -> int:
    return int(key[1:]) if key.startswith("+") else 0


def _restore(notes: Notes, asked: _Asked) -> str:
    for key in asked.change.frames:
        notes.set(key, {"drop": None})
    return f"{', '.join(map(printable, asked.change.frames))} taken in again"


def _reset(notes: Notes, asked: _Asked) -> str:
    what = asked.numbers()
    for each in asked.placed():
        if each.key.startswith("+"):
            raise Wrong(f"{what} was added, not found", "leave it out instead")
        notes.take_out(each.key)
    return f"{what} as found"


def _join(notes: Notes, asked: _Asked) -> str:
    placed = asked.placed()
    if len(placed) < 2 or len({each.strip for each in placed}) > 1:
        raise Wrong("these are no frames side by side on one strip", "choose frames that are")
    strip, what = asked.surveyed.strips[placed[0].strip], f"{_called(placed)} made one"
    spans = {each.key: ends_mm(strip, each.frame) for each in placed}
    begin, end = min(s[0] for s in spans.values()), max(s[1] for s in spans.values())
    found = [each.key for each in placed if not each.key.startswith("+")]
    added = [each.key for each in placed if each.key.startswith("+")]
    if found:
        as_found = [_ends_as_found(notes, key, spans[key]) for key in found]
        edges = {
            "left_mm": begin - min(ends[0] for ends in as_found),
            "right_mm": end - max(ends[1] for ends in as_found),
        }
        merged = [*_merged(notes, found[0])]
        for key in found[1:]:
            merged += [*_merged(notes, key), key]
            notes.take_out(key)
        moves = {name: round(edges.get(name, 0.0), 3) or None for name in ("move_mm", *edges)}
        notes.set(found[0], {"merge_with": merged or None, **moves})
    else:
        first = added.pop(0)
        left, right = spans[first]
        _added(notes, first, {"left_mm": begin - left, "right_mm": end - right})
    for key in sorted(added, key=_entry_of, reverse=True):
        notes.take_out(key)
    return what


def _merged(notes: Notes, key: str) -> list[str]:
    told = notes.entry(key).get("merge_with", [])
    return [str(each) for each in (told if isinstance(told, list) else [told])]


def _ends_as_found(notes: Notes, key: str, ends: tuple[float, float]) -> tuple[float, float]:
    """Return where a frame began and ended before its entry moved it."""
    entry = notes.entry(key)
    left, right = (entry.get(name, 0.0) + entry.get("move_mm", 0.0) for name in MOVES[:2])
    return ends[0] - left, ends[1] - right


def _split(notes: Notes, asked: _Asked) -> str:
    one, change = asked.one(), asked.change
    strip = asked.surveyed.strips[one.strip]
    begin, end = ends_mm(strip, one.frame)
    if not begin < change.at_mm <= change.until_mm < end:
        raise Wrong("that is no place inside the frame", "point between its edges")
    _added(notes, one.key, {"right_mm": change.at_mm - end})
    usual = frame_formats()[strip.format].image_along_mm
    told = {
        **_strip_name(asked.surveyed, one.strip),
        "at_mm": round(max(0.0, change.until_mm), 3),
        "right_mm": round(end - change.until_mm - usual, 3),
    }
    notes.add({name: value for name, value in told.items() if value or name == "at_mm"})
    return f"{_called((one,))} made two"


def _add(notes: Notes, asked: _Asked) -> str:
    change = asked.change
    if change.strip >= len(asked.surveyed.strips):
        raise Wrong("there is no such strip any more", "look at the roll as it is now")
    at_mm = round(max(0.0, change.at_mm), 3)
    notes.add({**_strip_name(asked.surveyed, change.strip), "at_mm": at_mm})
    return f"a frame added on strip {change.strip + 1}"


def _strip_name(surveyed: SurveyedRoll, place: int) -> dict[str, Any]:
    """Return how an entry names a strip: by its scan where that holds no other."""
    name = surveyed.strips[place].scan.path.name
    alone = sum(strip.scan.path.name == name for strip in surveyed.strips) == 1
    return {"scan": name} if alone else {"strip": place + 1}


def _kind(notes: Notes, asked: _Asked) -> str:
    for each in asked.placed():
        notes.set(each.key, {"kind": asked.change.to or None})
    return f"{asked.numbers()}: {printable(asked.change.to) or 'kind as found'}"


def _number(notes: Notes, asked: _Asked) -> str:
    one, change = asked.one(), asked.change
    name = change.to or None
    if one.key.startswith("+"):
        notes.set(one.key, {"add": name or True, "onward": None})
    else:
        name = None if name == one.key and not change.onward else name
        notes.set(one.key, {"renumber": name, "onward": True if name and change.onward else None})
    return f"number of {_called((one,))}"


def _turn(notes: Notes, asked: _Asked) -> str:
    by = asked.change.to or "90"
    if by not in ("90", "180", "270"):
        raise Wrong(f"{printable(by)!r} is no quarter turn", "turn by 90, 180 or 270")
    for each in asked.placed():
        was = each.frame.turn
        _set_turn(notes, asked, each.key, Turn((was.turn_deg + int(by)) % 360, was.mirror))
    return f"{asked.numbers()} turned"


def _mirror(notes: Notes, asked: _Asked) -> str:
    for each in asked.placed():
        was = each.frame.turn
        # Mirrored as it is seen: a picture is mirrored before it is turned.
        _set_turn(notes, asked, each.key, Turn(-was.turn_deg % 360, not was.mirror))
    return f"{asked.numbers()} mirrored"


def _set_turn(notes: Notes, asked: _Asked, key: str, turn: Turn) -> None:
    roll = asked.surveyed.roll.settings
    told = {
        "turn": None if turn.turn_deg == roll.turn else turn.turn_deg,
        "mirror": None if turn.mirror == roll.mirror else turn.mirror,
    }
    notes.set(key, told)


def _tone(notes: Notes, asked: _Asked) -> str:
    told = dict(asked.change.tones)
    known = COLOURS if asked.change.frames else _OF_ROLL
    strange = next((name for name in told if name not in known), None)
    if strange is not None or not told:
        raise Wrong(f"{printable(strange)!r} can't be set here", f"set one of {', '.join(known)}")
    words = " and ".join(name.replace("_", " ") for name in told)
    if not asked.change.frames:
        notes.set_roll(told)
        return f"{words} of the roll"
    for each in asked.placed():
        # A neutral place and a balance contradict each other: what comes last holds.
        free = {"neutral": None} if told.get("balance") is not None else {}
        free |= (
            dict.fromkeys(("balance", "colour_temperature_k", "duv")) if told.get("neutral") else {}
        )
        notes.set(each.key, free | told)
    return f"{words} of {asked.numbers()}"


def _carry(notes: Notes, asked: _Asked) -> str:
    """Give frames the colour and tone of another one; a neutral place as the balance it made."""
    frame = next((p for p in placed_frames(asked.surveyed) if p.key == asked.change.to), None)
    if frame is None:
        raise Wrong("there is no frame to carry from any more", "look at the roll as it is now")
    entry = notes.entry(frame.key)
    told = {name: entry.get(name) for name in COLOURS}
    if told["neutral"] is not None:
        balance = frame.frame.colour.balance
        told |= {"neutral": None, "balance": balance and [round(each, 4) for each in balance]}
    for each in asked.placed():
        if each.key != frame.key:
            notes.set(each.key, told)
    return f"colour of {_called((frame,))} carried to {asked.numbers()}"


_WAYS: Mapping[str, Callable[[Notes, _Asked], str]] = {
    "move": _move, "drop": _drop, "restore": _restore, "reset": _reset, "join": _join,
    "split": _split, "add": _add, "kind": _kind, "number": _number, "turn": _turn,
    "mirror": _mirror, "tone": _tone, "carry": _carry,
}  # fmt: skip
