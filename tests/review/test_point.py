"""Densities and bars of a drawn strip against what was drawn."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.colour import scene_light
from pipeline.kinds import MIDDLE_GREY
from pipeline.review.place import as_found, ends_mm, on_strip_mm, place_on_strip_mm, placed_frames
from pipeline.review.point import bars_mm, curves_of, patch_at
from pipeline.turn import Turn
from tests.review.desks import desk_over


@pytest.fixture(scope="module")
def desk(model_roll, tmp_path_factory):
    with desk_over(model_roll, tmp_path_factory.mktemp("out")) as made:
        yield made


def test_a_place_tells_what_the_survey_measured_there(desk):
    surveyed = desk.state.surveyed
    placed = desk.frame("13")
    strip = surveyed.strips[placed.strip]
    densities = desk.pictures.strip(strip)
    thumbnail = np.asarray(placed.frame.survey.thumbnail).astype(float)
    rows, columns = thumbnail.shape[:2]
    for across, down in ((0.3, 0.4), (0.6, 0.7), (0.8, 0.3)):
        corners = np.asarray(placed.frame.survey.outline)
        at = corners[0] + across * (corners[1] - corners[0]) + down * (corners[3] - corners[0])
        place = tuple(on_strip_mm(strip, (tuple(at),))[0])
        told = patch_at(densities, place, placed.strip, surveyed)
        row, column = int(down * rows), int(across * columns)
        there = thumbnail[row - 3 : row + 4, column - 3 : column + 4].mean(axis=(0, 1))
        assert told.above == pytest.approx(there, abs=0.12)
        base = np.asarray(strip.base.density)
        assert np.subtract(told.scanner, told.above) == pytest.approx(base, abs=1e-3)


def test_log_exposures_are_those_of_the_rolls_colour(desk):
    surveyed = desk.state.surveyed
    colour = surveyed.colour
    densities = desk.pictures.strip(surveyed.strips[0])
    told = patch_at(densities, (60.0, 17.0), 0, surveyed)
    light = scene_light(np.array(told.above), colour)
    exposure = MIDDLE_GREY * 10.0 ** np.array(told.log_h)
    assert np.asarray(colour.scene) @ exposure == pytest.approx(light, rel=2e-3)
    for layer, points in enumerate(curves_of(colour)):
        at, density = np.array(points).T
        assert np.interp(told.log_h[layer], at, density) == pytest.approx(
            told.layers[layer], abs=0.02
        )


def test_bars_stand_between_the_pictures(desk):
    surveyed = desk.state.surveyed
    strip = surveyed.strips[0]
    bars = bars_mm(desk.pictures.strip(strip), strip)
    spans = [ends_mm(strip, p.frame) for p in placed_frames(surveyed) if p.strip == 0]
    for (_, end), (begin, _) in itertools.pairwise(spans):
        assert any(a == pytest.approx(end, abs=0.3) and b == pytest.approx(begin, abs=0.3)
                   for a, b in bars)  # fmt: skip
    assert not any(a < (begin + end) / 2 < b for begin, end in spans for a, b in bars)


def test_a_place_in_a_written_picture_is_the_same_place_on_the_strip(desk):
    placed = desk.frame("13")
    strip = desk.state.surveyed.strips[placed.strip]
    begin, end = ends_mm(strip, placed.frame)
    left, right = (place_on_strip_mm(strip, placed.frame, (share, 0.5))[0] for share in (0.0, 1.0))
    # What is written lies inside of the picture by its rim.
    assert 0.0 <= left - begin < 0.5
    assert 0.0 <= end - right < 0.5
    turned = replace(placed.frame, turn=Turn(90))
    # The upper left of a picture turned clockwise is the lower left of it as found.
    assert as_found(turned, (0.0, 0.0)) == pytest.approx((0.0, 1.0), abs=1e-6)
    assert as_found(replace(turned, turn=Turn(0, True)), (0.2, 0.3)) == pytest.approx((0.8, 0.3))
