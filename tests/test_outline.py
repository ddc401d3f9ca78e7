"""Outlines: rectangles measured and turned along the picture they hold, mirrored or not."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.outline import around, axes_of, box, corners_of, size_of, turned, within

PLAIN = np.array([[10.0, 20.0], [46.0, 20.0], [46.0, 44.0], [10.0, 44.0]])
MIRRORED = PLAIN[[1, 0, 3, 2]]
ANGLES = st.floats(-15, 15)


def lying(angle_deg: float, outline: np.ndarray = PLAIN) -> np.ndarray:
    """Return an outline turned about the origin by OpenCV, clockwise as displayed."""
    matrix = cv2.getRotationMatrix2D((0.0, 0.0), -angle_deg, 1.0)
    return outline @ matrix[:, :2].T


@given(ANGLES)
def test_an_outline_has_its_size_however_it_lies(angle_deg):
    assert size_of(lying(angle_deg)) == pytest.approx([36.0, 24.0])


@given(ANGLES, st.booleans())
def test_distances_within_are_from_left_and_top_of_the_picture(angle_deg, mirrored):
    outline = lying(angle_deg, MIRRORED if mirrored else PLAIN)
    assert within(outline, outline) == pytest.approx(
        np.array([[0, 0], [36, 0], [36, 24], [0, 24]]), abs=1e-9
    )
    inner = box(outline[0], axes_of(outline), np.array([1.0, 2.0]), np.array([30.0, 20.0]))
    assert within(outline, inner)[[0, 2]] == pytest.approx(np.array([[1, 2], [30, 20]]))


@given(ANGLES)
def test_turning_is_clockwise_about_the_middle(angle_deg):
    middle = (28.0, 32.0)
    matrix = cv2.getRotationMatrix2D(middle, -angle_deg, 1.0)
    expected = PLAIN @ matrix[:, :2].T + matrix[:, 2]
    assert turned(PLAIN, angle_deg) == pytest.approx(expected, abs=1e-9)
    # In a mirrored picture the same turn is the other way round in its scan.
    assert turned(MIRRORED, -angle_deg) == pytest.approx(expected[[1, 0, 3, 2]], abs=1e-9)


def test_no_turn_leaves_the_very_figures():
    assert turned(PLAIN, 0.0) is PLAIN


@given(ANGLES, st.floats(0.1, 40))
def test_around_two_outlines_side_by_side_is_both_and_their_gap(angle_deg, gap):
    first, second = lying(angle_deg), lying(angle_deg, PLAIN + np.array([36.0 + gap, 0.0]))
    both = around(first, [second])
    assert both[[0, 3]] == pytest.approx(first[[0, 3]])
    assert both[[1, 2]] == pytest.approx(second[[1, 2]])
    assert around(second, [first]) == pytest.approx(both)


def test_corners_are_plain_pairs():
    assert corners_of(PLAIN) == ((10.0, 20.0), (46.0, 20.0), (46.0, 44.0), (10.0, 44.0))
