"""The lightest film of a strip: base beside what is nearly as light and covers more of it."""

import cv2
import numpy as np

from pipeline.channels import channel_mean
from pipeline.kinds import SIGMA_OF_MAD, Float64, Light, Mask, Plane

# Noise is smoothed over so many pixels before light is told apart.
_SMOOTH_PX = 3
# Light is counted in steps of so much (log10), smoothed over what noise is left, and at the least
# over what coating and lamp leave uneven (common practice, no source).
_STEP, _LEAST_UNEVEN = 0.001, 0.004
# Between two lights that are apart, so much less of a strip has the light in between.
_VALLEY = 0.6
# Film's own edge, blurred, is lighter.
_EDGE_MM = 0.35
# Rebates run along all of a strip but for what is printed there, gaps from edge to edge across
# it: of so much of a row and of a column of film, in so many millimetres side by side.
_OF_ROW, _OF_COLUMN, _LEAST_SIDE_MM = 0.5, 0.85, 0.25
# So much of the step between two lights a smooth surface leaves at the least, if they are two
# films', told by so many readings.
_LEAST_OF_STEP, _MOST_READINGS = 0.5, 20_000


def lighter_film(off: Light, like: Mask, px_per_mm: float) -> Mask:
    """Return what of a strip may be its base, less what is denser than its lightest film.

    Parameters
    ----------
    off
        (h, w, 3) log10 light of a strip's view off a guess at its base, under an even lamp.
    like
        (h, w) what of it may be base; what is lighter than the guess besides is no film.
    px_per_mm
        Scale of the view.

    Returns
    -------
    (h, w) as `like`: all of it where none is lighter than the rest, or only in spots.

    Notes
    -----
    No developed film is lighter than its base. A backdrop or a sky just above fog may cover far
    more of a strip, but lies inside pictures: neither along a whole rebate nor from edge to edge
    of the film. Reflections and faded edges are lighter than base too, yet fade into it. A lamp
    whose light is not known may leave each gap a light of its own; those lie on one smooth surface.
    """
    rim = max(1, round(_EDGE_MM * px_per_mm))
    inner = np.zeros_like(like)
    clear = slice(rim, -rim), slice(rim, -rim)
    inner[clear] = cv2.erode(like.astype(np.uint8), np.ones((3, 3), np.uint8))[clear] > 0
    mean = channel_mean(off)
    smooth = np.asarray(cv2.blur(mean, (_SMOOTH_PX, _SMOOTH_PX)), np.float32)
    readings = smooth[inner]
    if not len(readings):
        return like
    film = like | (mean < 0.0)
    noise = SIGMA_OF_MAD * float(np.median(np.abs(mean[inner] - readings)))
    counts, places = _counted(readings, max(_LEAST_UNEVEN, noise / _SMOOTH_PX))
    for valley in _valleys(counts):
        least = float(places[valley])
        lighter = inner & (smooth > least)
        if _in_lines(lighter, film, px_per_mm) and _is_step(smooth, inner, lighter):
            return like & (smooth > least)
    return like


def _counted(readings: Light, sigma: float) -> tuple[Float64, Float64]:
    """Return how many readings (n) have a light, smoothed, and the lights, lightest first."""
    from scipy.ndimage import gaussian_filter1d

    reach = 4.0 * sigma
    lowest, highest = float(readings.min()) - reach, float(readings.max()) + reach
    bins = max(1, round((highest - lowest) / _STEP))
    counts, edges = np.histogram(readings, bins, (lowest, highest))
    smooth = gaussian_filter1d(counts[::-1].astype(float), sigma / _STEP, mode="constant")
    return smooth, ((edges[1:] + edges[:-1]) / 2)[::-1]


def _valleys(counts: Float64) -> list[int]:
    """Return the places of valleys between peaks of some counts, the first one first."""
    valleys = []
    top, low, at = 0.0, np.inf, 0
    for place, count in enumerate(counts.tolist()):
        if count > top:
            top, low = count, np.inf
        elif count < low:
            low, at = count, place
        if low < _VALLEY * min(top, count):
            valleys.append(at)
            top, low = count, np.inf
    return valleys


def _in_lines(lighter: Mask, film: Mask, px_per_mm: float) -> bool:
    """Tell whether lighter film (h, w) runs all along a strip, or from edge to edge across it."""
    side = max(1, round(_LEAST_SIDE_MM * px_per_mm))
    for axis, least in ((1, _OF_ROW), (0, _OF_COLUMN)):
        share = lighter.sum(axis=axis) / np.maximum(film.sum(axis=axis), 1)
        run = np.convolve(share > least, np.ones(side), "valid")
        if len(run) and run.max() >= side:
            return True
    return False


def _is_step(light: Plane, among: Mask, lighter: Mask) -> bool:
    """Tell whether lighter film (h, w) differs from the rest of a mask by a step, not a slope."""
    rows, columns = np.nonzero(among)
    step = max(1, len(rows) // _MOST_READINGS)
    rows, columns = rows[::step], columns[::step]
    apart = lighter[rows, columns].astype(float)
    if not 0.0 < apart.mean() < 1.0:
        return False
    height, width = light.shape
    x, y = 2.0 * columns / width - 1.0, 2.0 * rows / height - 1.0
    terms = np.stack([apart, np.ones_like(x), x, x * x, y, y * y], axis=1)
    readings = light[rows, columns].astype(float)
    left = float(np.linalg.lstsq(terms, readings, rcond=None)[0][0])
    whole = float(readings[apart > 0.0].mean() - readings[apart == 0.0].mean())
    return left > _LEAST_OF_STEP * whole
