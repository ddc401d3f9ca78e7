"""Where steps of a wedge may lie in a picture: rows of parallel edges, at any angle."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.chart.wedge_edges import Edges, find_edges
from pipeline.kinds import Float64, Picture

# Edges of the picture that are left out, as a share of its shorter side.
_TRIM = 0.02
_BANDS = 18
LEAST_BAND_PX = 4
_MOST_ANGLES = 4


@dataclass(frozen=True)
class Row:
    """Edges in a turned picture, the rows between which they stand, and the way back."""

    edges: Edges
    top: int
    bottom: int
    picture: Picture
    to_turned: Float64


def angles_of(picture: Picture) -> Iterator[float]:
    """Yield angles (degrees) that edges of the picture run across, the likeliest first."""
    plane = cv2.GaussianBlur(picture.mean(axis=2), (0, 0), 1.2)
    across, down = (cv2.Scharr(plane, cv2.CV_32F, *way, scale=1 / 32) for way in ((1, 0), (0, 1)))
    size = np.hypot(across, down)
    strong = size > max(2.5 * float(np.median(size)), 0.002)
    turn = np.rad2deg(np.arctan2(down[strong], across[strong])) % 180.0
    counts = np.histogram(turn, bins=180, range=(0, 180), weights=size[strong])[0]
    smooth = np.convolve(np.tile(counts, 3), [1, 2, 3, 2, 1], mode="same")[180:360]
    yielded: list[float] = []
    for index in np.argsort(-smooth, kind="stable").tolist():
        if smooth[index] <= 0 or len(yielded) == _MOST_ANGLES:
            return
        angle = index + 0.5
        if all(abs((angle - other + 90) % 180 - 90) > 6 for other in yielded):
            yielded.append(angle)
            yield angle


def _turned(picture: Picture, angle_deg: float) -> tuple[Picture, Float64]:
    """Return a picture turned so that edges across an angle stand upright; not a number outside.

    The trimmed border of the picture is outside too.
    """
    rows, columns = picture.shape[:2]
    trim = max(1, round(_TRIM * min(rows, columns)))
    matrix = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), angle_deg, 1.0)
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], float)
    placed = corners @ matrix[:, :2].T + matrix[:, 2]
    low = placed.min(axis=0)
    matrix[:, 2] -= low
    size = tuple(int(side) for side in np.ceil(np.ptp(placed, axis=0)))
    inside = np.zeros((rows, columns), np.float32)
    inside[trim : rows - trim, trim : columns - trim] = 1.0
    mask = cv2.warpAffine(inside, matrix, size)
    turned = cv2.warpAffine(picture, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    turned[mask < 0.999] = np.nan
    return np.asarray(turned, np.float32), np.asarray(matrix, float)


def row_at(picture: Picture, angle_deg: float, least: int, line_px: int) -> Row | None:
    """Return the longest row of edges across an angle, the angle set right by the edges."""
    for last in (False, True):
        turned, matrix = _turned(picture, angle_deg)
        found = _bands(turned, least, line_px)
        if found is None:
            return None
        edges, top, bottom, lean = found
        if last or abs(lean) < 0.003:
            break
        angle_deg -= float(np.rad2deg(np.arctan(lean)))
    whole = find_edges(profile_of(turned, top, bottom), least, line_px) or edges
    return Row(whole, top, bottom, turned, matrix)


def profile_of(turned: Picture, top: int, bottom: int) -> Float64:
    """Return the mean density (w,) of rows of a turned picture; a column must be inside in all."""
    profile: Float64 = turned[top:bottom].mean(axis=2).astype(float).mean(axis=0)
    return profile


def _bands(turned: Picture, least: int, line_px: int) -> tuple[Edges, int, int, float] | None:
    """Return edges, the rows they go through, and how far they lean (columns a row)."""
    height = max(LEAST_BAND_PX, turned.shape[0] // _BANDS)
    tops = range(0, turned.shape[0] - height + 1, height)
    runs = [find_edges(profile_of(turned, top, top + height), least, line_px) for top in tops]
    lengths = [0 if run is None else len(run.places) for run in runs]
    if not lengths or max(lengths) == 0:
        return None
    # Of equally long runs, the one in the middle of them.
    longest = np.nonzero(np.array(lengths) == max(lengths))[0]
    seed = int(longest[len(longest) // 2])
    low = high = seed
    while low > 0 and _alike(runs[low], runs[low - 1]):
        low -= 1
    while high + 1 < len(runs) and _alike(runs[high], runs[high + 1]):
        high += 1
    kept = [run for run in runs[low : high + 1] if run is not None]
    edges = kept[seed - low]
    shifts = [_shift(edges, run) for run in kept]
    lean = float(np.polyfit(range(low, high + 1), shifts, 1)[0]) / height if high > low + 1 else 0.0
    return edges, low * height, (high + 1) * height, lean


def _alike(one: Edges | None, other: Edges | None) -> bool:
    """Tell whether two rows of edges are of one wedge: as far apart, at about the same places."""
    if one is None or other is None:
        return False
    close = abs(one.step_px / other.step_px - 1.0) < 0.08 and one.rising == other.rising
    return close and abs(_shift(one, other)) < 0.3 * one.step_px


def _shift(one: Edges, other: Edges) -> float:
    """Return how far the edges of the other lie to the right of those nearest to them."""
    off = other.places[:, None] - one.places[None, :]
    nearest = off[np.arange(len(off)), np.argmin(np.abs(off), axis=1)]
    return float(np.median(nearest))
