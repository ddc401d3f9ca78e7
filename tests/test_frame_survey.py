"""Cuts surveyed: a frame as corrected, on a strip's view that holds its place in its colours."""

import numpy as np
import pytest

from pipeline.frame_survey import Cut, DensityView, survey_cut
from tests.surveyed import film_base, frame

PX = 8.0
# Density that rises by 0.01 a column and 0.001 a row, so that a mean tells a place.
ROWS, COLUMNS = 280, 600
ABOVE = np.repeat(
    (0.01 * np.arange(COLUMNS)[None, :] + 0.001 * np.arange(ROWS)[:, None])[..., None], 3, axis=2
).astype(np.float32)
CORNERS = np.array([[100.0, 40.0], [388.0, 40.0], [388.0, 232.0], [100.0, 232.0]])
OUTLINE = tuple((10 * x, 10 * y) for x, y in CORNERS)
VIEW = DensityView(ABOVE, film_base(), PX)


def surveyed(cut: Cut, found=None, corners=None):
    return survey_cut(VIEW, cut, found, corners)


def test_a_frame_left_as_found_gets_its_key_alone():
    found = frame("07")
    same = surveyed(Cut("07", 3), found)
    assert (same.key, same.corrected, same.confidence) == ("07", False, found.confidence)
    assert same.thumbnail is found.thumbnail
    assert same.outline == found.outline


def test_another_kind_is_certain_and_moves_nothing():
    told = surveyed(Cut("07", 3, kind="picture"), frame("07", kind="blank"))
    assert (told.kind, told.confidence, told.corrected) == ("picture", 1.0, True)
    assert told.outline == frame().outline


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_frame_with_another_outline_is_measured_there(mirrored):
    order = [1, 0, 3, 2] if mirrored else [0, 1, 2, 3]
    outline = tuple(OUTLINE[at] for at in order)
    told = surveyed(Cut("07", 3, outline), frame("07"), CORNERS[order])
    assert (told.outline, told.confidence, told.corrected) == (outline, 1.0, True)
    assert (told.kind, told.edge_number, told.key) == ("picture", "07", "07")
    # The middle of a slope is its median: column 244, row 136.
    assert told.median == pytest.approx((2.44 + 0.136,) * 3, abs=0.01)
    left, right = told.thumbnail[:, 0].mean(), told.thumbnail[:, -1].mean()
    assert (left < right) != mirrored


def test_an_added_frame_has_no_number_of_the_edge():
    told = surveyed(Cut("+1", None, OUTLINE), None, CORNERS)
    assert (told.edge_number, told.kind, told.key) == (None, "picture", "+1")
    assert surveyed(Cut("+1", None, OUTLINE, "partial"), None, CORNERS).kind == "partial"


def test_an_added_frame_without_an_outline_is_a_mistake():
    with pytest.raises(ValueError, match=r"'\+1' to add has no outline"):
        surveyed(Cut("+1", None))
