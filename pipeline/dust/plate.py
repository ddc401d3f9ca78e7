"""A thin plate under tension through the rim of each hole, solved part after part."""

import numpy as np

from pipeline.compiled import compiled, index
from pipeline.kinds import Float32, Float64, Int32, Whole


@compiled()
def linked(y: int, x: int, height: int, width: int) -> int:
    """Return how many of its four neighbours a place of a picture has."""
    return (y > 0) + (x > 0) + (y + 1 < height) + (x + 1 < width)


@compiled()
def row_of_energy(
    place: tuple[int, int],
    shape: tuple[int, int],
    tension: float,
    near: Int32,
    weights: Float64,
) -> int:
    """Fill one place's row of the energy: places (m, 2) and weights; return how many, with doubles.

    The energy is the squared bends at all places and a tension of the squared slopes.
    """
    row, column = place
    height, width = shape
    count = 0
    for step in range(5):
        y = row + (step == 1) - (step == 2)
        x = column + (step == 3) - (step == 4)
        if not (0 <= y < height and 0 <= x < width):
            continue
        degree = linked(y, x, height, width)
        own = float(degree) if step == 0 else -1.0
        if step == 0:
            near[count, 0], near[count, 1], weights[count] = y, x, tension * degree
        else:
            near[count, 0], near[count, 1], weights[count] = y, x, -tension
        count += 1
        for other in range(5):
            v = y + (other == 1) - (other == 2)
            u = x + (other == 3) - (other == 4)
            if 0 <= v < height and 0 <= u < width:
                near[count, 0], near[count, 1] = v, u
                weights[count] = own * (degree if other == 0 else -1.0)
                count += 1
    return count


@compiled(fast=True)
def factored(lower: Float64, ends: Whole, firsts: Whole) -> None:
    """Turn the rows of a symmetric matrix, from their first number on, into its Cholesky factor.

    Row i holds columns `firsts[i]` to i; its last number lies at `ends[i]`.
    """
    for i in range(len(ends)):
        at = ends[i] - i
        for j in range(firsts[i], i + 1):
            begin = max(firsts[i], firsts[j])
            other = ends[j] - j
            total, own, theirs = lower[at + j], index(at + begin), index(other + begin)
            for k in range(index(j - begin)):
                total -= lower[own + k] * lower[theirs + k]
            lower[at + j] = total / lower[ends[j]] if j < i else np.sqrt(total)


@compiled(fast=True)
def solved(lower: Float64, ends: Whole, firsts: Whole, values: Float64) -> None:
    """Solve for values (n, channels) in place by a Cholesky factor."""
    for i in range(len(ends)):
        at = ends[i] - i
        for channel in range(values.shape[1]):
            total = values[i, channel]
            for k in range(firsts[i], i):
                total -= lower[at + k] * values[k, channel]
            values[i, channel] = total / lower[ends[i]]
    for i in range(len(ends) - 1, -1, -1):
        at = ends[i] - i
        for channel in range(values.shape[1]):
            values[i, channel] /= lower[ends[i]]
            for k in range(firsts[i], i):
                values[k, channel] -= lower[at + k] * values[i, channel]


@compiled()
def in_order(rows: Int32, columns: Int32) -> Whole:
    """Return the order of places along the longer side of their box, so that rows stay short."""
    tall = rows.max() - rows.min() > columns.max() - columns.min()
    keys = np.empty(len(rows), np.int64)
    for k in range(len(rows)):
        first, then = (rows[k], columns[k]) if tall else (columns[k], rows[k])
        keys[k] = (np.int64(first) << 32) + then
    return np.argsort(keys)


@compiled()
def plates(picture: Float32, rows: Int32, columns: Int32, starts: Int32, tension: float) -> Float64:
    """Return the values (n, channels) of plates through the rims of parts.

    No part lies within two places of another.
    """
    height, width, channels = picture.shape
    order = np.full((height, width), -1, np.int32)
    values = np.zeros((len(rows), channels), np.float64)
    near, weights = np.empty((30, 2), np.int32), np.empty(30, np.float64)
    for part in range(len(starts) - 1):
        base, count = starts[part], starts[part + 1] - starts[part]
        sorted_ = in_order(rows[base : base + count], columns[base : base + count])
        for i in range(count):
            order[rows[base + sorted_[i]], columns[base + sorted_[i]]] = i
        firsts, ends = np.empty(count, np.int64), np.empty(count, np.int64)
        size = 0
        for i in range(count):
            y, x = rows[base + sorted_[i]], columns[base + sorted_[i]]
            first = i
            for v in range(max(0, y - 2), min(height, y + 3)):
                for u in range(max(0, x - 2), min(width, x + 3)):
                    if order[v, u] >= 0:
                        first = min(first, order[v, u])
            firsts[i] = first
            size += i - first + 1
            ends[i] = size - 1
        lower, own = np.zeros(size), np.zeros((count, channels))
        for i in range(count):
            y, x = rows[base + sorted_[i]], columns[base + sorted_[i]]
            many = row_of_energy((y, x), (height, width), tension, near, weights)
            for k in range(many):
                v, u = near[k]
                j = order[v, u]
                if j < 0:
                    for channel in range(channels):
                        own[i, channel] -= weights[k] * picture[v, u, channel]
                elif j <= i:
                    lower[ends[i] - i + j] += weights[k]
        factored(lower, ends, firsts)
        solved(lower, ends, firsts, own)
        for i in range(count):
            values[base + sorted_[i]] = own[i]
        # Parts that follow must not take these places for their own.
        for i in range(count):
            order[rows[base + i], columns[base + i]] = -1
    return values
