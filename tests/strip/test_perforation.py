"""Perforations against drawn ones: sizes of ISO 1007 (from memory)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.profile.format import film_sizes
from pipeline.strip.film_edge import EdgeLine
from pipeline.strip.perforation import Perforations, find_perforations

PITCH_MM, ALONG_MM, ACROSS_MM, FROM_EDGE_MM, WIDTH_MM = 4.75, 1.981, 2.794, 2.01, 34.975
MARGIN_MM = 3.0
LENGTH_MM = 76.0
FILM = film_sizes()["135"]


def covered(first: np.ndarray, last: np.ndarray, size: int) -> np.ndarray:
    """Return (n, size) shares of pixels between first and last, which are pixel centres."""
    pixels = np.arange(size)
    low, high = np.maximum.outer, np.minimum.outer
    return np.clip(high(last, pixels + 0.5) - low(first, pixels - 0.5), 0, 1)


def drawn(scale: float, slope: float = 0.0, covered_mm: float = 0.0, phase_mm: float = 1.3):
    """Return the share of open gate of a strip with so much of each edge covered."""
    height = round((WIDTH_MM + 2 * MARGIN_MM) * scale)
    width = round(LENGTH_MM * scale)
    share = np.zeros((height, width), np.float32)
    for at in np.arange(phase_mm, LENGTH_MM, PITCH_MM):
        columns = covered(np.array([at * scale]), np.array([(at + ALONG_MM) * scale]), width)[0]
        lift = slope * (at + ALONG_MM / 2 - LENGTH_MM / 2) * scale
        for near in (FROM_EDGE_MM, WIDTH_MM - FROM_EDGE_MM - ACROSS_MM):
            first = max(near, covered_mm)
            last = min(near + ACROSS_MM, WIDTH_MM - covered_mm)
            edges = [(MARGIN_MM + edge) * scale + lift for edge in (first, last)]
            rows = covered(np.array(edges[:1]), np.array(edges[1:]), height)[0]
            share = np.maximum(share, np.outer(rows, columns).astype(np.float32))
    return share


def edges(scale: float, covered_mm: float = 0.0) -> tuple[EdgeLine, EdgeLine]:
    first, last = MARGIN_MM + covered_mm, MARGIN_MM + WIDTH_MM - covered_mm
    seen = covered_mm == 0.0
    return EdgeLine(0.0, first * scale, seen, 1.0), EdgeLine(0.0, last * scale, seen, 1.0)


def found(scale: float, **how: float) -> Perforations:
    share = drawn(scale, **how)
    perforations = find_perforations(share, FILM, edges(scale, how.get("covered_mm", 0.0)))
    assert perforations is not None
    return perforations


@given(
    scale=st.floats(4.0, 14.0),
    slope=st.floats(-0.03, 0.03),
    phase_mm=st.floats(0.0, PITCH_MM),
)
def test_pitch_and_rows_are_those_drawn(scale, slope, phase_mm):
    perforations = found(scale, slope=slope, phase_mm=phase_mm)
    assert perforations.pitch_px / scale == pytest.approx(PITCH_MM, rel=0.001)
    assert [row.on_bottom for row in perforations.rows] == [False, True]
    middle = LENGTH_MM * scale / 2
    for row in perforations.rows:
        assert row.count >= 14
        assert row.slope == pytest.approx(slope, abs=0.0005)
        # The film's edge follows from the row, to a twentieth of a millimetre.
        sign = 1 if row.on_bottom else -1
        edge = (row.slope * middle + row.level) / scale + sign * row.from_edge_mm
        true = MARGIN_MM + (WIDTH_MM if row.on_bottom else 0.0)
        assert edge == pytest.approx(true, abs=0.05)


@pytest.mark.parametrize("covered_mm", [1.9, 2.3, 3.0, 3.8])
def test_half_hidden_holes_tell_the_edge_by_their_inner_edges(covered_mm):
    scale = 200 / 25.4
    perforations = found(scale, slope=0.004, covered_mm=covered_mm)
    assert perforations.pitch_px / scale == pytest.approx(PITCH_MM, rel=0.001)
    middle = LENGTH_MM * scale / 2
    for row in perforations.rows:
        assert row.from_edge_mm == pytest.approx(FROM_EDGE_MM + ACROSS_MM)
        assert row.slope == pytest.approx(0.004, abs=0.0005)
        sign = 1 if row.on_bottom else -1
        edge = (row.slope * middle + row.level) / scale + sign * row.from_edge_mm
        assert edge == pytest.approx(MARGIN_MM + WIDTH_MM * row.on_bottom, abs=0.05)


def test_holes_that_their_doubles_cover_in_part_tell_how_far_off_these_are():
    scale, off_mm = 10.0, (0.3, 0.4)
    share = drawn(scale)
    double = np.roll(share, [round(mm * scale) for mm in off_mm], axis=(1, 0))
    both, either = np.minimum(share, double), np.maximum(share, double)
    doubled = find_perforations(both + np.float32(0.19) * (either - both), FILM, edges(scale))
    assert doubled is not None
    assert doubled.double_mm(True) == pytest.approx(off_mm, abs=0.1)
    assert found(scale).double_mm(True) == (0.0, 0.0)


def test_holes_of_which_some_are_small_make_no_double():
    scale = 10.0
    share = drawn(scale)
    half = share.shape[1] // 2
    double = np.roll(share, (3, 4), axis=(1, 0))
    share[:, :half] = np.minimum(share, double)[:, :half]
    perforations = find_perforations(share, FILM, edges(scale))
    assert perforations is not None
    assert perforations.double_mm(True) == (0.0, 0.0)


def test_a_holder_over_one_row_makes_no_double():
    scale = 10.0
    share = drawn(scale)
    share[: round((MARGIN_MM + FROM_EDGE_MM + 0.8) * scale)] = 0.0
    perforations = find_perforations(share, FILM, edges(scale))
    assert perforations is not None
    assert perforations.rows[0].short_mm[1] == pytest.approx(0.8, abs=0.1)
    assert perforations.double_mm(True) == (0.0, 0.0)


def test_one_row_is_enough():
    scale = 6.0
    share = drawn(scale)
    share[: share.shape[0] // 2] = 0.0
    perforations = find_perforations(share, FILM, edges(scale))
    assert perforations is not None
    assert [row.on_bottom for row in perforations.rows] == [True]


def test_a_few_lost_holes_do_not_change_the_pitch():
    scale = 8.0
    share = drawn(scale)
    for column in (100, 102, 300, 301, 480):
        share[:, column : column + 12] = 0.0
    perforations = find_perforations(share, FILM, edges(scale))
    assert perforations is not None
    assert perforations.pitch_px / scale == pytest.approx(PITCH_MM, rel=0.002)


@pytest.mark.parametrize("spacing_mm", [2.6, 9.5])
def test_holes_of_another_spacing_are_no_perforations(spacing_mm):
    scale = 8.0
    share = np.zeros_like(drawn(scale))
    for at in np.arange(1.0, LENGTH_MM - 2, spacing_mm):
        columns = slice(round(at * scale), round((at + ALONG_MM) * scale))
        share[round(5 * scale) : round(7.8 * scale), columns] = 1.0
    assert find_perforations(share, FILM, edges(scale)) is None


def test_specks_of_light_are_no_perforations():
    rng = np.random.default_rng(5)
    share = np.zeros_like(drawn(8.0))
    for x, y in zip(rng.integers(0, 590, 60), rng.integers(30, 290, 60), strict=True):
        share[y : y + rng.integers(3, 25), x : x + rng.integers(3, 25)] = 1.0
    assert find_perforations(share, FILM, edges(8.0)) is None
    assert find_perforations(np.zeros_like(share), FILM, edges(8.0)) is None


def test_holes_of_the_next_strip_are_not_this_ones():
    scale = 8.0
    share = drawn(scale)
    share[4:14] = drawn(scale)[round(5.5 * scale)]
    share[: share.shape[0] // 2][14:] = 0.0
    perforations = find_perforations(share, FILM, edges(scale))
    assert perforations is not None
    assert [row.on_bottom for row in perforations.rows] == [True]
