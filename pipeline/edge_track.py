"""The tracks of an edge barcode: found on a rebate by the clock, read module by module."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.edge_code import EdgeFormat, bits_of, fixed_places
from pipeline.edge_pattern import (
    FINE,
    QUIET,
    basis_of,
    blurred_clock,
    boxes,
    clock_terms,
    data_terms,
    likeliest_blur,
    places,
    to_misfit,
    without_drift,
)
from pipeline.kinds import Bits, Plane, Signal
from pipeline.rebate import SAMPLES_PER_MM, Rebate

# Correlation of the clock's pattern with a rebate, from which a place is looked at.
CLOCK_SEEN = 0.5
MODULE_STEP = 0.02
# Length over which the base is taken off before clocks are searched for: half a code.
EVEN_MM = 8.0
# Standard deviation of the absorptance over a code, less than which is no print at all.
LEAST_SPREAD = 0.01
SEARCH_BLUR = 0.25
# No true clock fits by more than this better one way than the other.
MOST_MARGIN = 0.25
# By how much a clock must fit better than the longer clock that begins or ends like it.
OVER_RIVAL = 0.03
# How far from where it was first seen the rows of a clock track are looked for.
TRACK_MM = 0.7
# Rows in which data are looked for below the middle of the clock, and height of a window.
DATA_FROM_MM, DATA_TO_MM, DATA_STEP_MM = 0.2, 1.3, 0.1
WINDOW_MM = 0.2


@dataclass(frozen=True)
class Clock:
    """A clock track as it lies on a rebate, in samples of the rebate.

    Attributes
    ----------
    x, y
        Column and row of its middle.
    module
        Columns a module, negative where the code runs to the left.
    blur
        Standard deviation of the blur, in modules.
    contrast
        Absorptance of its bars above the base between them.
    noise
        What the pattern leaves over, as a standard deviation in units of the contrast.
    match
        Correlation with the clock's pattern, at most 1.
    """

    x: float
    y: float
    module: float
    blur: float
    contrast: float
    noise: float
    match: float


@dataclass(frozen=True)
class Track:
    """A code read module by module.

    Attributes
    ----------
    clock
        Where it lies.
    data_y
        Row of the middle of the data track.
    direction_margin
        By how much the clock matches better in this direction than in the other, weighted by
        how well it matches at all.
    soft
        (modules,) bits of the data track: -0.5 clear base, +0.5 as dense as the clock's bars.
    windows
        (n, modules) the same, from each window of rows that shows the data track.
    signal
        (samples,) absorptance along the data track, in units of the clock's contrast.
    """

    clock: Clock
    data_y: float
    direction_margin: float
    soft: Signal
    windows: Signal
    signal: Signal


def find_tracks(
    rebate: Rebate, layout: EdgeFormat, rival: EdgeFormat | None = None
) -> tuple[Track, ...]:
    """Find and read all codes on a rebate, from left to right, in the direction that fits best.

    All codes of a rebate run in one direction; it is the one in which their clocks match better
    in total. Codes may still be wrong: single bits, or print that only looks like a code. Where
    a `rival` layout with a longer clock is given, places that its clock fits as well are left out.
    """
    plane = rebate.absorptance
    pairs = []
    for x, y, module in _clock_places(plane, layout):
        ahead = _fit_clock(plane, x, y, module, layout)
        back = _fit_clock(plane, x, y, -module, layout)
        if ahead is not None or back is not None:
            pairs.append((ahead, back))
    margins = [_margin(ahead, back) for ahead, back in pairs]
    runs_back = sum(margins) < 0.0
    tracks = []
    for pair, margin in zip(pairs, margins, strict=True):
        clock = pair[runs_back]
        if clock is not None and not (rival and _fits_rival(plane, clock, layout, rival)):
            track = _read_track(plane, clock, -margin if runs_back else margin, layout)
            if track is not None:
                tracks.append(track)
    return tuple(tracks)


def _fits_rival(plane: Plane, clock: Clock, layout: EdgeFormat, rival: EdgeFormat) -> bool:
    """Tell whether a longer clock fits about as well that begins or ends where this one does."""
    away = (len(rival.clock) - len(layout.clock)) / 2 * clock.module
    for x in (clock.x + away, clock.x - away):
        for module in (clock.module, -clock.module):
            longer = _fit_clock(plane, x, clock.y, module, rival)
            if longer is not None and longer.match > clock.match - OVER_RIVAL:
                return True
    return False


def _margin(ahead: Clock | None, back: Clock | None) -> float:
    """Return how much better a clock runs ahead than back, of little weight where it's unclear.

    Codes cut short fit badly either way, or one way not at all.
    """
    one, other = (0.0 if clock is None else clock.match for clock in (ahead, back))
    clear = max(one, other, 0.0) ** 4
    return float(np.clip(one - other, -MOST_MARGIN, MOST_MARGIN)) * clear


def expected_match(track: Track, bits: Bits, layout: EdgeFormat) -> float:
    """Return the correlation of a data track with what the given bits would look like."""
    pattern = basis_of(track.clock.blur, len(layout.data)) @ bits.astype(np.float64)
    return _correlation(track.signal, pattern)


def _clock_places(plane: Plane, layout: EdgeFormat) -> list[tuple[float, float, float]]:
    """Return column, row and module of the places that may hold a clock, left to right."""
    margin = int(SAMPLES_PER_MM)
    wide = cv2.copyMakeBorder(plane, 0, 0, margin, margin, cv2.BORDER_REPLICATE)
    flat = wide - cv2.blur(wide, (int(EVEN_MM * SAMPLES_PER_MM) | 1, 1))
    low, high = (mm * SAMPLES_PER_MM for mm in layout.module_mm)
    count = math.ceil(math.log(high / low) / MODULE_STEP) + 1
    score = np.full(flat.shape, -1.0, np.float32)
    best = np.zeros(flat.shape, np.float32)
    for module in np.geomspace(low, high, count):
        pattern = _drawn(module, layout)
        if pattern.shape[0] > flat.shape[0] or pattern.shape[1] > flat.shape[1]:
            continue
        match = np.nan_to_num(cv2.matchTemplate(flat, pattern, cv2.TM_CCOEFF_NORMED))
        top, left = pattern.shape[0] // 2, pattern.shape[1] // 2
        here = (slice(top, top + match.shape[0]), slice(left, left + match.shape[1]))
        np.copyto(best[here], module, where=match > score[here])
        np.maximum(score[here], match, out=score[here])
    # Where nothing varies, a correlation is left to rounding.
    size = (int(low * len(layout.clock)) | 1, 3)
    variance = cv2.blur(flat * flat, size) - cv2.blur(flat, size) ** 2
    np.copyto(score, -1.0, where=variance < LEAST_SPREAD**2)
    places: list[tuple[float, float, float]] = []
    apart = int(0.6 * layout.pitch_mm * SAMPLES_PER_MM)
    while True:
        y, x = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[y, x] < CLOCK_SEEN:
            return sorted(places)
        places.append((float(x - margin), float(y), float(best[y, x])))
        score[:, max(0, x - apart) : x + apart + 1] = -1.0


def _drawn(module: float, layout: EdgeFormat) -> Plane:
    """Return the mean of the clock's pattern and its mirror image, three rows high.

    It finds clocks that run either way alike; they differ in four modules only.
    """
    width = round(module * len(layout.clock))
    centre = (np.arange(width) - (width - 1) / 2) / module + len(layout.clock) / 2
    ahead = bits_of(layout.clock).astype(np.float64)
    row = boxes(centre, SEARCH_BLUR, len(layout.clock)) @ ((ahead + ahead[::-1]) / 2)
    return np.repeat(row[None, :], 3, axis=0).astype(np.float32)


def _along(plane: Plane, clock: tuple[float, float, float], rows: Signal, modules: int) -> Signal:
    """Return the mean of the plane's rows along a code, sampled `FINE` times a module."""
    return np.asarray(_lines_along(plane, clock, rows, modules).mean(axis=0), dtype=np.float64)


def _lines_along(
    plane: Plane, clock: tuple[float, float, float], rows: Signal, modules: int
) -> Plane:
    """Return the plane's rows (rows, samples) along a code, sampled `FINE` times a module."""
    x, y, module = clock
    column = x + (places(modules) - modules / 2) * module
    grid_x, grid_y = np.meshgrid(column, y + rows)
    seen = cv2.remap(
        plane,
        grid_x.astype(np.float32),
        grid_y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(seen, np.float32)


def _window() -> Signal:
    half = WINDOW_MM * SAMPLES_PER_MM / 2
    return np.linspace(-half, half, 3)


def _correlation(signal: Signal, pattern: Signal) -> float:
    modules = signal.size // FINE - 2 * QUIET
    one, other = without_drift(signal, modules), without_drift(pattern, modules)
    return float(one @ other / (np.linalg.norm(one) * np.linalg.norm(other) + 1e-12))


def _fit_clock(plane: Plane, x: float, y: float, module: float, layout: EdgeFormat) -> Clock | None:
    """Bring the clock's pattern to its best place, width and blur, or give up."""
    modules = len(layout.clock)
    blur = 0.28
    place = (x, y, module)
    for _ in range(4):
        signal = _along(plane, place, _window(), modules)
        shift, stretch, blur = _misfit(signal, layout, blur)
        if abs(shift) > 1.0 or abs(stretch) > 0.04:
            return None
        place = (place[0] + shift * place[2], y, place[2] * (1.0 + stretch))
    blurred = blurred_clock(layout.clock, blur)
    y = _middle_row(plane, place, blurred)
    signal = _along(plane, (place[0], y, place[2]), _window(), modules)
    terms, to_terms = clock_terms(layout.clock, blur)
    size = to_terms @ signal
    low, high = (mm * SAMPLES_PER_MM for mm in layout.module_mm)
    if size[0] <= 0.0 or not low * 0.97 <= abs(place[2]) <= high * 1.03:
        return None
    noise = float(np.std(signal - terms @ size) / size[0])
    match = _correlation(signal, blurred)
    return Clock(place[0], y, place[2], blur, float(size[0]), noise, match)


def _middle_row(plane: Plane, place: tuple[float, float, float], blurred: Signal) -> float:
    """Return the middle of the rows in which the clock's pattern is seen."""
    modules = blurred.size // FINE - 2 * QUIET
    offsets = np.arange(-TRACK_MM, TRACK_MM, 1.0 / SAMPLES_PER_MM) * SAMPLES_PER_MM
    flat = without_drift(blurred, modules)
    lines = _lines_along(plane, place, offsets, modules)
    seen = lines.astype(np.float64) @ flat
    weight = np.maximum(seen / seen.max() - 0.5, 0.0) if seen.max() > 0.0 else np.ones(seen.size)
    return place[1] + float(offsets @ weight / weight.sum())


def _misfit(signal: Signal, layout: EdgeFormat, blur: float) -> tuple[float, float, float]:
    """Return shift and stretch of the signal against the pattern, in modules, and the blur.

    One step of Gauss and Newton.
    """
    size, moved, spread = (to_misfit(layout.clock, blur) @ signal).tolist()
    best = likeliest_blur(signal, layout.clock)
    if size <= 0.0:
        return math.inf, math.inf, best
    return -moved / size, -spread / size, best


def _read_track(
    plane: Plane, clock: Clock, direction_margin: float, layout: EdgeFormat
) -> Track | None:
    """Read the data track below a clock, or nothing where no window shows its fixed bits."""
    modules, fixed = len(layout.data), fixed_places(layout)
    sign = np.where(bits_of(layout.data)[fixed], 1.0, -1.0)
    below = np.arange(DATA_FROM_MM, DATA_TO_MM, DATA_STEP_MM) * SAMPLES_PER_MM
    place = (clock.x, clock.y, clock.module)
    rows = (below[:, None] + _window()).ravel()
    lines = _lines_along(plane, place, rows, modules).reshape(len(below), -1, places(modules).size)
    signals = lines.mean(axis=1).astype(np.float64) / clock.contrast
    softs = _bits(signals, clock)
    agreement = (np.clip(softs[:, fixed], -0.5, 0.5) * sign).mean(axis=1)
    top = int(np.argmax(agreement))
    if agreement[top] <= 0.0:
        return None
    good = agreement >= 0.7 * agreement[top]
    first, last = top, top
    while first > 0 and good[first - 1]:
        first -= 1
    while last + 1 < good.size and good[last + 1]:
        last += 1
    signal = signals[first : last + 1].mean(axis=0)
    return Track(
        clock=clock,
        data_y=clock.y + float(below[first : last + 1].mean()),
        direction_margin=direction_margin,
        soft=_bits(signal[None], clock)[0],
        windows=softs[first : last + 1],
        signal=signal,
    )


def _bits(signals: Signal, clock: Clock) -> Signal:
    """Return the bits (n, modules) that explain signals through a clock's blur, about -0.5 to 0.5.

    Least squares with a pull to 0.5 as strong as the noise (Tikhonov), so that blur is undone
    only as far as the noise allows.
    """
    modules = signals.shape[1] // FINE - 2 * QUIET
    terms, products, half = data_terms(clock.blur, modules)
    pull = np.zeros(terms.shape[1])
    pull[:modules] = max((2.0 * clock.noise) ** 2, 0.02)
    solved = np.linalg.solve(products + np.diag(pull), terms.T @ (signals - half).T)
    return np.asarray(solved[:modules].T)
