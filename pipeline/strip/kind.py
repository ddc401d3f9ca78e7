"""Kinds of film: negatives told from slides and prints, black-and-white film from colour."""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from pipeline.channels import greatest, least
from pipeline.kinds import Float64, Floats, Light, Triple
from pipeline.strip.base import FilmBase
from pipeline.strip.density import least_orange
from pipeline.strip.layout import Strip

Kind = Literal["monochrome", "colour", "unclear"]

UNCLEAR = (
    "may be black-and-white film, but its pictures don't show it clearly: taken as colour; "
    "give --monochrome if it is"
)
# Dye uses up the mask of its coupler, which makes up for what the dye absorbs besides: a channel
# gets lighter than the base by so much of what another gains at the most, were the mask twice as
# strong as it should be (unwanted absorptions as in data sheets' dye curves, from memory).
_MOST_SPENT = 0.5
# Rebates are narrow on wide film, and what is measured of them lies clear of print and edges.
_LEAST_OF_REBATE, _MOST_NEEDED = 0.3, 0.05
# Shares of a strip that may be lighter than its base, as by a lamp's reflection, a lens's colour or
# a file's blocks, and where both rebates show it for base (common practice, no source).
_LIGHTER, _MOST_LIGHTER = 0.005, 0.1
_LIGHTER_BY = 0.08
_LEAST_DENSITY = 0.1
_LEAST_SAMPLES = 200
# One image of silver has the same density in all channels, but for a little that the scanner's
# light scatters otherwise (common practice, no source). Layers of dye differ by more: in slope
# and, wherever a picture has any colour, from place to place.
_SLOPE_TOLERANCE = 0.05
_USUAL_OFF, _SELDOM_OFF = 0.02, 0.06
_CLEAR_SPAN = 0.3


def is_negative(above: Light, strip: Strip, base: FilmBase, any_base: bool) -> bool:
    """Tell whether a strip is colour negative film, by what only that shows together.

    Its base is orange (unless `any_base`). Without perforations in view, nothing inside is lighter
    than it in any channel by more than dye allows, but for reflections over a strip that shows it
    along both edges; and where the whole width is in view, rebate and gaps make it a fair share
    of the strip, unless it is another scan's. A print's or a photograph's lightest even colour
    fails one of these.
    """
    orange = any_base or base.density[2] - base.density[0] > least_orange()
    if strip.perforated or not orange:
        return orange
    rows, columns = above.shape[:2]
    inner = above[rows // 5 : rows - rows // 5, columns // 40 : columns - columns // 40]
    spent = _MOST_SPENT * np.maximum(greatest(inner), 0.0)
    lighter = float((least(inner) + spent < -_LIGHTER_BY).mean())
    share = base.area_mm2 * strip.px_per_mm**2 / (rows * columns)
    rebate = 1.0 - strip.film.image_across_mm / strip.film.width_mm
    fair = share > min(_LEAST_OF_REBATE * rebate, _MOST_NEEDED)
    most = _MOST_LIGHTER if _has_rebates(above, strip) else _LIGHTER
    return lighter < most and (fair or not strip.whole_width or base.given)


def _has_rebates(above: Light, strip: Strip) -> bool:
    """Tell whether a strip's whole width shows, base along both of its edges."""
    rows = round(strip.film.rebate_mm * strip.px_per_mm)
    sides = (above[:rows], above[-rows:])
    return strip.whole_width and all(
        float(np.median(np.abs(side))) < _LIGHTER_BY for side in sides if side.size
    )


def film_kind(bases: Sequence[Triple], samples: Sequence[Floats]) -> Kind:
    """Tell whether a roll's film is black-and-white, by base and pictures.

    Parameters
    ----------
    bases
        Density of the film base of every strip.
    samples
        For each picture (n, 3) samples of density above base.

    Returns
    -------
    'colour' where any base is orange or the channels go apart anywhere, 'monochrome' where they
    go together over a clear span of density, 'unclear' where there is too little of it.
    """
    if not bases or any(blue - red > least_orange() for red, _, blue in bases):
        return "colour"
    every = np.concatenate([np.asarray(part, float) for part in samples] or [np.zeros((0, 3))])
    every = every[np.isfinite(every).all(axis=1) & (every.mean(axis=1) > _LEAST_DENSITY)]
    if len(every) < _LEAST_SAMPLES:
        return "unclear"
    span = float(np.subtract(*np.percentile(every.mean(axis=1), [95, 5])))
    off = np.abs(every - every.mean(axis=1, keepdims=True))
    usual, seldom = np.percentile(off.max(axis=1), [50, 98])
    if usual > _USUAL_OFF or seldom > _SELDOM_OFF:
        return "colour"
    if span < _CLEAR_SPAN:
        return "unclear"
    slopes = [_slope(every[:, 1], every[:, channel]) for channel in (0, 2)]
    return "monochrome" if max(abs(s - 1.0) for s in slopes) < _SLOPE_TOLERANCE else "colour"


def _slope(one: Float64, other: Float64) -> float:
    """Return the slope of one density against another, the axes alike (principal axis)."""
    covariance = np.cov(one, other)
    _, axes = np.linalg.eigh(covariance)
    return float(axes[1, 1] / axes[0, 1])
