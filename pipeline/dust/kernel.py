"""The compiled loops in which dust is looked for; importing them loads the compiler."""

from typing import Any

import numpy as np

from pipeline.compiled import compiled, exp2, log2
from pipeline.kinds import LOG_STOP, Float32

_LOG10_2 = np.float32(LOG_STOP)
_LOG2_10 = np.float32(np.log2(10.0))
_PLANE, _PLANES, _LIST = "float32[:,::1]", "float32[:,:,::1]", "float32[::1]"


@compiled(fast=True)
def _densities(light: Float32, dark: np.float32, least: np.float32, density: Float32) -> None:
    for column in range(len(density)):
        density[column] = -_LOG10_2 * log2(max(light[column] - dark, least))


@compiled(fast=True)
def _weighed(density: Any, weights: Float32, total: Float32) -> None:
    red, green, blue = density
    for column in range(len(total)):
        part = weights[0] * red[column] + weights[1] * green[column]
        total[column] = part + weights[2] * blue[column]


@compiled(f"void({_PLANES}, {_LIST}, float32, {_LIST}, {_PLANES}, {_PLANE}, {_PLANE})", fast=True)
def seen_planes(
    light: Float32,
    dark: Float32,
    least: np.float32,
    share: Float32,
    density: Float32,
    tones: Float32,
    through: Float32,
) -> None:
    """Fill density (3, h, w) of light less dark, its mean, and its sum weighed by shares."""
    even = np.full(3, 1.0 / 3.0, np.float32)
    for row in range(light.shape[1]):
        for channel in range(3):
            _densities(light[channel, row], dark[channel], least, density[channel, row])
        three = (density[0, row], density[1, row], density[2, row])
        _weighed(three, even, tones[row])
        _weighed(three, share, through[row])


@compiled(f"void({_PLANE}, float32, float32)", fast=True)
def to_density(light: Float32, least: np.float32, exponent: np.float32) -> None:
    """Turn light, at least so much, into density times an exponent, in place."""
    for row in range(light.shape[0]):
        line = light[row]
        for column in range(len(line)):
            line[column] = -exponent * _LOG10_2 * log2(max(line[column], least))


@compiled(f"void({_PLANE}, {_PLANE})", fast=True)
def from_density(density: Float32, light: Float32) -> None:
    """Fill light with that of densities."""
    for row in range(light.shape[0]):
        line, out = density[row], light[row]
        for column in range(len(line)):
            out[column] = exp2(-_LOG2_10 * line[column])
