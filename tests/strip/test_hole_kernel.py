"""Holes one by one, held against a plain count of what hangs together."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.strip.hole_kernel import holes_in


@settings(deadline=None)
@given(st.integers(1, 30), st.integers(1, 30), st.floats(0.2, 0.8), st.integers(0, 99))
def test_holes_are_those_that_hang_together(height, width, open_share, seed):
    share = (np.random.default_rng(seed).random((height, width)) < open_share).astype(np.float32)
    count, _, stats, _ = cv2.connectedComponentsWithStats(share.astype(np.uint8), connectivity=4)
    boxes = [
        (left + wide / 2 - 0.5, top, tall)
        for left, top, wide, tall, area in stats[1:count]
        if wide >= 3 and tall >= 2 and 0.2 * wide < tall < 2.2 * wide
        and area >= 0.7 * wide * tall and left > 0 and left + wide < width
    ]  # fmt: skip
    found = holes_in(share)
    assert len(found) == len(boxes)
    # Each lies about the middle of its box; light beside it may draw it a few pixels off.
    for (x, *_), (middle, *_) in zip(found, boxes, strict=True):
        assert abs(x - middle) <= 4.0


@pytest.mark.parametrize("blur_px", [0.3, 0.6, 0.9])
def test_a_hole_is_measured_to_parts_of_a_pixel(blur_px):
    fine = np.zeros((400, 600), np.float32)
    fine[130:251, 217:402] = 1.0
    fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), 10 * blur_px), np.float32)
    share = np.asarray(cv2.resize(fine, (60, 40), interpolation=cv2.INTER_AREA), np.float32)
    ((x, length, top, bottom),) = holes_in(share)
    assert x == pytest.approx((21.7 + 40.2) / 2 - 0.5, abs=0.02)
    assert length == pytest.approx(18.5, abs=0.03)
    assert (top, bottom) == pytest.approx((13.0 - 0.5, 25.1 - 0.5), abs=0.02)
