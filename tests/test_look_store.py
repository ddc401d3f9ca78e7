"""Looks at scans that are kept: what comes of them is what a survey from the file comes to."""

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.film_format import frame_formats
from pipeline.frame_survey import FrameSurvey
from pipeline.gate import usual_habit
from pipeline.look_store import LookStore, ScanLook
from pipeline.settings import Settings
from pipeline.survey import ScanSurvey, survey_scan
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan, write_scan

HABITS = {"135": replace(usual_habit(frame_formats()["135"]), gap_mm=2.2, gap_spread_mm=0.2)}


@pytest.fixture(scope="module")
def unclear(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a scan of a strip with a frame whose edges nothing tells."""
    frames = [FrameSpec("chart"), FrameSpec(kind="blank"), FrameSpec("rocket")]
    roll = Roll("film-b", frames, format="135", first_number=3, seed=2)
    scan = make_scan([StripSpec(roll, count=3)], ppi=150.0, seed=2, infrared=True, dust_count=20)
    return Path(write_scan(tmp_path_factory.mktemp("looks"), "strip", scan))


def told(survey: ScanSurvey) -> list[tuple[object, ...]]:
    """Return all that a survey says of its frames, in words and numbers."""
    frames = [frame for strip in survey.strips for frame in strip.frames]
    return [
        (frame.outline, frame.kind, frame.confidence, frame.edge_number, frame.base, frame.median)
        for frame in frames
    ]


def pictures(survey: ScanSurvey) -> list[FrameSurvey]:
    return [frame for strip in survey.strips for frame in strip.frames]


def test_a_survey_from_a_look_is_that_from_the_file(unclear: Path):
    looks = LookStore()
    first = survey_scan(unclear, Settings(), looks=looks)
    assert min(frame.confidence for frame in pictures(first)) < 0.9
    from_file = survey_scan(unclear, Settings(), HABITS)
    moved = unclear.rename(unclear.with_name("gone.tif"))
    try:
        # The file is gone: what is said now comes from the look.
        from_look = survey_scan(unclear, Settings(), HABITS, looks=looks)
    finally:
        moved.rename(unclear)
    assert told(from_look) == told(from_file)
    assert told(from_look) != told(first)
    assert (from_look.notes, from_look.habits) == (from_file.notes, from_file.habits)
    assert from_look.strips[0].cross_talk == from_file.strips[0].cross_talk
    for one, other in zip(pictures(from_look), pictures(from_file), strict=True):
        assert np.array_equal(one.samples, other.samples)
        assert np.array_equal(one.thumbnail, other.thumbnail)


def test_a_look_is_let_go_of_when_it_is_taken(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    assert looks.take(unclear) is not None
    assert looks.take(unclear) is None


def test_no_more_is_kept_than_there_is_room_for(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    look = looks.take(unclear)
    assert look is not None
    size = sum(strip.size_bytes for strip in look.strips)
    # Three channels of a picture of 4 bytes each, and one of what its columns show.
    light = look.strips[0].view.light
    assert size >= light.nbytes + light.nbytes // 3
    small = LookStore(2 * size)
    for name in ("one", "two", "three"):
        small.keep(ScanLook(Path(name), look.strips, False, (), False))
    assert [small.take(Path(name)) is not None for name in ("one", "two", "three")] == [
        True,
        True,
        False,
    ]


def test_pictures_do_not_travel(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    sent = pickle.dumps(looks)
    assert len(sent) < 200
    assert pickle.loads(sent).take(unclear) is None
