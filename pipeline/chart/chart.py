"""A 24-patch chart in a picture of densities."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.chart.grid import Grid, even_patches, find_grids
from pipeline.chart.match import best_match, chart_layout, chart_places, light_fall
from pipeline.chart.plane_map import PlaneMap, map_through
from pipeline.kinds import MIDDLE_GREY, Float32, Float64, Picture

_LONG_SIDE_PX = 400
# Share of a patch that is read, about its middle.
_READ_SHARE = 0.5
# Shares of the darkest and lightest pixels of a patch that are left out, as dust may be.
_LEFT_OUT = 0.2
# What the chart accounts for in patches that are no chart, at most, and on a clear one.
_CHANCE, _CLEAR = 0.8, 0.96
_LEAST_SEEN = 10
_LEAST_STEP_PX = 5.0
_NEUTRALS = slice(18, 24)
# Grain in a small picture is alike over about so many pixels.
_GRAIN_PX = 4.0
_MOST_GRAIN = 2.0


@dataclass(frozen=True)
class ChartReading:
    """A 24-patch chart as read; arrays are in chart order, brown first, greys in the last row.

    `densities` (24, 3) are above base, `spread` (24, 3) the standard deviation inside each patch;
    `corners` (4, 2) are the outer corners of the corner patches in the picture's pixels: dark
    brown's, turquoise's, black's, white's. `confidence` is 0 to 1: how certain it is that this
    is the chart, this way round; 1 is nearly so. `rounding` (24, 3) is one standard deviation of
    what the file rounds each density by, None where it does not.
    """

    densities: Float64
    corners: Float64
    spread: Float64
    confidence: float
    rounding: Float64 | None = None


def find_chart(density_above: Picture) -> ChartReading | None:
    """Return the chart in a picture of density above base (h, w, 3), or None if none is seen.

    It may lie any way round, mirrored, and at an angle; which way follows from its densities,
    as far as they are the same on all colour negative films.
    """
    small = reduced(density_above)
    if not np.isfinite(small).all() or min(small.shape[:2]) < 4 * _LEAST_STEP_PX:
        return None
    grids = find_grids(even_patches(small))
    found = [on_grid for grid in grids if (on_grid := _on_grid(small, grid)) is not None]
    explained, corners = max(found, key=lambda each: each[0], default=(0.0, np.empty(0)))
    confidence = _confidence(explained)
    if confidence == 0.0:
        return None
    # Pixel centres of the small picture lie between those of the large one.
    factor = np.array(density_above.shape[1::-1]) / np.array(small.shape[1::-1])
    return _read(density_above, (corners + 0.5) * factor - 0.5, confidence)


def reduced(picture: Picture) -> Float32:
    """Return a picture (h, w, 3) no longer than 400 pixels, by the mean of what each covers."""
    scale = min(1.0, _LONG_SIDE_PX / max(picture.shape[:2]))
    small = np.ascontiguousarray(picture, np.float32)
    if scale == 1.0:
        return small
    size = tuple(max(1, round(side * scale)) for side in picture.shape[1::-1])
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.float32)


def read_chart(density_above: Picture, corners: Float64) -> ChartReading:
    """Return the chart in a picture of density above base (h, w, 3) by its corners.

    These are the outer corners (4, 2) of the chart's corner patches in pixels, one after the other
    around the chart; which is brown's follows from the densities.
    """
    corners = np.asarray(corners, float)
    readings = []
    for start in range(4):
        turned = np.roll(corners, -start, axis=0)
        for way in (turned, turned[[1, 0, 3, 2]]):
            reading = _read(density_above, way, 0.0)
            match = best_match(reading.densities)
            as_is = match is not None and bool((np.diff(match.order) == 1).all())
            readings.append((match.explained if match and as_is else -1.0, reading))
    explained, reading = max(readings, key=lambda item: item[0])
    return replace(reading, confidence=_confidence(explained))


def _confidence(explained: float) -> float:
    return float(np.clip((explained - _CHANCE) / (_CLEAR - _CHANCE), 0.0, 1.0))


def _on_grid(picture: Picture, grid: Grid) -> tuple[float, Float64] | None:
    """Return how well a grid's best 6 x 4 places fit the chart, and the chart's corners."""
    middle = np.median(grid.cells, axis=0)
    step = grid.to_picture(middle + np.array([[0, 0], [1, 0], [0, 1]]))
    step_px = min(np.hypot(*(step[1] - step[0])), np.hypot(*(step[2] - step[0])))
    if step_px < _LEAST_STEP_PX:
        return None
    reach = max(1, round(0.15 * step_px))
    smooth = cv2.blur(picture, (2 * reach + 1, 2 * reach + 1))
    found: list[tuple[float, Float64]] = []
    for places in _windows(grid):
        at = grid.to_picture(places)
        if (at > -0.5).all() and (at < np.array(picture.shape[1::-1]) - 0.5).all():
            columns, rows = np.rint(at).astype(int).T
            match = best_match(smooth[rows, columns].astype(float))
            if match is not None:
                found.append((match.explained, places[match.order]))
    if not found:
        return None
    explained, places = max(found, key=lambda each: each[0])
    return explained, _outer(places, grid)


def _windows(grid: Grid) -> Iterator[Float64]:
    """Yield the places (24, 2) of each 6 x 4 part of a grid, either way, that shows enough."""
    low, high = grid.cells.min(axis=0), grid.cells.max(axis=0)
    # As wide a rim of empty cells as places may reach beyond the grid.
    rim = max(chart_layout().columns, chart_layout().rows)
    cells = grid.cells.astype(int) - low.astype(int) + rim
    there = np.zeros((high - low).astype(int) + 1 + 2 * rim, bool)
    there[tuple(cells.T)] = True
    enough = max(_LEAST_SEEN, 0.6 * min(int(there.sum()), 24))
    for turned in (False, True):
        base = chart_places()[:, ::-1] if turned else chart_places()
        wide, tall = base.max(axis=0).astype(int) + 1
        columns = np.arange(low[0] - wide + 2, high[0])
        rows = np.arange(low[1] - tall + 2, high[1])
        starts = np.stack(np.meshgrid(columns, rows, indexing="ij"), axis=-1).reshape(-1, 1, 2)
        places = base + starts
        across, down = np.moveaxis((places - low + rim).astype(int), -1, 0)
        yield from places[there[across, down].sum(axis=1) >= enough]


def _outer(places: Float64, grid: Grid) -> Float64:
    """Return the outer corners of the corner patches, by all patches' places in chart order."""
    layout = chart_layout()
    grid = grid.within(places)
    corner = places[[0, layout.columns - 1, -1, -layout.columns]]
    centre = places.mean(axis=0)
    outwards = np.sign(corner - centre) * layout.patch_share / 2
    return np.asarray(grid.to_picture(corner + outwards), float)


def _to_picture(corners: Float64) -> PlaneMap:
    """Return the map from columns and rows of the chart to the picture's pixels."""
    layout = chart_layout()
    half = layout.patch_share / 2
    right, foot = layout.columns - 1 + half, layout.rows - 1 + half
    outer = np.array([[-half, -half], [right, -half], [right, foot], [-half, foot]])
    found = map_through(outer, corners)
    if found is None:
        raise ValueError("a chart's corners lie in one place")
    return found


def _read(picture: Picture, corners: Float64, confidence: float) -> ChartReading:
    to_picture = _to_picture(corners)
    means, spreads = [], []
    reach = chart_layout().patch_share * _READ_SHARE / 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * reach
    for place in chart_places():
        pixels = _pixels(picture, to_picture(place + square))
        means.append(middle_mean(pixels))
        spreads.append(pixels.std(axis=0))
    return ChartReading(np.array(means), corners, np.array(spreads), confidence)


def _pixels(picture: Picture, outline: Float64) -> Float64:
    """Return the pixels (n, 3) inside an outline, at least the one in its middle."""
    size = np.array(picture.shape[1::-1])
    low = np.clip(np.floor(outline.min(axis=0)).astype(int), 0, size - 1)
    high = np.clip(np.ceil(outline.max(axis=0)).astype(int), 0, size - 1)
    part = picture[low[1] : high[1] + 1, low[0] : high[0] + 1].astype(float)
    mask = np.zeros(part.shape[:2], np.uint8)
    # Sixteenths of a pixel; filled outlines take in the pixels that they touch.
    points = np.rint((outline - low) * 16).astype(np.int32)
    cv2.fillConvexPoly(mask, points, 1, shift=4)
    if not mask.any():
        x, y = np.clip(np.rint(outline.mean(axis=0)).astype(int) - low, 0, high - low)
        mask[y, x] = 1
    pixels: Float64 = part[mask.astype(bool)]
    return pixels


def middle_mean(pixels: Float64) -> Float64:
    """Return the mean (3) of pixels (n, 3), the least and greatest of each channel left out."""
    cut = int(_LEFT_OUT * len(pixels))
    ordered = np.sort(pixels, axis=0)
    mean: Float64 = ordered[cut : len(ordered) - cut].mean(axis=0)
    return mean


def grey_steps(chart: ChartReading) -> tuple[Float64, Float64, Float64]:
    """Return log10 exposure (6, 3), density (6, 3) and standard error (6, 3) of a chart's greys.

    Log10 exposure 0 is middle grey in the same light. That light falls off along the row is seen
    by all patches together, and taken out: half a stop of it would change slopes by a tenth.
    """
    logs = chart_layout().neutral_log_exposure - math.log10(MIDDLE_GREY)
    error = patch_error(chart)[_NEUTRALS]
    return logs, chart.densities[_NEUTRALS] - _fall(chart.densities), error


def patch_error(chart: ChartReading) -> Float64:
    """Return one standard deviation of what each density (24, 3) is wrong by.

    Grain is averaged out over a patch. What a patch is more uneven by than grain can be, which
    differs less than twofold over a film, is a shine or dirt on it, or its edge: that stays. So
    does what the file rounds: compression takes grain away and leaves patches even, but wrong.
    """
    area = cv2.contourArea(chart.corners.astype(np.float32)) / 24.0
    side = math.sqrt(max(area, 1.0)) * _READ_SHARE * chart_layout().patch_share
    grain = chart.spread / math.sqrt(max(side * side / _GRAIN_PX, 1.0))
    beyond = np.maximum(chart.spread - _MOST_GRAIN * np.median(chart.spread, axis=0), 0.0)
    rounding = 0.0 if chart.rounding is None else chart.rounding
    error: Float64 = np.sqrt(grain**2 + beyond**2 + rounding**2)
    return error


def _fall(densities: Float64) -> Float64:
    """Return how much denser the light makes each of the six greys (6, 3)."""
    span = np.ptp(densities[_NEUTRALS], axis=0)
    # How film mixes the colours of red and orange patches looks like a fall to the red channel.
    share = light_fall(densities)[1:] / np.maximum(span[1:], 1e-3)
    columns = np.arange(6) - 2.5
    fall: Float64 = columns[:, None] * float(share.mean()) * span
    return fall
