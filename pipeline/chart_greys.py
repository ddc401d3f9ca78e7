"""The neutral row of a 24-patch chart as steps of known exposure, the light's fall taken out."""

import math

import numpy as np

from pipeline.chart import ChartReading
from pipeline.chart_match import chart_layout, light_fall
from pipeline.kinds import Float64
from pipeline.units import MIDDLE_GREY

_NEUTRALS = slice(18, 24)
# Grain in a small picture is alike over about so many pixels.
_GRAIN_PX = 4.0


def grey_steps(chart: ChartReading) -> tuple[Float64, Float64, Float64]:
    """Return log10 exposure (6, 3), density (6, 3) and standard error (6, 3) of a chart's greys.

    Log10 exposure 0 is middle grey in the same light. That light falls off along the row is seen
    by all patches together, and taken out: half a stop of it would change slopes by a tenth.
    """
    logs = chart_layout().neutral_log_exposure - math.log10(MIDDLE_GREY)
    side = math.sqrt(max(_area(chart.corners) / 24.0, 1.0)) * 0.5 * chart_layout().patch_share
    error = chart.spread[_NEUTRALS] / math.sqrt(max(side * side / _GRAIN_PX, 1.0))
    return logs, chart.densities[_NEUTRALS] - _fall(chart.densities), error


def _fall(densities: Float64) -> Float64:
    """Return how much denser the light makes each of the six greys (6, 3)."""
    span = np.ptp(densities[_NEUTRALS], axis=0)
    # How film mixes the colours of red and orange patches looks like a fall to the red channel.
    share = light_fall(densities)[1:] / np.maximum(span[1:], 1e-3)
    columns = np.arange(6) - 2.5
    fall: Float64 = columns[:, None] * float(share.mean()) * span
    return fall


def _area(corners: Float64) -> float:
    x, y = np.asarray(corners, float).T
    return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2.0
