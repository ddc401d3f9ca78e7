"""Pieces of film that were scanned twice, and strips that are not of one roll."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64, Floats
from pipeline.numbering.numbers import FrameNumber, film_code, film_span, frame_places
from pipeline.record import ScanTrouble
from pipeline.survey import StripSurvey

Pairs = tuple[tuple[int, int], ...]
Span = tuple[float, float]

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
# By how much a run of pictures must be more like the other run than like its neighbours in it.
_DISTINCT = 0.15
# Of a picture's cosine transform, down and across: its coarse detail, a sixteenth of the figures.
_COARSE = (8, 12)
# Strips whose pictures are held in full at a time.
_HELD = 64


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
    """Return for each strip the first one before it that it lies over, or shows the pictures of.

    Strips with edge numbers of one film overlap where their places do by more than half a frame.
    Of strips without, a run of pictures must be alike one by one, more than with its neighbours.
    A third scan of one piece is told once, not against both others.
    """
    spans = [film_span(strip) for strip in strips]
    compared = lru_cache(_HELD)(lambda at: _compared(strips[at]))

    def overlap(first: int, second: int) -> Overlap | None:
        one, two = compared(first), compared(second)
        alike = True
        if spans[first] is None or spans[second] is None:
            pairs = _same_run(one, two)
        else:
            pairs = _same_places(strips[first], strips[second])
            likeness = [float(one[a] @ two[b]) for a, b in pairs if one[a].any() and two[b].any()]
            alike = not likeness or float(np.median(likeness)) > _ALIKE
        return Overlap(first, second, pairs, alike) if pairs else None

    found = []
    coarse = (_coarse(compared(at)) for at in range(len(strips)))
    for second, firsts in enumerate(_near(strips, spans, coarse)):
        overlaps = (overlap(first, second) for first in firsts)
        found += list(islice(filter(None, overlaps), 1))
    return tuple(found)


def _near(
    strips: Sequence[StripSurvey], spans: Sequence[Span | None], coarse: Iterator[Floats]
) -> Iterator[list[int]]:
    """Yield for each strip those before it that may overlap it: few, however long the roll."""
    owners = np.repeat(np.arange(len(strips)), [len(strip.frames) for strip in strips])
    every = np.empty((len(owners), _COARSE[0] * _COARSE[1]), np.float32)
    codes = np.array([film_code(strip) or "" for strip in strips])
    starts, ends = np.array([span or (np.nan, np.nan) for span in spans]).reshape(-1, 2).T
    for at, own in enumerate(coarse):
        every[owners == at] = own
        over = np.minimum(ends[:at], ends[at]) - np.maximum(starts[:at], starts[at])
        placed = (codes[:at] == codes[at]) & (over > _OVERLAP)
        before = owners[owners < at]
        shown = before[_may_be_alike(every[: len(before)], own)]
        # Where both edges were read, they alone tell.
        seen = np.isin(np.arange(at), shown) & np.isnan(over)
        yield np.flatnonzero(placed | seen).tolist()


def film_notes(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[FrameNumber]]
) -> tuple[ScanTrouble, ...]:
    """Return what the user should know of pieces scanned twice and of strips of two films."""
    notes = [_overlap_note(strips, numbers, overlap) for overlap in find_overlaps(strips)]
    films: dict[str, dict[str, None]] = {}
    for strip in strips:
        code = film_code(strip)
        if code is not None:
            films.setdefault(code, {})[strip.scan.path.name] = None
    if len(films) > 1:
        listed = "; ".join(f"{code} in {', '.join(names)}" for code, names in films.items())
        message = (
            f"the strips are of {len(films)} films by the codes on their edges ({listed}), "
            "yet one colour is found for all: give each film a folder of its own"
        )
        notes.append(ScanTrouble(next(iter(next(iter(films.values())))), message, "note"))
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


def _same_places(one: StripSurvey, two: StripSurvey) -> Pairs:
    """Return the frames at the same place of one film, of strips whose edges tell their places."""
    places = frame_places(one), frame_places(two)
    if places[0] is None or places[1] is None or not len(places[1]):
        return ()
    apart = np.abs(places[0][:, None] - places[1])
    return tuple((at, int(row.argmin())) for at, row in enumerate(apart) if row.min() < _SAME_PLACE)


def _compared(strip: StripSurvey) -> Float64:
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


def _coarse(pictures: Float64) -> Floats:
    """Return (n, figures) the coarse detail of pictures (n, pixels), as parts of their norm."""
    rows, columns = _COARSE
    stack = np.float32(pictures).reshape(-1, *_COMPARED[::-1])
    parts = [cv2.dct(each)[:rows, :columns].ravel() for each in stack]
    return np.array(parts, np.float32).reshape(len(parts), rows * columns)


def _may_be_alike(coarse: Floats, own: Floats) -> NDArray[np.bool_]:
    """Return (n,) which pictures (n, figures) may be alike to one of (m, figures), as turned.

    None is left out that is: what is alike in full lies as near, or nearer, in part. A picture
    that is mirrored changes the sign of every second figure of its cosine transform.
    """
    down, across = (np.arange(count) % 2 for count in _COARSE)
    turns = [(-1.0) ** (a * down[:, None] + b * across) for a in (0, 1) for b in (0, 1)]
    turned = np.concatenate([own * np.float32(turn).ravel() for turn in turns])
    # Even pictures are of no norm, and show nothing.
    turned = turned[turned.any(axis=1)]
    apart = (turned**2).sum(axis=1) - 2.0 * (coarse @ turned.T)
    nearest = (coarse**2).sum(axis=1) + apart.min(axis=1, initial=np.inf)
    may_be: NDArray[np.bool_] = coarse.any(axis=1) & (nearest < 2.0 - 2.0 * _SURELY_ALIKE)
    return may_be


def _same_run(one: Float64, two: Float64) -> Pairs:
    """Return the frames of the longest run of pictures that both strips show, or none.

    The second strip may lie any way round against the first.
    """
    within = one @ one.T
    np.fill_diagonal(within, -1.0)
    best: tuple[float, Pairs] = (0.0, ())
    for across, down in itertools.product((False, True), repeat=2):
        turned = _turned(two, across, down)
        likeness = one @ turned.T
        if likeness.max(initial=0.0) <= _SURELY_ALIKE:
            continue
        for shift in range(1 - len(two), len(one)):
            run = range(max(0, shift), min(len(one), len(two) + shift))
            shown = [at for at in run if one[at].any() and turned[at - shift].any()]
            if len(shown) < 2 or 2 * len(run) < min(len(one), len(two)):
                continue
            least = min(float(likeness[at, at - shift]) for at in shown)
            neighbours = float(within[np.ix_(shown, shown)].max())
            if least > max(_SURELY_ALIKE, neighbours + _DISTINCT) and len(shown) + least > best[0]:
                places = range(len(two))[:: -1 if across else 1]
                best = len(shown) + least, tuple((at, places[at - shift]) for at in run)
    return best[1]


def _turned(pictures: Float64, across: bool, down: bool) -> Float64:
    """Return a strip's pictures (n, pixels), in order, as they show when it is put in so."""
    stack = pictures.reshape(len(pictures), *_COMPARED[::-1])
    step = -1 if across else 1
    stack = stack[::step, :: -1 if down else 1, ::step]
    return stack.reshape(pictures.shape)
