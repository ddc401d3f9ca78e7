"""What the film's edge says of a strip: its codes, which way it lies, its frames' numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.edge_chain import EdgeChain, EdgeCode, read_chain
from pipeline.edge_code import EdgeFormat, frame_name, load_edge_format
from pipeline.edge_track import Clock
from pipeline.rebate import SAMPLES_PER_MM, Light, Rebate, cut_rebate

__all__ = [
    "EdgeCode",
    "EdgeReading",
    "number_at",
    "number_frames",
    "picture_phase",
    "position_at",
    "read_edge",
]

# Pixels a module below which nothing is read: two, the limit of zxing-cpp as measured.
LEAST_PX_PER_MODULE = 2.0
# Places along a code, in modules from its start: within the five dense modules that every clock
# starts with, and on the clear base before them.
DENSE_MODULES = (1.2, 3.8)
CLEAR_MODULES = (-5.0, -1.2)
# Half the height that is measured of the clock track.
CLOCK_HALF_MM = 0.12
# Beyond this the bars are as black as the scan gets, and their density is unknown.
MOST_DENSITY = 4.0
# Median distance of pictures, in frames, below which they don't count in whole frames: 36.3 mm,
# a picture of 36 mm and a hair.
WHOLE_FRAMES_APART = 0.955
# How far the median distance may be from a whole number of steps for counting by distances.
UNEVEN_STEPS = 0.12


@dataclass(frozen=True)
class EdgeReading:
    """All that the edges of a strip say.

    Attributes
    ----------
    codes, rejected
        Codes that passed every check, from left to right, and those that didn't.
    direction
        1 where the print stands on its feet, -1 where the strip must be turned by 180 degrees
        (after it is mirrored left to right, where `mirrored` is set too). 1 where nothing
        was read.
    mirrored
        Whether the strip was scanned from the side of the emulsion.
    frames_per_mm
        Frames a mm to the right, negative where numbers grow to the left; 0 where nothing
        was read.
    frame_at_left
        Place along the film, in frames, of the first column's centre; 0 where nothing was read.
    px_per_mm
        Scale of the strip as given.
    print_density
        (3,) density of the bars above the base beside them; None where it can't be measured.
    confidence
        0 where nothing was read, growing towards 1 with codes and clarity.
    """

    codes: tuple[EdgeCode, ...]
    rejected: tuple[EdgeCode, ...]
    direction: int
    mirrored: bool
    frames_per_mm: float
    frame_at_left: float
    px_per_mm: float
    print_density: NDArray[np.float64] | None
    confidence: float


def read_edge(
    light: Light,
    px_per_mm: float,
    top_row: float,
    bottom_row: float,
    layout: EdgeFormat | None = None,
) -> EdgeReading:
    """Read the barcodes on both edges of a straightened 135 strip.

    Parameters
    ----------
    light
        (h, w, 3) float32 linear light of a negative, its long axis horizontal.
    px_per_mm
        Scale, true to 3 percent; below about 4.3 nothing is read.
    top_row, bottom_row
        Rows of the film's edges in pixel centres, true to about 0.5 mm; they may lie outside
        the array.
    layout
        Layout of the print, by default the profile's.

    Raises
    ------
    ValueError
        When the array has another shape or type or is not finite, or scale or rows make no sense.
    """
    layout = load_edge_format() if layout is None else layout
    if light.ndim != 3 or light.shape[2] != 3 or 0 in light.shape:
        raise ValueError(f"light must have the shape (h, w, 3), not {light.shape}")
    if not np.issubdtype(light.dtype, np.floating):
        raise ValueError(f"light must be linear light in floating point, not {light.dtype}")
    if not (math.isfinite(px_per_mm) and px_per_mm > 0.0):
        raise ValueError(f"px_per_mm must be a positive number, not {px_per_mm}")
    if not (math.isfinite(top_row) and math.isfinite(bottom_row) and top_row < bottom_row):
        raise ValueError(f"top_row {top_row} must lie above bottom_row {bottom_row}")
    chains = []
    if px_per_mm * layout.module_mm[1] >= LEAST_PX_PER_MODULE:
        for row, on_bottom in ((bottom_row, True), (top_row, False)):
            rebate = cut_rebate(light, px_per_mm, row, on_bottom, layout)
            if rebate is not None:
                chains.append(read_chain(rebate, px_per_mm, layout))
    chains.sort(key=lambda chain: chain.strength, reverse=True)
    rejected = tuple(code for chain in chains for code in chain.rejected)
    if not chains or not chains[0].codes:
        return EdgeReading((), rejected, 1, False, 0.0, 0.0, px_per_mm, None, 0.0)
    rejected += tuple(code for chain in chains[1:] for code in chain.codes)
    return _reading(light, px_per_mm, chains[0], rejected, layout)


def position_at(reading: EdgeReading, x_px: float) -> float | None:
    """Return the place along the film, in frames, of a column; None where nothing was read."""
    if not reading.codes:
        return None
    return reading.frame_at_left + reading.frames_per_mm * x_px / reading.px_per_mm


def number_at(
    reading: EdgeReading,
    x_px: float,
    step: float = 1.0,
    centre_after_code: float | None = None,
) -> str | None:
    """Return the number of a single picture with its centre at a column.

    See `number_frames`, which numbers the pictures of a strip so that they count on.
    """
    return number_frames(reading, [x_px], step, centre_after_code)[0]


def number_frames(
    reading: EdgeReading,
    centres_px: Sequence[float],
    step: float | None = None,
    centre_after_code: float | None = None,
) -> tuple[str | None, ...]:
    """Return the numbers of a strip's pictures.

    Pictures that follow each other every 38 mm (or 19 mm, in half frames) get numbers that
    follow each other, however they overlap or drift against the film's numbers; a number is
    left out where there is room for a picture. All numbers of a strip are moved together to lie
    nearest to the film's. Pictures at other distances each get the nearest number, never twice
    the same.

    Parameters
    ----------
    centres_px
        Columns of the pictures' centres, in any order; the numbers come in the same order.
    step
        What numbers count in, in frames: 1.0, or 0.5 for half frames and for all formats whose
        pictures don't follow each other every 38 mm. By default it follows from the distances.
    centre_after_code
        How far the pictures' centres lie after the codes that name them, in frames: by default
        the middle of the usual range. Given for the whole roll (`picture_phase`), it keeps
        strips from disagreeing where pictures lie half-way between two numbers.

    Returns
    -------
    tuple
        Numbers as printed (`07`, `23A`, `00`); None where nothing was read, or where the
        film's edge has no number.
    """
    if not reading.codes or len(centres_px) == 0:
        return (None,) * len(centres_px)
    layout = load_edge_format()
    places = _places(reading, centres_px)
    step = _usual_step(places) if step is None else step
    after = _usual_phase(layout, step) if centre_after_code is None else centre_after_code
    order = np.argsort(places, kind="stable")
    sorted_steps = (places[order] - after) / step
    even = _evenly_apart(sorted_steps)
    counts = _counts(sorted_steps, even)
    first = round(float(np.median(sorted_steps - counts))) if even else round(sorted_steps[0])
    names = dict(zip(order.tolist(), (first + counts).tolist(), strict=True))
    return tuple(frame_name(layout, names[k] * step) for k in range(places.size))


def picture_phase(
    reading: EdgeReading, centres_px: Sequence[float], step: float | None = None
) -> float | None:
    """Return how far a strip's pictures lie after the codes that name them, in frames.

    It lies within half a step of the middle of the usual range; over the strips of a roll it
    hardly changes, as a camera keeps its distances (common practice, no source). None where
    nothing was read, or where the pictures' distance is no whole number of steps.
    """
    if not reading.codes or len(centres_px) == 0:
        return None
    places = np.sort(_places(reading, centres_px))
    step = _usual_step(places) if step is None else step
    usual = _usual_phase(load_edge_format(), step)
    steps = (places - usual) / step
    if not _evenly_apart(steps):
        return None
    offset = float(np.median(steps - _counts(steps, True)))
    return usual + (offset - round(offset)) * step


def _places(reading: EdgeReading, centres_px: Sequence[float]) -> NDArray[np.float64]:
    centres = np.asarray(centres_px, dtype=np.float64)
    if not np.isfinite(centres).all():
        raise ValueError("centres_px must be finite")
    return reading.frame_at_left + reading.frames_per_mm * centres / reading.px_per_mm


def _usual_step(places: NDArray[np.float64]) -> float:
    """Return 1.0 where pictures follow each other in whole frames, otherwise 0.5."""
    apart = np.diff(np.sort(places))
    whole = apart.size == 0 or (np.median(apart) >= WHOLE_FRAMES_APART and _evenly_apart(places))
    return 1.0 if whole else 0.5


def _usual_phase(layout: EdgeFormat, step: float) -> float:
    return layout.centre_after_code[0 if step >= 1.0 else 1]


def _evenly_apart(steps: NDArray[np.float64]) -> bool:
    """Tell whether pictures usually follow each other in whole steps."""
    apart = np.diff(np.sort(steps))
    usual = float(np.median(apart)) if apart.size else 1.0
    return abs(usual - round(usual)) <= UNEVEN_STEPS


def _counts(sorted_steps: NDArray[np.float64], even: bool) -> NDArray[np.intp]:
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


def _reading(
    light: Light,
    px_per_mm: float,
    chain: EdgeChain,
    rejected: tuple[EdgeCode, ...],
    layout: EdgeFormat,
) -> EdgeReading:
    """Put together what the better rebate says."""
    on_bottom = chain.rebate.on_bottom
    per_px, left = _fit(chain, px_per_mm, layout)
    return EdgeReading(
        codes=tuple(sorted(chain.codes, key=lambda code: code.x_px)),
        rejected=rejected,
        direction=1 if on_bottom else -1,
        # Data lie on the film's edge: upright print runs to the right along the lower rebate,
        # turned print to the left along the upper one.
        mirrored=chain.backwards == on_bottom,
        frames_per_mm=per_px * px_per_mm,
        frame_at_left=left,
        px_per_mm=px_per_mm,
        print_density=_print_density(light, chain, layout),
        confidence=chain.strength / (chain.strength + 0.5),
    )


def _fit(chain: EdgeChain, px_per_mm: float, layout: EdgeFormat) -> tuple[float, float]:
    """Return frames a pixel and the place of the first column, least squares over the codes."""
    x = np.array([code.x_px for code in chain.codes])
    number = np.array([code.number for code in chain.codes])
    per_px = 1.0 / (layout.codes_per_frame * layout.pitch_mm * px_per_mm)
    if chain.backwards:
        per_px = -per_px
    if x.size > 1:
        from_middle = x - x.mean()
        per_px = float(from_middle @ number / (from_middle @ from_middle))
    return per_px, float(number.mean() - per_px * x.mean())


def _print_density(
    light: Light, chain: EdgeChain, layout: EdgeFormat
) -> NDArray[np.float64] | None:
    """Return the median density of the clocks' widest bars above the base before them."""
    found = []
    for track in chain.tracks:
        clock = track.clock
        start = clock.x - len(layout.clock) / 2 * clock.module
        dense = _light_along(light, chain.rebate, clock, start, DENSE_MODULES)
        clear = _light_along(light, chain.rebate, clock, start, CLEAR_MODULES)
        if len(dense) and len(clear):
            # Upper quartile: letters may stand on the base, nothing is lighter than it.
            ratio = np.percentile(clear, 75, axis=0) / np.maximum(np.median(dense, axis=0), 1e-9)
            found.append(np.log10(np.maximum(ratio, 1e-9)))
    if not found:
        return None
    density = np.median(found, axis=0)
    return density if np.all(np.abs(density) < MOST_DENSITY) else None


def _light_along(
    light: Light, rebate: Rebate, clock: Clock, start: float, modules: tuple[float, float]
) -> NDArray[np.float64]:
    """Return (columns, 3): mean light over the middle of a clock track, between two places."""
    columns = sorted(rebate.strip_x(start + place * clock.module) for place in modules)
    left, right = (int(np.clip(round(c), 0, light.shape[1])) for c in columns)
    row = round(rebate.strip_y(clock.y))
    half = int(CLOCK_HALF_MM * SAMPLES_PER_MM * rebate.y_px_per_sample)
    part = light[max(0, row - half) : row + half + 1, left:right]
    return np.asarray(part.mean(axis=0) if part.size else np.empty((0, 3)), dtype=np.float64)
