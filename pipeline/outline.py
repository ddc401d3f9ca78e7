"""Outlines: rectangles given by four corners, in the order of the picture they hold."""

from collections.abc import Sequence

import numpy as np

from pipeline.kinds import Corners, Points


def corners_of(points: Points) -> Corners:
    """Return points (4, 2) as plain pairs x, y."""
    return tuple((float(x), float(y)) for x, y in points)


def axes_of(outline: Points) -> Points:
    """Return the unit vectors (2, 2) to the right and down in the picture inside an outline.

    A picture that is mirrored in its scan has axes that are so too, so that what is done along
    them is done as the picture shows it.
    """
    sides = np.array([outline[1] - outline[0], outline[3] - outline[0]])
    units: Points = sides / np.maximum(np.linalg.norm(sides, axis=1, keepdims=True), 1e-9)
    return units


def size_of(outline: Points) -> Points:
    """Return width and height (2,) of an outline, along its upper and its left edge."""
    size: Points = np.linalg.norm([outline[1] - outline[0], outline[3] - outline[0]], axis=1)
    return size


def within(outline: Points, points: Points) -> Points:
    """Return points (n, 2) as distances to the right and down from an outline's first corner."""
    along: Points = (points - outline[0]) @ np.linalg.inv(axes_of(outline))
    return along


def box(origin: Points, axes: Points, low: Points, high: Points) -> Points:
    """Return the corners (4, 2) between two pairs of distances along axes from an origin."""
    along = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    corners: Points = origin + along @ axes
    return corners


def around(outline: Points, others: Sequence[Points]) -> Points:
    """Return the smallest rectangle around outlines that lies as the first of them does."""
    along = within(outline, np.concatenate([outline, *others]))
    return box(outline[0], axes_of(outline), along.min(axis=0), along.max(axis=0))


def turned(outline: Points, angle_deg: float) -> Points:
    """Return an outline turned about its centre, clockwise as its picture shows it."""
    if angle_deg == 0.0:
        return outline
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    axes, centre = axes_of(outline), outline.mean(axis=0)
    along = (outline - centre) @ np.linalg.inv(axes) @ np.array([[cos, sin], [-sin, cos]])
    corners: Points = centre + along @ axes
    return corners
