"""Slopes of the sides of frames on film that lies straight, is bowed, or is seen aslant.

References: the derivative of a parabola, and scikit-image's projective transform.
"""

import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from pipeline.frame.gate import EdgePlace, usual_habit
from pipeline.frame.slopes import FrameEdges, side_slopes
from pipeline.profile.format import frame_formats

HABIT = usual_habit(frame_formats()["135"])
MIDDLES = np.linspace(-0.8, 0.8, 6)
ALONG = np.column_stack([MIDDLES - 0.13, MIDDLES + 0.13])
ERROR = 0.001


def edge(tilt: float, error: float = ERROR, share: float = 1.0) -> EdgePlace:
    return EdgePlace(0.0, tilt, 0.1, error, share)


def frame(start: float, end: float, top: float, bottom: float) -> FrameEdges:
    """Return edges whose sides turn clockwise by so much; upright ones tilt the other way."""
    return FrameEdges(edge(-start), edge(-end), edge(top), edge(bottom))


def test_straight_film_has_one_slope_and_no_leans():
    rng = np.random.default_rng(2)
    edges = [frame(*(0.004 + rng.normal(0, ERROR, 4))) for _ in ALONG]
    found = side_slopes(edges, ALONG, HABIT)
    assert found.shared == pytest.approx(0.004, abs=3 * ERROR / np.sqrt(24))
    assert np.abs(found.leans).max() < 0.0015
    assert found.sigmas.max() < ERROR


def test_bowed_film_turns_its_level_sides_steadily():
    # y = x^2 sag / 2 over -1 to 1 has the slope sag x.
    sag = 0.02
    slopes = np.gradient(sag * np.linspace(-1, 1, 2001) ** 2 / 2, 0.001)
    turns = np.interp(MIDDLES, np.linspace(-1, 1, 2001), slopes)
    found = side_slopes([frame(0.0, 0.0, turn, turn) for turn in turns], ALONG, HABIT)
    np.testing.assert_allclose(found.leans[:, 2] + found.shared, turns, atol=0.001)
    np.testing.assert_allclose(found.leans[:, :2] + found.shared, 0.0, atol=0.001)
    assert found.bow == pytest.approx(sag, rel=0.05)


def test_film_seen_aslant_has_sides_that_converge():
    square = np.array([[0.0, 0], [200, 0], [200, 35], [0, 35]])
    aslant = ProjectiveTransform.from_estimate(
        square, square + np.array([[1, 0.5], [-1, 0], [0, -0.6], [0, 0]])
    )

    def turn(first, last, upright):
        (x0, y0), (x1, y1) = aslant(np.array([first, last], float))
        return -(x1 - x0) / (y1 - y0) if upright else (y1 - y0) / (x1 - x0)

    true = []
    for x in 100 + 100 * MIDDLES:
        left, right, top, bottom = x - 13, x + 13, 5.5, 29.5
        true.append(
            (
                turn((left, top), (left, bottom), True),
                turn((right, top), (right, bottom), True),
                turn((left, top), (right, top), False),
                turn((left, bottom), (right, bottom), False),
            )
        )
    found = side_slopes([frame(*four) for four in true], ALONG, HABIT)
    assert np.ptp(true) > 0.02
    np.testing.assert_allclose(found.shared + found.leans, true, atol=0.002)


def test_one_edge_of_the_scene_turns_no_other_side():
    edges = [frame(0.0, 0.0, 0.0, 0.0) for _ in ALONG]
    edges[2] = frame(0.0, 0.05, 0.0, 0.0)
    found = side_slopes(edges, ALONG, HABIT)
    others = np.delete(found.leans.ravel(), 4 * 2 + 1)
    assert np.abs(others + found.shared).max() < 5e-4
    assert abs(found.leans[2, 1]) < 0.01


def test_sides_that_few_rows_show_tell_no_slope():
    edges = [FrameEdges(start=edge(0.03, share=0.3)) for _ in ALONG]
    found = side_slopes(edges, ALONG, HABIT)
    assert found.shared == HABIT.tilt
    assert found.error == pytest.approx(HABIT.tilt_spread)
    assert (found.leans == 0).all()


def test_no_frames_no_leans():
    found = side_slopes([], np.zeros((0, 2)), HABIT)
    assert found.leans.shape == (0, 4)
