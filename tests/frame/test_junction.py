"""Pictures that all but meet, against edges drawn with known places: seen through an exact blur."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from pipeline.frame.gate import usual_habit
from pipeline.frame.gate_fit import fit_gates
from pipeline.frame.junction import find_junction, narrow_gaps
from pipeline.frame.spans import Span, solve_spans
from pipeline.profile.format import frame_formats
from tests.frame.drawn import PX_PER_MM, seen

ROWS, COLUMNS, SCALE = 150, 80, 8.0
NOISE = 0.004


def drawn(
    end: float,
    start: float,
    first: np.ndarray | float,
    second: np.ndarray | float,
    blur: float = 0.9,
    turn: float = 0.0,
) -> np.ndarray:
    """Return density of two pictures that end and start there, of densities by rows."""
    x = np.arange(COLUMNS) - turn * (np.arange(ROWS) - (ROWS - 1) / 2)[:, None]
    taken = sum(
        (1.0 - 10.0 ** -np.broadcast_to(density, ROWS)[:, None]) * cover
        for density, cover in (
            (first, ndtr((end - x) / blur)),
            (second, ndtr((x - start) / blur)),
        )
    )
    noise = np.random.default_rng(3).normal(0, NOISE, (ROWS, COLUMNS))
    return (noise - np.log10(1.0 - taken)).astype(np.float32)


def rows_of_a_scene(seed: int) -> np.ndarray:
    """Return densities that drift from row to row."""
    steps = np.random.default_rng(seed).normal(0, 0.08, ROWS)
    return 0.3 + np.abs(np.cumsum(steps))


@settings(max_examples=25, deadline=None)
@given(
    st.floats(38.0, 42.0),
    st.floats(0.0, 4.0),
    st.floats(0.6, 1.5),
    st.floats(-0.01, 0.01),
    st.integers(0, 99),
)
def test_edges_are_found_to_a_third_of_a_pixel_however_narrow_the_gap(end, gap, blur, turn, seed):
    first, second = rows_of_a_scene(seed), rows_of_a_scene(seed + 100)
    density = drawn(end, end + gap, first, second, blur, turn)
    pair = find_junction(density, (39.0, 42.0), turn, NOISE, SCALE)
    assert pair is not None
    off = np.abs([edge.place - place for edge, place in zip(pair, (end, end + gap), strict=True)])
    told = np.array([edge.sigma for edge in pair])
    assert off.max() < 0.35
    assert (off < 3.0 * told).all()
    assert told.max() < 0.125 * SCALE
    assert all(edge.share > 0.9 for edge in pair)


def test_what_begins_as_clear_as_base_is_told_with_doubt():
    density = drawn(40.0, 41.0, rows_of_a_scene(1), 0.0)
    pair = find_junction(density, (39.5, 41.5), 0.0, NOISE, SCALE)
    assert pair is not None
    assert pair[0].place == pytest.approx(40.0, abs=0.3)
    assert pair[1].share < 0.1
    # Anywhere from where the first ends to as far as it is looked for.
    assert pair[1].sigma > 1.0


def test_where_neither_shows_nothing_is_told():
    pair = find_junction(drawn(40.0, 41.0, 0.0, 0.0), (39.5, 41.5), 0.0, NOISE, SCALE)
    assert pair is not None
    assert all(edge.sigma > 1.5 for edge in pair)


def test_at_the_views_end_there_is_nothing_to_look_at():
    density = drawn(40.0, 41.0, 0.5, 0.5)
    assert find_junction(density, (4.0, 5.0), 0.0, NOISE, SCALE) is None
    assert find_junction(density, (74.0, 75.0), 0.0, NOISE, SCALE) is None


@pytest.mark.parametrize("start", [222, 244])
def test_wide_gaps_and_overlaps_are_left_to_their_own_edges(start):
    spans = [Span(12, 236, "picture"), Span(start, 450, "picture")]
    assert narrow_gaps(spans, PX_PER_MM) == []


def test_a_blank_frame_meets_none():
    spans = [Span(12, 228, "picture"), Span(230, 446, "blank"), Span(447, 660, "picture")]
    assert narrow_gaps(spans, PX_PER_MM) == []
    assert narrow_gaps([spans[0], Span(230, 446, "picture"), spans[2]], PX_PER_MM) == [0, 1]


@pytest.mark.parametrize("gap_mm", [1 / 6, 1 / 3])
def test_pictures_that_all_but_meet_keep_their_length(gap_mm):
    starts = [2.0 + n * (36.0 + gap_mm) for n in range(4)]
    strip = seen(starts[-1] + 38.0, [(start, start + 36.0) for start in starts])
    habit = usual_habit(frame_formats()["135"])
    fit = fit_gates(strip, solve_spans(strip, habit)[1], habit)
    for place, start in zip(fit.rectangles, starts, strict=True):
        ends = (start * PX_PER_MM - 0.5, (start + 36.0) * PX_PER_MM - 0.5)
        assert (place.start, place.end) == pytest.approx(ends, abs=0.06 * PX_PER_MM)
        assert place.surety(PX_PER_MM) > 0.95
