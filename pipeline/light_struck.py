"""Parts of a strip that light struck from edge to edge: leader, fogged frames, their D-max."""

from dataclasses import dataclass

import numpy as np

from pipeline.film_format import FilmSize
from pipeline.kinds import Float64, Light, Mask
from pipeline.measure_limit import measure_limits
from pipeline.order_statistic import median
from pipeline.units import SIGMA_OF_MAD

# Film beside its edges and beside the pictures that is left out, and the share of the picture's
# height that is looked at.
_CLEAR_MM = 0.3
_HAIR_MM = 0.25
_MIDDLE = (0.1, 0.9)
_PLATEAU_PERCENTILE = 99.0
_PLATEAU_REACH = 0.06
_LEAST_REBATE_PX = 2


@dataclass(frozen=True)
class LightStruck:
    """Density above base (3,) of film struck by light, its standard error, and its length.

    It is the highest the film reaches with this development.
    """

    density: Float64
    error: Float64
    length_mm: float


def struck_density(
    above: Light, film_rows: tuple[float, float], film: FilmSize, px_per_mm: float
) -> LightStruck | None:
    """Return the density of light-struck film in a strip's view, or None where none is even.

    Parameters
    ----------
    above
        (h, w, 3) density above base of the view.
    film_rows
        Rows of the film's edges, outside the view where hidden.
    film
        Kind of film, whose rebates a picture never reaches.
    px_per_mm
        Scale of the view.

    Notes
    -----
    Light from outside the camera blackens the film from edge to edge; there rebates are as
    dense as the middle. A plateau is a run of columns that differ little from the densest, as
    film that is exposed far beyond its shoulder is even. Medians, as noise is skewed in density.
    """
    from scipy.ndimage import median_filter

    limits = measure_limits("struck")
    across = _columns(above, film_rows, film, px_per_mm)
    if len(across) < 2:
        return None
    # A hair or a scratch on one column says nothing of light.
    width = 2 * max(1, round(_HAIR_MM * px_per_mm)) + 1
    across = median_filter(across, size=(1, width, 1), mode="nearest")
    mean = across.mean(axis=(0, 2))
    uneven = np.ptp(across.mean(axis=2), axis=0)
    even = uneven <= float(limits["most_uneven_share"]) * np.maximum(mean, 0.0) + _PLATEAU_REACH / 2
    dense = even & (across.mean(axis=2).min(axis=0) >= float(limits["least_density"]))
    if not dense.any():
        return None
    top = float(np.percentile(mean[dense], _PLATEAU_PERCENTILE))
    plateau = dense & (np.abs(mean - top) <= _PLATEAU_REACH * (1.0 + top))
    start, stop = _longest(plateau)
    length_mm = (stop - start) / px_per_mm
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


def _columns(
    above: Light, film_rows: tuple[float, float], film: FilmSize, px_per_mm: float
) -> Light:
    """Return median densities (n, w, 3) by column: of the picture's height and each rebate seen."""
    top, bottom = film_rows
    image = film.image_across_mm * px_per_mm
    first = top + film.margin_mm * px_per_mm
    near, far = _CLEAR_MM * px_per_mm, (film.rebate_mm - _CLEAR_MM) * px_per_mm
    spans = (
        (first + _MIDDLE[0] * image, first + _MIDDLE[1] * image),
        (top + near, top + far),
        (bottom - far, bottom - near),
    )
    parts = [_median(above, *span) for span in spans]
    if parts[0] is None:
        return np.empty((0, above.shape[1], 3), np.float32)
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
