"""Rectangles fitted to drawn edges, and how well they are known."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from pipeline.frame.columns import Evidence, evidence
from pipeline.frame.gate import usual_habit
from pipeline.frame.gate_fit import GateRectangle, fit_gates
from pipeline.frame.spans import Span
from pipeline.profile.format import film_sizes, frame_formats

PX_PER_MM = 8.0
FILM = film_sizes()["135"]
HABIT = usual_habit(frame_formats()["135"])
HEIGHT = round(FILM.width_mm * PX_PER_MM)
NOISE = 0.005
TOP_MM, BOTTOM_MM = 5.5, 29.5


def covered(place_px, at_px):
    return ndtr((place_px - at_px) / 0.6)


def drawn(length_mm, starts_mm, dark_mm=(), density=0.7, width_mm=36.0) -> Evidence:
    """Return the evidence of even pictures with exact, blurred edges; `dark_mm` begin black.

    Blur mixes the light that pictures take.
    """
    x, y = np.arange(round(length_mm * PX_PER_MM)), np.arange(HEIGHT)
    down = covered(y, TOP_MM * PX_PER_MM) - covered(y, BOTTOM_MM * PX_PER_MM)
    taken = np.zeros((HEIGHT, len(x)))
    deep, faint = 1.0 - 10.0**-density, 1.0 - 10.0**-0.012
    for index, start in enumerate(starts_mm):
        black = dark_mm[index] if index < len(dark_mm) else 0.0
        first, last = (start + black) * PX_PER_MM, (start + width_mm) * PX_PER_MM
        taken += deep * np.outer(down, covered(x, first) - covered(x, last))
        if black:
            taken += faint * np.outer(down, covered(x, start * PX_PER_MM) - covered(x, first))
    above = np.random.default_rng(1).normal(0, NOISE, taken.shape) - np.log10(1.0 - taken)
    return evidence(np.repeat(above[..., None], 3, 2).astype(np.float32), FILM, PX_PER_MM, NOISE)


def bowed(seen: Evidence, sag_mm: float) -> Evidence:
    """Return evidence of the same strip, its middle lower than its ends by so much."""
    height, width = seen.flat.shape
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    lower = sag_mm * PX_PER_MM * (1.0 - (2.0 * x / (width - 1) - 1.0) ** 2)
    bent = cv2.remap(seen.flat, x, y - lower, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return evidence(np.repeat(bent[..., None], 3, 2).astype(np.float32), FILM, PX_PER_MM, NOISE)


def lowered(x_mm: float, length_mm: float, sag_mm: float) -> float:
    return sag_mm * (1.0 - (2.0 * x_mm / length_mm - 1.0) ** 2)


def spans(starts_mm, width_mm=36.0, off_mm=0.4):
    return [
        Span(round((s + off_mm) * PX_PER_MM), round((s + off_mm + width_mm) * PX_PER_MM), "picture")
        for s in starts_mm
    ]


def edges_mm(rectangle: GateRectangle) -> tuple[float, ...]:
    # Pixel centres lie half a pixel inside; edges were drawn at pixel centres.
    sides = (rectangle.start, rectangle.end, rectangle.top, rectangle.bottom)
    return tuple(side / PX_PER_MM for side in sides)


def test_clear_pictures_are_placed_to_hundredths_of_a_millimetre():
    starts = (1.2, 39.1, 77.3)
    fit = fit_gates(drawn(115.0, starts), spans(starts), HABIT)
    for rectangle, start in zip(fit.rectangles, starts, strict=True):
        assert edges_mm(rectangle) == pytest.approx(
            (start, start + 36.0, TOP_MM, BOTTOM_MM), abs=0.03
        )
        assert rectangle.surety(PX_PER_MM) > 0.98
    assert fit.tilt == pytest.approx(0.0, abs=5e-4)
    assert fit.habit.length_mm == pytest.approx(36.0, abs=0.03)


def test_pictures_that_show_with_their_double_are_known_no_better_than_how_far_off_it_is():
    starts = (1.2, 39.1, 77.3)
    seen = drawn(115.0, starts)
    plain = fit_gates(seen, spans(starts), HABIT)
    doubled = fit_gates(replace(seen, double_mm=(0.3, 0.2)), spans(starts), HABIT)
    for one, clear in zip(doubled.rectangles, plain.rectangles, strict=True):
        assert edges_mm(one) == edges_mm(clear)
        # It lies at one place or at the other.
        sigma_mm = np.array(one.sigma) / PX_PER_MM
        assert sigma_mm == pytest.approx(np.array([0.3, 0.3, 0.2, 0.2]) / math.sqrt(2.0), abs=0.01)
        assert one.surety(PX_PER_MM) < 0.6 < 0.98 < clear.surety(PX_PER_MM)


def test_a_picture_that_begins_black_takes_its_size_from_the_others():
    starts = (1.0, 39.0, 77.0)
    fit = fit_gates(drawn(115.0, starts, dark_mm=(0.0, 0.7)), spans(starts), HABIT)
    assert edges_mm(fit.rectangles[1])[:2] == pytest.approx((39.0, 75.0), abs=0.1)


def test_a_picture_without_any_edge_lies_between_its_neighbours_with_doubt():
    starts = (1.0, 39.0, 77.0)
    seen = drawn(115.0, (1.0, 77.0))
    between = [*spans(starts)[:1], replace(spans(starts)[1], kind="blank"), *spans(starts)[2:]]
    fit = fit_gates(seen, between, HABIT)
    assert edges_mm(fit.rectangles[1])[0] == pytest.approx(39.0, abs=0.4)
    assert fit.rectangles[1].surety(PX_PER_MM) < 0.6 < fit.rectangles[0].surety(PX_PER_MM)


def test_the_gates_size_is_learned():
    starts = (1.0, 39.0, 77.0)
    fit = fit_gates(drawn(116.0, starts, width_mm=36.6), spans(starts, off_mm=0.0), HABIT)
    assert fit.habit.length_mm == pytest.approx(36.6, abs=0.05)
    assert fit.habit.gap_mm == pytest.approx(1.4, abs=0.05)


def test_a_strip_cut_through_a_picture_ends_it():
    seen = drawn(56.0, (1.0, 39.0))
    cut = [spans((1.0,))[0], Span(round(39.3 * PX_PER_MM), round(56.0 * PX_PER_MM), "partial")]
    fit = fit_gates(seen, cut, HABIT)
    assert edges_mm(fit.rectangles[1])[0] == pytest.approx(39.0, abs=0.05)
    assert fit.rectangles[1].end == pytest.approx(round(56.0 * PX_PER_MM) - 0.5, abs=0.2)


def test_frames_of_a_bowed_strip_follow_it():
    starts, sag = (1.0, 39.0, 77.0, 115.0, 153.0), 1.0
    fit = fit_gates(bowed(drawn(190.0, starts), sag), spans(starts), HABIT)
    for rectangle, start in zip(fit.rectangles, starts, strict=True):
        slope = 4.0 * sag / 190.0 * (1.0 - 2.0 * (start + 18.0) / 190.0)
        assert fit.tilt + rectangle.leans[2] == pytest.approx(slope, abs=0.002)
        assert fit.tilt + rectangle.leans[0] == pytest.approx(0.0, abs=0.002)
        middle = (edges_mm(rectangle)[2] + edges_mm(rectangle)[3]) / 2
        assert middle == pytest.approx(17.5 + lowered(start + 18.0, 190.0, sag), abs=0.08)


def test_film_bowed_more_is_told_with_less_confidence():
    starts = (1.0, 39.0, 77.0)
    straight = drawn(115.0, starts)
    sureties = [
        min(
            one.surety(PX_PER_MM)
            for one in fit_gates(bowed(straight, sag), spans(starts), HABIT).rectangles
        )
        for sag in (0.0, 1.0, 2.0)
    ]
    assert sureties[0] > 0.98
    assert sureties[0] > sureties[1] > sureties[2]
    # A parabola of this sag leaves the corners of a 36 mm side 0.13 mm off the line through it.
    assert sureties[2] < 0.95


def test_no_spans_no_rectangles():
    fit = fit_gates(drawn(40.0, ()), [], HABIT)
    assert fit.rectangles == ()
    assert fit.habit.length_mm == HABIT.length_mm


def test_surety_falls_with_the_error():
    def surety(sigma_mm):
        sigma = (sigma_mm * PX_PER_MM,) * 4
        return GateRectangle(0.0, 1.0, 0.0, 1.0, sigma).surety(PX_PER_MM)

    # Four normal errors within 0.25 mm: 0.9973 ** 4 where that is three deviations.
    assert surety(0.25 / 3.0) == pytest.approx(0.9973**4, abs=1e-4)
    assert surety(0.02) > surety(0.1) > surety(0.5)


def test_a_picture_that_a_holder_covers_goes_as_far_as_it_is_seen():
    starts = (2.0, 40.0, 78.0)
    whole = drawn(116.0, starts)
    rows = slice(round((TOP_MM + 1.5) * PX_PER_MM), round((BOTTOM_MM - 1.5) * PX_PER_MM))
    above = np.repeat(whole.flat[rows][..., None], 3, 2)
    seen = evidence(above, FILM, PX_PER_MM, NOISE)
    for place in fit_gates(seen, spans(starts), HABIT).rectangles:
        assert (place.top, place.bottom) == (-0.5, len(above) - 0.5)
        # How much is hidden nobody knows.
        assert place.surety(PX_PER_MM) < 0.5
