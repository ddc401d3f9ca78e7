"""How a roll is laid out on contact sheets: on one, or if it is very long on several."""

from dataclasses import dataclass

from pipeline.record import RollRecord

FRAMES_PER_ROW = 12

# Rows of film on one paper, ten rolls' worth: what fills a usual paper with the smallest frames.
_MOST_ROWS = 100


@dataclass(frozen=True)
class SheetPart:
    """The strips of a roll, from `first` to before `end`, that lie on sheet `place` of `count`."""

    first: int
    end: int
    place: int = 1
    count: int = 1


def sheet_parts(record: RollRecord) -> tuple[SheetPart, ...]:
    """Return how a roll is laid out on sheets: on one, or if it is very long on several."""
    starts, rows = [0], 0
    for at, strip in enumerate(record.strips):
        needed = -(-len(strip.frames) // FRAMES_PER_ROW)
        if rows and rows + needed > _MOST_ROWS:
            starts.append(at)
            rows = 0
        rows += needed
    ends = [*starts[1:], len(record.strips)]
    return tuple(
        SheetPart(first, end, place, len(starts))
        for place, (first, end) in enumerate(zip(starts, ends, strict=True), 1)
    )
