"""Where the gate lies in files of one picture: what clear ones agree on, and what it corrects."""

import numpy as np
import pytest

from pipeline.kinds import Corners
from pipeline.outline import corners_of
from pipeline.survey.single_gate import usual_gate

SIZE = (700, 480)


def outline(left: float, top: float, right: float, bottom: float) -> Corners:
    return corners_of(np.array([(left, top), (right, top), (right, bottom), (left, bottom)]))


def usual(more: tuple[Corners, ...] = ()):
    clear = [outline(40 + k, 30 - k, 640 + k, 430 - k) for k in range(4)]
    return usual_gate([*clear, *more], [SIZE] * (4 + len(more)))


@pytest.mark.parametrize(
    ("found", "held"),
    [
        # The left side fell for an edge in the picture, the right one lies where it should.
        ((150, 30, 644, 430), (44, 30, 644, 430)),
        ((38, 30, 638, 455), (38, 30, 638, 430)),
        # Neither is near its place.
        ((150, 30, 500, 430), (41.5, 30, 641.5, 430)),
    ],
)
def test_a_side_that_belies_the_gate_gives_way(found, held):
    gate = usual()
    assert gate is not None
    assert np.abs(np.array(gate.held(outline(*found), SIZE)) - outline(*held)).max() < 2.0


def test_a_slanted_side_gives_way_to_the_one_opposite():
    gate = usual()
    assert gate is not None
    slanted = corners_of(np.array([(40, 30), (640, 30), (640, 430), (62, 430)]))
    assert np.abs(np.array(gate.held(slanted, SIZE)) - outline(40, 30, 640, 430)).max() < 2.0


def test_pictures_of_the_usual_size_stay_wherever_they_lie():
    gate = usual((outline(150, 30, 640, 430),))
    assert gate is not None
    assert gate.held(outline(60, 35, 660, 437), SIZE) is None
    assert gate.held(outline(150, 30, 640, 430), (900, 600)) is None


def test_too_few_that_agree_tell_of_no_gate():
    clear = [outline(40, 30, 640, 430), outline(40, 30, 640, 430)]
    assert usual_gate(clear[:1], [SIZE]) is None
    apart = [*clear, *(outline(40, 30, right, 430) for right in (300, 400, 500))]
    assert usual_gate(apart, [SIZE] * 5) is None
    assert usual_gate([], []) is None
