"""Windows out of pieces against the whole picture, and how often pieces are decoded."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from pipeline.scan.pieces import Pieces

ROWS, COLUMNS, HIGH, WIDE = 50, 70, 16, 24
ACROSS = -(-COLUMNS // WIDE)
PICTURE = np.arange(ROWS * COLUMNS * 3, dtype=np.uint16).reshape(ROWS, COLUMNS, 3)


def pieces_of(in_order: bool) -> tuple[Pieces, Counter[int]]:
    """Return the pieces of the picture, and how often each has been decoded, which grows."""
    decoded: Counter[int] = Counter()

    def decode(number: int) -> np.ndarray:
        decoded[number] += 1
        down, along = divmod(number, ACROSS)
        return PICTURE[down * HIGH : (down + 1) * HIGH, along * WIDE : (along + 1) * WIDE]

    return Pieces(decode, (HIGH, WIDE), ACROSS, in_order), decoded


def window(pieces: Pieces, rows: tuple[int, int], columns: tuple[int, int]) -> np.ndarray:
    codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), np.uint16)
    pieces.begin()
    pieces.fill(codes, rows, columns)
    return codes


SPANS = st.tuples(st.integers(0, ROWS - 1), st.integers(1, ROWS))
SIDES = st.tuples(st.integers(0, COLUMNS - 1), st.integers(1, COLUMNS))


@given(st.lists(st.tuples(SPANS, SIDES), max_size=6), st.booleans())
def test_windows_in_any_order_are_those_of_the_picture(windows, in_order):
    pieces, _ = pieces_of(in_order)
    for (top, high), (left, wide) in windows:
        rows, columns = (top, min(ROWS, top + high)), (left, min(COLUMNS, left + wide))
        assert_array_equal(window(pieces, rows, columns), PICTURE[slice(*rows), slice(*columns)])


@pytest.mark.parametrize("in_order", [True, False])
@pytest.mark.parametrize("high", [1, 7, 16, 40])
def test_bands_in_order_decode_each_piece_once(in_order, high):
    pieces, decoded = pieces_of(in_order)
    for top in range(0, ROWS, high):
        window(pieces, (top, min(ROWS, top + high)), (0, COLUMNS))
    assert set(decoded.values()) == {1}


def test_a_row_above_the_last_is_at_hand_unless_order_is_promised():
    for in_order, often in ((False, 1), (True, 2)):
        pieces, decoded = pieces_of(in_order)
        window(pieces, (4, HIGH), (0, WIDE))
        window(pieces, (2, HIGH), (0, WIDE))
        assert decoded[0] == often
