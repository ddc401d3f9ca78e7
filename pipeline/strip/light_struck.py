"""Light that reached a strip other than through the lens: leaks, leader, fogged frames."""

from dataclasses import dataclass

import numpy as np

from pipeline.channels import channel_mean, median, percentiles
from pipeline.kinds import SIGMA_OF_MAD, Float64, Light, Mask, Triple, as_triple
from pipeline.profile import FilmSize
from pipeline.strip.density import measure_limits

# Film beside its edge and beside the pictures that is left out.
_CLEAR_OF_LEAK_MM = (0.5, 0.25)
_BIN_MM = 4.0
# Bars of codes cover half of a rebate over this length, and letters less.
_BARE_PERCENTILE = 15.0
# Film beside its edges and beside the pictures that is left out, and the share of the picture's
# height that is looked at.
_CLEAR_MM = 0.3
_HAIR_MM = 0.25
_MIDDLE = (0.1, 0.9)
_PLATEAU_PERCENTILE = 99.0
_PLATEAU_REACH = 0.06
_LEAST_REBATE_PX = 2


@dataclass(frozen=True)
class StripDensity:
    """Density above base (h, w, 3) of a strip's view, and how its film lies there.

    `film_rows` are the rows of the film's edges, outside the view where hidden; `film` is its
    kind, whose rebates a picture never reaches.
    """

    above: Light
    film_rows: tuple[float, float]
    film: FilmSize
    px_per_mm: float


@dataclass(frozen=True)
class LightLeak:
    """Length of film whose rebates are fogged, and how dense above base, per channel."""

    length_mm: float
    density: Triple


def find_leak(strip: StripDensity) -> LightLeak | None:
    """Return what light leaked onto a strip, or None where its rebates are bare or hidden.

    None too where so few pixels are there that edge print can't be told from a leak.

    Notes
    -----
    The camera's gate keeps light off the rebates, so what is dense there came another way. Where
    film is dense from edge to edge (a leader, a fogged frame) it was struck, not leaked on, and
    counts no more than the ends of the strip do, which holders shade.
    """
    limits, above = measure_limits("leak"), strip.above
    if strip.px_per_mm < float(limits["least_px_per_mm"]):
        return None
    width = max(1, round(_BIN_MM * strip.px_per_mm))
    bins = above.shape[1] // width
    sides = [_bare(above, rows, bins, width) for rows in _rebates(strip, *_CLEAR_OF_LEAK_MM)]
    seen = [side for side in sides if side is not None]
    if not seen or not bins:
        return None
    rebates = np.array(seen)
    mean = rebates.mean(axis=2)
    centre, reach = sum(strip.film_rows) / 2, 0.3 * strip.film.image_across_mm * strip.px_per_mm
    middle = slice(max(0, round(centre - reach)), max(1, round(centre + reach)))
    inside = channel_mean(above[middle, : bins * width])
    columns = inside.reshape(len(inside), bins, width).transpose(0, 2, 1).reshape(-1, bins)
    (within,) = percentiles(columns, [10])
    struck = (np.minimum(mean.min(axis=0), within) > float(limits["struck_density"])).astype(float)
    beside = max(1, round(float(limits["beside_struck_mm"]) / _BIN_MM))
    away = np.convolve(struck, np.ones(2 * beside + 1), "same") == 0
    ends = max(1, round(float(limits["ends_mm"]) / _BIN_MM))
    away[:ends] = away[-ends:] = False
    leaked = (mean > float(limits["least_density"])) & away
    length_mm = float(leaked.any(axis=0).sum()) * _BIN_MM
    if length_mm < float(limits["least_length_mm"]):
        return None
    densest = np.percentile(rebates[leaked], 90, axis=0)
    return LightLeak(length_mm, as_triple(densest))


def _rebates(
    strip: StripDensity, edge_mm: float, inner_mm: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return first and last row of either rebate, less so much at the edge and at the pictures."""
    top, bottom = strip.film_rows
    near, far = edge_mm * strip.px_per_mm, (strip.film.rebate_mm - inner_mm) * strip.px_per_mm
    return (top + near, top + far), (bottom - far, bottom - near)


def _bare(above: Light, rows: tuple[float, float], bins: int, width: int) -> Light | None:
    """Return the density (bins, 3) of a rebate's bare film along the strip, None where hidden."""
    first, last = (max(0, round(row)) for row in rows)
    part = above[first:last, : bins * width]
    if len(part) < 2:
        return None
    cells = part.reshape(len(part), bins, width, 3).transpose(1, 0, 2, 3).reshape(bins, -1, 3)
    mean = channel_mean(cells)
    film = np.where(mean < float(measure_limits("film")["hole"]), np.nan, mean)
    known = np.isfinite(film).mean(axis=1) > 0.5
    level = np.zeros((bins, 3), np.float32)
    for place in np.flatnonzero(known):
        kept = cells[place][np.isfinite(film[place])]
        level[place] = percentiles(kept, [_BARE_PERCENTILE])[0]
    return level


@dataclass(frozen=True)
class LightStruck:
    """Density above base (3,) of film struck by light, its standard error, and its length.

    It is the highest the film reaches with this development.
    """

    density: Float64
    error: Float64
    length_mm: float


def struck_density(strip: StripDensity) -> LightStruck | None:
    """Return the density of light-struck film in a strip's view, or None where none is even.

    Notes
    -----
    Light from outside the camera blackens the film from edge to edge; there rebates are as
    dense as the middle. A plateau is a run of columns that differ little from the densest, as
    film that is exposed far beyond its shoulder is even. Medians, as noise is skewed in density.
    """
    from scipy.ndimage import median_filter

    limits = measure_limits("struck")
    across = _columns(strip)
    if len(across) < 2:
        return None
    # A hair or a scratch on one column says nothing of light.
    width = 2 * max(1, round(_HAIR_MM * strip.px_per_mm)) + 1
    across = median_filter(across, size=(1, width, 1), mode="nearest")
    mean = across.mean(axis=(0, 2))
    uneven = np.ptp(across.mean(axis=2), axis=0)
    even = uneven <= float(limits["most_uneven_share"]) * np.maximum(mean, 0.0) + _PLATEAU_REACH / 2
    dense = even & (across.mean(axis=2).min(axis=0) >= float(limits["least_density"]))
    if not dense.any():
        return None
    top = float(np.percentile(mean[dense], _PLATEAU_PERCENTILE))
    plateau = dense & (np.abs(mean - top) <= _PLATEAU_REACH * (1.0 + top))
    # Where parts are dense by far unlike amounts, nothing may be like their upper end.
    if not plateau.any():
        return None
    start, stop = _longest(plateau)
    length_mm = (stop - start) / strip.px_per_mm
    if length_mm < float(limits["least_length_mm"]):
        return None
    # A fade has a densest end too, but goes on rising towards it.
    rise = np.polyfit(np.arange(stop - start), mean[start:stop], 1)[0] * (stop - start)
    if abs(rise) > _PLATEAU_REACH * (1.0 + top) / 2.0:
        return None
    part = across[:, start:stop].reshape(-1, 3).astype(np.float64)
    level = np.median(part, axis=0)
    # What medians of columns scatter by is unevenness rather than noise, and doesn't average out.
    scatter = SIGMA_OF_MAD * np.median(np.abs(part - level), axis=0)
    return LightStruck(level, scatter, length_mm)


def _columns(strip: StripDensity) -> Light:
    """Return median densities (n, w, 3) by column: of the picture's height and each rebate seen."""
    film, px_per_mm = strip.film, strip.px_per_mm
    image = film.image_across_mm * px_per_mm
    first = strip.film_rows[0] + film.margin_mm * px_per_mm
    picture = first + _MIDDLE[0] * image, first + _MIDDLE[1] * image
    spans = (picture, *_rebates(strip, _CLEAR_MM, _CLEAR_MM))
    parts = [_median(strip.above, *span) for span in spans]
    if parts[0] is None:
        return np.empty((0, strip.above.shape[1], 3), np.float32)
    return np.array([part for part in parts if part is not None])


def _median(above: Light, first: float, last: float) -> Light | None:
    rows = above[max(0, int(np.ceil(first))) : max(0, int(np.floor(last)))]
    return None if len(rows) < _LEAST_REBATE_PX else median(rows, 0).astype(np.float32)


def _longest(mask: Mask) -> tuple[int, int]:
    """Return the longest run of true: first, and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    start, stop = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    return int(start), int(stop)
