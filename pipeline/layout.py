"""Strips of film in a scan: outline, angle, scale and kind of film."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.film_format import FilmSize, film_sizes
from pipeline.illumination import Levels
from pipeline.strip_view import straighten

Light = NDArray[np.float32]
Mask = NDArray[np.bool_]
Corners = tuple[tuple[float, float], ...]

MM_PER_INCH = 25.4
_BASE_TOLERANCE = 0.10
_BASE_TINT_TOLERANCE = 0.05
_MOST_SKEW_DEG = 8.0
_CLIPPED_LIGHT = 0.97
_GATE_OVER_BASE = 1.5
_OPAQUE_OF_BASE = 0.004
_WIDTH_SLACK_MM = 1.4


@dataclass(frozen=True)
class Strip:
    """One strip of film in a proxy; all coordinates are proxy pixels, (0, 0) a pixel's centre.

    `outline` runs top-left, top-right, bottom-right, bottom-left with the film's long side left
    to right; `angle_deg` is the turn of that side against the proxy's nearer axis, clockwise
    positive; `film` is the kind of film; `whole_width` tells that both film edges are in view.
    """

    outline: Corners
    angle_deg: float
    vertical: bool
    px_per_mm: float
    scale_from: str
    film: FilmSize
    whole_width: bool
    perforated: bool


def base_mask(light: Light, levels: Levels) -> Mask:
    """Return where a proxy (h, w, 3) shows light like that of the film base, (h, w) bool."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    base = np.log10(np.asarray(levels.base_light, np.float32) - dark)
    off = np.log10(np.maximum(light - dark, 1e-6)) - base
    mean = off.mean(axis=2)
    tint = np.abs(off - mean[:, :, None]).max(axis=2)
    like: Mask = (np.abs(mean) < _BASE_TOLERANCE) & (tint < _BASE_TINT_TOLERANCE)
    return like


def _pieces(mask: Mask) -> list[tuple[NDArray[np.int32], float]]:
    """Return connected base-coloured areas as (n, 2) xy points with their areas, largest first."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    areas = stats[1:count, cv2.CC_STAT_AREA]
    if not len(areas):
        return []
    least = max(30.0, 0.01 * float(areas.max()))
    pieces = []
    for index in np.argsort(-areas, kind="stable"):
        if areas[index] < least:
            break
        left, top, width, height = stats[index + 1, :4]
        rows, columns = np.nonzero(labels[top : top + height, left : left + width] == index + 1)
        points = np.stack([columns + left, rows + top], axis=1).astype(np.int32)
        pieces.append((points, float(areas[index])))
    return pieces


def _lies_upright(pieces: list[tuple[NDArray[np.int32], float]], shape: tuple[int, int]) -> bool:
    """Tell whether the strips' long side runs down the scan rather than across it."""
    spans = [np.ptp(points, axis=0) + 1 for points, _ in pieces]
    longest = max(spans, key=lambda span: float(span.max()))
    if longest.max() > 1.25 * longest.min():
        return bool(longest[1] > longest[0])
    return shape[0] > 1.15 * shape[1]


def _skew_deg(points: NDArray[np.int32]) -> float:
    """Return the angle of a lying piece's long edges to the x axis, degrees clockwise."""
    (_, (width, height), angle) = cv2.minAreaRect(points)
    turned = angle if width >= height else angle - 90.0
    return float((turned + 45.0) % 90.0 - 45.0)


def _group(intervals: list[tuple[float, float]], widest: float) -> list[list[int]]:
    """Return indices of pieces whose spans across the film make one strip within `widest`."""
    order = sorted(range(len(intervals)), key=lambda index: intervals[index])
    groups: list[list[int]] = []
    low = high = 0.0
    for index in order:
        first, last = intervals[index]
        if groups and (max(high, last) - low <= widest or last <= high):
            groups[-1].append(index)
            high = max(high, last)
        else:
            groups.append([index])
            low, high = first, last
    return groups


def _edge_line(x: NDArray[np.float64], y: NDArray[np.float64], upper: bool) -> tuple[float, float]:
    """Return slope and intercept of the film edge through the outermost points of a strip."""
    slope, intercept = np.polyfit(x, y, 1) if len(x) > 2 else (0.0, float(np.median(y)))
    keep = np.ones(len(x), bool)
    for _ in range(8):
        rest = y - (slope * x + intercept)
        level = np.percentile(rest[keep], 35 if upper else 65)
        keep = np.abs(rest - level) < max(1.5, 1.5 * float(np.median(np.abs(rest - level))))
        if keep.sum() < 3:
            break
        slope, intercept = np.polyfit(x[keep], y[keep], 1)
    return float(slope), float(intercept)


def _envelope(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return x, highest and lowest y of the points, one column of pixels each."""
    columns = np.round(points[:, 0]).astype(int)
    columns -= columns.min()
    top = np.full(columns.max() + 1, np.inf)
    bottom = np.full(columns.max() + 1, -np.inf)
    np.minimum.at(top, columns, points[:, 1])
    np.maximum.at(bottom, columns, points[:, 1])
    seen = np.isfinite(top)
    x = np.nonzero(seen)[0] + np.round(points[:, 0]).min()
    return x.astype(float), top[seen], bottom[seen]


def _gate_like(light: Light, levels: Levels) -> Mask:
    """Return where light is that of the open gate: clipped like it, or well above the base."""
    if levels.gate_clipped:
        clipped: Mask = light.min(axis=2) > _CLIPPED_LIGHT
        return clipped
    dark = np.asarray(levels.illumination.dark, np.float32)
    relative = (light - dark) / (np.asarray(levels.base_light, np.float32) - dark)
    if levels.illumination.absolute:
        brighter: Mask = relative[:, :, 2] > _GATE_OVER_BASE
        return brighter
    lighter: Mask = relative.min(axis=2) > 1.3
    return lighter


def _is_film(light: Light, levels: Levels) -> Mask:
    """Return where a proxy shows neither open gate nor something opaque."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    relative = (light - dark) / (np.asarray(levels.base_light, np.float32) - dark)
    film: Mask = ~_gate_like(light, levels) & (relative.max(axis=2) > _OPAQUE_OF_BASE)
    return film


def _ends(film: Mask, top: float, bottom: float, start: float, end: float) -> tuple[float, float]:
    """Return the columns where film begins and ends, going on from the base-coloured part."""
    rows = slice(
        max(0, round(top + 0.1 * (bottom - top))), max(1, round(bottom - 0.1 * (bottom - top)))
    )
    share = film[rows].mean(axis=0)
    first, last = max(0, math.floor(start)), min(film.shape[1] - 1, math.ceil(end))
    while first > 0 and share[first - 1] > 0.5:
        first -= 1
    while last < film.shape[1] - 1 and share[last + 1] > 0.5:
        last += 1
    return float(first), float(last)


def _perforation_period(view: Light, levels: Levels) -> float | None:
    """Return the spacing of bright holes along a straight strip's edges in pixels, or None."""
    dark = np.asarray(levels.illumination.dark, np.float32)
    relative = (view - dark) / (np.asarray(levels.base_light, np.float32) - dark)
    holes = _gate_like(view, levels) | (relative.max(axis=2) < _OPAQUE_OF_BASE)
    height, width = holes.shape
    best = (0.0, None)
    for row in (*range(1, height // 4, 2), *range(height - height // 4, height - 1, 2)):
        signal = holes[row].astype(np.float64)
        share = signal.mean()
        if not 0.15 < share < 0.8:
            continue
        spectrum = np.abs(np.fft.rfft((signal - share) * np.hanning(width), 8 * width))
        low, high = int(8 * width / (0.25 * height)), int(8 * width / (0.1 * height))
        if high <= low or high >= len(spectrum):
            continue
        peak = low + int(np.argmax(spectrum[low:high]))
        strength = spectrum[peak] / (width * 0.5)
        if strength > max(best[0], 0.22):
            best = (strength, 8 * width / peak)
    return best[1]


def _scale(
    ppmm: float | None, scale_from: str, width_px: float, length_px: float, period_px: float | None
) -> tuple[float, str, FilmSize] | None:
    """Return pixels a millimetre, their origin and the kind of film, or None if nothing fits."""
    sizes = film_sizes()
    pitch = sizes["135"].perforation_pitch_mm or 1.0
    if ppmm is not None:
        for film in sizes.values():
            if film.least_visible_mm <= width_px / ppmm <= film.width_mm + _WIDTH_SLACK_MM:
                return ppmm, scale_from, film
        if scale_from == "option":
            return None
    if period_px is not None:
        return period_px / pitch, "perforations", sizes["135"]
    film = sizes["135"] if length_px > 4.6 * width_px else sizes["120"]
    return width_px / film.width_mm, "guess", film


def _turned(light: Light) -> Light:
    """Return an upright scan lying on its side: its top to the left, its left at the bottom."""
    return np.ascontiguousarray(np.rot90(light, 1))


def _from_turned(corners: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return xy of `_turned` in the pixels of the scan before, whose (h, w) is `shape`."""
    return np.stack([shape[1] - 1 - corners[:, 1], corners[:, 0]], axis=1)


def find_strips(
    light: Light, levels: Levels, px_per_mm: float | None, scale_from: str = "tag"
) -> tuple[Strip, ...]:
    """Return the strips of film in a proxy, top to bottom (left to right if they stand upright).

    Parameters
    ----------
    light
        Proxy (h, w, 3), linear light.
    levels
        Its gate, dark level and base.
    px_per_mm
        Pixels a millimetre in the proxy where the scan's tags or the user tell, else None; it
        is not used if no kind of film would have the strip's width.
    scale_from
        'tag' or 'option', whichever `px_per_mm` comes from.
    """
    mask = base_mask(light, levels)
    pieces = _pieces(mask)
    if not pieces:
        return ()
    shape = (light.shape[0], light.shape[1])
    upright = _lies_upright(pieces, shape)
    lying = _turned(light) if upright else light
    if upright:
        pieces = _pieces(_turned(mask.astype(np.float32)).astype(bool))
    skew = float(np.clip(_skew_deg(pieces[0][0]), -_MOST_SKEW_DEG, _MOST_SKEW_DEG))
    tangent = math.tan(math.radians(skew))
    centre = lying.shape[1] / 2
    spans = []
    for points, _ in pieces:
        level = points[:, 1] - tangent * (points[:, 0] - centre)
        spans.append((float(np.percentile(level, 0.5)), float(np.percentile(level, 99.5))))
    film = _is_film(lying, levels)
    found = []
    for group in _group(spans, _widest(spans, pieces, px_per_mm)):
        gathered = np.concatenate([pieces[index][0] for index in group]).astype(np.float64)
        strip = _strip(gathered, lying, film, levels, px_per_mm, scale_from)
        if strip is not None:
            found.append(strip)
    if not upright:
        return tuple(found)
    back = []
    for strip in found:
        corners = _from_turned(np.asarray(strip.outline), shape)
        outline = tuple((float(x), float(y)) for x, y in corners)
        back.append(
            Strip(
                outline,
                strip.angle_deg,
                True,
                strip.px_per_mm,
                strip.scale_from,
                strip.film,
                strip.whole_width,
                strip.perforated,
            )
        )
    return tuple(reversed(back))


def _widest(
    spans: list[tuple[float, float]],
    pieces: list[tuple[NDArray[np.int32], float]],
    px_per_mm: float | None,
) -> float:
    """Return the most that one strip can measure across, in pixels."""
    largest = spans[0][1] - spans[0][0]
    if px_per_mm is None:
        return 1.06 * max(last - first for first, last in spans)
    sizes = film_sizes()
    narrow = (sizes["135"].width_mm + _WIDTH_SLACK_MM) * px_per_mm
    wide = (sizes["120"].width_mm + _WIDTH_SLACK_MM) * px_per_mm
    if largest > narrow:
        return max(wide, 1.02 * largest)
    if largest > film_sizes()["135"].least_visible_mm * px_per_mm:
        return narrow
    # Rebates or gaps that hang together nowhere: as wide as their widest group of 135 allows.
    groups = _group(spans, narrow)
    widths = [max(spans[i][1] for i in g) - min(spans[i][0] for i in g) for g in groups]
    fits = max(widths) > sizes["135"].least_visible_mm * px_per_mm
    return narrow if fits else wide


def _strip(
    points: NDArray[np.float64],
    lying: Light,
    film: Mask,
    levels: Levels,
    px_per_mm: float | None,
    scale_from: str,
) -> Strip | None:
    """Return the strip that a group of base-coloured points belongs to, if it can be film."""
    x, top, bottom = _envelope(points)
    if len(x) < 8:
        return None
    upper, lower = _edge_line(x, top, upper=True), _edge_line(x, bottom, upper=False)
    slope = _common_slope(upper, lower, len(x))
    middle = float(x.mean())
    y_top = upper[0] * middle + upper[1] - 0.5
    y_bottom = lower[0] * middle + lower[1] + 0.5
    if y_bottom - y_top < 8:
        return None
    angle = math.degrees(math.atan(slope))
    turned = _sheared(film, slope, middle)
    start, end = _ends(turned, y_top, y_bottom, float(x.min()), float(x.max()))
    direction = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    normal = np.array([-direction[1], direction[0]])
    half = (y_bottom - y_top) / 2 * math.cos(math.radians(angle))
    centre = np.array([middle, (y_top + y_bottom) / 2])
    reach = [(edge - middle) / direction[0] for edge in (start, end)]
    corners = [
        centre + reach[0] * direction - half * normal,
        centre + reach[1] * direction - half * normal,
        centre + reach[1] * direction + half * normal,
        centre + reach[0] * direction + half * normal,
    ]
    outline = tuple((float(px), float(py)) for px, py in corners)
    view = straighten(lying, outline, 1.0)
    period = _perforation_period(view.light, levels)
    fitted = _scale(px_per_mm, scale_from, 2 * half, reach[1] - reach[0], period)
    if fitted is None:
        return None
    ppmm, origin, size = fitted
    whole = 2 * half / ppmm > size.width_mm - 0.8
    return Strip(outline, angle, False, ppmm, origin, size, whole, period is not None)


def _common_slope(upper: tuple[float, float], lower: tuple[float, float], length: int) -> float:
    """Return the slope both edges share; if they disagree, the flatter one is film, not holder."""
    if abs(upper[0] - lower[0]) * length < 3.0:
        return (upper[0] + lower[0]) / 2
    return min(upper[0], lower[0], key=abs)


def _sheared(film: Mask, slope: float, middle: float) -> Mask:
    """Return the mask with its columns shifted so that a line of `slope` lies level."""
    matrix = np.array([[1.0, 0.0, 0.0], [slope, 1.0, -slope * middle]])
    size = (film.shape[1], film.shape[0])
    moved = cv2.warpAffine(
        film.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    )
    return moved.astype(bool)
