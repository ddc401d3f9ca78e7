"""What lies across a strip, on masks drawn by hand."""

import cv2
import numpy as np
import pytest

from pipeline.strip.crossing import crossed_columns

LEVELS = (30.0, 270.0)


def film(turn_deg: float | None = None, wide: int = 240) -> np.ndarray:
    """Return a level strip in its view, with a turned one over its middle."""
    plane = np.zeros((300, 1400), np.uint8)
    plane[30:271, 20:1380] = 1
    if turn_deg is not None:
        box = cv2.boxPoints(((700.0, 150.0), (2000.0, float(wide)), turn_deg))
        cv2.fillPoly(plane, [np.round(box).astype(np.int32)], 1)
    return plane.astype(bool)


@pytest.mark.parametrize("turn", [25.0, 50.0, 90.0, 130.0])
def test_where_another_strip_crosses(turn):
    first, last = crossed_columns(film(turn), LEVELS)
    over = np.flatnonzero((film(turn) & ~film())[[0, -1]].any(axis=0))
    assert first == pytest.approx(over.min(), abs=60)
    assert last == pytest.approx(over.max(), abs=60)


def test_a_strip_alone_and_one_with_light_along_a_rim_are_not_crossed():
    assert crossed_columns(film(), LEVELS) is None
    rim = film()
    rim[22:30, 100:1300] = True
    assert crossed_columns(rim, LEVELS) is None
    assert crossed_columns(film(90.0, wide=30), LEVELS) is None


def test_an_edge_out_of_view_shows_nothing_across():
    assert crossed_columns(film()[40:250], (-10.0, 230.0)) is None
