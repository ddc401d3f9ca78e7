"""What is told of pictures whose codes lie too far apart to tell density."""

from collections.abc import Sequence

import numpy as np

from pipeline.kinds import CHANNELS, Float64
from pipeline.survey import StripSurvey
from pipeline.words import percent

# An error of density that shows as colour, and the share of the pictures from which it is told.
_SEEN, _LEAST_SHARE = 0.05, 0.01


def coarse_note(strips: Sequence[StripSurvey]) -> str | None:
    """Return what the user should know of densities that codes of 8 bits tell too coarsely.

    That is the share of the pictures where a channel's code rounds density by more than 0.05 (one
    standard deviation), if it is 1 % and more; None where it is less.
    """
    shares = [_shares(strip) for strip in strips]
    whole = [share for share in shares if share is not None]
    if not whole:
        return None
    mean, most = np.mean(whole, axis=0), np.max(whole, axis=0)
    told = [
        f"{name} in {percent(part)} (up to {percent(high)})"
        for name, part, high in zip(CHANNELS, mean, most, strict=True)
        if part >= _LEAST_SHARE
    ]
    if not told:
        return None
    return (
        f"the densest parts lie on the least codes of 8 bits, {', '.join(told)} of the pictures: "
        "there the other channels tell part of the colour; expose longer, or save 16 bits or raw"
    )


def _shares(strip: StripSurvey) -> Float64 | None:
    """Return the share of a strip's pictures that each channel (3) is coarse in."""
    rounded = [
        frame.rounding.at(np.asarray(frame.samples, float)) > _SEEN
        for frame in strip.frames
        if frame.rounding and frame.rounding.coarse
    ]
    if not rounded:
        return None
    share: Float64 = np.concatenate(rounded).mean(axis=0)
    return share
