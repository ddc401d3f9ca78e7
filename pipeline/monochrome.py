"""Black-and-white negatives, rendered from one channel."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import RollColour
from pipeline.film import FilmProfile
from pipeline.kinds import Matrix, Triple

PROFILE = "monochrome"
_LEAST_NOISE = 0.002


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
