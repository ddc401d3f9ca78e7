"""How light falls off over a strip's view: a smooth surface of log10 light, fitted or of a lamp."""

import numpy as np

from pipeline.kinds import Float64, Floats, Light, Points, Whole
from pipeline.strip.lamp import Lamp
from pipeline.strip.view import StripView

MOST_ASPECT = 1.9
"""Longer views are strips, on which a lens's axis may lie anywhere; others show one picture."""
# A ridge keeps a short or one-sided area from bending a strip's surface where nothing is measured.
_STRIPS_PULL = (0.0, 0.002, 0.02, 0.02, 0.2)
# Pull of terms towards an even light, where little is measured, as a share of the readings; and
# of curvature towards that of a lens, which is alike all around the picture's centre.
_EVEN_PULL, _ROUND_PULL = 0.002, 0.02
# What channels differ by is smaller by so much.
_ALIKE = 30.0


def places(shape: tuple[int, int]) -> tuple[Float64, Float64]:
    """Return x (1, w) and y (h, 1) of a view's pixels, from -1 to 1."""
    height, width = shape
    return np.linspace(-1, 1, width)[None, :], np.linspace(-1, 1, height)[:, None]


def surface(terms: Float64, x: Floats, y: Floats) -> tuple[Float64, Float64]:
    """Return the part (..., 3) of a surface that goes with x, and the part that goes with y.

    `terms` are of 1, x, x^2, then powers of y.
    """
    along = terms[:, 0] + np.multiply.outer(x, terms[:, 1]) + np.multiply.outer(x * x, terms[:, 2])
    powers = [np.multiply.outer(y**n, term) for n, term in enumerate(terms[:, 3:].T, start=1)]
    return along, np.asarray(sum(powers), float)


def surface_of(terms: Float64, shape: tuple[int, int]) -> Float64:
    """Return a surface of terms (3, 5) over a view (h, w), (h, w, 3)."""
    x, y = places(shape)
    along, down = surface(terms, x[0], y[:, 0])
    return np.asarray(along[None] + down[:, None])


def over_view(terms: Float64, shape: tuple[int, int]) -> Float64:
    """Return the mean (3) over a view (h, w) of a surface of terms (3, 5)."""
    x, y = places(shape)
    mean: Float64 = terms @ np.array([1.0, x.mean(), (x * x).mean(), y.mean(), (y * y).mean()])
    return mean


def shading_terms(x: Float64, y: Float64) -> Float64:
    """Return the terms (n, 5) of a shading at places -1 to 1."""
    terms: Float64 = np.stack([np.ones_like(x), x, x * x, y, y * y]).T
    return terms


def pixel_terms(shape: tuple[int, int], rows: Whole | Float64, columns: Whole | Float64) -> Float64:
    """Return the terms (n, 5) of places of a view (h, w), in its pixels."""
    height, width = shape
    x = 2.0 * columns / max(width - 1, 1) - 1.0
    y = 2.0 * rows / max(height - 1, 1) - 1.0
    return shading_terms(x, y)


def as_terms(terms: Float64) -> tuple[tuple[float, ...], ...]:
    """Return terms (3, 5) as numbers."""
    return tuple(tuple(float(term) for term in row) for row in terms)


def fit_shading(terms: Float64, readings: Float64, shape: tuple[int, int]) -> Float64:
    """Return (3, 5) terms of a smooth surface through log10 readings (n, 3) in a view (h, w).

    `terms` (n, 5) are those of the readings' places.
    """
    height, width = shape
    if width <= MOST_ASPECT * height:
        return fit_lens_light(terms, readings, shape)
    ridge = np.diag(_STRIPS_PULL) * len(terms)
    fitted: Float64 = np.linalg.solve(terms.T @ terms + ridge, terms.T @ readings).T
    return fitted


def fit_lens_light(terms: Float64, readings: Float64, shape: tuple[int, int]) -> Float64:
    """Return (3, 5) terms of the light that a lens leaves over one picture (h, w).

    Parameters
    ----------
    terms
        (n, 5) 1, x, x^2, y, y^2 of the readings' places.
    readings
        (n, 3) log10 light.

    Notes
    -----
    A lens loses light with the square of the distance from its axis (the cos^4 law of natural
    vignetting), so that x^2 and y^2 go as the squares of the sides; a lamp's need not, quite. It
    takes from all channels alike.
    """
    down, across = (float(side) ** 2 for side in shape)
    unlike = np.array([down, -across]) / np.hypot(down, across)
    even = np.diag((0.0, *(_EVEN_PULL,) * 4))
    pull = even.copy()
    pull[np.ix_((2, 4), (2, 4))] += _ROUND_PULL * np.outer(unlike, unlike)
    seen, count = terms.T @ terms, len(terms)
    mean = readings.mean(axis=1, keepdims=True)
    common = np.linalg.solve(seen + pull * count, terms.T @ mean)
    apart = np.linalg.solve(seen + _ALIKE * even * count, terms.T @ (readings - mean))
    fitted: Float64 = (common + apart).T
    return fitted


def view_grid(view: StripView) -> tuple[Float64, Points]:
    """Return terms (n, 5) of places all over a strip's view, and where they lie in its proxy."""
    rows, columns = view.light.shape[:2]
    down, across = np.mgrid[-1:1:9j, -1:1:25j].reshape(2, -1)
    points = np.stack([(across + 1) / 2 * (columns - 1), (down + 1) / 2 * (rows - 1)], axis=-1)
    return shading_terms(across, down), view.to_proxy.onto(points)


def surface_through(terms: Float64, readings: Float64) -> Float64:
    """Return (3, 5) terms of the surface nearest to readings (n, 3) at places of `terms` (n, 5)."""
    return np.asarray(np.linalg.lstsq(terms, readings, rcond=None)[0].T)


def unevenness(lamp: Lamp, view: StripView) -> Float64:
    """Return the terms (3, 5) of a lamp's log10 light over a strip's view."""
    terms, points = view_grid(view)
    return surface_through(terms, lamp.at(*points.T))


def shading_near(values: Light, corners: Floats) -> Float64:
    """Return the terms (3, 5) nearest to log10 light (h, w, 3) of a view in the box round points.

    The points (n, 2) are pixels of the view.
    """
    rows, columns = values.shape[:2]
    (left, top), (right, bottom) = np.min(corners, axis=0), np.max(corners, axis=0)
    down, across = np.mgrid[top:bottom:9j, left:right:25j].reshape(2, -1)
    y, x = (
        np.clip(np.rint(place), 0, count - 1).astype(int)
        for place, count in ((down, rows), (across, columns))
    )
    terms = pixel_terms((rows, columns), y, x)
    return surface_through(terms, values[y, x].astype(float))
