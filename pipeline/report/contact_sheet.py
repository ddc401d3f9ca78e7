"""Contact sheet: the whole roll on one paper, a strip of film per row, in film order, lettered."""

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np

from pipeline.record import FrameRecord, RollRecord, StripRecord
from pipeline.report.lettering import (
    Colour,
    Picture,
    first_fitting,
    ink_width,
    letter,
    shortened,
    wrapped,
)
from pipeline.report.words import UNSURE_BELOW, batch_items, is_unsure, roll_name, roll_text
from pipeline.words import counted, printable

Sizes = Mapping[str, tuple[Any, ...]]


FRAMES_PER_ROW = 12
# Rows of film on one paper, ten rolls' worth: what fills a usual paper with the smallest frames.
_MOST_ROWS = 100

PAPER: Colour = (247, 244, 238)
INK: Colour = (38, 34, 30)
PENCIL: Colour = (105, 98, 90)
FILM: Colour = (24, 21, 19)
EMPTY: Colour = (44, 40, 37)
EMPTY_EDGE: Colour = (92, 85, 78)
EDGE_PRINT: Colour = (242, 190, 120)

_USUAL_ASPECT = 1.5
_SMALLEST_FRAME, _LARGEST_FRAME_SHARE = 40, 0.2


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
    bounds = pairwise((*starts, len(record.strips)))
    return tuple(SheetPart(*ends, place, len(starts)) for place, ends in enumerate(bounds, 1))


@dataclass(frozen=True)
class _Row:
    """One band of film: its label and its frames with their width over height."""

    label: str
    frames: tuple[FrameRecord, ...]
    aspects: tuple[float, ...]


@dataclass(frozen=True)
class _Layout:
    """All lengths in px that follow from the frame height and the number of columns."""

    height: int
    columns: int
    rebate: int
    text: int
    gap: int
    margin: int

    @property
    def row_height(self) -> int:
        return 2 * self.text + 2 * self.rebate + self.height + self.gap

    def frame_width(self, aspect: float) -> int:
        return max(1, round(aspect * self.height))

    def row_width(self, row: _Row) -> int:
        return self.gap + sum(self.frame_width(aspect) + self.gap for aspect in row.aspects)


@dataclass(frozen=True)
class Sheet:
    """A contact sheet whose pictures come one by one; `windows` are their places on the paper."""

    paper: Picture
    windows: Mapping[str, Picture]

    def show(self, number: str, picture: Picture) -> None:
        """Put a frame's picture on the paper, if it has a place there."""
        window = self.windows.get(number)
        if window is not None:
            rows, columns = window.shape[:2]
            how = cv2.INTER_AREA if picture.shape[0] > rows else cv2.INTER_CUBIC
            window[:] = cv2.resize(picture, (columns, rows), interpolation=how)


def empty_sheet(sizes: Sizes, record: RollRecord, part: SheetPart, long_side: int = 2400) -> Sheet:
    """Return the contact sheet of a part of a roll, as yet without pictures.

    `sizes` are rows and columns of the small positives that are to come, by frame number; a frame
    without one is an empty rectangle with a word in it. Strips and frames are laid out as the
    record has them, at most twelve frames a row. The paper's longest side is at most `long_side`
    px, 600 or more, and no longer than film and heading need. Only where frames 40 px high don't
    fit, it grows, first downwards.

    Raises ValueError if the paper is too small.
    """
    if long_side < 600:
        raise ValueError(f"long_side must be at least 600 px, not {long_side}")
    record = replace(record, strips=record.strips[part.first : part.end])
    rows = tuple(_rows(record, sizes, part.first + 1))
    margin = long_side // 40
    heading = _heading(record, long_side, part)
    top = margin + sum(line.height for line in heading)
    layout = _fit(rows, long_side, long_side - top - margin, margin)
    height = top + layout.row_height * _rows_per_column(rows, layout.columns) + margin
    lettered = max(ink_width(line.text, line.size, line.weight) for line in heading)
    width = max(lettered + 2 * margin, _across(rows, layout))
    sheet = np.full((height, width, 3), PAPER, np.uint8)
    y = margin
    for line in heading:
        at = margin, y + round(0.8 * line.height)
        letter(sheet, line.text, at, line.size, line.ink, line.weight)
        y += line.height
    windows: dict[str, Picture] = {}
    for row, x, y in _placed(rows, layout, top):
        windows |= _draw_row(sheet, row, (x, y), layout, sizes)
    return Sheet(sheet, windows)


@dataclass(frozen=True)
class _Line:
    text: str
    size: int
    ink: Colour
    weight: int
    height: int


def _heading(record: RollRecord, long_side: int, part: SheetPart) -> tuple[_Line, ...]:
    width = long_side - 2 * (long_side // 40)
    big, small = max(20, long_side // 50), max(13, long_side // 110)
    frames = record.frames()
    counts = f"{counted(len(frames), 'frame')} on {counted(len(record.strips), 'strip')}"
    batch = ", ".join(
        value if name == "batch" else f"{name} {value}" for name, value in batch_items(record)
    )
    texts = [", ".join(filter(None, (roll_text(record), counts)))]
    texts += [f"Batch: {batch}"] if batch else []
    if any(is_unsure(frame) for frame in frames):
        texts.append(
            "'check' under a frame: its edges are not clear, and how sure they are, from 0 to 1, "
            f"is below {UNSURE_BELOW}. A frame that is cut wrong can be corrected in roll.toml."
        )
    more = f", sheet {part.place} of {part.count}" if part.count > 1 else ""
    room = round(0.92 * width) - ink_width(more, big)
    title = shortened(roll_name(record), big, room) + more
    lines = [_Line(title, big, INK, 600, round(1.5 * big))]
    lines += [
        _Line(part, small, PENCIL, 400, round(1.5 * small))
        for text in texts
        for part in wrapped(text, small, width)
    ]
    return (*lines, _Line("", small, PENCIL, 400, small))


def _rows(record: RollRecord, sizes: Sizes, first_place: int) -> Iterator[_Row]:
    for place, strip in enumerate(record.strips, start=first_place):
        for start in range(0, len(strip.frames), FRAMES_PER_ROW):
            frames = strip.frames[start : start + FRAMES_PER_ROW]
            aspects = tuple(_aspect(frame, strip, sizes) for frame in frames)
            more = " (continued)" if start else ""
            yield _Row(f"Strip {place}{more}  {printable(strip.scan)}", frames, aspects)


def _aspect(frame: FrameRecord, strip: StripRecord, sizes: Sizes) -> float:
    for candidate in (frame, *strip.frames):
        if candidate.number in sizes:
            rows, columns = sizes[candidate.number]
            return float(np.clip(columns / rows, 0.1, 10.0))
    return _USUAL_ASPECT


def _rows_per_column(rows: tuple[_Row, ...], columns: int) -> int:
    return -(-len(rows) // columns)


def _column_widths(rows: tuple[_Row, ...], layout: _Layout) -> list[int]:
    each = max(1, _rows_per_column(rows, layout.columns))
    starts = range(0, len(rows), each)
    return [max(layout.row_width(row) for row in rows[at : at + each]) for at in starts]


def _layout(height: int, columns: int, margin: int) -> _Layout:
    rebate = int(np.clip(round(0.17 * height), 21, 44))
    gap = max(3, round(0.05 * height))
    return _Layout(height, columns, rebate, round(0.66 * rebate), gap, margin)


def _across(rows: tuple[_Row, ...], layout: _Layout) -> int:
    return layout.margin + sum(width + layout.margin for width in _column_widths(rows, layout))


def _fit(rows: tuple[_Row, ...], paper_width: int, room: int, margin: int) -> _Layout:
    """Return the layout with the largest frames that the paper takes.

    Where even the smallest frames need more height, the paper grows downwards.
    """

    def fits(height: int, columns: int, most_down: float = room) -> bool:
        layout = _layout(height, columns, margin)
        down = _rows_per_column(rows, columns) * layout.row_height
        return down <= most_down and _across(rows, layout) <= paper_width

    def largest(columns: int) -> int:
        heights = range(_SMALLEST_FRAME, round(_LARGEST_FRAME_SHARE * paper_width) + 1)
        return bisect_left(heights, True, key=lambda height: not fits(height, columns))

    choices = range(1, len(rows) + 1)
    best = max(choices, key=largest, default=1)
    if rows and not largest(best):
        best = max((n for n in choices if fits(_SMALLEST_FRAME, n, float("inf"))), default=1)
    return _layout(_SMALLEST_FRAME + max(0, largest(best) - 1), best, margin)


def _placed(rows: tuple[_Row, ...], layout: _Layout, top: int) -> Iterator[tuple[_Row, int, int]]:
    each = max(1, _rows_per_column(rows, layout.columns))
    widths = _column_widths(rows, layout)
    lefts = np.cumsum([layout.margin, *(width + layout.margin for width in widths)])
    for at, row in enumerate(rows):
        yield row, int(lefts[at // each]), top + (at % each) * layout.row_height


def _draw_row(
    sheet: Picture,
    row: _Row,
    corner: tuple[int, int],
    layout: _Layout,
    sizes: Sizes,
) -> dict[str, Picture]:
    """Draw a band of film; return the windows of its frames that are to get a picture."""
    x, y = corner
    width = layout.row_width(row)
    label = shortened(row.label, layout.text, width)
    letter(sheet, label, (x, y + round(1.1 * layout.text)), layout.text, PENCIL)
    band = y + round(1.6 * layout.text)
    sheet[band : band + 2 * layout.rebate + layout.height, x : x + width] = FILM
    x += layout.gap
    windows = {}
    for frame, aspect in zip(row.frames, row.aspects, strict=True):
        wide = layout.frame_width(aspect)
        box = sheet[band : band + 2 * layout.rebate + layout.height, x : x + wide]
        window = _draw_frame(box, frame, frame.number in sizes, layout)
        if window is not None:
            windows[frame.number] = window
        x += wide + layout.gap
    return windows


def _draw_frame(
    box: Picture, frame: FrameRecord, has_picture: bool, layout: _Layout
) -> Picture | None:
    """Draw into `box`, a view of the sheet: the rebate above and below the picture.

    Return the window that the picture is to fill, None where there is none.
    """
    wide = box.shape[1]
    base_line = round(0.74 * layout.rebate)
    window = box[layout.rebate : layout.rebate + layout.height]
    empty = not has_picture or frame.kind == "blank"
    if empty:
        word = "blank" if frame.kind == "blank" else "no picture"
        window[:] = EMPTY_EDGE
        window[1:-1, 1:-1] = EMPTY
        word = first_fitting((word, word.split()[0], ""), layout.text, wide - 4)
        at = ((wide - ink_width(word, layout.text)) // 2, layout.height // 2)
        letter(window, word, at, layout.text, EDGE_PRINT)
    number = shortened(printable(frame.number), layout.text, wide)
    letter(box, number, (0, base_line), layout.text, EDGE_PRINT, 600)
    mark = first_fitting(_marks(frame), layout.text, wide)
    foot = layout.rebate + layout.height + base_line
    letter(box, mark, (0, foot), layout.text, EDGE_PRINT)
    return None if empty else window


def _marks(frame: FrameRecord) -> tuple[str, ...]:
    """Return the words under a frame, the fullest first."""
    kind = printable(frame.kind) if frame.kind in ("partial", "fogged") else ""
    if not is_unsure(frame):
        return (kind,)
    doubt = f"check {frame.confidence:.2f}"
    return tuple(filter(None, (f"{kind}, {doubt}" if kind else doubt, doubt, "check", "?")))
