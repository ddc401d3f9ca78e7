"""Numbers of frames over the roll, and where strips lie along the film by the codes on its edge."""

import itertools
import math
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase

import numpy as np

from pipeline.edge import frame_name, load_edge_format, number_steps, picture_phase, position_at
from pipeline.kinds import MM_PER_INCH, Float64
from pipeline.settings import frame_number
from pipeline.survey import StripSurvey


def film_code(strip: StripSurvey) -> str | None:
    """Return the film's code on a strip's edge, such as 115-10, or None where none was read."""
    return None if strip.edge is None else strip.edge.film_code


def film_codes(strips: Iterable[StripSurvey]) -> tuple[str, ...]:
    """Return the film's codes on the edges of strips, each once and in order."""
    return tuple(sorted({code for strip in strips if (code := film_code(strip)) is not None}))


def length_frames(strip: StripSurvey) -> float:
    """Return how long a strip is, in frames of eight perforations."""
    layout = load_edge_format()
    return _length_mm(strip) / (layout.pitch_mm * layout.codes_per_frame)


def film_span(strip: StripSurvey) -> tuple[float, float] | None:
    """Return the places of a strip's two ends along the film, in frames, the smaller first.

    None where no numbers were read.
    """
    if strip.edge is None or not strip.edge.numbered:
        return None
    ends = (0.0, _length_mm(strip) * strip.edge.px_per_mm)
    first, last = sorted(position_at(strip.edge, end) or 0.0 for end in ends)
    return first, last


def frame_places(strip: StripSurvey) -> Float64 | None:
    """Return the places of a strip's frames along the film, (n,) frames, or None."""
    if strip.edge is None or not strip.edge.numbered:
        return None
    return np.array([position_at(strip.edge, x) for x in strip.centres_px], dtype=np.float64)


def _length_mm(strip: StripSurvey) -> float:
    (x0, y0), (x1, y1) = strip.outline[0], strip.outline[1]
    return math.hypot(x1 - x0, y1 - y0) / (strip.ppi / MM_PER_INCH)


# Places before 0 that the edge numbers: X, 00 and a leader before them.
_FILM_START = -3.0
# Share of a strip's length for which there must be room where it is put.
_ROOM = 0.8
# Strips that start no further apart than this are the same piece, scanned again, in frames.
_SAME_START = 0.25
# How far strips may lie over each other and still be pieces cut one from the other, in frames.
_SAME_PIECE = 0.5


@dataclass(frozen=True)
class FrameNumber:
    """A frame's number and where it is from: 'edge', 'user' or 'order'."""

    number: str
    number_from: str


def in_film_order(strips: Sequence[StripSurvey]) -> tuple[StripSurvey, ...]:
    """Return strips as they follow each other on the film.

    Strips with edge numbers are sorted by them, films in the order in which they came first. A
    strip without keeps to the neighbour it came after, or before, where there is room for it on
    the film; strips that came last to first are turned round for that. Where no strip has a
    number, all stay as they came.
    """
    spans = [film_span(strip) for strip in strips]
    if all(span is None for span in spans):
        return tuple(strips)
    films = list(dict.fromkeys(film_code(strip) for strip in strips))
    keys = {
        index: (films.index(film_code(strips[index])), span[0])
        for index, span in enumerate(spans)
        if span is not None
    }
    film_order = _sorted(keys)
    beside = _attached(strips, spans, keys, film_order)
    ordered = [
        strips[index]
        for placed in film_order
        for index in (*beside.get((placed, 0), ()), placed, *beside.get((placed, 1), ()))
    ]
    return tuple(ordered)


def _sorted(keys: dict[int, tuple[int, float]]) -> list[int]:
    """Return strips by film and start; those that start at the same place as they came."""
    groups: list[list[int]] = []
    for index in sorted(keys, key=lambda index: keys[index]):
        film, start = keys[index]
        if groups:
            first = keys[groups[-1][0]]
            if first[0] == film and start - first[1] < _SAME_START:
                groups[-1].append(index)
                continue
        groups.append([index])
    return [index for group in groups for index in sorted(group)]


def _attached(
    strips: Sequence[StripSurvey],
    spans: Sequence[tuple[float, float] | None],
    keys: dict[int, tuple[int, float]],
    film_order: Sequence[int],
) -> dict[tuple[int, int], list[int]]:
    """Return the strips without numbers that go before (0) and after (1) each strip with some."""
    as_came = sorted(keys)
    rises = sum(keys[one] <= keys[two] for one, two in itertools.pairwise(as_came))
    sequence = list(range(len(strips)))
    if 2 * rises < len(as_came) - 1:
        sequence.reverse()
    room = _gaps(spans, keys, film_order)
    beside: dict[tuple[int, int], list[int]] = {}
    for at, index in enumerate(sequence):
        if index in keys:
            continue
        last = next((other for other in reversed(sequence[:at]) if other in keys), None)
        following = next((other for other in sequence[at:] if other in keys), None)
        sides = [(other, side) for other, side in ((last, 1), (following, 0)) if other is not None]
        length = length_frames(strips[index])
        chosen = next((one for one in sides if room[one] >= _ROOM * length), sides[0])
        beside.setdefault(chosen, []).append(index)
        room[chosen] -= length
    return beside


def _gaps(
    spans: Sequence[tuple[float, float] | None],
    keys: dict[int, tuple[int, float]],
    film_order: Sequence[int],
) -> dict[tuple[int, int], float]:
    """Return the free film before (0) and after (1) each strip with numbers, in frames."""
    ends = {index: span for index, span in enumerate(spans) if span is not None}
    free = {(index, 0): ends[index][0] - _FILM_START for index in film_order}
    free |= {(index, 1): math.inf for index in film_order}
    for one, two in itertools.pairwise(film_order):
        if keys[one][0] == keys[two][0]:
            free[one, 1] = free[two, 0] = ends[two][0] - ends[one][1]
    return free


def with_roll_numbers(strips: Sequence[StripSurvey]) -> tuple[StripSurvey, ...]:
    """Return strips in film order with edge numbers that agree over the roll.

    Where pictures lie half-way between two numbers, every strip by itself might go to either.
    All strips of a film take the phase that lies nearest to all of theirs; a strip whose first
    picture would repeat the number of the one before it on the film counts on from there.
    """
    phases = _roll_phases(strips)
    layout = load_edge_format()
    told: dict[str | None, tuple[float, float]] = {}
    numbered = []
    for strip in strips:
        code, span = film_code(strip), film_span(strip)
        if strip.edge is None or span is None or not strip.frames:
            numbered.append(strip)
            continue
        step = _step(strip)
        steps = number_steps(strip.edge, strip.centres_px, step, phases.get((code, step)))
        end, last = told.get(code, (-math.inf, -math.inf))
        if span[0] > end - _SAME_PIECE:
            repeated = max(0, round(last / step) + 1 - min(steps)) if last > -math.inf else 0
            steps = tuple(number + repeated for number in steps)
            told[code] = (span[1], max(steps) * step)
        frames = (
            replace(frame, edge_number=frame_name(layout, number * step))
            for frame, number in zip(strip.frames, steps, strict=True)
        )
        numbered.append(replace(strip, frames=tuple(frames)))
    return tuple(numbered)


def _step(strip: StripSurvey) -> float:
    """Return what numbers count in: half frames where pictures don't follow in whole ones."""
    return 1.0 if strip.format == "135" else 0.5


def _roll_phases(strips: Sequence[StripSurvey]) -> dict[tuple[str | None, float], float]:
    """Return, for each film and step, the strips' phase nearest to all others of them."""
    found: dict[tuple[str | None, float], list[tuple[float, int]]] = {}
    for strip in strips:
        if strip.edge is None or not strip.edge.numbered or not strip.frames:
            continue
        step = _step(strip)
        phase = picture_phase(strip.edge, strip.centres_px, step)
        if phase is not None:
            found.setdefault((film_code(strip), step), []).append((phase, len(strip.frames)))
    return {key: _middle(phases, key[1]) for key, phases in found.items()}


def _middle(phases: Sequence[tuple[float, int]], step: float) -> float:
    """Return the phase with the least distance to all, each counted by its frames.

    Distances run round: phases one step apart are the same.
    """

    def far(phase: float) -> float:
        return sum(
            count * abs((other - phase) / step - round((other - phase) / step))
            for other, count in phases
        )

    return min((phase for phase, _ in phases), key=far)


def number_roll(
    strips: Sequence[StripSurvey], first_number: str | None
) -> tuple[tuple[FrameNumber, ...], ...]:
    """Return the numbers of every strip's frames; no number is given twice.

    A frame without an edge number follows the one before it on the film; the first is
    `first_number`, or 01, or what leads up to the edge's first. A number met again gets a
    letter (b, c, ...) after it. Numbers have two digits, 0 too, but where the film's own X or
    00 comes before it.
    """
    origin = "order" if first_number is None else "user"
    told = [frame.edge_number for strip in strips for frame in strip.frames]
    early = any(number is not None and number.rstrip("A") in ("X", "00") for number in told)
    read = [None if number is None else _shown(number, early) for number in told]
    upcoming = first_number or _leading(read, early) or "01"
    # What the edge names elsewhere is not free for a frame that only follows in order.
    taken: set[str] = set()
    named = {number for number in read if number is not None}
    numbers = iter(read)
    numbered = []
    for strip in strips:
        row = []
        for _ in strip.frames:
            number = next(numbers)
            by_edge = number is not None
            if number is None:
                while upcoming in named or upcoming.casefold() in taken:
                    upcoming = next_number(upcoming, early)
                number = upcoming
            upcoming = next_number(number, early)
            name = lettered(number, taken) if number.casefold() in taken else number
            taken.add(name.casefold())
            row.append(FrameNumber(name, "edge" if by_edge else origin))
        numbered.append(tuple(row))
    return tuple(numbered)


def _shown(number: str, early: bool) -> str:
    """Return an edge number with two digits; `early` keeps 0 apart from the film's 00."""
    return number if early and number.rstrip("A") == "0" else frame_number(number)


def _first_numbers(early: bool) -> list[str]:
    """Return the whole numbers up to 1 as they follow each other on the film."""
    return ["X", "00", "0", "01"] if early else ["X", "00", "01"]


def next_number(number: str, early: bool = False) -> str:
    """Return the whole number after a frame number, whatever letter that has: after X comes 00.

    `early` tells 0 from 00, as rolls do that show both.
    """
    digits, first = number.rstrip(f"A{ascii_lowercase}"), _first_numbers(early)
    if digits in first[:-1]:
        return first[first.index(digits) + 1]
    return f"{int(digits) + 1:02d}"


def _leading(read: Sequence[str | None], early: bool) -> str | None:
    """Return the number from which the frames before the edge's first number lead up to it."""
    count = next((index for index, number in enumerate(read) if number is not None), 0)
    names = [*_first_numbers(early), *(f"{number:02d}" for number in range(2, 100))]
    first = (read[count] or "").rstrip("A") if count else ""
    if first not in names or names.index(first) < count:
        return None
    return names[names.index(first) - count]


def lettered(number: str, taken: Container[str]) -> str:
    """Return a number with the first letter from b on, or count, that is not taken.

    `taken` are names in small letters.
    """
    letters = (f"{number}{letter}" for letter in ascii_lowercase[1:])
    counted = (f"{number}-{count}" for count in itertools.count(27))
    every = itertools.chain(letters, counted)
    return next(name for name in every if name.casefold() not in taken)
