"""Straightening: a tilted rectangle of pixels as an upright picture, resampled once."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Corners = tuple[tuple[float, float], ...]
Pixels = NDArray[np.generic]
Floats = NDArray[np.float32]
Matrix = NDArray[np.float64]

MARGIN_PX = 8
"""Pixels outside an outline that its picture draws on: half of the taps, and as many for tilt."""

_REACH = 4
# Kaiser's parameter: for eight taps this one errs least up to 0.3 cycles a pixel, where scans
# still hold detail; measured on exact waves, 8 to 20 dB less than the sinc window of Lanczos.
_KAISER_SHAPE = 5.5
_TERMS = 5
_NEGLIGIBLE_PX = 1 / 512
_BAND_ROWS = 64


def straightened(
    pixels: Pixels, outline: Corners, origin: tuple[float, float], size: tuple[int, int]
) -> Pixels:
    """Return the picture inside an outline, resampled once, in the type of its pixels.

    Parameters
    ----------
    pixels
        Window of a scan (h, w, channels): uint8, uint16 or float32 (other floats become that),
        finite.
    outline
        Corners of the picture in the scan, in its order: top-left, top-right, bottom-right,
        bottom-left; the picture may be turned and mirrored. Beyond the window its edge goes on.
    origin
        x and y of the window's first pixel in the scan.
    size
        Rows and columns of the picture.

    Raises
    ------
    ValueError
        The outline has no area.

    Notes
    -----
    Quarter turns and mirrors are exact, and so is a picture that lies on whole pixels. The rest
    is done in two passes, along rows, then along columns (Catmull and Smith, SIGGRAPH 1980, from
    memory), each with eight taps of a sinc under a Kaiser window, at exact places. A value stays
    within its two nearest samples, so that nothing rings beside a hard edge; only a crest that
    falls off on both sides may rise above them, by a quarter of the lesser fall, and a trough
    sink as much, but by no more than a quarter of its own light.
    """
    upright, matrix = _upright(pixels, _placed(outline, origin, size))
    whole = np.rint(matrix[:, 2])
    plain = np.column_stack([np.eye(2), whole])
    if _farthest(matrix - plain, size) < _NEGLIGIBLE_PX:
        first = (int(whole[1]), int(whole[0]))
        return np.ascontiguousarray(_cut(upright, first, size))
    return _two_passes(upright, matrix, size)


def _placed(outline: Corners, origin: tuple[float, float], size: tuple[int, int]) -> Matrix:
    """Return the (2, 3) way from a pixel of the picture, x and y, to the window's."""
    rows, columns = size
    corners = np.asarray(outline, float) - np.asarray(origin, float)
    right = (corners[1] - corners[0] + corners[2] - corners[3]) / (2 * columns)
    down = (corners[3] - corners[0] + corners[2] - corners[1]) / (2 * rows)
    middle = corners.mean(axis=0)
    start = middle - (columns - 1) / 2 * right - (rows - 1) / 2 * down
    return np.column_stack([right, down, start])


def _upright(pixels: Pixels, matrix: Matrix) -> tuple[Pixels, Matrix]:
    """Return a view of the pixels, turned and mirrored so that the picture lies nearly upright."""
    right, down = matrix[:, 0], matrix[:, 1]
    across = abs(right[0] * down[1]) < abs(right[1] * down[0])
    if across:
        pixels, matrix = pixels.swapaxes(0, 1), matrix[::-1]
    matrix = matrix.copy()
    for axis in (0, 1):
        if matrix[axis, axis] < 0:
            pixels = np.flip(pixels, 1 - axis)
            matrix[axis] = -matrix[axis]
            matrix[axis, 2] += pixels.shape[1 - axis] - 1
    if not matrix[0, 0] * matrix[1, 1] > 0:
        raise ValueError("the outline has no area")
    return pixels, matrix


def _farthest(difference: Matrix, size: tuple[int, int]) -> float:
    """Return the most that a map of places moves any pixel of a picture."""
    rows, columns = size
    corners = np.array([[x, y, 1] for x in (0, columns - 1) for y in (0, rows - 1)], float)
    return float(np.abs(corners @ difference.T).max())


def _cut(pixels: Pixels, first: tuple[int, int], size: tuple[int, int]) -> Pixels:
    """Return rows and columns from `first` on; beyond the pixels their edge goes on."""
    for axis in (0, 1):
        start, stop = first[axis], first[axis] + size[axis]
        if start >= 0 and stop <= pixels.shape[axis]:
            pixels = pixels[start:stop] if axis == 0 else pixels[:, start:stop]
            continue
        spans = np.clip(np.arange(start, stop), 0, pixels.shape[axis] - 1)
        pixels = pixels.take(spans, axis=axis)
    return pixels


def tap_terms() -> tuple[Floats, Floats]:
    """Return even and odd polynomials (4, terms), ascending, of the taps -3 to 0.

    For a place t from 0 to 1 between tap 0 and tap 1, with s = t - 1/2, the weight of tap -3 + i
    is ``even[i](s^2) + s odd[i](s^2)``, and that of tap 4 - i has the other sign between. They
    are fitted to a sinc under a Kaiser window, made to sum to 1, with an error below 1e-7.
    """
    middle = -0.5 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    reach = middle[:, None] + 0.5 - np.arange(1 - _REACH, _REACH + 1)
    inside = np.sqrt(np.maximum(1.0 - (reach / _REACH) ** 2, 0.0))
    weights = np.sinc(reach) * np.i0(_KAISER_SHAPE * inside)
    weights /= weights.sum(axis=1, keepdims=True)
    near, far = weights[:, :_REACH], weights[:, : _REACH - 1 : -1]
    powers = np.vander(middle**2, _TERMS, increasing=True)
    even = np.linalg.lstsq(powers, (near + far) / 2, rcond=None)[0].T
    odd = np.linalg.lstsq(powers * middle[:, None], (near - far) / 2, rcond=None)[0].T
    return np.ascontiguousarray(even, np.float32), np.ascontiguousarray(odd, np.float32)


def _two_passes(pixels: Pixels, matrix: Matrix, size: tuple[int, int]) -> Pixels:
    """Resample along rows, then along columns; of the first pass few rows are held at a time."""
    from pipeline.resample_kernel import along_columns, along_rows

    rows, columns = size
    (a, b, c), (d, e, f) = matrix.tolist()
    even, odd = tap_terms()
    kind = pixels.dtype if pixels.dtype.kind == "u" else np.dtype(np.float32)
    result = np.empty((rows, columns, pixels.shape[2]), kind)
    tall = int(abs(d) * columns + e * _BAND_ROWS) + 2 * _REACH + 4
    ring = np.empty((pixels.shape[2], tall, columns), np.float32)
    for band, wanted in _bands(size, d, e, f):
        if len(wanted):
            starts = b / e * (wanted - f) + c
            step = a - b * d / e
            block, starts = _planes(pixels, wanted, starts, step * (columns - 1))
            level = np.empty((block.shape[0], len(wanted), columns), np.float32)
            along_rows(block, level, starts, step - 1.0, even, odd)
            ring[:, wanted % tall] = level
        straight = np.empty((ring.shape[0], len(band), columns), np.float32)
        along_columns(ring, straight, e * band + f, d, even, odd)
        _put(result[band[0] : band[-1] + 1], straight)
    return result


def _bands(
    size: tuple[int, int], d: float, e: float, f: float
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Yield rows of the picture, and those of the pixels that they need and no band before.

    One more than needed at either end, against rounding.
    """
    rows, columns = size
    lean = d * (columns - 1)
    done = None
    for top in range(0, rows, _BAND_ROWS):
        band = np.arange(top, min(rows, top + _BAND_ROWS))
        first = int(np.floor(e * band[0] + f + min(0.0, lean))) - _REACH
        stop = int(np.floor(e * band[-1] + f + max(0.0, lean))) + _REACH + 2
        first = first if done is None else max(first, done)
        yield band, np.arange(first, stop)
        done = max(first, stop)


def _planes(
    pixels: Pixels, rows: NDArray[np.int64], starts: NDArray[np.float64], width: float
) -> tuple[Floats, NDArray[np.float64]]:
    """Return some rows as planes of floats (channels, n, w), and where their starts lie in them."""
    left = int(np.floor(starts.min())) - _REACH
    right = int(np.ceil(starts.max() + width)) + _REACH + 2
    block = _cut(pixels, (int(rows[0]), left), (len(rows), right - left))
    planes = np.ascontiguousarray(np.moveaxis(block, 2, 0), np.float32)
    return planes, starts - left


def _put(result: Pixels, planes: Floats) -> None:
    """Write planes of floats into pixels of their type, rounded and held to its range."""
    if result.dtype.kind == "u":
        np.rint(planes, out=planes)
        np.clip(planes, 0, 256**result.dtype.itemsize - 1, out=planes)
    result[...] = np.moveaxis(planes, 0, 2)
