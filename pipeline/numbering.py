"""Numbers of the frames over a roll: as the edge tells, else as the user or the order does."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.settings import frame_number
from pipeline.survey import StripSurvey


@dataclass(frozen=True)
class FrameNumber:
    """A frame's number and where it is from: 'edge', 'user' or 'order'."""

    number: str
    number_from: str


def in_film_order(strips: Sequence[StripSurvey]) -> tuple[StripSurvey, ...]:
    """Return strips by their edge numbers where all have some, else as they came."""
    if any(strip.edge_position is None for strip in strips):
        return tuple(strips)
    return tuple(sorted(strips, key=lambda strip: strip.edge_position or 0.0))


def _next(number: str) -> str:
    """Return the whole number after a frame number: after X comes 00, then 01."""
    digits = number.rstrip("A")
    if digits == "X":
        return "00"
    return f"{int(digits) + 1:02d}"


def number_roll(
    strips: Sequence[StripSurvey], first_number: str | None
) -> tuple[tuple[FrameNumber, ...], ...]:
    """Return the numbers of every strip's frames; no number is given twice.

    A frame without an edge number follows the one before it on the film; the first is
    `first_number`, or 01. A number met again gets a letter (b, c, ...) after it.
    """
    origin = "order" if first_number is None else "user"
    upcoming = first_number or "01"
    read = [
        None if frame.edge_number is None else frame_number(frame.edge_number)
        for strip in strips
        for frame in strip.frames
    ]
    # What the edge names elsewhere is not free for a frame that only follows in order.
    taken: set[str] = set()
    named = {number for number in read if number is not None}
    numbers = iter(read)
    numbered = []
    for strip in strips:
        row = []
        for _ in strip.frames:
            number = next(numbers)
            told = number is not None
            if number is None:
                while upcoming in named or upcoming in taken:
                    upcoming = _next(upcoming)
                number = upcoming
            upcoming = _next(number)
            row.append(FrameNumber(_unique(number, taken), "edge" if told else origin))
        numbered.append(tuple(row))
    return tuple(numbered)


def _unique(number: str, taken: set[str]) -> str:
    candidate, letter = number, ord("b")
    while candidate in taken:
        candidate = f"{number}{chr(letter)}" if letter <= ord("z") else f"{number}-{letter - 96}"
        letter += 1
    taken.add(candidate)
    return candidate
