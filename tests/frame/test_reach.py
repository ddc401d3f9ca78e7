"""Pictures that go on to the end of what shows of the film."""

import math

import numpy as np
import pytest

from pipeline.frame.columns import evidence
from pipeline.frame.gate import EdgePlace, usual_habit
from pipeline.frame.gate_fit import fit_gates
from pipeline.frame.reach import NOWHERE, held_to, least_height, rows_reached
from pipeline.frame.spans import Span
from pipeline.profile.format import film_sizes, frame_formats

PX_PER_MM, NOISE = 8.0, 0.005
EDGE = EdgePlace(10.0, 0.0, 0.2, 0.0, 1.0)


def columns(first: int, last: int, rows: int = 60) -> np.ndarray:
    """Return the columns (40, rows) of a picture between two rows."""
    density = np.random.default_rng(1).normal(0, NOISE, (40, rows)).astype(np.float32)
    density[:, first:last] += 0.5
    return density


def test_a_picture_that_goes_on_to_the_end_reaches_it():
    top, bottom = rows_reached(columns(10, 60), (EDGE, None), (10.0, 57.0), 6.0, NOISE)
    assert top == math.inf
    assert bottom == pytest.approx(58.0, abs=1.0)


def test_a_picture_that_ends_in_view_tells_no_more_than_its_edge():
    picture = columns(10, 52)
    assert rows_reached(picture, (None, None), (10.0, 52.0), 6.0, NOISE) == NOWHERE


def test_edges_are_held_to_what_the_picture_reaches_with_as_much_doubt():
    place, error = held_to(np.array([3.0, 50.0]), np.array([0.2, 0.3]), (math.inf, 54.0))
    assert place.tolist() == [3.0, 54.0]
    assert error[0] == 0.2
    assert error[1] > 4.0


def test_pictures_are_as_high_as_one_that_goes_on():
    assert least_height([(math.inf, 58.0)], [(EDGE, None)]) == 48.0
    assert least_height([NOWHERE], [(EDGE, EDGE)]) == 0.0


def test_an_edge_of_one_scene_does_not_make_gates_smaller_than_others_show():
    # The holder covers the film from just inside the pictures' lower edge on.
    height, length = round(24.6 * PX_PER_MM), round(115 * PX_PER_MM)
    above = np.random.default_rng(1).normal(0, NOISE, (height, length, 3)).astype(np.float32)
    starts = (1.2, 39.1, 77.3)
    for start in starts:
        first, last = round(start * PX_PER_MM), round((start + 36.0) * PX_PER_MM)
        above[round(0.6 * PX_PER_MM) :, first:last] += 0.7
    black = slice(round(77.3 * PX_PER_MM), round(113.3 * PX_PER_MM))
    above[height - round(0.7 * PX_PER_MM) :, black] -= 0.7
    seen = evidence(above, film_sizes()["135"], PX_PER_MM, NOISE)
    spans = [
        Span(round(start * PX_PER_MM), round((start + 36.0) * PX_PER_MM), "picture")
        for start in starts
    ]
    fit = fit_gates(seen, spans, usual_habit(frame_formats()["135"]))
    for rectangle in fit.rectangles[:2]:
        assert rectangle.bottom > height - 3.0
    assert fit.habit.height_mm > 23.7
    assert fit.rectangles[2].surety(PX_PER_MM) < 0.9
