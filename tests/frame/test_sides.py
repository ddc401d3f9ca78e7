"""Edges of soft scans, against pictures drawn with known places and seen through an exact blur."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.frame.columns import evidence
from pipeline.frame.gate import EdgePlace, usual_habit
from pipeline.frame.gate_fit import fit_gates
from pipeline.frame.sides import coarsened, measured_edges
from pipeline.frame.spans import solve_spans
from pipeline.profile.format import frame_formats
from tests.frame.drawn import BOTTOM, FILM, HEIGHT, PX_PER_MM, TOP

HABIT = usual_habit(frame_formats()["135"])
PICTURES_MM = ((2.0, 38.0), (40.0, 76.0), (78.0, 114.0))


def soft_strip(blur_px: float):
    """Return the evidence of even pictures, their light blurred (standard deviation)."""
    above = np.zeros((HEIGHT, round(116.0 * PX_PER_MM)))
    for start, end in PICTURES_MM:
        above[TOP:BOTTOM, round(start * PX_PER_MM) : round(end * PX_PER_MM)] = 0.9
    light = gaussian_filter(10.0**-above, blur_px, mode="nearest")
    noise = np.random.default_rng(1).normal(0, 0.003, above.shape)
    seen = (noise - np.log10(light)).astype(np.float32)
    return evidence(np.repeat(seen[..., None], 3, axis=2), FILM, PX_PER_MM, 0.003)


# The last is a blur of half a millimetre.
@pytest.mark.parametrize(("blur_px", "most_mm"), [(0.6, 0.08), (2.0, 0.08), (3.2, 0.16)])
def test_blur_moves_no_edge(blur_px, most_mm):
    strip = soft_strip(blur_px)
    fit = fit_gates(strip, solve_spans(strip, HABIT)[1], HABIT)
    for place, (start, end) in zip(fit.rectangles, PICTURES_MM, strict=True):
        sides = (place.start, place.end, place.top, place.bottom)
        drawn = (start * PX_PER_MM - 0.5, end * PX_PER_MM - 0.5, TOP - 0.5, BOTTOM - 0.5)
        assert sides == pytest.approx(drawn, abs=most_mm * PX_PER_MM)


def test_pixels_are_taken_together_only_where_the_scan_is_soft():
    for blur_px, least, most in ((0.6, 1, 1), (2.0, 2, 3), (3.2, 3, 4)):
        strip = soft_strip(blur_px)
        spans = solve_spans(strip, HABIT)[1]
        _, coarse = measured_edges(strip, spans, HABIT)
        assert least <= coarse <= most


def test_means_are_of_light():
    density = np.tile(np.float32([0.0, 1.0]), (3, 4))
    assert coarsened(density, 2) == pytest.approx(np.full((3, 4), -math.log10(0.55)), abs=1e-5)
    assert coarsened(density, 1) is density
    assert coarsened(density, 3).shape == (3, 2)


def test_an_edge_of_coarse_pixels_lies_where_it_was():
    # The border between the second and the third of pixels four times as large.
    edge = EdgePlace(1.5, 0.01, 0.2, 0.001, 1.0).finer(4)
    assert edge.place == pytest.approx(7.5)
    assert (edge.tilt, edge.sigma, edge.tilt_sigma) == pytest.approx((0.04, 0.8, 0.004))
