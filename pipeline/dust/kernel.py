"""Compiled loops over planes, and over what lies round about places of dust."""

import numpy as np

from pipeline.compiled import compiled, held_exp2, index, log2
from pipeline.kinds import Codes, Float32, Int32, Mask, Whole

LOG2_OF_TEN, LOG10_OF_TWO = np.float32(np.log2(10.0)), np.float32(np.log10(2.0))


@compiled(fast=True)
def densities(
    planes: Float32, dark: Float32, share: Float32, least: np.float32
) -> tuple[Float32, Float32]:
    """Turn light (3, h, w) less dark into density, in place; return its mean, and shares of it."""
    _, height, width = planes.shape
    tones, through = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    third = np.float32(1.0 / 3.0)
    for row in range(height):
        for channel in range(3):
            for column in range(width):
                above = max(planes[channel, row, column] - dark[channel], least)
                planes[channel, row, column] = log2(above) * -LOG10_OF_TWO
        for column in range(width):
            red, green = planes[0, row, column], planes[1, row, column]
            blue = planes[2, row, column]
            tones[row, column] = (red + green + blue) * third
            through[row, column] = red * share[0] + green * share[1] + blue * share[2]
    return tones, through


@compiled(fast=True)
def density_of_plane(
    plane: Codes | Float32, scale: np.float32, least: np.float32, exponent: np.float32
) -> Float32:
    """Return density (h, w) of codes or light (h, w) times a scale, to a power."""
    height, width = plane.shape
    density = np.empty((height, width), np.float32)
    factor = -LOG10_OF_TWO * exponent
    for row in range(height):
        # Codes may lie between others: once they are side by side, the rest is done in vectors.
        for column in range(width):
            density[row, column] = np.float32(plane[row, column]) * scale
        for column in range(width):
            density[row, column] = log2(max(density[row, column], least)) * factor
    return density


@compiled(fast=True)
def light_of_plane(density: Float32) -> Float32:
    """Return light (h, w) of density (h, w)."""
    height, width = density.shape
    light = np.empty((height, width), np.float32)
    for row in range(height):
        for column in range(width):
            light[row, column] = held_exp2(density[row, column] * -LOG2_OF_TEN)
    return light


@compiled()
def explained(
    through: Float32, share: float, blurred: float, reaches: Whole, rows: Int32, columns: Int32
) -> Float32:
    """Return density (n,) that a picture's light and dark near places may add in the infra-red.

    `through` (h, w) is what infra-red shows of the picture, `share` of it per density. A place
    takes in what lies within the first reach; what it mixes lies within the second, by steps of
    the third, and its contrast is more than is seen by a share that blur takes.
    """
    height, width = through.shape
    more = np.empty(len(rows), np.float32)
    near, wide, step = reaches
    for k in range(len(rows)):
        row, column = rows[k], columns[k]
        dark = light = through[row, column]
        for y in range(max(0, row - near), min(height, row + near + 1)):
            for x in range(max(0, column - near), min(width, column + near + 1)):
                dark = max(dark, through[y, x])
        darkest = dark
        for y in range(row - wide, row + wide + 1, step):
            for x in range(column - wide, column + wide + 1, step):
                if 0 <= y < height and 0 <= x < width:
                    light = min(light, through[y, x])
                    darkest = max(darkest, through[y, x])
        # Against the lightest near by, in light as the visible and as the infra-red shows it.
        ends = darkest - light + blurred * (darkest - light)
        if ends <= 1e-4:
            more[k] = 0.0
            continue
        seen = 10.0 ** (-(dark - light) / share)
        mixed = (1.0 - seen) / (1.0 - 10.0 ** (-ends / share))
        least = 1.0 - mixed * (1.0 - 10.0**-ends)
        more[k] = max(0.0, -np.log10(least) - (through[row, column] - light))
    return more


@compiled(fast=True)
def without_dust(through: Float32, over: Float32, factor: np.float32) -> Float32:
    """Return a picture (h, w) with a factor of what stands out of another plane (h, w) added."""
    height, width = through.shape
    bare = np.empty((height, width), np.float32)
    for row in range(height):
        for column in range(width):
            out = max(over[row, column], np.float32(0.0))
            bare[row, column] = through[row, column] + factor * out
    return bare


@compiled()
def highest_at(plane: Float32, reach: int, rows: Int32, columns: Int32) -> Float32:
    """Return the highest (n,) of a plane (h, w) within a reach of each place."""
    height, width = plane.shape
    highest = np.empty(len(rows), np.float32)
    for k in range(len(rows)):
        most = plane[rows[k], columns[k]]
        for y in range(max(0, rows[k] - reach), min(height, rows[k] + reach + 1)):
            for x in range(max(0, columns[k] - reach), min(width, columns[k] + reach + 1)):
                most = max(most, plane[y, x])
        highest[k] = most
    return highest


@compiled()
def gathered(left: Mask, seeds: Whole, steps: Whole, places: Int32, starts: Int32) -> int:
    """Fill `places` (2, n) with a mask's parts that hold a seed, and `starts`; return how many.

    `left` (h, w) is the mask and is used up; `seeds` (m,) are places in its rows side by side.
    """
    height, width = left.shape
    count = parts = 0
    starts[0] = 0
    for seed in seeds:
        row = seed // width
        column = seed - row * width
        if not left[row, column]:
            continue
        done = count
        left[row, column] = False
        places[0, count], places[1, count] = row, column
        count += 1
        while done < count:
            for k in range(len(steps)):
                y, x = places[0, done] + steps[k, 0], places[1, done] + steps[k, 1]
                if 0 <= y < height and 0 <= x < width and left[y, x]:
                    left[y, x] = False
                    places[0, count], places[1, count] = y, x
                    count += 1
            done += 1
        parts += 1
        starts[parts] = count
    return parts


@compiled(fast=True)
def textures(tones: Float32, mask: Codes, weights: Float32, rows: Int32, columns: Int32) -> Float32:
    """Return how far (n,) clean tones near places spread, each weighed by its distance."""
    height, width = tones.shape
    reach = len(weights) - 1
    # On both sides, so that a row is one loop over neighbours.
    across = np.concatenate((weights[:0:-1], weights))
    spreads = np.zeros(len(rows), np.float32)
    for k in range(len(rows)):
        row, column = rows[k], columns[k]
        first, second, whole = np.float32(0.0), np.float32(0.0), np.float32(1e-6)
        middle = tones[row, column]
        left = max(0, column - reach)
        count, begin = index(min(width, column + reach + 1) - left), index(left)
        skipped = index(left - column + reach)
        for y in range(max(0, row - reach), min(height, row + reach + 1)):
            down, r = weights[abs(y - row)], index(y)
            for x in range(count):
                clean = np.float32(1.0) - np.float32(mask[r, begin + x])
                weight = down * across[skipped + x] * clean
                off = tones[r, begin + x] - middle
                first += weight * off
                second += weight * off * off
                whole += weight
        first /= whole
        spreads[k] = np.sqrt(max(second / whole - first * first, np.float32(0.0)))
    return spreads


@compiled(fast=True)
def fine_at(planes: Float32, weights: Float32, rows: Whole, columns: Whole) -> Float32:
    """Return what planes (channels, h, w) have beyond their blur at places, (n, channels)."""
    channels, height, width = planes.shape
    reach = len(weights) - 1
    # On both sides, so that a row is one loop over neighbours.
    across = np.concatenate((weights[:0:-1], weights))
    fine = np.zeros((len(rows), channels), np.float32)
    for k in range(len(rows)):
        row, column = rows[k], columns[k]
        if row < 0:
            continue
        left, top = max(0, column - reach), max(0, row - reach)
        count, begin = index(min(width, column + reach + 1) - left), index(left)
        skipped, bottom = index(left - column + reach), min(height, row + reach + 1)
        along, down = np.float32(0.0), np.float32(0.0)
        for x in range(count):
            along += across[skipped + x]
        for y in range(top, bottom):
            down += weights[abs(y - row)]
        for channel in range(channels):
            c, total = index(channel), np.float32(0.0)
            for y in range(top, bottom):
                r, of_row = index(y), np.float32(0.0)
                for x in range(count):
                    of_row += across[skipped + x] * planes[c, r, begin + x]
                total += weights[abs(y - row)] * of_row
            fine[k, channel] = planes[channel, row, column] - total / (along * down)
    return fine


@compiled()
def clean_near(
    unclean: Codes, steps: Whole, distances: Whole, rows: Int32, columns: Int32
) -> tuple[Whole, Whole]:
    """Return rows and columns (n,) of the first clean place in a fixed order, -1 if none is."""
    height, width = unclean.shape
    down, along = np.full(len(rows), -1, np.int64), np.full(len(rows), -1, np.int64)
    for k in range(len(rows)):
        for distance in distances:
            for step in range(len(steps)):
                y, x = rows[k] + steps[step, 0] * distance, columns[k] + steps[step, 1] * distance
                if 0 <= y < height and 0 <= x < width and not unclean[y, x]:
                    down[k], along[k] = y, x
                    break
            if down[k] >= 0:
                break
    return down, along


@compiled(fast=True)
def uncertain(
    lost: Float32, rows: Int32, columns: Int32, reach: int, per_slope: float, per_bend: float
) -> Float32:
    """Return what places are off (n,) by the slope and bend of lost light (h, w) near them.

    Nothing is lost but at the places.
    """
    height, width = lost.shape
    steep, bent = np.zeros((height, width), np.float32), np.zeros((height, width), np.float32)
    for k in range(len(rows)):
        for y in range(max(1, rows[k] - 1), min(height - 1, rows[k] + 2)):
            for x in range(max(1, columns[k] - 1), min(width - 1, columns[k] + 2)):
                above, below = lost[y - 1, x - 1 : x + 2], lost[y + 1, x - 1 : x + 2]
                left, right = lost[y, x - 1], lost[y, x + 1]
                # The kernels of Scharr and Laplace.
                across = 3 * (above[2] - above[0] + below[2] - below[0]) + 10 * (right - left)
                down = 3 * (below[0] - above[0] + below[2] - above[2])
                down += 10 * (below[1] - above[1])
                steep[y, x] = np.sqrt(across * across + down * down) / np.float32(32.0)
                bent[y, x] = abs(above[1] + below[1] + left + right - 4 * lost[y, x])
    off = np.zeros(len(rows), np.float32)
    for k in range(len(rows)):
        most, bend = np.float32(0.0), np.float32(0.0)
        for y in range(max(0, rows[k] - reach), min(height, rows[k] + reach + 1)):
            for x in range(max(0, columns[k] - reach), min(width, columns[k] + reach + 1)):
                most, bend = max(most, steep[y, x]), max(bend, bent[y, x])
        off[k] = per_slope * most + per_bend * bend
    return off
