"""Pieces of film that were scanned twice, and strips that are not of one roll."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.kinds import Float64
from pipeline.numbering.numbers import FrameNumber, film_code, film_span, frame_places
from pipeline.record import ScanTrouble
from pipeline.survey import StripSurvey

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
    found = []
    for first, second in itertools.combinations(range(len(strips)), 2):
        one, two = pictures[first], pictures[second]
        alike, pairs = True, _same_places(strips[first], strips[second])
        if pairs is None:
            pairs = _same_run(one, two)
        else:
            likeness = [float(one[a] @ two[b]) for a, b in pairs if one[a].any() and two[b].any()]
            alike = not likeness or float(np.median(likeness)) > _ALIKE
        if pairs:
            found.append(Overlap(first, second, pairs, alike))
    return tuple(found)


def film_notes(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[FrameNumber]]
) -> tuple[ScanTrouble, ...]:
    """Return what the user should know of pieces scanned twice and of strips of two films."""
    # A third scan of one piece is told once, not against both others.
    overlaps = {overlap.second: overlap for overlap in reversed(find_overlaps(strips))}
    notes = [_overlap_note(strips, numbers, overlaps[second]) for second in sorted(overlaps)]
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


def _same_places(one: StripSurvey, two: StripSurvey) -> Pairs | None:
    """Return frames at the same place of one film, none where strips don't overlap there.

    None where an edge doesn't tell where its strip lies.
    """
    spans, places = (film_span(one), film_span(two)), (frame_places(one), frame_places(two))
    if spans[0] is None or spans[1] is None or places[0] is None or places[1] is None:
        return None
    over = min(spans[0][1], spans[1][1]) - max(spans[0][0], spans[1][0])
    if film_code(one) != film_code(two) or over <= _OVERLAP or not len(places[1]):
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
