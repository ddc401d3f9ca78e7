"""Confidence of frames beside places where another gap would fit as well."""

import numpy as np
import pytest

from pipeline.frame.columns import Evidence, evidence
from pipeline.frame.frames import find_frames
from pipeline.frame.gate import usual_habit
from pipeline.frame.spans import solve_spans
from pipeline.profile.format import film_sizes, formats_on, frame_formats

PX_PER_MM, NOISE = 4.0, 0.003
WIDE = film_sizes()["120"]
PICTURES = ((0.0, 41.0, 0.6), (41.0, 110.5, 0.9), (110.5, 180.0, 0.6))


def strip(trunk_mm: tuple[float, float] | None, gap_mm: float = 0.0) -> Evidence:
    """Return the evidence of a part of a picture and two pictures, all 6x7, so far apart.

    A trunk in the first one leaves base from edge to edge of the film.
    """
    rng = np.random.default_rng(1)
    above = rng.normal(0, NOISE, (round(WIDE.width_mm * PX_PER_MM), round(181 * PX_PER_MM)))
    for number, (start, end, density) in enumerate(PICTURES):
        first, last = (round((at + number * gap_mm) * PX_PER_MM) for at in (start, end))
        above[11:235, first:last] += density + rng.normal(0, 0.05, (224, 1))
    if trunk_mm is not None:
        first, last = (round(at * PX_PER_MM) for at in trunk_mm)
        above[11:235, first:last] = rng.normal(0, NOISE, (224, last - first))
    planes = np.repeat(above[..., None], 3, axis=2).astype(np.float32)
    return evidence(planes, WIDE, PX_PER_MM, NOISE)


def test_a_trunk_beside_touching_pictures_is_told_with_doubt():
    part = find_frames(strip((36.0, 38.0)), formats_on("120")).frames[0]
    assert part.end / PX_PER_MM == pytest.approx(41.0, abs=0.5) or part.confidence < 0.9


def test_gaps_of_no_rival_are_told_without_doubt():
    found = find_frames(strip(None, 5.0), formats_on("120")).frames
    assert min(frame.confidence for frame in found[:2]) > 0.95


def test_frames_that_are_not_to_be_are_solved_without():
    seen, habit = strip(None, 5.0), usual_habit(frame_formats()["120-6x7"])
    score, spans = solve_spans(seen, habit)
    for span in spans:
        other, rivals = solve_spans(seen, habit, barred=span)
        assert other < score
        off = [max(abs(one.start - span.start), abs(one.end - span.end)) for one in rivals]
        assert min(off) > PX_PER_MM
