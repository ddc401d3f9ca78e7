"""How a frame lies in its scan: turned by quarters, mirrored, and then nearly upright."""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Corners, Float64, Matrix, Pixels, Point, Span, as_matrix

NEGLIGIBLE_PX = 1 / 512
"""Less than this, no pixel needs to be moved."""

FLAT = (0.0, 0.0, 1.0)
"""Last row of a homography that only moves, turns, scales and shears."""

# More than rounding, where a picture lies midway between upright and across.
_SURELY = 1.0 - 1e-9


@dataclass(frozen=True)
class Upright:
    """Pixels turned by quarters and mirrored so that a picture on them lies nearly upright.

    Rows and columns change places first if `across`, then `flip_rows` and `flip_columns` turn
    their order. `height` and `width` are those of the upright pixels; `matrix` is the way from a
    pixel of the picture, (x, y, 1), to theirs: a homography. `columns_first` tells that columns
    are resampled before rows.
    """

    across: bool
    flip_rows: bool
    flip_columns: bool
    height: int
    width: int
    matrix: Matrix
    columns_first: bool = False

    def view(self, pixels: Pixels) -> Pixels:
        """Return pixels as stored (h, w, channels) upright, without copying them."""
        if self.across:
            pixels = pixels.swapaxes(0, 1)
        if self.flip_rows:
            pixels = np.flip(pixels, 0)
        return np.flip(pixels, 1) if self.flip_columns else pixels

    def stored(self, rows: Span, columns: Span) -> tuple[Span, Span]:
        """Return the rows and columns as stored of a window of the upright pixels."""
        rows, columns = self._flipped(rows, columns)
        return (columns, rows) if self.across else (rows, columns)

    def window(self, rows: Span, columns: Span) -> tuple[Span, Span]:
        """Return the rows and columns of the upright pixels of a window as stored."""
        return self._flipped(*((columns, rows) if self.across else (rows, columns)))

    def _flipped(self, rows: Span, columns: Span) -> tuple[Span, Span]:
        if self.flip_rows:
            rows = (self.height - rows[1], self.height - rows[0])
        if self.flip_columns:
            columns = (self.width - columns[1], self.width - columns[0])
        return rows, columns


def upright(
    outline: Corners, origin: Point, size: Span, stored: Span, columns_first: bool = False
) -> Upright:
    """Return how to turn pixels, `stored` rows and columns, so that a picture lies upright.

    A picture that is turned by a quarter is resampled `columns_first`, so that it has the same
    pixels as without the turn.

    Raises
    ------
    ValueError
        The outline has no area.
    """
    flat = _placed(outline, origin, size)
    across = _lies_across(flat, columns_first)
    width, height = (stored[0], stored[1]) if across else (stored[1], stored[0])
    order = [1, 0] if across else [0, 1]
    lies = [flat[order[axis], axis] for axis in (0, 1)]
    if not abs(lies[0] * lies[1]) > 0:
        raise ValueError("the outline has no area")
    matrix = _aslant(outline, origin, size)
    matrix = np.vstack([flat, FLAT])[[*order, 2]] if matrix is None else matrix[[*order, 2]]
    flips = []
    for axis, side in enumerate((width, height)):
        flips.append(bool(lies[axis] < 0))
        if flips[-1]:
            matrix[axis] = (side - 1) * matrix[2] - matrix[axis]
    way = as_matrix(matrix)
    return Upright(across, flips[1], flips[0], height, width, way, columns_first)


def _lies_across(flat: Float64, columns_first: bool) -> bool:
    """Tell whether a picture's rows lie along the columns of the pixels.

    Midway between both, a picture lies as it does without the turn.
    """
    straight, crossed = abs(flat[0, 0] * flat[1, 1]), abs(flat[1, 0] * flat[0, 1])
    if columns_first:
        return not crossed < straight * _SURELY
    return bool(straight < crossed * _SURELY)


def _aslant(outline: Corners, origin: Point, size: Span) -> Float64 | None:
    """Return the homography that takes a picture to its outline, None for a parallelogram.

    Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989, 2.2.3 (from memory): the
    unit square's way to four corners.
    """
    corners = np.asarray(outline, float) - np.asarray(origin, float)
    twist = corners[0] - corners[1] + corners[2] - corners[3]
    if np.abs(twist).max() < 4 * NEGLIGIBLE_PX:
        return None
    towards = np.column_stack([corners[1] - corners[2], corners[3] - corners[2]])
    g, h = np.linalg.solve(towards, twist).tolist()
    right = corners[1] - corners[0] + g * corners[1]
    down = corners[3] - corners[0] + h * corners[3]
    square = np.column_stack([right, down, corners[0]])
    rows, columns = size
    to_square = [[1 / columns, 0, 0.5 / columns], [0, 1 / rows, 0.5 / rows], [0, 0, 1]]
    whole = np.vstack([square, [g, h, 1.0]]) @ np.array(to_square)
    return np.asarray(whole / whole[2, 2])


def _placed(outline: Corners, origin: Point, size: Span) -> Float64:
    """Return the (2, 3) way from a pixel of the picture, x and y, to the window's."""
    rows, columns = size
    corners = np.asarray(outline, float) - np.asarray(origin, float)
    right = (corners[1] - corners[0] + corners[2] - corners[3]) / (2 * columns)
    down = (corners[3] - corners[0] + corners[2] - corners[1]) / (2 * rows)
    middle = corners.mean(axis=0)
    start = middle - (columns - 1) / 2 * right - (rows - 1) / 2 * down
    return np.column_stack([right, down, start])
