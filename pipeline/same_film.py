"""Pieces of film that were scanned twice, and strips that are not of one roll."""

from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.film_place import film_code, film_span, frame_places
from pipeline.kinds import Float64
from pipeline.numbering import FrameNumber
from pipeline.record import ScanTrouble
from pipeline.strip_survey import StripSurvey

Pictures = Float64
Pairs = tuple[tuple[int, int], ...]

# Pieces cut from one film can't lie over each other: by this many frames they do.
_OVERLAP = 0.5
# How far two frames may lie apart along the film and still be the same one, in frames.
_SAME_PLACE = 0.3
# Size at which pictures are compared, and the blur beneath which their tones are taken off:
# skies above and ground below make any two pictures alike.
_COMPARED = (48, 32)
_TONES_BLUR = 6.0
_NEAR_BLUR = 0.8
# A picture that varies by less than this density shows nothing to compare.
_LEAST_DETAIL = 0.01
# Correlation of pictures of the same negative where the edge says so too, and where it is silent.
_ALIKE, _SURELY_ALIKE = 0.7, 0.85
# Below it no picture is surely alike, however sums are rounded.
_PERHAPS_ALIKE = 0.84
# By how much a run of pictures must be more like the other run than like its neighbours in it.
_DISTINCT = 0.15


@dataclass(frozen=True)
class Overlap:
    """Two strips of a roll that show the same place of a film, by index, and the frames there.

    `alike` tells whether the pictures are the same too.
    """

    first: int
    second: int
    frames: Pairs
    alike: bool


def find_overlaps(strips: Sequence[StripSurvey]) -> tuple[Overlap, ...]:
    """Return the pairs of strips that lie over each other on the film, or show the same pictures.

    Strips with edge numbers of one film overlap where their places do by more than half a frame.
    Of strips without, a run of pictures must be alike one by one, more than with its neighbours.
    """
    pictures = [_compared(strip) for strip in strips]
    places = [_placed(strip) for strip in strips]
    every = np.concatenate(pictures) if strips else np.zeros((0, 0))
    starts = np.cumsum([0, *(len(each) for each in pictures)])
    found = []
    for first, one in enumerate(strips):
        near: AbstractSet[int] = set()
        if any(place is None for place in places[first:]):
            near = _near(first, pictures[first], every, starts)
        for second in range(first + 1, len(strips)):
            pairs: Pairs = ()
            alike, here, there = True, places[first], places[second]
            if here is not None and there is not None:
                pairs = _same_places(here, there)
                alike = not pairs or _are_alike(pictures[first], pictures[second], pairs)
            elif second in near:
                flips = _flips(one, strips[second])
                pairs = _same_run(pictures[first], pictures[second], flips)
            if pairs:
                found.append(Overlap(first, second, pairs, alike))
    return tuple(found)


def _near(
    first: int, pictures: Pictures, every: Pictures, starts: NDArray[np.int_]
) -> AbstractSet[int]:
    """Return the strips behind one that have any picture like one of its, whichever way round.

    All at once, as of a long roll there are very many pairs of strips, and few are alike.
    """
    later = every[starts[first + 1] :]
    ways = [_flipped(pictures, across, down) for across in (False, True) for down in (False, True)]
    likeness = np.concatenate(ways) @ later.T
    if not likeness.size:
        return set()
    frames = np.flatnonzero(likeness.max(axis=0) > _PERHAPS_ALIKE) + starts[first + 1]
    return {int(at) for at in np.searchsorted(starts, frames, side="right") - 1}


def film_notes(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[FrameNumber]]
) -> tuple[ScanTrouble, ...]:
    """Return what the user should know of pieces scanned twice and of strips of two films."""
    # A third scan of one piece is told once, not against both others.
    overlaps = {overlap.second: overlap for overlap in reversed(find_overlaps(strips))}
    notes = [_overlap_note(strips, numbers, overlaps[second]) for second in sorted(overlaps)]
    films: dict[str, list[str]] = {}
    for strip in strips:
        code = film_code(strip)
        if code is not None:
            names = films.setdefault(code, [])
            if strip.scan.path.name not in names:
                names.append(strip.scan.path.name)
    if len(films) > 1:
        told = "; ".join(f"{code} in {', '.join(names)}" for code, names in films.items())
        first = next(iter(films.values()))[0]
        message = (
            f"the strips are of {len(films)} films by the codes on their edges ({told}), "
            "yet one colour is found for all: give each film a folder of its own"
        )
        notes.append(ScanTrouble(first, message, "note"))
    return tuple(notes)


def _overlap_note(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[FrameNumber]], overlap: Overlap
) -> ScanTrouble:
    one, two = strips[overlap.first].scan.path.name, strips[overlap.second].scan.path.name
    there = _run([numbers[overlap.first][pair[0]].number for pair in overlap.frames])
    here = _run([numbers[overlap.second][pair[1]].number for pair in overlap.frames])
    other = "another strip of this scan" if one == two else one
    if overlap.alike:
        message = (
            f"shows the same piece of film as {other}: frames {here} here are frames {there} "
            "there; take one of the two scans away to have each picture once"
        )
    else:
        message = (
            f"bears the same edge numbers as {other} with other pictures: frames {here} here, "
            f"{there} there; if these are two rolls, give each a folder of its own"
        )
    return ScanTrouble(two, message, "note")


def _run(numbers: Sequence[str]) -> str:
    return numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"


@dataclass(frozen=True)
class _Placed:
    """Where a strip lies: its film, its two ends along that and its frames, in frames."""

    film: str | None
    span: tuple[float, float]
    places: Float64


def _placed(strip: StripSurvey) -> _Placed | None:
    """Return where a strip lies on its film, None where its edge doesn't tell."""
    span, places = film_span(strip), frame_places(strip)
    if span is None or places is None:
        return None
    return _Placed(film_code(strip), span, places)


def _same_places(one: _Placed, two: _Placed) -> Pairs:
    """Return frames that lie at the same place of one film, if the strips overlap there."""
    over = min(one.span[1], two.span[1]) - max(one.span[0], two.span[0])
    if one.film != two.film or over <= _OVERLAP:
        return ()
    apart = np.abs(one.places[:, None] - two.places[None, :])
    pairs = []
    for index in range(apart.shape[0]):
        if apart.shape[1] and apart[index].min() < _SAME_PLACE:
            pairs.append((index, int(apart[index].argmin())))
    return tuple(pairs)


def _compared(strip: StripSurvey) -> Pictures:
    """Return (n, pixels) pictures of a strip's frames, of unit norm; nought where they are even."""
    rows = []
    for frame in strip.frames:
        density = np.asarray(frame.thumbnail, np.float32).mean(axis=2)
        small = cv2.resize(density, _COMPARED, interpolation=cv2.INTER_AREA)
        near = cv2.GaussianBlur(small, (0, 0), _NEAR_BLUR)
        detail = near - cv2.GaussianBlur(small, (0, 0), _TONES_BLUR)
        even = float(detail.std()) < _LEAST_DETAIL
        norm = float(np.linalg.norm(detail))
        rows.append(np.zeros(detail.size) if even else detail.ravel() / norm)
    return np.array(rows).reshape(len(rows), _COMPARED[0] * _COMPARED[1])


def _are_alike(one: Pictures, two: Pictures, pairs: Pairs) -> bool:
    """Tell whether the frames of an overlap show the same, or nothing that could differ."""
    likeness = [float(one[a] @ two[b]) for a, b in pairs if one[a].any() and two[b].any()]
    return not likeness or float(np.median(likeness)) > _ALIKE


def _flips(one: StripSurvey, two: StripSurvey) -> tuple[tuple[bool, bool], ...]:
    """Return how the second strip may lie against the first: left to right, top to bottom."""
    read = [strip.edge is not None and bool(strip.edge.codes) for strip in (one, two)]
    if all(read):
        return ((False, False),)
    return ((False, False), (True, True), (True, False), (False, True))


def _same_run(one: Pictures, two: Pictures, flips: Sequence[tuple[bool, bool]]) -> Pairs:
    """Return the frames of the longest run of pictures that both strips show, or none."""
    best: tuple[float, Pairs] = (0.0, ())
    for across, down in flips:
        turned = _flipped(two, across, down)
        likeness = one @ turned.T
        for pairs in _diagonals(len(one), len(two), across):
            shown = [pair for pair in pairs if one[pair[0]].any() and two[pair[1]].any()]
            if len(shown) < 2 or 2 * len(pairs) < min(len(one), len(two)):
                continue
            least = min(float(likeness[pair]) for pair in shown)
            inside = _most_like_neighbours(one, [pair[0] for pair in shown])
            if least > max(_SURELY_ALIKE, inside + _DISTINCT) and len(shown) + least > best[0]:
                best = (len(shown) + least, pairs)
    return best[1]


def _flipped(pictures: Pictures, across: bool, down: bool) -> Pictures:
    columns, rows = _COMPARED
    stack = pictures.reshape(len(pictures), rows, columns)
    stack = stack[:, :: -1 if down else 1, :: -1 if across else 1]
    return stack.reshape(len(pictures), rows * columns)


def _diagonals(count: int, other: int, reverse: bool) -> Iterator[Pairs]:
    """Yield the ways in which two runs of frames may lie beside each other."""
    for shift in range(1 - other, count):
        pairs = [(a, a - shift) for a in range(count) if 0 <= a - shift < other]
        yield tuple((a, other - 1 - b if reverse else b) for a, b in pairs)


def _most_like_neighbours(pictures: Pictures, frames: Sequence[int]) -> float:
    """Return the greatest likeness between different pictures of a run."""
    chosen = pictures[list(frames)]
    likeness = chosen @ chosen.T
    np.fill_diagonal(likeness, -1.0)
    return float(likeness.max())
