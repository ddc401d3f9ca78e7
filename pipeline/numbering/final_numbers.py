"""Final numbers of frames: as found, or as corrections ask, each given once."""

from collections import Counter
from collections.abc import Mapping, Sequence
from string import ascii_lowercase

from pipeline.numbering.numbers import FrameNumber, lettered, next_number
from pipeline.settings import FrameCorrection

# A frame and the entry that asks for its number, with that number.
_Asked = dict[str, tuple[FrameCorrection, str]]


def final_numbers(
    keys: Sequence[str],
    numbers: Mapping[str, FrameNumber],
    corrections: Sequence[FrameCorrection],
) -> tuple[dict[str, FrameNumber], tuple[str, ...]]:
    """Return every frame's number by its key, each given once, and what could not be obeyed.

    `keys` are the frames in film order after all corrections, by their number as found, added ones
    by '+' and their entry; `numbers` are those as found, by themselves. An added frame that is
    given none takes that of the frame before it, with a letter. A number asked for that another
    frame keeps is refused, and that entry's frames stay as found.
    """
    asked, troubles = _asked(keys, corrections), []
    while True:
        held = {key: _held(key, asked, numbers) for key in keys}
        counts = Counter(name.casefold() for name in held.values() if name is not None)
        clash = next((key for key in asked if counts[asked[key][1].casefold()] > 1), None)
        if clash is None:
            break
        entry, number = asked[clash]
        troubles.append(
            f"{entry.name}: number {number} is that of another frame; "
            "renumber that one too, or give another number"
        )
        asked = {key: told for key, told in asked.items() if told[0] is not entry}
    final: dict[str, FrameNumber] = {}
    for place, key in enumerate(keys):
        name = held[key]
        if key in asked:
            final[key] = FrameNumber(asked[key][1], "user")
        elif name is not None:
            final[key] = numbers[key]
        else:
            before = [held[other] for other in keys[:place]]
            after = [held[other] for other in keys[place:]]
            beside = next(filter(None, (*reversed(before), *after)), "01")
            stem = beside.rstrip(ascii_lowercase[1:])
            held[key] = lettered(stem, {each.casefold() for each in held.values() if each})
            final[key] = FrameNumber(str(held[key]), "order")
    return final, tuple(troubles)


def _asked(keys: Sequence[str], corrections: Sequence[FrameCorrection]) -> _Asked:
    """Return the numbers that entries ask for; `onward` counts on from each."""
    own: _Asked = {}
    for entry in corrections:
        if isinstance(entry.add, str):
            own[f"+{entry.entry}"] = (entry, entry.add)
        elif entry.number is not None and entry.renumber is not None:
            own[entry.number] = (entry, entry.renumber)
    asked: _Asked = {}
    current: tuple[FrameCorrection, str] | None = None
    for key in keys:
        if key in own:
            entry, number = asked[key] = own[key]
            if entry.onward or current is not None:
                current = (entry if entry.onward or current is None else current[0], number)
        elif current is not None:
            current = asked[key] = (current[0], next_number(current[1]))
    return asked


def _held(key: str, asked: _Asked, numbers: Mapping[str, FrameNumber]) -> str | None:
    if key in asked:
        return asked[key][1]
    return numbers[key].number if key in numbers else None
