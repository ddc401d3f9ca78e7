"""From corrections to cuts: which frames change, and where they then lie."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.kinds import MM_PER_INCH, Corners, Points
from pipeline.numbering.final_numbers import final_numbers
from pipeline.numbering.numbers import FrameNumber
from pipeline.outline import around, axes_of, box, corners_of, size_of, turned, within
from pipeline.profile import FrameFormat, frame_formats
from pipeline.settings import FrameCorrection
from pipeline.survey import Cut, StripSurvey

# Order on a strip: the place among the frames found, and how far from it an added one stands.
_Place = tuple[float, float]

_LEAST_SIDE_MM = 1.0
_CLIPPED_MM = 1.0
_WIDEST_GAP_MM = 8.0


@dataclass(frozen=True)
class Recut:
    """What corrections ask of a roll.

    `cuts` holds the frames of each strip that changes, by its place on the roll, in film order;
    `numbers` the number of every frame by its key, which is its number as found, or '+' and the
    entry for an added one; `troubles` what could not be obeyed, a sentence each.
    """

    cuts: Mapping[int, tuple[Cut, ...]]
    numbers: Mapping[str, FrameNumber]
    troubles: tuple[str, ...]


class _Refused(Exception):
    """A correction that can't be obeyed; its text is the sentence for the user."""


@dataclass
class _Draft:
    """The roll while corrections are put in; a row of places and cuts for each strip."""

    strips: Sequence[StripSurvey]
    rows: list[dict[_Place, Cut]]
    where: dict[str, tuple[int, int]]
    gone: dict[str, str] = field(default_factory=dict)

    def find(self, number: str, entry: FrameCorrection) -> tuple[int, int]:
        """Return strip and place of a frame by its number as found."""
        if number in self.where:
            return self.where[number]
        known = list(self.where)
        has = f"has {known[0]} to {known[-1]}" if known else "has no frames"
        of = "" if number == entry.number else f"{entry.name}: "
        raise _Refused(
            f"{of}there is no frame {number} on the roll as found, which {has}; "
            "write a number as it is without corrections"
        )

    def outline(self, strip: int, cut: Cut) -> Points:
        """Return where a cut lies, (4, 2) in scan pixels."""
        if cut.outline is not None:
            return np.asarray(cut.outline, float)
        return np.asarray(self.strips[strip].frames[cut.found or 0].outline, float)


def recut(
    corrections: Sequence[FrameCorrection],
    strips: Sequence[StripSurvey],
    numbers: Sequence[Sequence[FrameNumber]],
) -> Recut:
    """Return what the corrections ask of a roll as found.

    Strips are in film order; `numbers` are those of their frames without corrections, each given
    once.
    """
    names = [[item.number for item in row] for row in numbers]
    found = [{(float(at), 0.0): Cut(name, at) for at, name in enumerate(row)} for row in names]
    where = {name: (place, at) for place, row in enumerate(names) for at, name in enumerate(row)}
    draft = _Draft(strips, [dict(row) for row in found], where)
    troubles = []
    # Frames are added beside others as those lie when corrected.
    for entry in sorted(corrections, key=lambda item: bool(item.add)):
        try:
            (_add if entry.add else _change)(draft, entry)
        except _Refused as refused:
            troubles.append(str(refused))
    rows = [tuple(row[at] for at in sorted(row)) for row in draft.rows]
    as_found = {item.number: item for row in numbers for item in row}
    final, more = final_numbers([cut.key for row in rows for cut in row], as_found, corrections)
    cuts = {place: row for place, row in enumerate(rows) if draft.rows[place] != found[place]}
    return Recut(cuts, final, (*troubles, *more))


def _change(draft: _Draft, entry: FrameCorrection) -> None:
    """Put in what is told of one frame that was found."""
    number = str(entry.number)
    strip, at = draft.find(number, entry)
    row = draft.rows[strip]
    if entry.drop:
        del row[(at, 0.0)]
        draft.gone[number] = "dropped"
        return
    cut = row[(at, 0.0)]
    others = _merged(draft, entry, strip, at)
    if others:
        beside = [draft.outline(strip, row[other]) for other in others]
        cut = replace(cut, outline=corners_of(around(draft.outline(strip, cut), beside)))
    if entry.moves:
        cut = replace(cut, outline=_moved(draft.outline(strip, cut), entry, draft.strips[strip]))
    if entry.kind is not None:
        cut = replace(cut, kind=entry.kind)
    for other in others:
        draft.gone[row.pop(other).key] = f"merged with {number}"
    row[(at, 0.0)] = cut


def _merged(draft: _Draft, entry: FrameCorrection, strip: int, at: int) -> list[_Place]:
    """Return the places of the frames to merge with one, which lie beside it on its strip."""
    found = [draft.find(number, entry) for number in entry.merge_with]
    places = sorted({at, *(other for _, other in found)})
    beside = places == list(range(places[0], places[0] + len(places)))
    if any(other != strip for other, _ in found) or not beside:
        raise _Refused(
            f"{entry.name} and {', '.join(entry.merge_with)} don't lie beside each other on one "
            "strip; merge only frames that do"
        )
    return [(float(other), 0.0) for other in places if other != at]


def _px_per_mm(strip: StripSurvey) -> float:
    return strip.ppi / MM_PER_INCH


def _moved(outline: Points, entry: FrameCorrection, strip: StripSurvey) -> Corners:
    """Return an outline with its edges moved as told, no farther than the strip reaches."""
    scale, axes, size = _px_per_mm(strip), axes_of(outline), size_of(outline)
    low = np.array([entry.left_mm + entry.move_mm, entry.top_mm]) * scale
    high = size + np.array([entry.right_mm + entry.move_mm, entry.bottom_mm]) * scale
    strip_outline = np.asarray(strip.outline, float)
    ends, reach = within(strip_outline, outline), size_of(strip_outline)
    low = np.maximum(low, np.minimum(0.0, -ends.min(axis=0)))
    high = np.minimum(high, np.maximum(size, size + reach - ends.max(axis=0)))
    if (high - low < _LEAST_SIDE_MM * scale).any():
        raise _Refused(
            f"{entry.name}: moved so far, nothing is left between its edges; give smaller moves"
        )
    return corners_of(turned(box(outline[0], axes, low, high), entry.turn_deg))


def _add(draft: _Draft, entry: FrameCorrection) -> None:
    """Put in a frame where none was found."""
    if entry.at_mm is not None:
        place = _strip_place(draft, entry)
        start = entry.at_mm * _px_per_mm(draft.strips[place])
        order = _order_at(draft, place, start)
    else:
        place, order = _beside(draft, entry)
        start = _start_beside(draft, entry, place, order)
    strip = draft.strips[place]
    scale, strip_outline = _px_per_mm(strip), np.asarray(strip.outline, float)
    length = _format(strip).image_along_mm * scale
    top, bottom = _across(strip)
    low, high = max(start, 0.0), min(start + length, float(size_of(strip_outline)[0]))
    if high - low < _LEAST_SIDE_MM * scale:
        raise _Refused(f"{entry.name}: the strip ends before it; give another place")
    edges = np.array([low, top]), np.array([high, bottom])
    outline = corners_of(box(strip_outline[0], axes_of(strip_outline), *edges))
    if entry.moves:
        outline = _moved(np.asarray(outline), entry, strip)
    whole = high - low > length - _CLIPPED_MM * scale
    kind = entry.kind or ("picture" if whole else "partial")
    draft.rows[place][order] = Cut(f"+{entry.entry}", None, outline, kind)


def _format(strip: StripSurvey) -> FrameFormat:
    return frame_formats()[strip.format]


def _strip_place(draft: _Draft, entry: FrameCorrection) -> int:
    """Return the place of the strip that an entry names by its scan or by its count."""
    if entry.strip is not None:
        if entry.strip > len(draft.strips):
            raise _Refused(
                f"{entry.name}: there is no strip {entry.strip} on the roll; it has "
                f"{len(draft.strips)}, counted as on the contact sheet"
            )
        return entry.strip - 1
    named = [at for at, strip in enumerate(draft.strips) if strip.scan.path.name == entry.scan]
    if len(named) == 1:
        return named[0]
    if named:
        raise _Refused(
            f"{entry.name}: {entry.scan} holds {len(named)} strips; write strip = "
            f"{named[0] + 1}, counted as on the contact sheet"
        )
    raise _Refused(f"{entry.name}: no strip was found in a scan {entry.scan}; check the name")


def _span(draft: _Draft, place: int, cut: Cut) -> tuple[float, float]:
    """Return where a cut begins and ends along its strip, in px from the strip's left end."""
    strip_outline = np.asarray(draft.strips[place].outline, float)
    along = within(strip_outline, draft.outline(place, cut))[:, 0]
    return float(along[[0, 3]].mean()), float(along[[1, 2]].mean())


def _order_at(draft: _Draft, place: int, start: float) -> _Place:
    """Return the order of a frame that begins at a place on a strip, in px."""
    row = draft.rows[place]
    order = sorted(row)
    before = [at for at in order if _span(draft, place, row[at])[0] <= start]
    if not order or not before:
        return (order[0][0] - 1.0, 0.0) if order else (0.0, 0.0)
    last = before[-1]
    after = next((at for at in order if at > last), None)
    if after is not None and after[0] == last[0]:
        return last[0], (last[1] + after[1]) / 2
    return last[0], last[1] + 1.0


def _beside(draft: _Draft, entry: FrameCorrection) -> tuple[int, _Place]:
    """Return strip and order of a frame to add beside another; each further one lies outside."""
    anchor = str(entry.after or entry.before)
    strip, at = draft.find(anchor, entry)
    if anchor in draft.gone:
        raise _Refused(f"{entry.name}: frame {anchor} is {draft.gone[anchor]}; name another frame")
    ranks = [rank for index, rank in draft.rows[strip] if index == at]
    return strip, (float(at), max(ranks) + 1.0 if entry.after else min(ranks) - 1.0)


def _start_beside(draft: _Draft, entry: FrameCorrection, place: int, order: _Place) -> float:
    """Return where a frame to add begins, in px: amid its room where that fits just one frame."""
    row, strip = draft.rows[place], draft.strips[place]
    scale = _px_per_mm(strip)
    length = _format(strip).image_along_mm * scale
    ends = [_span(draft, place, row[at])[1] for at in sorted(row) if at < order][-1:]
    begins = [_span(draft, place, row[at])[0] for at in sorted(row) if at > order][:1]
    gap = _gap_px(draft, place) if entry.gap_mm is None else entry.gap_mm * scale
    if ends and begins and entry.gap_mm is None:
        spare = begins[0] - ends[0] - length
        if 0.0 <= spare <= 4.0 * gap:
            return ends[0] + spare / 2
    return ends[0] + gap if entry.after else begins[0] - gap - length


def _gap_px(draft: _Draft, place: int) -> float:
    """Return the strip's usual gap in px: the median of those found, else the format's."""
    strip = draft.strips[place]
    scale = _px_per_mm(strip)
    spans = [_span(draft, place, Cut("", at)) for at in range(len(strip.frames))]
    gaps = [after[0] - before[1] for before, after in itertools.pairwise(spans)]
    usual = [gap for gap in gaps if 0.0 <= gap <= _WIDEST_GAP_MM * scale]
    return float(np.median(usual)) if usual else _format(strip).usual_gap_mm * scale


def _across(strip: StripSurvey) -> tuple[float, float]:
    """Return upper and lower edge of a frame to add, in px: as the others, else in the middle."""
    strip_outline = np.asarray(strip.outline, float)
    if strip.frames:
        outlines = [within(strip_outline, np.asarray(f.outline, float)) for f in strip.frames]
        rows = np.median(outlines, axis=0)[:, 1]
        return float(rows[:2].mean()), float(rows[2:].mean())
    reach = float(size_of(strip_outline)[1])
    height = min(_format(strip).film.image_across_mm * _px_per_mm(strip), reach)
    return (reach - height) / 2, (reach + height) / 2
