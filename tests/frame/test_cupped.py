"""Frames of cupped film, drawn by hand with sides that a camera sees curved."""

import cv2
import numpy as np
import pytest

from pipeline.frame.columns import Evidence, evidence
from pipeline.frame.cupped import corners_off
from pipeline.frame.gate import usual_habit
from pipeline.frame.gate_fit import fit_gates
from pipeline.frame.sides import measured_edges
from pipeline.frame.spans import Span
from pipeline.profile.format import frame_formats
from tests.frame.drawn import BOTTOM, FILM, PX_PER_MM, TOP, seen

HABIT = usual_habit(frame_formats()["135"])
LENGTH_MM, STARTS_MM = 190.0, (1.0, 39.0, 77.0, 115.0, 153.0)


def cupped(drawn: Evidence, off_mm: float, aim_mm: float = LENGTH_MM / 2) -> Evidence:
    """Return evidence whose middle rows lie farther from where the camera looks than the corners.

    By so much half the strip's length from there, and in proportion.
    """
    height, width = drawn.flat.shape
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    across = (2.0 * y - (TOP + BOTTOM - 1)) / (BOTTOM - TOP)
    nearer = off_mm / (LENGTH_MM / 2) * (1.0 - across**2)
    shown = x - nearer * (x - aim_mm * PX_PER_MM)
    bent = cv2.remap(drawn.flat, shown, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return evidence(np.repeat(bent[..., None], 3, 2).astype(np.float32), FILM, PX_PER_MM, 0.003)


def spans(starts_mm) -> list[Span]:
    return [Span(round(s * PX_PER_MM), round((s + 36.0) * PX_PER_MM), "picture") for s in starts_mm]


@pytest.mark.parametrize("off_mm", [-0.6, 0.4, 0.8])
@pytest.mark.parametrize("aim_mm", [95.0, 60.0])
def test_corners_of_cupped_film_are_where_its_edges_lie(off_mm, aim_mm):
    drawn = seen(LENGTH_MM, [(s, s + 36.0) for s in STARTS_MM])
    fit = fit_gates(cupped(drawn, off_mm, aim_mm), spans(STARTS_MM), HABIT)
    for rectangle, start in zip(fit.rectangles, STARTS_MM, strict=True):
        sides = ((rectangle.start + 0.5) / PX_PER_MM, (rectangle.end + 0.5) / PX_PER_MM)
        assert sides == pytest.approx((start, start + 36.0), abs=0.1)


def test_flat_film_and_film_of_few_sides_are_left_as_they_are():
    flat = seen(LENGTH_MM, [(s, s + 36.0) for s in STARTS_MM])
    single = cupped(seen(LENGTH_MM, [(1.0, 37.0)]), 0.8)
    for drawn, starts in ((flat, STARTS_MM), (single, (1.0,))):
        edges, coarse = measured_edges(drawn, spans(starts), HABIT)
        along = 2.0 * np.array([(s, s + 36.0) for s in starts]) / LENGTH_MM - 1.0
        off, errors = corners_off(drawn, edges, along, coarse)
        assert not off.any()
        assert not errors.any()
