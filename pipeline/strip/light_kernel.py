"""The compiled passes over a picture of light; importing it loads the compiler."""

import math

import numpy as np

from pipeline.compiled import compiled, exp2, index, log2
from pipeline.kinds import Light, Mask, Plane

_LOG10_OF_2 = np.float32(math.log10(2.0))
_LOG2_OF_10 = np.float32(math.log2(10.0))
_PICTURE, _PLANE, _ROW = "float32[:,:,::1]", "float32[:,::1]", "float32[::1]"


@compiled(f"void({_PICTURE}, {_ROW}, {_ROW}, {_ROW}, {_PLANE})", fast=True)
def shares_of_step(light: Light, dark: Light, base: Light, weight: Light, share: Plane) -> None:
    """Fill in how far light (h, w, 3) is on the way from base to gate, held to 0 and 1.

    Light less `dark` is taken as a share of `base`, which is less dark already; `weight` is what
    each channel counts.
    """
    none, one = np.float32(0.0), np.float32(1.0)
    # The shares of all channels add up to one sum of light, and what is taken from it.
    red, green, blue = weight / base
    taken = red * dark[0] + green * dark[1] + blue * dark[2] + weight.sum()
    for row in range(index(light.shape[0])):
        for column in range(index(light.shape[1])):
            total = red * light[row, column, 0] + green * light[row, column, 1]
            total += blue * light[row, column, 2] - taken
            share[row, column] = min(max(total, none), one)


@compiled(
    f"void({_PLANE}, {_ROW}, float32, float32, {_ROW}, {_PLANE}, {_PLANE})",
    fast=True,
)
def logs_over(
    light: Plane,
    dark: Light,
    least: float,
    factor: float,
    along: Light,
    down: Plane,
    found: Plane,
) -> None:
    """Fill in log10 of light (h, 3 w) less dark, times a factor, over a smooth surface.

    Rows are of whole pixels. Light less `dark` (3 w) is `least` at the least; `along` (3 w) and
    `down` (h, 3) are added to it.
    """
    scale = factor * _LOG10_OF_2
    below = np.empty_like(along)
    for row in range(light.shape[0]):
        for channel in range(3):
            below[channel::3] = down[row, channel]
        at = index(row)
        for place in range(index(light.shape[1])):
            above = max(light[at, place] - dark[place], least)
            found[at, place] = scale * log2(above) + (along[place] + below[place])


@compiled(f"void({_PLANE}, {_ROW}, float32, {_PLANE})", fast=True)
def even_out(light: Plane, dark: Light, most: float, even: Plane) -> None:
    """Turn the log10 of a lamp's light (h, 3 w) into the light seen, as under an even lamp.

    Rows are of whole pixels. `dark` (3 w) is no light of the lamp, whose logarithm is held to
    `most` either way.
    """
    for row in range(light.shape[0]):
        at = index(row)
        for place in range(index(light.shape[1])):
            lamp = min(max(even[at, place], -most), most)
            black = dark[place]
            even[at, place] = (light[at, place] - black) * exp2(-_LOG2_OF_10 * lamp) + black


@compiled(f"void({_PICTURE}, float32, float32, boolean[:,::1])", fast=True)
def near_nought(off: Light, most: float, most_apart: float, near: Mask) -> None:
    """Fill in where values (h, w, 3) are nearer to nought than `most`, and alike in all channels.

    They are alike that are less than `most_apart` apart.
    """
    for row in range(off.shape[0]):
        for column in range(off.shape[1]):
            red, green, blue = off[row, column, 0], off[row, column, 1], off[row, column, 2]
            high, low = max(red, max(green, blue)), min(red, min(green, blue))
            near[row, column] = (max(high, -low) < most) & (high - low < most_apart)


@compiled(f"void({_PICTURE}, {_ROW}, {_ROW}, {_ROW}, float32, {_PLANE}, {_PLANE})", fast=True)
def logs_of_step(
    light: Light,
    dark: Light,
    base: Light,
    weight: Light,
    least: float,
    brightest: Plane,
    found: Plane,
) -> None:
    """Fill in the brightest channel of light (h, w, 3), and the weighted log10 of all.

    Light less `dark` is taken as a share of `base`, which is less dark already, `least` at the
    least; `weight` is what the logarithm of each channel counts.
    """
    red_dark, green_dark, blue_dark = dark
    red_share, green_share, blue_share = np.float32(1.0) / base
    red_weight, green_weight, blue_weight = weight * _LOG10_OF_2
    for row in range(index(light.shape[0])):
        for column in range(index(light.shape[1])):
            red = (light[row, column, 0] - red_dark) * red_share
            green = (light[row, column, 1] - green_dark) * green_share
            blue = (light[row, column, 2] - blue_dark) * blue_share
            brightest[row, column] = max(red, max(green, blue))
            total = red_weight * log2(max(red, least)) + green_weight * log2(max(green, least))
            found[row, column] = total + blue_weight * log2(max(blue, least))
