"""Samples of all pictures of strips."""

from collections.abc import Sequence

import numpy as np

from pipeline.kinds import HOLDS_PICTURE, Float32
from pipeline.survey.strip import StripSurvey

# Of some four hundred pictures. More tell no more, and take memory and time.
_MOST_SAMPLES = 400_000


def picture_samples(strips: Sequence[StripSurvey]) -> list[Float32]:
    """Return the samples of all pictures of strips, (n, 3) densities above base each.

    Of very many pictures those of each are thinned out evenly.
    """
    every = [
        frame.samples for strip in strips for frame in strip.frames
        if frame.kind in HOLDS_PICTURE
    ]  # fmt: skip
    step = max(1, -(-sum(map(len, every)) // _MOST_SAMPLES))
    # Copied, since a part of an array would hold all of it.
    return [np.ascontiguousarray(np.asarray(samples)[::step]) for samples in every]
