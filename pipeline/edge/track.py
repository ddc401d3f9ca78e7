"""Edge barcodes on a rebate: read by zxing-cpp, and their tracks fitted where they lie."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from pipeline.edge.code import bits_of
from pipeline.edge.rebate import SAMPLES_PER_MM, Rebate
from pipeline.kinds import Bits, Plane, Signal

# Pages for zxing-cpp, chosen by `tests.judged.edge`: a rebate blurred a little against noise,
# along and across the film, under amounts of an unsharp mask that undoes a scan's blur, and one
# of the rebate as it is; the mask's own blur; enlargements. Rebates are read in windows of rows,
# as print beside a code leads the library astray. It looks from the middle of a page outwards, and
# for data only below a clock it has seen: white above lays the middle where clocks are.
NOISE_BLUR_MM = (0.08, 0.1)
SHARPENED, SHARPENED_AS_IS = (0.0, 2.0, 6.0, 20.0), 10.0
MASK_BLUR_MM = (0.22, 0.11)
ENLARGED = (1, 2)
WINDOW_MM, WINDOW_STEP_MM = 2.2, 0.5
BESIDE_MM, ABOVE_MM = 2.0, 1.6
# Length over which base and bars are taken as even: fourteen modules, so that both are in it.
EVEN_MM = 6.0
# Absorptance of bars above the base, less than which is no print at all.
LEAST_CONTRAST = 0.01
# Samples a module in which a track is fitted, and modules of clear base on either side.
FINE, QUIET = 6, 1
# Blur of a scan, in modules (standard deviation), among which the clock decides.
BLURS = (0.12, 0.2, 0.28, 0.36, 0.44, 0.52, 0.6, 0.7)
USUAL_BLUR = 0.28
# How far from their densest row the rows of a track reach, and half the height that is fitted.
TRACK_MM, HALF_MM = 0.7, 0.1
# How far a code may lie from where it is looked for: modules, and share of its length.
MOST_SHIFT, MOST_STRETCH = 1.0, 0.04


@dataclass(frozen=True)
class Sighting:
    """A code as zxing-cpp reads it: its text, its middle column in samples of the rebate.

    `module` is how many columns a module takes, negative where the code runs to the left;
    `reads` in how many windows it was read alike.
    """

    text: str
    x: float
    module: float
    reads: int = 1


@dataclass(frozen=True)
class Track:
    """A code fitted to a rebate, in samples of the rebate.

    `x`, `y` are the middle of its clock track, `data_y` the middle row of its data track,
    `module` columns a module, negative where the code runs to the left; `blur` is a standard
    deviation in modules, `match` the lower of both tracks' correlations with what they should
    look like, at most 1.
    """

    x: float
    y: float
    data_y: float
    module: float
    blur: float
    match: float


def seen_codes(rebate: Rebate, modules: tuple[int, int]) -> list[Sighting]:
    """Return all that zxing-cpp reads on a rebate, either way round, right or wrong.

    `modules` are the lengths of codes with a number and without.
    """
    found: dict[tuple[str, bool, int], list[Sighting]] = {}
    for page, scale in _pages(rebate.absorptance):
        for code in zxingcpp.read_barcodes(
            page,
            formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DXFilmEdge),
            try_rotate=False,
            try_downscale=False,
            try_invert=False,
            # The page is stretched so that its middle grey parts base and bars.
            binarizer=zxingcpp.Binarizer.FixedThreshold,
        ):
            start, end = code.position.top_left.x, code.position.top_right.x
            x = (start + end + 1) / 2 / scale - 0.5 - BESIDE_MM * SAMPLES_PER_MM
            module = (end - start) / scale / modules["/" not in code.text]
            key = code.text, module < 0.0, round(x / (3.0 * SAMPLES_PER_MM))
            found.setdefault(key, []).append(Sighting(code.text, x, module))
    return [
        Sighting(
            alike[0].text,
            float(np.median([one.x for one in alike])),
            float(np.median([one.module for one in alike])),
            len(alike),
        )
        for alike in found.values()
    ]


def _pages(absorptance: Plane) -> Iterator[tuple[NDArray[np.uint8], int]]:
    """Return windows of a rebate as dark print on white, and by how much they are enlarged."""
    quiet = _blurred(absorptance, *NOISE_BLUR_MM)
    low, high = _levels(quiet)
    beside, above = round(BESIDE_MM * SAMPLES_PER_MM), round(ABOVE_MM * SAMPLES_PER_MM)
    rows = round(WINDOW_MM * SAMPLES_PER_MM)
    tops = range(0, max(1, len(absorptance) - rows + 1), round(WINDOW_STEP_MM * SAMPLES_PER_MM))
    planes = [*((quiet, amount) for amount in SHARPENED), (absorptance, SHARPENED_AS_IS)]
    for plane, amount in planes:
        sharp = plane + amount * (plane - _blurred(plane, *MASK_BLUR_MM))
        grey = 255.0 * (high - sharp) / (high - low)
        page = np.rint(np.clip(grey, 0.0, 255.0)).astype(np.uint8)
        page = np.pad(page, ((0, 0), (beside, beside)), constant_values=255)
        for scale in ENLARGED:
            large = cv2.resize(page, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
            for top in tops:
                window = large[top * scale : (top + rows) * scale]
                yield np.pad(window, ((above * scale, 0), (0, 0)), constant_values=255), scale


def _blurred(plane: Plane, along_mm: float, across_mm: float) -> Plane:
    along, across = along_mm * SAMPLES_PER_MM, across_mm * SAMPLES_PER_MM
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), along, sigmaY=across))


def _levels(quiet: Plane) -> tuple[Plane, Plane]:
    """Return absorptance of base and bars at each place, so that leaks and fading are evened."""
    size = (round(EVEN_MM * SAMPLES_PER_MM) | 1, 1)
    kernel = np.ones(size[::-1], np.uint8)
    low = cv2.blur(cv2.erode(quiet, kernel), size)
    high = cv2.blur(cv2.dilate(quiet, kernel), size)
    return np.asarray(low), np.asarray(np.maximum(high, low + LEAST_CONTRAST))


def fit_track(rebate: Rebate, x: float, module: float, clock: str, data: Bits) -> Track | None:
    """Fit a code's tracks to a rebate near a column; None where no clock lies near it."""
    plane, modules = rebate.absorptance, data.size
    rows, near = np.arange(len(plane)), np.linspace(-HALF_MM, HALF_MM, 3) * SAMPLES_PER_MM
    blur = USUAL_BLUR
    y = _rows_of(_lines(plane, x, module, rows, modules), clock, data, blur)[0]
    for _ in range(4):
        signal = _lines(plane, x, module, y + near, modules).mean(axis=0)
        shift, stretch, blur = _misfit(signal, clock, blur)
        if not (abs(shift) <= MOST_SHIFT and abs(stretch) <= MOST_STRETCH):
            return None
        x, module = x + shift * module, module * (1.0 + stretch)
    tracks = _rows_of(_lines(plane, x, module, rows, modules), clock, data, blur)
    match = min(
        _likeness(_lines(plane, x, module, row + near, modules).mean(axis=0), pattern)
        for row, pattern in zip(tracks, _patterns(clock, data, blur), strict=True)
    )
    return Track(x, *tracks, module, blur, match)


def _lines(plane: Plane, x: float, module: float, rows: NDArray[np.number], modules: int) -> Signal:
    """Return a plane's rows (rows, samples) along a code, sampled `FINE` times a module."""
    column = x + (_places(modules) - modules / 2) * module
    grid = np.meshgrid(column.astype(np.float32), rows.astype(np.float32))
    seen = cv2.remap(plane, *grid, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.float64)


def _patterns(clock: str, data: Bits, blur: float) -> tuple[Signal, Signal]:
    return _clock(clock, blur), np.asarray(_boxes(data.size, blur) @ data)


def _rows_of(lines: Signal, clock: str, data: Bits, blur: float) -> tuple[float, float]:
    """Return the middle rows of the clock and the data track in all rows along a code."""
    terms = np.column_stack([*_patterns(clock, data, blur), _drift(data.size)])
    amounts = np.linalg.solve(terms.T @ terms, terms.T @ lines.T)[:2]
    # Perforations are no track, but vary by more than thin print does.
    varied = np.linalg.norm(_flat(lines.T), axis=0) + LEAST_CONTRAST
    tops = np.argmax(amounts / varied, axis=1)
    return _middle(amounts[0], int(tops[0])), _middle(amounts[1], int(tops[1]))


def _middle(amounts: Signal, top: int) -> float:
    """Return the middle of the rows around one that show a track at least half as well."""
    reach = round(TRACK_MM * SAMPLES_PER_MM)
    rows = np.arange(max(0, top - reach), min(amounts.size, top + reach + 1))
    weight = np.clip(amounts[rows] / max(float(amounts[top]), 1e-9) - 0.5, 0.0, 0.6)
    return float(rows @ weight / weight.sum()) if weight.sum() > 0.0 else float(top)


def _misfit(signal: Signal, clock: str, blur: float) -> tuple[float, float, float]:
    """Return shift and stretch of a clock in a signal, in modules, and the likeliest blur.

    One step of Gauss and Newton.
    """
    size, moved, spread = (_to_misfit(clock, blur) @ signal).tolist()
    best = max(BLURS, key=lambda one: _likeness(signal, _clock(clock, one)))
    return (-moved / size, -spread / size, best) if size > 0.0 else (np.inf, np.inf, best)


def _likeness(signal: Signal, pattern: Signal) -> float:
    """Return the correlation of two signals along a code, whatever drifts along it."""
    one, other = _flat(signal), _flat(pattern)
    return float(one @ other / (np.linalg.norm(one) * np.linalg.norm(other) + 1e-12))


def _flat(signal: Signal) -> Signal:
    """Return a signal along a code less the base that drifts along it."""
    drift = _drift(len(signal) // FINE - 2 * QUIET)
    return np.asarray(signal - drift @ (drift.T @ signal))


@cache
def _places(modules: int) -> Signal:
    """Return where a code's samples lie, in modules from its first module's left border."""
    return (np.arange((modules + 2 * QUIET) * FINE) + 0.5) / FINE - QUIET


@cache
def _drift(modules: int) -> Signal:
    """Return a constant and a slope of unit length, for base that is not even along a code."""
    place = _places(modules) - modules / 2
    terms = np.stack([np.ones_like(place), place], axis=1)
    return np.asarray(terms / np.linalg.norm(terms, axis=0))


@cache
def _boxes(modules: int, blur: float) -> Signal:
    """Return (samples, modules): what each module, blurred, gives at each sample of a code."""
    from scipy.special import ndtr

    step = ndtr((_places(modules)[:, None] - np.arange(modules + 1)[None, :]) / blur)
    return np.asarray(step[:, :-1] - step[:, 1:])


@cache
def _clock(clock: str, blur: float) -> Signal:
    return np.asarray(_boxes(len(clock), blur) @ bits_of(clock))


@cache
def _to_misfit(clock: str, blur: float) -> Signal:
    """Return the matrix (3, n) that gives size, shift and stretch of a clock in a signal.

    The pattern, its derivative and its derivative times the distance from the middle are fitted
    to the signal (least squares).
    """
    pattern, modules = _clock(clock, blur), len(clock)
    slope = np.gradient(pattern, 1.0 / FINE)
    from_middle = _places(modules) - modules / 2
    terms = np.column_stack([pattern, slope, slope * from_middle, _drift(modules)])
    return np.asarray(np.linalg.pinv(terms)[:3])
