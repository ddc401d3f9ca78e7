"""Numbers of pictures by the film's edge: each bears the one that it lies over."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.edge.code import frame_name, load_edge_format
from pipeline.edge.reading import EdgeReading
from pipeline.kinds import Float64

# How far the median distance may be from a whole number of steps for counting by distances.
UNEVEN_STEPS = 0.12


def position_at(reading: EdgeReading, x_px: float) -> float | None:
    """Return the place along the film, in frames, of a column; None where no number was read."""
    if not reading.numbered:
        return None
    return reading.frame_at_left + reading.frames_per_mm * x_px / reading.px_per_mm


def number_frames(
    reading: EdgeReading, centres_px: Sequence[float], step: float
) -> tuple[str | None, ...]:
    """Return the numbers of a strip's pictures as printed (`07`, `23A`, `00`).

    Pictures that follow each other every 38 mm (or 19 mm, in half frames) get numbers that follow
    each other, however they overlap or drift against the film's numbers; a number is left out where
    there is room for a picture. All numbers of a strip are moved together to lie nearest to the
    film's. Pictures at other distances each get the nearest number, never twice the same. None
    where nothing was read, or where the film's edge has no number.

    `centres_px` are columns of the pictures' centres, in any order, which the numbers keep. `step`
    is what numbers count in, in frames: 1.0, or 0.5 for half frames and for all formats whose
    pictures don't follow each other every 38 mm.
    """
    if not reading.numbered or len(centres_px) == 0:
        return (None,) * len(centres_px)
    layout = load_edge_format()
    steps = number_steps(reading, centres_px, step)
    return tuple(frame_name(layout, number * step) for number in steps)


def number_steps(
    reading: EdgeReading,
    centres_px: Sequence[float],
    step: float,
    centre_after_code: float | None = None,
) -> tuple[int, ...]:
    """Return the numbers of a strip's pictures as `number_frames` does, counted in steps from 0.

    `centre_after_code` is how far the pictures' centres lie after the codes that name them, in
    frames: by default the middle of the usual range. Given for the whole roll (`picture_phase`),
    it keeps strips from disagreeing where pictures lie half-way between two numbers.

    Raises ValueError when the reading has no numbers, or a centre is not finite.
    """
    if not reading.numbered:
        raise ValueError("the film's edge tells no numbers here")
    places = _places(reading, centres_px)
    after = _usual_phase(step) if centre_after_code is None else centre_after_code
    order = np.argsort(places, kind="stable")
    sorted_steps = (places[order] - after) / step
    even = _evenly_apart(sorted_steps)
    counts = _counts(sorted_steps, even)
    first = round(float(np.median(sorted_steps - counts))) if even else round(sorted_steps[0])
    numbers = dict(zip(order.tolist(), (first + counts).tolist(), strict=True))
    return tuple(numbers[k] for k in range(places.size))


def picture_phase(reading: EdgeReading, centres_px: Sequence[float], step: float) -> float | None:
    """Return how far a strip's pictures lie after the codes that name them, in frames.

    It lies within half a step of the middle of the usual range; over the strips of a roll it
    hardly changes, as a camera keeps its distances (common practice, no source). None where
    nothing was read, or where the pictures' distance is no whole number of steps.
    """
    if not reading.numbered or len(centres_px) == 0:
        return None
    places = np.sort(_places(reading, centres_px))
    usual = _usual_phase(step)
    steps = (places - usual) / step
    if not _evenly_apart(steps):
        return None
    offset = float(np.median(steps - _counts(steps, True)))
    return usual + (offset - round(offset)) * step


def _places(reading: EdgeReading, centres_px: Sequence[float]) -> Float64:
    centres = np.asarray(centres_px, dtype=np.float64)
    if not np.isfinite(centres).all():
        raise ValueError("centres_px must be finite")
    return reading.frame_at_left + reading.frames_per_mm * centres / reading.px_per_mm


def _usual_phase(step: float) -> float:
    return load_edge_format().centre_after_code[0 if step >= 1.0 else 1]


def _evenly_apart(steps: Float64) -> bool:
    """Tell whether pictures usually follow each other in whole steps."""
    apart = np.diff(np.sort(steps))
    usual = float(np.median(apart)) if apart.size else 1.0
    return abs(usual - round(usual)) <= UNEVEN_STEPS


def _counts(sorted_steps: Float64, even: bool) -> NDArray[np.intp]:
    """Return how far each picture counts on from the first.

    Counts follow the distances, so that a gap of another width stays one step; where distances
    are no whole steps, they follow the places, or they would run away from the film's numbers.
    """
    apart = np.diff(sorted_steps)
    counts = np.zeros(sorted_steps.size, dtype=np.intp)
    origin = round(sorted_steps[0])
    for k in range(1, sorted_steps.size):
        room = apart[k - 1] if even else sorted_steps[k] - origin - counts[k - 1]
        counts[k] = counts[k - 1] + max(1, round(float(room)))
    return counts
