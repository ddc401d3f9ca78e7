"""Tools to paint scenes with: noise, ridges, glows, polygons, all float32 linear light."""

from collections.abc import Sequence

import cv2
import numpy as np

from .geometry import Pixels

Size = tuple[int, int]
RGB = tuple[float, float, float]


def noise(
    rng: np.random.Generator,
    size: Size,
    octaves: int,
    first: int = 3,
    stretch: float = 1.0,
    rough: float = 0.5,
) -> Pixels:
    """Return cloud-like noise, 0 to 1; stretch > 1 draws it out sideways, rough feeds detail."""
    height, width = size
    total = np.zeros(size, np.float32)
    for octave in range(octaves):
        cells = first * 2**octave
        grid_cells = (cells + 1, max(2, round(cells * width / height / stretch)))
        cell_values = rng.random(grid_cells, dtype=np.float32)
        total += cv2.resize(cell_values, (width, height), interpolation=cv2.INTER_CUBIC) * (
            np.float32(rough**octave)
        )
    return (total - total.min()) / max(float(np.ptp(total)), 1e-6)


def colour(*rgb: float) -> Pixels:
    """Return a colour as an array."""
    return np.array(rgb, np.float32)


def mix(lower: Pixels, upper: Pixels, share: Pixels) -> Pixels:
    """Lay one picture or colour over another by a mask (h, w); outside it nothing is computed."""
    if lower.shape[:-1] != share.shape:
        return lower + (upper - lower) * share[..., None]
    mixed = lower.astype(np.result_type(lower, upper, share))
    rows, columns = (np.flatnonzero(share.any(axis=axis)) for axis in (1, 0))
    if rows.size:
        part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        over = upper[part] if upper.shape[:2] == share.shape else upper
        mixed[part] += (over - lower[part]) * share[part][..., None]
    return mixed


def grid(size: Size) -> tuple[Pixels, Pixels]:
    """Return x (0 to the aspect) and y (0 to 1, downwards) of every pixel."""
    height, width = size
    y = np.linspace(0, 1, height, dtype=np.float32)[:, None] * np.ones((1, width), np.float32)
    x = np.linspace(0, width / height, width, dtype=np.float32)[None, :] * np.ones(
        (height, 1), np.float32
    )
    return x, y


def glow(size: Size, x0: float, y0: float, radius: float) -> Pixels:
    """Return a round glow, 1 at its centre."""
    x, y = grid(size)
    return np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / np.float32(2 * radius**2))


def ridge(rng: np.random.Generator, width: int, roughness: float) -> Pixels:
    """Return the line of a ridge over the width, about -0.5 to 0.5."""
    line = np.zeros(width, np.float32)
    for octave, cells in enumerate((3, 6, 12, 25, 60, 140)):
        knots = rng.random((1, cells), dtype=np.float32) - np.float32(0.5)
        line += cv2.resize(knots, (width, 1), interpolation=cv2.INTER_CUBIC)[0] * np.float32(
            roughness**octave
        )
    return line


def polygon(size: Size, points: Sequence[tuple[float, float]]) -> Pixels:
    """Return the mask of a polygon in grid coordinates, its edges smooth."""
    mask = np.zeros(size, np.uint8)
    corners = np.rint(np.asarray(points) * (size[0] - 1) * 16).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def leaf(
    picture: Pixels,
    places: tuple[Pixels, Pixels],
    at: tuple[float, float],
    turn: float,
    long: float,
    paint: Pixels,
) -> None:
    """Paint a leaf into a picture; places is its grid, turn in radians, long half its length."""
    x, y = places
    rows = picture.shape[0]
    reach = round(long * rows) + 2
    row, column = round(at[1] * rows), round(at[0] * rows)
    part = (
        slice(max(row - reach, 0), max(row + reach, 0)),
        slice(max(column - reach, 0), max(column + reach, 0)),
    )
    along = (x[part] - at[0]) * np.cos(turn) + (y[part] - at[1]) * np.sin(turn)
    across = (y[part] - at[1]) * np.cos(turn) - (x[part] - at[0]) * np.sin(turn)
    shape = np.clip((1 - (along / long) ** 2 - (across / long / 0.36) ** 2) * 4, 0, 1)
    vein = 1 + 0.5 * np.exp(-((across / 0.003) ** 2))
    picture[part] = mix(picture[part], paint * vein[..., None], shape)


def box(size: Size, x0: float, y0: float, x1: float, y1: float) -> Pixels:
    """Return the mask of an upright rectangle."""
    return polygon(size, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def sky(
    rng: np.random.Generator,
    size: Size,
    upper: RGB,
    lower: RGB,
    horizon: float,
    cloud: RGB = (0.92, 0.92, 0.93),
    cover: float = 0.5,
) -> Pixels:
    """Paint a sky with clouds down to a horizon (and on below it)."""
    _, y = grid(size)
    picture = mix(colour(*upper), colour(*lower), np.clip(y / horizon, 0, 1))
    shape = noise(rng, size, 6, 3, 2.2, 0.55)
    return mix(picture, colour(*cloud), np.clip((shape - 1 + cover) * 3.2, 0, 1) * 0.9)


def mirrored_below(
    picture: Pixels, line: float, rng: np.random.Generator, dimmer: float = 0.55
) -> Pixels:
    """Return the picture with everything below a line replaced by a rippled reflection."""
    size: Size = picture.shape[0], picture.shape[1]
    x, y = grid(size)
    ripple = noise(rng, size, 6, 10, 5.0, 0.6) - np.float32(0.5)
    depth = np.maximum(y - line, 0)
    source_y = (line - depth + ripple * depth * 0.5) * (size[0] - 1)
    source_x = x * (size[0] - 1) + ripple * depth * size[0] * 0.10
    seen = cv2.remap(
        picture.astype(np.float32),
        source_x.astype(np.float32),
        source_y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    water = seen * np.float32(dimmer) + colour(0.010, 0.020, 0.024)
    water *= (1 + 0.7 * ripple)[..., None]
    return np.where((y > line)[..., None], water, picture)
