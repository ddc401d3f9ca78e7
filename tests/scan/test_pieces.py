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


class Picture:
    """The picture in pieces, and how often each of them has been decoded."""

    def __init__(self, in_order: bool) -> None:
        self.pieces = Pieces((HIGH, WIDE), ACROSS, in_order)
        self.decoded: Counter[int] = Counter()

    def window(self, rows: tuple[int, int], columns: tuple[int, int]) -> np.ndarray:
        codes = np.empty((rows[1] - rows[0], columns[1] - columns[0], 3), np.uint16)
        self.pieces.begin()
        self.pieces.fill(codes, rows, columns, self._decode)
        return codes

    def _decode(self, number: int) -> np.ndarray:
        self.decoded[number] += 1
        down, along = divmod(number, ACROSS)
        return PICTURE[down * HIGH : (down + 1) * HIGH, along * WIDE : (along + 1) * WIDE]


SPANS = st.tuples(st.integers(0, ROWS - 1), st.integers(1, ROWS))
SIDES = st.tuples(st.integers(0, COLUMNS - 1), st.integers(1, COLUMNS))


@given(st.lists(st.tuples(SPANS, SIDES), max_size=6), st.booleans())
def test_windows_in_any_order_are_those_of_the_picture(windows, in_order):
    picture = Picture(in_order)
    for (top, high), (left, wide) in windows:
        rows, columns = (top, min(ROWS, top + high)), (left, min(COLUMNS, left + wide))
        wanted = PICTURE[slice(*rows), slice(*columns)]
        assert_array_equal(picture.window(rows, columns), wanted)


@pytest.mark.parametrize("in_order", [True, False])
@pytest.mark.parametrize("high", [1, 7, 16, 40])
def test_bands_in_order_decode_each_piece_once(in_order, high):
    picture = Picture(in_order)
    for top in range(0, ROWS, high):
        picture.window((top, min(ROWS, top + high)), (0, COLUMNS))
    assert set(picture.decoded.values()) == {1}


def test_a_row_above_the_last_is_at_hand_unless_order_is_promised():
    for in_order, often in ((False, 1), (True, 2)):
        picture = Picture(in_order)
        picture.window((4, HIGH), (0, WIDE))
        picture.window((2, HIGH), (0, WIDE))
        assert picture.decoded[0] == often
