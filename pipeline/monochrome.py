"""Black-and-white negatives: told from colour film, and rendered from one channel."""

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.film import FilmProfile
from pipeline.kinds import Float64, Floats, Matrix, Triple

Kind = Literal["monochrome", "colour", "unclear"]

PROFILE = "monochrome"
UNCLEAR = (
    "may be black-and-white film, but its pictures don't show it clearly: taken as colour; "
    "give --monochrome if it is"
)
# Blue less red density of a base: a masked one has 0.44 at least over published stocks (D-min,
# Status M); silver's is grey, unless the scanner evens out its channels.
_LEAST_ORANGE = 0.2
_LEAST_DENSITY = 0.1
_LEAST_SAMPLES = 200
# One image of silver has the same density in all channels, but for a little that the scanner's
# light scatters otherwise (common practice, no source). Layers of dye differ by more: in slope
# and, wherever a picture has any colour, from place to place.
_SLOPE_TOLERANCE = 0.05
_USUAL_OFF, _SELDOM_OFF = 0.02, 0.06
_CLEAR_SPAN = 0.3
_LEAST_NOISE = 0.002


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
    if not bases or any(blue - red > _LEAST_ORANGE for red, _, blue in bases):
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
    return "monochrome" if max(abs(s - 1.0) for s in slopes) < _SLOPE_TOLERANCE else "unclear"


def _slope(one: Float64, other: Float64) -> float:
    """Return the slope of one density against another, the axes alike (principal axis)."""
    covariance = np.cov(one, other)
    _, axes = np.linalg.eigh(covariance)
    return float(axes[1, 1] / axes[0, 1])


def one_channel(profile: FilmProfile, spreads: Sequence[Triple]) -> RollColour:
    """Return the rendition of black-and-white film: one mix of the channels, one curve.

    `spreads` are the standard deviations of density in the bases of the strips: each channel
    counts by the inverse of its square, which gives the least noise.
    """
    noise = np.maximum(np.median(np.asarray(spreads, float), axis=0), _LEAST_NOISE)
    red, green, blue = (noise**-2 / (noise**-2).sum()).tolist()
    mix, curve = (red, green, blue), profile.curves[1]
    plain: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    return RollColour(
        unmask=(mix, mix, mix),
        curves=(curve, curve, curve),
        balance=(0.0, 0.0, 0.0),
        scene=plain,
        exposure=1.0,
        how="profile",
        confidence=0.3,
    )


def is_one_channel(colour: RollColour) -> bool:
    """Tell whether a rendition is that of black-and-white film."""
    return colour.unmask[0] == colour.unmask[1] == colour.unmask[2]


def as_grey(picture: NDArray[Any], colour: RollColour) -> NDArray[Any]:
    """Return a picture (h, w, 3), its channels made equal if the rendition has but one.

    Spaces turn greys into greys only to within rounding.
    """
    if not is_one_channel(colour):
        return picture
    return np.repeat(picture[..., 1:2], 3, axis=2)
