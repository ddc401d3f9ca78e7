"""Evidence for frames: what a straightened strip shows, column by column."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import channel_mean, median, percentiles
from pipeline.frame.bridge import without_bridges
from pipeline.frame.gate import coherent_steps
from pipeline.frame.seam import seams
from pipeline.frame.veil import BAR_SPREAD, MOST_VEIL, bands, clear_rebate, veil
from pipeline.kinds import Float32, Light, Mask, Plane, Row
from pipeline.profile import FilmSize, formats_on

_EMPTY_DENSITY = 0.003
_SPECK_DENSITY = 0.05
# Density above base that tells rows of pictures, and above which most of them is more than base.
_BAND_DENSITY, _LEAST_THIN = 0.25, 0.03
# A hair is longer, and fills less of a square of its length; a round light fills 0.79.
_THREAD_MM, _THREAD_FILLS = 1.0, 0.35
# Gaps under a veil: how far rows agree on their edges, and how wide they are.
_BAR_STEP = 0.6
_WIDEST_BAR_MM = 8.0
NARROW_PX = 5
"""From fall to rise in fewer pixels, no base shows that is free of blur."""
# So far must rows agree on the edges of such a bar.
_NARROW_STEP = 0.9
# No camera's pictures are shorter than this, as a share of their height across the film.
_LEAST_PICTURE = 0.6
# The film's end is cut, and blurred, over so many pixels.
_CUT_PX = 3


@dataclass(frozen=True)
class Evidence:
    """What a strip's view shows, column by column.

    `busy` is the share of the image's height that is denser than base, `outside` marks columns
    that are no film, `covered` those under a holder's bar, `density` is the median density above
    base over the image's height, `step` (one longer) how far all rows agree on growing denser
    between two columns (-1 to 1), `seam` (one longer) the share of rows whose steepest step lies
    there, `bars` the columns (first, one past the last) between such steps that are base in every
    row or too narrow to tell, `lift` the mean density over the image's height and `row_lift` that
    of each row over the columns, `specks` the share of bare film beside the pictures that is denser
    than base (dust), `flat` (h, w) the density above base with veils taken off and `noise` its
    deviation on the base, `rebate_density` the same over the rebates; `top`, `bottom` bound the
    image across the film; `ends_covered` tells whether a holder covers what follows on the left and
    on the right; `double_mm` is how far from the film its double lies, along and across it.
    """

    busy: Row
    outside: Mask
    covered: Mask
    density: Row
    least_density: Row
    rebate_density: Row
    step: Row
    seam: Row
    bars: tuple[tuple[int, int], ...]
    lift: Row
    row_lift: Row
    specks: float
    flat: Plane
    noise: float
    top: float
    bottom: float
    px_per_mm: float
    ends_covered: tuple[bool, bool] = (False, False)
    double_mm: tuple[float, float] = (0.0, 0.0)


def _crossing(profile: Row, inside: int, step: int, level: float) -> float | None:
    """Return where a profile falls through `level`, going from `inside` by `step`."""
    index = inside
    while 0 <= index + step < len(profile):
        here, there = profile[index], profile[index + step]
        if there < level <= here:
            return index + step * float((here - level) / max(here - there, 1e-9))
        index += step
    return None


def _rows_share(mean: Plane, most: float) -> Row:
    """Return the mean of each row (h,) of density above base (h, w), held to `most`, of that."""
    share: Row = np.clip(mean, 0.0, most).mean(axis=1).astype(float) / most
    return share


def find_band(above: Light, film: FilmSize, px_per_mm: float) -> tuple[float, float]:
    """Return the rows between which the pictures of a strip lie (first and last edge, pixels).

    Parameters
    ----------
    above
        Density above base (h, w, 3) of the strip's view.
    film
        Kind of film, which gives the image's height.
    px_per_mm
        Scale of the view.
    """
    mean = channel_mean(above)
    share = _rows_share(mean, _BAND_DENSITY)
    height = film.image_across_mm * px_per_mm
    total = len(share)
    if height >= total - 2:
        return -0.5, total - 0.5
    whole = round(height)
    within = slice(round((total - whole) / 2 + whole / 5), round((total + whole) / 2 - whole / 5))
    # Where most of the pictures is thin, light that struck a rebate counts no more than they do.
    usual = float(np.median(mean[within]))
    thin = _LEAST_THIN < usual < _BAND_DENSITY
    sums = np.convolve(_rows_share(mean, usual) if thin else share, np.ones(whole), "valid")
    centred = np.abs(np.arange(len(sums)) + whole / 2 - total / 2) / px_per_mm
    start = int(np.argmax(sums - 0.02 * px_per_mm * centred))
    inner = share[start + whole // 5 : start + whole - whole // 5]
    level = 0.5 * float(np.median(inner))
    signed = np.clip(mean, -0.25, 0.25).mean(axis=1)
    if float(np.median(signed[within])) < _EMPTY_DENSITY:
        # Of film without pictures the edge print is the densest part, and tells no gate.
        return (total - height) / 2 - 0.5, (total + height) / 2 - 0.5
    middle = start + whole // 2
    search = max(2, round(1.5 * px_per_mm))
    top = _crossing(share, min(start + search, middle), -1, level)
    bottom = _crossing(share, max(start + whole - search, middle), 1, level)
    if top is None or bottom is None or abs(bottom - top - height) > 0.8 * px_per_mm:
        candidates = [
            edge
            for edge in (top, None if bottom is None else bottom - height)
            if edge is not None and abs(edge - start) < search
        ]
        first = float(np.mean(candidates)) if candidates else float(start) - 0.5
        return first, first + height
    middle_px = (top + bottom) / 2
    return middle_px - height / 2, middle_px + height / 2


def evidence(
    above: Light,
    film: FilmSize,
    px_per_mm: float,
    noise: float,
    ends_covered: tuple[bool, bool] = (False, False),
    double_mm: tuple[float, float] = (0.0, 0.0),
) -> Evidence:
    """Return the column-wise evidence of a strip's view.

    Parameters
    ----------
    above
        Density above base (h, w, 3).
    film, px_per_mm
        Kind of film and scale.
    noise
        Standard deviation of the base's density in the view.
    ends_covered
        Whether a holder covers what follows on the left and on the right.
    double_mm
        How far from the film its double lies over it, along and across.
    """
    top, bottom = find_band(above, film, px_per_mm)
    rim = 0.06 * (bottom - top)
    rows = slice(max(0, round(top + rim)), min(above.shape[0], round(bottom - rim) + 1))
    gap_mm = max(form.usual_gap_mm for form in formats_on(film.name))
    colourless, covered = without_bridges(channel_mean(above), px_per_mm, gap_mm)
    clear = clear_rebate(colourless, top, bottom, px_per_mm)
    flat = colourless - veil(colourless, clear, top, bottom, px_per_mm)
    mean = flat[rows]
    pairs = _falls_and_rises(coherent_steps(mean, noise))
    gaps = [_clear_of_blur(*pair, px_per_mm) for pair in pairs]
    banded = bands(mean, [gap for gap in gaps if gap is not None], noise)
    if banded is not None:
        # Next to the pictures' borders the bands go on as they are at the last rows looked at.
        whole = np.arange(max(0, math.ceil(top)), min(len(flat), math.floor(bottom) + 1))
        flat[whole] -= banded[np.clip(whole - rows.start, 0, len(banded) - 1)]
    threshold = max(0.03, 2.5 * noise)
    rest = np.ones(above.shape[0], bool)
    rest[max(0, round(top) - 1) : round(bottom) + 2] = False
    step = coherent_steps(mean, noise)
    busy = (mean > threshold).mean(axis=0).astype(float)
    bars = _even_bars(step, mean, px_per_mm)
    for first, last in bars:
        level = np.median(mean[:, first:last], axis=1, keepdims=True)
        busy[first:last] = (np.abs(mean[:, first:last] - level) > threshold).mean(axis=0)
    return Evidence(
        busy=busy,
        outside=(mean < -0.12).mean(axis=0) > 0.5,
        covered=covered,
        density=median(mean, 0).astype(float),
        least_density=percentiles(mean, [10])[0].astype(float),
        rebate_density=_rebate_density(colourless[rest]),
        step=step,
        seam=seams(mean, noise, px_per_mm),
        bars=bars,
        lift=np.clip(mean, -0.05, 0.05).mean(axis=0).astype(float),
        row_lift=np.clip(flat, -0.05, 0.05).mean(axis=1).astype(float),
        specks=speck_share(flat[clear], noise),
        flat=flat,
        noise=noise,
        top=top,
        bottom=bottom,
        px_per_mm=px_per_mm,
        ends_covered=ends_covered,
        double_mm=double_mm,
    )


def _falls_and_rises(step: Row) -> list[tuple[int, int]]:
    """Return where all rows fall, and rise next; the ends of the film count as fall and rise."""
    inner = slice(_CUT_PX + 1, len(step) - _CUT_PX - 1)
    falls = np.flatnonzero(step[inner] < -_BAR_STEP) + inner.start
    rises = np.flatnonzero(step[inner] > _BAR_STEP) + inner.start
    falls = np.concatenate([[_CUT_PX - 1], falls])
    rises = np.concatenate([rises, [len(step) - _CUT_PX]])
    last = falls[np.diff(falls, append=len(step) + 9) > 1]
    return [(int(fall), int(rises[rises > fall][0])) for fall in last]


def _clear_of_blur(fall: int, rise: int, px_per_mm: float) -> tuple[int, int] | None:
    """Return the columns between fall and rise, clear of blur, if they are as wide as gaps are."""
    # Blur reaches a pixel into the bar on either side.
    first, last = fall + 1, rise - 1
    return (first, last) if 0.0 < (last - first) / px_per_mm < _WIDEST_BAR_MM else None


def _even_bars(step: Row, mean: Plane, px_per_mm: float) -> tuple[tuple[int, int], ...]:
    """Return columns from fall to rise where all rows are nearly base and alike: gaps.

    Both pictures' blur fills a narrow one.
    """
    bars = []
    for fall, rise in _falls_and_rises(step):
        inside = fall > _CUT_PX and rise < len(step) - 1 - _CUT_PX
        if rise - fall < NARROW_PX and inside:
            around = step[max(0, fall - NARROW_PX) : rise + NARROW_PX]
            if min(-around.min(), around.max()) > _NARROW_STEP:
                bars.append((fall, rise))
            continue
        bar = _clear_of_blur(fall, rise, px_per_mm)
        if bar is None:
            continue
        rows = mean[:, slice(*bar)].mean(axis=1)
        if np.abs(rows.mean()) < MOST_VEIL and rows.std() < BAR_SPREAD:
            bars.append(bar)
    return tuple(bars)


def shows_gap(seen: Evidence) -> bool:
    """Tell whether a strip shows a gap with room for a picture on either side of it."""
    room = _LEAST_PICTURE * (seen.bottom - seen.top)
    return any(first > room and len(seen.busy) - last > room for first, last in seen.bars)


def speck_share(flat: Plane, noise: float) -> float:
    """Return the share of a field (h, w) of density above base that is clearly denser than base."""
    return float(_specks(flat, noise).mean()) if flat.size else 0.0


def spot_share(flat: Plane, noise: float, px_per_mm: float) -> float:
    """Return the share of a field (h, w) that specks cover which are no threads: no hairs."""
    if not flat.size:
        return 0.0
    specks = _specks(flat, noise).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(specks, connectivity=8)
    width, height, area = stats[1:count, cv2.CC_STAT_WIDTH : cv2.CC_STAT_AREA + 1].T
    longest = np.maximum(width, height)
    thread = (longest > _THREAD_MM * px_per_mm) & (area < _THREAD_FILLS * longest**2)
    return float(area[~thread].sum()) / specks.size


def _specks(flat: Plane, noise: float) -> Mask:
    dense: Mask = flat > max(_SPECK_DENSITY, 6.0 * noise)
    return dense


def _rebate_density(rebate: Float32) -> Row:
    """Return the lower-middle density of the rebate in each column, its holes left out.

    Edge print covers less than half of a rebate; where even the rest is dense, light struck.
    """
    if rebate.shape[0] < 3:
        return np.zeros(rebate.shape[1])
    film = np.where(rebate < -0.08, np.inf, rebate)
    counts = np.isfinite(film).sum(axis=0)
    ordered = np.sort(film, axis=0)
    index = np.minimum((0.35 * counts).astype(int), rebate.shape[0] - 1)
    found = ordered[index, np.arange(rebate.shape[1])]
    density: Row = np.where(counts > 2, found, 0.0).astype(float)
    return np.where(np.isfinite(density), density, 0.0)
