"""Light that reached a strip beside its pictures: through seals, cassette or tank."""

from dataclasses import dataclass

import numpy as np

from pipeline.channels import channel_mean
from pipeline.film_format import FilmSize
from pipeline.kinds import Light, Triple, as_triple
from pipeline.measure_limit import measure_limits

# Film beside its edge and beside the pictures that is left out.
_CLEAR_MM = 0.5
_BIN_MM = 4.0
_HOLE_DENSITY = -0.08
# Bars of codes cover half of a rebate over this length, and letters less.
_BARE_PERCENTILE = 15.0


@dataclass(frozen=True)
class LightLeak:
    """Length of film whose rebates are fogged, and how dense above base, per channel."""

    length_mm: float
    density: Triple


def find_leak(
    above: Light, film_rows: tuple[float, float], film: FilmSize, px_per_mm: float
) -> LightLeak | None:
    """Return what light leaked onto a strip, or None where its rebates are bare or hidden.

    Parameters
    ----------
    above
        (h, w, 3) density above base of the strip's view.
    film_rows
        Rows of the film's edges, outside the view where hidden.
    film
        Kind of film, whose rebates a picture never reaches.
    px_per_mm
        Scale of the view.

    Notes
    -----
    The camera's gate keeps light off the rebates, so what is dense there came another way. Where
    film is dense from edge to edge (a leader, a fogged frame) it was struck, not leaked on, and
    counts no more than the ends of the strip do, which holders shade.
    """
    limits = measure_limits("leak")
    width = max(1, round(_BIN_MM * px_per_mm))
    bins = above.shape[1] // width
    sides = [_bare(above, rows, bins, width) for rows in _rebates(film_rows, film, px_per_mm)]
    seen = [side for side in sides if side is not None]
    if not seen or not bins:
        return None
    rebates = np.array(seen)
    mean = rebates.mean(axis=2)
    middle = slice(
        max(0, round(sum(film_rows) / 2 - 0.3 * film.image_across_mm * px_per_mm)),
        max(1, round(sum(film_rows) / 2 + 0.3 * film.image_across_mm * px_per_mm)),
    )
    inside = channel_mean(above[middle, : bins * width])
    within = np.percentile(inside.reshape(len(inside), bins, width), 10, axis=(0, 2))
    struck = (np.minimum(mean.min(axis=0), within) > float(limits["struck_density"])).astype(float)
    reach = max(1, round(float(limits["beside_struck_mm"]) / _BIN_MM))
    away = np.convolve(struck, np.ones(2 * reach + 1), "same") == 0
    ends = max(1, round(float(limits["ends_mm"]) / _BIN_MM))
    away[:ends] = away[-ends:] = False
    leaked = (mean > float(limits["least_density"])) & away
    length_mm = float(leaked.any(axis=0).sum()) * _BIN_MM
    if length_mm < float(limits["least_length_mm"]):
        return None
    densest = np.percentile(rebates[leaked], 90, axis=0)
    return LightLeak(length_mm, as_triple(densest))


def _rebates(
    film_rows: tuple[float, float], film: FilmSize, px_per_mm: float
) -> list[tuple[float, float]]:
    """Return first and last row of either rebate, clear of its edge, holes and pictures."""
    top, bottom = film_rows
    depth, clear = film.rebate_mm * px_per_mm, _CLEAR_MM * px_per_mm
    return [(top + clear, top + depth - clear / 2), (bottom - depth + clear / 2, bottom - clear)]


def _bare(above: Light, rows: tuple[float, float], bins: int, width: int) -> Light | None:
    """Return the density (bins, 3) of a rebate's bare film along the strip, None where hidden."""
    first, last = (max(0, round(row)) for row in rows)
    part = above[first:last, : bins * width]
    if len(part) < 2:
        return None
    cells = part.reshape(len(part), bins, width, 3).transpose(1, 0, 2, 3).reshape(bins, -1, 3)
    mean = channel_mean(cells)
    film = np.where(mean < _HOLE_DENSITY, np.nan, mean)
    known = np.isfinite(film).mean(axis=1) > 0.5
    level = np.zeros((bins, 3), np.float32)
    for place in np.flatnonzero(known):
        kept = cells[place][np.isfinite(film[place])]
        level[place] = np.percentile(kept, _BARE_PERCENTILE, axis=0)
    return level
