"""The compiled loops that resample rows and columns; importing them loads the compiler."""

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Places = NDArray[np.float64]
Taps = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]
Function = TypeVar("Function", bound=Callable[..., object])

_CHUNK = 512
_SHARE_OF_FALL = 0.25
_PASS = (
    "void(float32[:,:,::1], float32[:,:,::1], float64[::1], float64, float32[:,::1],"
    " float32[:,::1])"
)


def _compiled(
    signature: str | None = None, *, fast: bool = False
) -> Callable[[Function], Function]:
    """Compile a function; without a signature, into those that call it.

    What is compiled is kept beside this file, else in the user's folder, where either can be
    written to. `fast` allows sums in any order, and takes all numbers to be finite.
    """

    def compile_it(function: Function) -> Function:
        made: Any
        try:
            made = numba.njit(signature, nogil=True, cache=True, fastmath=fast)(function)
        except (RuntimeError, OSError):  # Neither folder can be written to, or it is full.
            made = numba.njit(signature, nogil=True, fastmath=fast)(function)
        return cast(Function, made)

    return compile_it


@_compiled(fast=True)
def _weigh(
    weights: Floats, count: int, first: float, slope: float, even: Floats, odd: Floats
) -> None:
    """Fill (8, count) with the weights of the taps at first, first + slope, and so on."""
    terms = even.shape[1]
    for pair in range(4):
        for place in range(count):
            middle = np.float32(first + slope * place) - np.float32(0.5)
            square = middle * middle
            same, opposite = even[pair, terms - 1], odd[pair, terms - 1]
            for term in range(terms - 2, -1, -1):
                same = same * square + even[pair, term]
                opposite = opposite * square + odd[pair, term]
            weights[pair, place] = same + opposite * middle
            weights[7 - pair, place] = same - opposite * middle


@_compiled(fast=True)
def _mix(taps: Taps, weights: Floats, count: int, result: Floats) -> None:
    """Fill `result` with the weighted sums of eight taps, held to what the nearest allow."""
    none, share = np.float32(0.0), np.float32(_SHARE_OF_FALL)
    for place in range(count):
        before, left, right, after = (
            taps[2][place],
            taps[3][place],
            taps[4][place],
            taps[5][place],
        )
        value = (
            weights[0, place] * taps[0][place]
            + weights[1, place] * taps[1][place]
            + weights[2, place] * before
            + weights[3, place] * left
            + weights[4, place] * right
            + weights[5, place] * after
            + weights[6, place] * taps[6][place]
            + weights[7, place] * taps[7][place]
        )
        low, high = min(left, right), max(left, right)
        rise = max(min(left - before, right - after), none)
        # Light is never negative: a trough of two dark samples is not much darker than they are.
        dip = max(min(min(before - left, after - right), low), none)
        result[place] = max(min(value, high + share * rise), low - share * dip)


@_compiled()
def _stretch(place: int, columns: int, start: float, slope: float, whole: int) -> int:
    """Return where the whole part of ``start + slope * place`` changes next, or a chunk ends."""
    stop = min(columns, place + _CHUNK)
    if slope > 0.0:
        return min(stop, max(place + 1, math.ceil((whole + 1 - start) / slope)))
    if slope < 0.0:
        return min(stop, max(place + 1, math.floor((whole - start) / slope) + 1))
    return stop


@_compiled(_PASS)
def along_rows(
    source: Floats, result: Floats, starts: Places, slope: float, even: Floats, odd: Floats
) -> None:
    """Resample each row: place u of row r is at ``starts[r] + (1 + slope) u`` of the source.

    Parameters
    ----------
    source
        Planes (channels, n, w); all places, with their taps, lie inside.
    result
        Planes (channels, n, columns), filled.
    starts, slope
        Places in pixels, as above.
    even, odd
        The taps' weights, as `resample.tap_terms` returns them.
    """
    weights = np.empty((8, _CHUNK), np.float32)
    channels, rows, columns = result.shape
    for row in range(rows):
        place = 0
        while place < columns:
            offset = starts[row] + slope * place
            whole = math.floor(offset)
            stop = _stretch(place, columns, starts[row], slope, whole)
            _weigh(weights, stop - place, offset - whole, slope, even, odd)
            for channel in range(channels):
                line = source[channel, row, place + whole - 3 :]
                taps = (
                    line,
                    line[1:],
                    line[2:],
                    line[3:],
                    line[4:],
                    line[5:],
                    line[6:],
                    line[7:],
                )
                _mix(taps, weights, stop - place, result[channel, row, place:])
            place = stop


@_compiled(_PASS)
def along_columns(
    ring: Floats, result: Floats, starts: Places, slope: float, even: Floats, odd: Floats
) -> None:
    """Resample each column: place u of row r is at row ``starts[r] + slope u`` of the source.

    Parameters
    ----------
    ring
        Planes (channels, n, columns) that hold row y of the source as their row y modulo n.
    result
        Planes (channels, rows, columns), filled.
    starts, slope, even, odd
        As for `along_rows`.
    """
    weights = np.empty((8, _CHUNK), np.float32)
    channels, rows, columns = result.shape
    held = ring.shape[1]
    for row in range(rows):
        place = 0
        while place < columns:
            offset = starts[row] + slope * place
            whole = math.floor(offset)
            stop = _stretch(place, columns, starts[row], slope, whole)
            _weigh(weights, stop - place, offset - whole, slope, even, odd)
            first = whole - 3
            for channel in range(channels):
                lines = ring[channel, :, place:]
                taps = (
                    lines[first % held],
                    lines[(first + 1) % held],
                    lines[(first + 2) % held],
                    lines[(first + 3) % held],
                    lines[(first + 4) % held],
                    lines[(first + 5) % held],
                    lines[(first + 6) % held],
                    lines[(first + 7) % held],
                )
                _mix(taps, weights, stop - place, result[channel, row, place:])
            place = stop
