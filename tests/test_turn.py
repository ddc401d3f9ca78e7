"""Quarter turns and mirrors, held against numpy's own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.check import Wrong
from pipeline.strip.base import FrameBase
from pipeline.turn import AS_FOUND, TURNS_DEG, Turn
from tests.survey.surveyed import ABSOLUTE

CORNERS = ((0.0, 0.0), (4.0, 0.0), (4.0, 2.0), (0.0, 2.0))
TERMS = tuple(tuple(row) for row in np.random.default_rng(1).normal(0, 0.1, (3, 6)).tolist())
turns = st.builds(Turn, st.sampled_from(TURNS_DEG), st.booleans())


def by_numpy(picture: np.ndarray, turn: Turn) -> np.ndarray:
    mirrored = picture[:, ::-1] if turn.mirror else picture
    return np.rot90(mirrored, turn.turn_deg // 90, axes=(1, 0))


@given(turns)
def test_picture_is_turned_as_numpy_turns_it(turn):
    picture = np.arange(2 * 3 * 3).reshape(2, 3, 3)
    assert (turn.picture(picture) == by_numpy(picture, turn)).all()


@given(turns)
def test_corners_go_with_the_picture(turn):
    # A picture of its own corners: first, second, fourth and third, as it is read.
    told = by_numpy(np.array([[0, 1], [3, 2]]), turn)
    order = [told[0, 0], told[0, 1], told[1, 1], told[1, 0]]
    assert turn.corners(CORNERS) == tuple(CORNERS[corner] for corner in order)


@given(turns)
def test_sides_go_with_the_picture(turn):
    # Each side by a pixel next to its middle.
    sides = by_numpy(np.array([[9, 1, 9], [0, 9, 2], [9, 3, 9]]), turn)
    told = (sides[1, 0], sides[0, 1], sides[1, 2], sides[2, 1])
    assert turn.sides((0.0, 1.0, 2.0, 3.0)) == told


@pytest.mark.parametrize("turn", [Turn(90), Turn(270), Turn(0, True)])
def test_four_quarters_and_two_mirrors_are_none(turn):
    corners, base = CORNERS, BASE
    for _ in range(2 if turn.mirror else 4):
        corners, base = turn.corners(corners), base.turned(turn)
    assert (corners, base) == (CORNERS, BASE)
    assert AS_FOUND.corners(CORNERS) == CORNERS


BASE = FrameBase(TERMS, -0.4, 0.2, -0.7, 0.7, ABSOLUTE)


@given(turns, turns)
def test_base_lies_under_the_picture_as_before(first, then):
    def surface(base: FrameBase, rows: int, columns: int) -> np.ndarray:
        by_row, by_column = base.log_light(rows, columns)
        return by_row + by_column

    plain = surface(BASE, 5, 7)
    told = by_numpy(by_numpy(plain, first), then)
    turned = BASE.turned(first).turned(then)
    assert surface(turned, *told.shape[:2]) == pytest.approx(told, abs=1e-6)


@pytest.mark.parametrize("value", [45, -90, 360, 90.5])
def test_other_angles_are_no_quarter_turns(value):
    with pytest.raises(Wrong, match="is no quarter turn"):
        Turn.read_deg(value)
